package record

import (
	"context"
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"time"

	"golang.org/x/mod/sumdb/tlog"
)

// Tree is the right edge of the Merkle tree of a log: enough to append records
// and know the root, without reading the log. The zero value is an empty tree.
// It is not for use by several goroutines at once.
type Tree struct {
	size     int64
	edge     []tlog.Hash // roots of the full subtrees, largest first
	recorded time.Time
}

// Size is the number of records in the tree.
func (t *Tree) Size() int64 { return t.size }

// LastRecorded is recorded_at of the last record that went through AppendCommand
// or OpenTree; the next record may not be earlier.
func (t *Tree) LastRecorded() time.Time { return t.recorded }

// Clone gives an independent copy.
func (t *Tree) Clone() *Tree {
	return &Tree{size: t.size, edge: slices.Clone(t.edge), recorded: t.recorded}
}

// Root is the root hash of RFC 6962 section 2.1; that of an empty tree is the
// SHA-256 of nothing.
func (t *Tree) Root() tlog.Hash {
	if len(t.edge) == 0 {
		return sha256.Sum256(nil)
	}
	root := t.edge[len(t.edge)-1]
	for i := len(t.edge) - 2; i >= 0; i-- {
		root = tlog.NodeHash(t.edge[i], root)
	}
	return root
}

// Append adds a leaf hash and appends the nodes that it completes to nodes, in
// the order of stored hashes: the leaf, then its ancestors upwards.
func (t *Tree) Append(leaf tlog.Hash, nodes []tlog.Hash) []tlog.Hash {
	nodes = append(nodes, leaf)
	for n := t.size; n&1 == 1; n >>= 1 {
		last := len(t.edge) - 1
		leaf = tlog.NodeHash(t.edge[last], leaf)
		t.edge = t.edge[:last]
		nodes = append(nodes, leaf)
	}
	t.edge = append(t.edge, leaf)
	t.size++
	return nodes
}

// LeafHash is the RFC 6962 leaf hash of a record's canonical bytes.
func LeafHash(record string) tlog.Hash {
	var room [2048]byte // enough for most records
	return sha256.Sum256(append(room[:1], record...))
}

// NewTree builds the edge of a tree of this size from its stored hashes.
func NewTree(size int64, hashes tlog.HashReader) (*Tree, error) {
	t := &Tree{size: size}
	var indexes []int64
	var begin int64
	for level := 62; level >= 0; level-- {
		if size>>level&1 == 1 {
			indexes = append(indexes, tlog.StoredHashIndex(level, begin>>level))
			begin += 1 << level
		}
	}
	if len(indexes) == 0 {
		return t, nil
	}
	edge, err := hashes.ReadHashes(indexes)
	if err != nil {
		return nil, fmt.Errorf("read the edge of the tree: %w", err)
	}
	if len(edge) != len(indexes) {
		return nil, fmt.Errorf("read the edge of the tree: %d hashes instead of %d", len(edge), len(indexes))
	}
	t.edge = slices.Clone(edge)
	return t, nil
}

// OpenTree builds the edge of the tree at the head of a log and compares its
// root with that of the head; where they differ the error is ErrTampered.
func OpenTree(ctx context.Context, log Log) (*Tree, Head, error) {
	head, err := log.Head(ctx)
	if err != nil {
		return nil, Head{}, err
	}
	t, err := NewTree(head.Size, HashReader(ctx, log))
	if err != nil {
		return nil, Head{}, err
	}
	if t.Root() != head.Root {
		return nil, Head{}, fmt.Errorf("%w: the stored nodes do not give the root of commit %d", ErrTampered, head.Commit)
	}
	if head.Size == 0 {
		return t, head, nil
	}
	err = log.Scan(ctx, head.Size, head.Size, func(_ int64, record string) error {
		e, err := DecodeString(record)
		t.recorded = e.RecordedAt
		return err
	})
	return t, head, err
}

// Commit is the unit of storage: whole commands, the nodes that their records
// complete, and the new root. Commits are numbered from 1 without a gap.
type Commit struct {
	Number  int64
	First   int64       // seq of the first record
	Records []string    // canonical bytes
	Nodes   []tlog.Hash // stored hashes from StoredHashIndex(0, First-1) on
	Size    int64       // records in the log after this commit
	Root    tlog.Hash   // root of the tree after this commit

	// More says that the instance that wrote it is about to write more, so that others may let it. It is no part of
	// what is recorded or hashed, and a store that one process owns need not keep it.
	More bool

	text string // the records as the builder wrote them, a line each
}

// Text gives the records with line feeds between them.
func (c *Commit) Text() string {
	at := 0
	for i, r := range c.Records { // whoever changed them by hand left the text as it was
		at += min(i, 1) // the line feed
		if at += len(r); at > len(c.text) || c.text[at-len(r):at] != r || at < len(c.text) && c.text[at] != '\n' {
			return strings.Join(c.Records, "\n")
		}
	}
	return c.text[:at]
}

// Lookup is what a log must find a record by, taken from its envelope.
type Lookup struct {
	Seq     int64
	ID      UUID
	Command UUID // zero where the record has none
	Kind    string
	At      time.Time
	About   []string
}

// LookupOf takes the look-up entries from an envelope.
func LookupOf(e *Envelope) Lookup {
	return Lookup{Seq: e.Seq, ID: e.ID, Command: e.Command, Kind: e.Kind, At: e.At, About: e.About}
}

// Builder makes one commit. It works on a copy of the tree, so that dropping
// the builder drops the commit.
type Builder struct {
	site    string
	tree    *Tree
	commit  Commit
	lookups []Lookup
	bytes   int
	text    strings.Builder // the records, a line each, while no command was refused
	scratch []byte
}

// NewBuilder begins commit number (head commit + 1) of a site on this tree.
func NewBuilder(site string, tree *Tree, number int64) *Builder {
	return &Builder{site: site, tree: tree.Clone(), commit: Commit{Number: number, First: tree.size + 1}, scratch: make([]byte, 0, 2048)}
}

// AppendCommand numbers the records of one command (it sets Seq and Site),
// encodes and hashes them, and adds all of them or none. ErrCommitFull: build
// this commit and put the command into the next one. ErrTooLarge: the command
// or a record can be in no commit. ErrInvalid: a record is not well formed, or
// its recorded_at is before that of the record before it.
func (b *Builder) AppendCommand(records []Envelope) error {
	if len(records) > MaxCommandRecords {
		return fmt.Errorf("%w: command of %d records is over %d", ErrTooLarge, len(records), MaxCommandRecords)
	}
	had, encoded := b.commit.Records, b.commit.Records
	size, recorded := 0, b.tree.recorded
	for i := range records {
		e := &records[i]
		e.Site, e.Seq = b.site, b.tree.size+int64(i)+1
		if e.RecordedAt.Before(recorded) {
			return fmt.Errorf("%w: record %d: recorded_at %s is before that of the record before it", ErrInvalid, e.Seq, FormatTime(e.RecordedAt))
		}
		recorded = e.RecordedAt
		s, err := e.encode(b.scratch, &b.text)
		if err != nil {
			return err
		}
		encoded, size = append(encoded, s), size+len(s)
		b.text.WriteByte('\n')
	}
	if size > MaxCommitBytes {
		return fmt.Errorf("%w: command of %d bytes is over %d", ErrTooLarge, size, MaxCommitBytes)
	}
	if len(b.commit.Records)+len(records) > MaxCommitRecords || b.bytes+size > MaxCommitBytes {
		return ErrCommitFull
	}
	for i, s := range encoded[len(had):] {
		b.commit.Nodes = b.tree.Append(LeafHash(s), b.commit.Nodes)
		b.lookups = append(b.lookups, LookupOf(&records[i]))
	}
	b.commit.Records, b.tree.recorded, b.bytes = encoded, recorded, b.bytes+size
	return nil
}

// Expect makes room for about n more records.
func (b *Builder) Expect(n int) {
	b.commit.Records, b.lookups = slices.Grow(b.commit.Records, n), slices.Grow(b.lookups, n)
	b.commit.Nodes = slices.Grow(b.commit.Nodes, 2*n)
	b.text.Grow(1280 * n) // a usual record's bytes
}

// Len is the number of records in the commit so far.
func (b *Builder) Len() int { return len(b.commit.Records) }

// Last gives the canonical bytes of the last n records.
func (b *Builder) Last(n int) []string { return b.commit.Records[len(b.commit.Records)-n:] }

// Build gives the commit and its look-up entries. A commit has at least one
// record.
func (b *Builder) Build() (Commit, []Lookup) {
	c := b.commit
	c.Size, c.Root, c.text = b.tree.size, b.tree.Root(), b.text.String()
	return c, b.lookups
}

// Tree is the tree after the commit, for the builder of the next one.
func (b *Builder) Tree() *Tree { return b.tree }

// Check reports with ErrInvalid when the commit does not follow the head: its
// number, its first seq, its counts, and its limits. It does not hash.
func (c *Commit) Check(head Head) error {
	size := 0
	for _, r := range c.Records {
		size += len(r)
	}
	n := int64(len(c.Records))
	switch {
	case n == 0:
		return fmt.Errorf("%w: commit %d has no records", ErrInvalid, c.Number)
	case n > MaxCommitRecords || size > MaxCommitBytes:
		return fmt.Errorf("%w: commit %d has %d records and %d bytes", ErrTooLarge, c.Number, n, size)
	case c.Number != head.Commit+1 || c.First != head.Size+1 || c.Size != head.Size+n:
		return fmt.Errorf("%w: commit %d with records %d to %d does not follow commit %d with %d records", ErrInvalid, c.Number, c.First, c.Size, head.Commit, head.Size)
	case int64(len(c.Nodes)) != tlog.StoredHashCount(c.Size)-tlog.StoredHashCount(head.Size):
		return fmt.Errorf("%w: commit %d has %d nodes", ErrInvalid, c.Number, len(c.Nodes))
	}
	return nil
}
