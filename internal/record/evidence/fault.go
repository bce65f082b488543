package evidence

import (
	"fmt"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/record"
)

// FaultKind names what is wrong with a log or an export.
type FaultKind string

// The kinds of fault.
const (
	FaultHeader     FaultKind = "header"           // the header of an export is damaged
	FaultRecord     FaultKind = "record"           // a record, or its line, was altered or is missing
	FaultReplaced   FaultKind = "records replaced" // records agree with themselves but not with a signed root
	FaultCut        FaultKind = "cut short"        // the end is missing
	FaultCheckpoint FaultKind = "checkpoint"       // a checkpoint was altered
	FaultSignature  FaultKind = "signature"        // the signature does not fit the checkpoint
	FaultOtherKey   FaultKind = "other key"        // signed with a key that is not the log's
	FaultSince      FaultKind = "earlier checkpoint"
	FaultCommit     FaultKind = "commit" // numbers of a stored commit
	FaultNode       FaultKind = "node"   // a stored tree node
	FaultRoot       FaultKind = "root"   // the stored root of a commit
	FaultLookup     FaultKind = "look-up table"
)

// Fault says what is damaged and where. It is ErrTampered.
type Fault struct {
	Kind   FaultKind
	Seq    int64 // the first bad record, or the first that can be bad; 0: none can be named
	To     int64 // where the bad record is only known to lie between Seq and To; else 0
	Line   int64 // line of the export, from 1; 0: a store
	Commit int64 // number of the stored commit; 0: none
	Detail string
}

// Error implements error.
func (f *Fault) Error() string {
	where := string(f.Kind)
	switch {
	case f.Kind == FaultRecord && f.Seq > 0:
		where = fmt.Sprintf("record %d", f.Seq)
	case f.To > 0:
		where = fmt.Sprintf("%s, somewhere from %d to %d", f.Kind, f.Seq, f.To)
	case f.Seq > 0:
		where = fmt.Sprintf("%s, record %d", f.Kind, f.Seq)
	case f.Commit > 0:
		where = fmt.Sprintf("%s of commit %d", f.Kind, f.Commit)
	}
	if f.Line > 0 {
		where += fmt.Sprintf(" (line %d)", f.Line)
	}
	return where + ": " + f.Detail
}

// Unwrap makes every fault ErrTampered.
func (f *Fault) Unwrap() error { return record.ErrTampered }

// Claim is something that a check proved or could not prove.
type Claim string

// The claims.
const (
	ClaimRecords  Claim = "records"
	ClaimComplete Claim = "complete"
	ClaimOrigin   Claim = "origin"
	ClaimSince    Claim = "since"
	ClaimLookups  Claim = "look-ups"
	ClaimStored   Claim = "stored checkpoints"
)

// ProvedText says in plain words what was proved.
func (c Claim) ProvedText() string {
	return map[Claim]string{
		ClaimRecords:  "every record is as it was when the checkpoint was signed",
		ClaimComplete: "no record is missing from the first to the last",
		ClaimOrigin:   "the checkpoint was signed with the key that you gave",
		ClaimSince:    "the log continues the earlier checkpoint that you gave",
		ClaimLookups:  "the look-up tables fit the records",
		ClaimStored:   "every stored checkpoint fits the log",
	}[c]
}

// MissingText says in plain words what could not be proved, and why.
func (c Claim) MissingText() string {
	return map[Claim]string{
		ClaimRecords:  "whether records after the last checkpoint were changed by somebody who can write to the store",
		ClaimComplete: "whether records outside this part were changed or are missing",
		ClaimOrigin:   "key taken from the file: proves integrity, not origin; give the log's key to prove who signed",
		ClaimSince:    "whether whoever holds the key rewrote the log and signed it again; give an earlier checkpoint to prove that it was not",
		ClaimLookups:  "whether the look-up tables fit the records",
		ClaimStored:   "whether stored checkpoints fit the log",
	}[c]
}

// Result is what Verify and VerifyLog found.
type Result struct {
	Fault       *Fault // nil: nothing wrong was found
	Site, LogID string
	First, Last int64     // records that were looked at and found whole
	Size        int64     // records under the checkpoint, or in the store
	Root        tlog.Hash // root of the tree over Size records
	Checkpoint  string    // the signed note; empty where there is none
	Key         string    // verifier key that the checkpoint was checked with
	OriginTo    int64     // records whose origin the given key proves, 0: none
	LostAt      []int64   // records that say the key before them was lost
	Proved      []Claim
	NotProved   []Claim
}

// OK reports whether nothing wrong was found.
func (r Result) OK() bool { return r.Fault == nil }

// VerifyOptions say what to check against.
type VerifyOptions struct {
	Key   string // verifier key known from elsewhere; empty: taken from the log
	Since string // earlier checkpoint known from elsewhere, signed, or its size and root with a space between; optional
	// Progress, where given, is called now and then with the records checked;
	// total is 0 while it is not known.
	Progress func(done, total int64)
}

func (o VerifyOptions) progress(done, total int64) {
	if o.Progress != nil && done%4096 == 0 {
		o.Progress(done, total)
	}
}
