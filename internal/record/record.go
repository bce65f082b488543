// Package record is the append-only record log of one site: the envelope of a
// record and its exact bytes, commits, the Merkle tree over them, and signed
// checkpoints. Package evidence, below it, exports a log and proves it. Neither
// knows what the records mean; this one reads no clock and does no input or
// output but through the io.Reader it is given.
//
// # Frozen decisions of format 1
//
// These cannot change without a new format version in the founding record.
//
//   - The bytes of a record are its envelope as canonical JSON (RFC 8785). A
//     number is an integer below 2^53 in magnitude; fractions, exponents and
//     minus zero are refused. Member names must differ. Nesting is at most
//     MaxDepth, a record at most MaxRecordBytes.
//   - A member without a value is left out, never null. Member names of the
//     envelope, in their order: about, amends, at, at_known, body, by,
//     command, command_hash, device, findings, id, kind, late_reason,
//     recorded_at, seq, server_clock, site, until, v. Any other is refused.
//   - Times are RFC 3339 in UTC, "2026-01-02T03:04:05.678Z": always Z, always
//     three decimals, years 0001 to 9999.
//   - Ids (id, command, amends) are UUIDs in lower-case text (RFC 9562).
//     Hashes are base64, standard alphabet, padded, strict (RFC 4648).
//   - about is sorted by bytes, without doubles. Device has id, offset_ms and,
//     where given, clock. A finding has code and, where given, data, an object
//     of strings.
//   - A record id is UUIDv5 of the command id and the ordinal in decimal. Other
//     derived ids are UUIDv5 over the canonical JSON array of their parts.
//   - Leaf hash, node hash and proofs are those of RFC 6962 (SHA-256). The leaf
//     index is seq - 1; seq counts from 1. Stored nodes stand in the order of
//     golang.org/x/mod/sumdb/tlog.
//   - A checkpoint is a C2SP signed note: origin "linewarden/<site>/<log id>",
//     size, root, then one Ed25519 signature line whose key name is the origin.
//   - Record 1 has kind site.founded. A record of kind key.changed names the new
//     key and holds the old key's last checkpoint, over all records before it,
//     with one extension line "next key <verifier key>"; where the old key is
//     lost it says so instead.
//   - An export is as package evidence says.
package record

import "errors"

// FormatVersion is the envelope and log format that this package writes.
const FormatVersion = 1

// Limits of the log.
const (
	MaxDepth          = 32      // nesting of JSON objects and arrays
	MaxJSONBytes      = 4 << 20 // longest JSON text that Canonical takes
	MaxRecordBytes    = 1 << 20 // longest canonical record
	MaxCommitRecords  = 500     // records in one commit
	MaxCommitBytes    = 4 << 20 // bytes of all records in one commit
	MaxCommandRecords = 200     // records of one command
)

// Kinds of error. Test for them with errors.Is.
var (
	// ErrInvalid says that a value cannot stand in a record.
	ErrInvalid = errors.New("invalid record")
	// ErrNotCanonical says that bytes are not the canonical form of what they say.
	ErrNotCanonical = errors.New("not canonical JSON")
	// ErrTampered says that a log or an export was changed.
	ErrTampered = errors.New("record log was changed")
	// ErrConflict says that another commit took the number; nothing was written.
	ErrConflict = errors.New("another commit was written first")
	// ErrUncertain says that a commit may or may not have been written.
	ErrUncertain = errors.New("outcome of the commit is unknown")
	// ErrDuplicateID says that a record or command id is in the log already;
	// nothing was written.
	ErrDuplicateID = errors.New("id is in the log already")
	// ErrNotFound says that the log does not hold what was asked for.
	ErrNotFound = errors.New("not in the record log")
	// ErrCommitFull says that a command does not fit into this commit any more.
	ErrCommitFull = errors.New("commit is full")
	// ErrTooLarge says that a record or command is over the limits by itself.
	ErrTooLarge = errors.New("too large for the record log")
)
