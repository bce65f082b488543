package evidence

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/record"
)

// VerifyLog checks the log of a site in its store: every record, node, root and
// number, and, where the log is also Checkpoints and LookupLister, every stored
// checkpoint and look-up entry. What is wrong stands in Result.Fault; the error
// is for reading that failed and for options that cannot be used. A log that
// grows meanwhile is checked up to the head it had.
func VerifyLog(ctx context.Context, site string, log record.Log, o VerifyOptions) (Result, error) {
	c, err := newChain(o)
	if err != nil {
		return Result{}, err
	}
	v := &logVerifier{site: site, log: log, o: o, chain: c, result: Result{Site: site}}
	fault, err := v.run(ctx)
	if errors.Is(err, record.ErrTampered) {
		fault, err = &Fault{Kind: FaultCommit, Commit: v.commit, Detail: err.Error()}, nil
	}
	if err != nil {
		return Result{}, fmt.Errorf("read the log of site %s: %w", site, err)
	}
	v.result.Fault = fault
	if fault != nil {
		v.result.Proved, v.result.NotProved = nil, nil
		v.result.Last = c.tree.Size()
	}
	return v.result, nil
}

type storedCheckpoint struct {
	record.Checkpoint
	note string
}

type logVerifier struct {
	site        string
	log         record.Log
	o           VerifyOptions
	chain       *chain
	result      Result
	commit      int64
	head        record.Head
	checkpoints []storedCheckpoint // still to be reached, smallest first
	lookups     map[record.LookupTable]*tally
}

func (v *logVerifier) run(ctx context.Context) (*Fault, error) {
	checkpoints, hasCheckpoints := v.log.(record.Checkpoints)
	if hasCheckpoints {
		if fault, err := v.readCheckpoints(ctx, checkpoints); fault != nil || err != nil {
			return fault, err
		}
	}
	var err error
	if v.head, err = v.log.Head(ctx); err != nil {
		return nil, err
	}
	if v.head.Size == 0 {
		return v.extra(ctx)
	}
	v.lookups = map[record.LookupTable]*tally{}
	for v.commit = 1; v.commit <= v.head.Commit; v.commit++ {
		c, err := v.log.ReadCommit(ctx, v.commit)
		if errors.Is(err, record.ErrNotFound) {
			return &Fault{Kind: FaultCommit, Commit: v.commit, Detail: "it is missing"}, nil
		}
		if err != nil {
			return nil, err
		}
		if fault := v.check(&c); fault != nil {
			fault.Commit = v.commit
			return fault, nil
		}
	}
	v.commit = v.head.Commit
	return v.end(ctx, hasCheckpoints)
}

func (v *logVerifier) end(ctx context.Context, hasCheckpoints bool) (*Fault, error) {
	if fault := v.chain.finish(&v.result); fault != nil {
		return fault, nil
	}
	v.result.Proved = append(v.result.Proved, ClaimComplete)
	if len(v.checkpoints) > 0 {
		return v.beyond(v.checkpoints[0]), nil
	}
	if fault, err := v.extra(ctx); fault != nil || err != nil {
		return fault, err
	}
	v.claim(ClaimStored, hasCheckpoints)
	v.claim(ClaimRecords, v.chain.anchor == v.head.Size)
	lister, ok := v.log.(record.LookupLister)
	v.claim(ClaimLookups, ok)
	if !ok {
		return nil, nil
	}
	return v.compareLookups(ctx, lister)
}

func (v *logVerifier) claim(c Claim, proved bool) {
	if proved {
		v.result.Proved = append(v.result.Proved, c)
	} else {
		v.result.NotProved = append(v.result.NotProved, c)
	}
}

// beyond is the fault of a stored checkpoint over more records than there are.
func (v *logVerifier) beyond(cp storedCheckpoint) *Fault {
	if _, _, err := record.VerifyCheckpoint(cp.note, v.chain.allKeys()...); err != nil {
		return checkpointFault(fmt.Errorf("stored checkpoint over %d records: %w", cp.Size, err))
	}
	return &Fault{Kind: FaultCut, Seq: v.head.Size + 1, Detail: fmt.Sprintf("there are %d records, a stored checkpoint is over %d", v.head.Size, cp.Size)}
}

func (v *logVerifier) readCheckpoints(ctx context.Context, checkpoints record.Checkpoints) (*Fault, error) {
	var fault *Fault
	stop := errors.New("stop")
	err := checkpoints.EachCheckpoint(ctx, -1<<62, func(size int64, note string) error {
		cp, err := record.ParseCheckpoint(note)
		if err == nil && cp.Size != size {
			err = fmt.Errorf("%w: it is filed under %d records and says %d", record.ErrCheckpoint, size, cp.Size)
		}
		if err != nil {
			fault = checkpointFault(fmt.Errorf("stored checkpoint over %d records: %w", size, err))
			return stop
		}
		v.checkpoints = append(v.checkpoints, storedCheckpoint{cp, note})
		return nil
	})
	if fault != nil {
		return fault, nil
	}
	slices.SortStableFunc(v.checkpoints, func(a, b storedCheckpoint) int { return cmp.Compare(a.Size, b.Size) })
	return nil, err
}

// check follows one commit.
func (v *logVerifier) check(c *record.Commit) *Fault {
	t := &v.chain.tree
	switch {
	case c.Number != v.commit || c.First != t.Size()+1 || c.Size < c.First || c.Size > v.head.Size:
		return &Fault{Kind: FaultCommit, Detail: fmt.Sprintf("records %d to %d do not follow record %d", c.First, c.Size, t.Size())}
	case int64(len(c.Nodes)) != tlog.StoredHashCount(c.Size)-tlog.StoredHashCount(t.Size()):
		return &Fault{Kind: FaultCommit, Detail: fmt.Sprintf("%d nodes cannot be those of records %d to %d", len(c.Nodes), c.First, c.Size)}
	case len(c.Records) == 0:
		return &Fault{Kind: FaultRecord, Seq: c.First, Detail: "it is missing"}
	}
	before := t.Clone()
	var nodes []tlog.Hash
	for _, rec := range c.Records {
		e, fault := v.chain.add(rec, v.site)
		if fault == nil {
			fault = v.reached()
		}
		if fault != nil {
			if altered := recordAltered(before, c); altered != nil {
				fault = altered
			}
			return fault
		}
		nodes = append(nodes, v.chain.nodes...)
		v.count(&e)
		v.o.progress(t.Size(), v.head.Size)
	}
	return compareNodes(before, c, nodes, t.Root())
}

// reached checks the stored checkpoints over as many records as there are now.
func (v *logVerifier) reached() *Fault {
	c := v.chain
	for len(v.checkpoints) > 0 && v.checkpoints[0].Size <= c.tree.Size() {
		cp := v.checkpoints[0]
		v.checkpoints = v.checkpoints[1:]
		if _, _, err := record.VerifyCheckpoint(cp.note, c.currentKey()); err != nil {
			return checkpointFault(fmt.Errorf("stored checkpoint over %d records: %w", cp.Size, err))
		}
		if cp.Size != c.tree.Size() || cp.Site != c.founding.Site || cp.LogID != c.founding.LogID {
			return &Fault{Kind: FaultCheckpoint, Detail: fmt.Sprintf("stored checkpoint over %d records is not one of this log", cp.Size)}
		}
		if cp.Root != c.tree.Root() {
			return &Fault{Kind: FaultReplaced, Seq: c.anchor + 1, To: cp.Size, Detail: fmt.Sprintf("the first %d records are not those of a stored checkpoint", cp.Size)}
		}
		c.anchor = cp.Size
		v.result.Checkpoint = cp.note
	}
	return nil
}

// recordAltered names the first record that does not fit its stored leaf, if
// the stored nodes and root fit each other.
func recordAltered(before *record.Tree, c *record.Commit) *Fault {
	t := before.Clone()
	at := 0
	for i, rec := range c.Records {
		if at >= len(c.Nodes) {
			return nil
		}
		if record.LeafHash(rec) != c.Nodes[at] && nodesFit(before, c) {
			return &Fault{Kind: FaultRecord, Seq: c.First + int64(i), Detail: "its bytes do not fit its stored leaf"}
		}
		at += len(t.Append(c.Nodes[at], nil))
	}
	return nil
}

// nodesFit reports whether the stored leaves give the stored nodes and root.
func nodesFit(before *record.Tree, c *record.Commit) bool {
	t := before.Clone()
	at := 0
	for range c.Size - before.Size() {
		if at >= len(c.Nodes) {
			return false
		}
		made := t.Append(c.Nodes[at], nil)
		if at+len(made) > len(c.Nodes) || !slices.Equal(made, c.Nodes[at:at+len(made)]) {
			return false
		}
		at += len(made)
	}
	return at == len(c.Nodes) && t.Root() == c.Root
}

func compareNodes(before *record.Tree, c *record.Commit, nodes []tlog.Hash, root tlog.Hash) *Fault {
	if root == c.Root && slices.Equal(nodes, c.Nodes) {
		return nil
	}
	if f := recordAltered(before, c); f != nil {
		return f
	}
	if int64(len(c.Records)) != c.Size-before.Size() {
		return &Fault{Kind: FaultRecord, Seq: c.First + int64(len(c.Records)), Detail: "it is missing"}
	}
	if !slices.Equal(nodes, c.Nodes) {
		at := 0
		for at < min(len(nodes), len(c.Nodes)) && nodes[at] == c.Nodes[at] {
			at++
		}
		index := tlog.StoredHashCount(before.Size()) + int64(at)
		return &Fault{Kind: FaultNode, Detail: fmt.Sprintf("stored hash %d does not fit the records", index)}
	}
	return &Fault{Kind: FaultRoot, Detail: "it does not fit the records and nodes"}
}

// extra looks for records and nodes behind the last commit.
func (v *logVerifier) extra(ctx context.Context) (*Fault, error) {
	found := int64(0)
	stop := errors.New("stop")
	err := v.log.Scan(ctx, v.head.Size+1, v.head.Size+1, func(seq int64, _ string) error {
		found = seq
		return stop
	})
	if err != nil && !errors.Is(err, stop) {
		return nil, err
	}
	_, err = v.log.Hashes(ctx, []int64{tlog.StoredHashCount(v.head.Size)})
	if err != nil && !errors.Is(err, record.ErrNotFound) {
		return nil, err
	}
	nodes := err == nil
	now, err := v.log.Head(ctx)
	if err != nil {
		return nil, err
	}
	if now.Size == v.head.Size && (found > 0 || nodes) {
		return &Fault{Kind: FaultCommit, Seq: found, Commit: v.head.Commit + 1, Detail: "records or nodes stand behind the last commit: a commit is missing or was altered"}, nil
	}
	return nil, nil
}

// tally is a sum over look-up entries that does not depend on their order.
type tally struct {
	count int64
	sum   [4]uint64
}

func (v *logVerifier) entry(e record.LookupEntry, sign uint64) {
	t := v.lookups[e.Table]
	if t == nil {
		t = &tally{}
		v.lookups[e.Table] = t
	}
	buf := make([]byte, 0, 128)
	buf = binary.BigEndian.AppendUint64(buf, uint64(e.AtMS))
	buf = binary.BigEndian.AppendUint64(buf, uint64(e.Seq))
	h := sha256.Sum256(append(buf, e.Key...))
	for i := range t.sum {
		t.sum[i] += sign * binary.BigEndian.Uint64(h[8*i:])
	}
	t.count += int64(sign)
}

// count adds the entries that a record must have.
func (v *logVerifier) count(e *record.Envelope) {
	if _, ok := v.log.(record.LookupLister); !ok {
		return
	}
	at := e.At.UnixMilli()
	v.entry(record.LookupEntry{Table: record.LookupByID, Key: e.ID.String(), Seq: e.Seq}, 1)
	if !e.Command.IsZero() {
		v.entry(record.LookupEntry{Table: record.LookupByCommand, Key: e.Command.String(), Seq: e.Seq}, 1)
	}
	v.entry(record.LookupEntry{Table: record.LookupByKind, Key: e.Kind, AtMS: at, Seq: e.Seq}, 1)
	for _, about := range e.About {
		v.entry(record.LookupEntry{Table: record.LookupByAbout, Key: about, AtMS: at, Seq: e.Seq}, 1)
	}
}

// compareLookups takes the entries there are from those there must be.
func (v *logVerifier) compareLookups(ctx context.Context, lister record.LookupLister) (*Fault, error) {
	beyond := record.LookupEntry{}
	err := lister.LookupEntries(ctx, func(e record.LookupEntry) error {
		if e.Seq > v.head.Size {
			if e.Seq > beyond.Seq {
				beyond = e
			}
			return nil
		}
		v.entry(e, ^uint64(0))
		return nil
	})
	if err != nil {
		return nil, err
	}
	for _, table := range []record.LookupTable{record.LookupByID, record.LookupByCommand, record.LookupByKind, record.LookupByAbout} {
		if t := v.lookups[table]; t != nil && *t != (tally{}) {
			return &Fault{Kind: FaultLookup, Detail: fmt.Sprintf("the entries by %s do not fit the records (%+d missing); records are whole", table, t.count)}, nil
		}
	}
	now, err := v.log.Head(ctx)
	if err != nil {
		return nil, err
	}
	if beyond.Seq > now.Size {
		return &Fault{Kind: FaultLookup, Seq: beyond.Seq, Detail: fmt.Sprintf("the entries by %s name a record that is not there", beyond.Table)}, nil
	}
	return nil, nil
}
