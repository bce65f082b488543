// Package evidence is what proves a record log to somebody who does not trust
// whoever keeps it: proofs that a record or an earlier log is part of a log,
// the export that can be handed out, and the checks that find any later change
// of an export or of the log in its store. It knows nothing of what the records
// mean; it reads no clock and does no input or output but through the record.Log,
// io.Reader and io.Writer it is given.
//
// What it promises: a fault is reported as Fault and is record.ErrTampered,
// never only logged, and names the first record that can be bad. Whatever a
// check could not prove stands in Result.NotProved. Changing any one byte of an
// export is found.
//
// # Frozen decision of format 1
//
// It cannot change without a new format version in the founding record, like
// those of package record.
//
//   - An export is lines of canonical JSON, each ended by one line feed: a
//     header (complete, first, format, key, last, log_id, site, size), per
//     record a line (leaf, proof where the export is partial, record), and a
//     last line (checkpoint). The header holds the current key so that a partial
//     export can be read alone, and the tree size so that proofs can be checked
//     in one pass.
package evidence
