package record

import (
	"context"
	"fmt"
	"time"

	"golang.org/x/mod/sumdb/tlog"
)

// Head is the end of a log. The head of an empty log has commit 0, size 0 and
// the root of an empty tree.
type Head struct {
	Commit int64
	Size   int64 // records; also seq of the last one
	Root   tlog.Hash
}

// Stored is one record as a log gives it back.
type Stored struct {
	Seq   int64
	Bytes string // canonical bytes
}

// Cursor is a place in the order of a search. The zero value is its beginning.
type Cursor struct {
	At  time.Time
	Seq int64
}

// IsZero reports whether the cursor is at the beginning.
func (c Cursor) IsZero() bool { return c.At.IsZero() && c.Seq == 0 }

// Query asks for the records of one key or one kind, or of both, in the order
// of (at, seq).
type Query struct {
	About      string    // a key of about; empty: any
	Kind       string    // empty: any; About and Kind may not both be empty
	From, To   time.Time // at of the records: From <= at < To; zero: without bound
	After      Cursor    // what the page before gave
	Limit      int       // records in a page, 1 to MaxPage; 0: MaxPage
	Descending bool      // latest first
}

// MaxPage is the largest page of Find.
const MaxPage = 1000

// Log is the record log of one site. All methods may be called by several
// goroutines at once; readers see whole commits only.
type Log interface {
	// Head gives the end of the log.
	Head(ctx context.Context) (Head, error)
	// Append writes commit number expected+1 with its look-up entries, durably
	// and as a whole, if the log's last commit is still number expected. Errors:
	// ErrConflict, ErrDuplicateID, ErrInvalid, ErrTooLarge (nothing was written);
	// ErrUncertain (read the commit number back); any other error means that
	// nothing was written.
	Append(ctx context.Context, expected int64, commit Commit, lookups []Lookup) error
	// ReadCommit gives a commit by number, or ErrNotFound.
	ReadCommit(ctx context.Context, number int64) (Commit, error)
	// Scan calls fn with the records from..to (both included, as far as there
	// are any) in order of seq; an error of fn ends it and is returned.
	Scan(ctx context.Context, from, to int64, fn func(seq int64, record string) error) error
	// Find gives a page of records and the cursor of the next page, which is
	// zero after the last.
	Find(ctx context.Context, query Query) ([]Stored, Cursor, error)
	// Commands gives the records of those commands that are in the log, in
	// order of seq.
	Commands(ctx context.Context, ids []UUID) (map[UUID][]Stored, error)
	// ByID gives those of the records that are in the log.
	ByID(ctx context.Context, ids []UUID) (map[UUID]Stored, error)
	// Hashes gives stored hashes by their tlog index; ErrNotFound where one is
	// missing.
	Hashes(ctx context.Context, indexes []int64) ([]tlog.Hash, error)
}

// Checkpoints keeps the signed checkpoints of one site. They are evidence: they
// are added and never changed.
type Checkpoints interface {
	// AddCheckpoint keeps a signed checkpoint over the first size records.
	// Adding the same note again does nothing.
	AddCheckpoint(ctx context.Context, size int64, note string) error
	// EachCheckpoint calls fn with the notes over more than after records, the
	// smallest first; an error of fn ends it and is returned.
	EachCheckpoint(ctx context.Context, after int64, fn func(size int64, note string) error) error
	// LastCheckpoint gives the note over the most records, or ErrNotFound.
	LastCheckpoint(ctx context.Context) (string, error)
}

// LookupTable names one of the look-up tables of a log.
type LookupTable string

// The look-up tables.
const (
	LookupByID      LookupTable = "id"
	LookupByCommand LookupTable = "command"
	LookupByKind    LookupTable = "kind"
	LookupByAbout   LookupTable = "about"
)

// LookupEntry is one row of a look-up table: the text of the key, at in
// milliseconds since 1970 for kind and about (else 0), and the record's seq.
type LookupEntry struct {
	Table LookupTable
	Key   string
	AtMS  int64
	Seq   int64
}

// LookupLister lets evidence.VerifyLog compare the look-up tables with the records.
type LookupLister interface {
	// LookupEntries calls fn with every entry, in any order; a command has one
	// entry for each of its records.
	LookupEntries(ctx context.Context, fn func(LookupEntry) error) error
}

// HashReader reads the stored hashes of a log for the proofs of tlog.
func HashReader(ctx context.Context, log Log) tlog.HashReader {
	return tlog.HashReaderFunc(func(indexes []int64) ([]tlog.Hash, error) {
		return log.Hashes(ctx, indexes)
	})
}

// PageSize is the limit of the query, checked; ErrInvalid where the query has
// neither key nor kind, or a limit out of range.
func (q Query) PageSize() (int, error) {
	switch {
	case q.About == "" && q.Kind == "":
		return 0, fmt.Errorf("%w: a search needs a key or a kind", ErrInvalid)
	case q.Limit < 0 || q.Limit > MaxPage:
		return 0, fmt.Errorf("%w: a page has 1 to %d records, not %d", ErrInvalid, MaxPage, q.Limit)
	case q.Limit == 0:
		return MaxPage, nil
	}
	return q.Limit, nil
}

// CursorOf is the cursor after the entry with this at, in milliseconds since
// 1970, and seq.
func CursorOf(atMS, seq int64) Cursor { return Cursor{At: time.UnixMilli(atMS).UTC(), Seq: seq} }

// News tells which of many logs have gone on, in one question, for whoever
// follows what others write to them.
type News interface {
	// News gives, of the sites in known, those whose log has gone past the commit
	// number known of them, with the number of a later commit, mostly of the last.
	News(ctx context.Context, known map[string]int64) (map[string]int64, error)
}
