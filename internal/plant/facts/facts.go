// Package facts reads what the rules ask for before they decide or fold: earlier events by key, time or
// id, leaf hashes and roots. It sees the log up to a fixed size and, above it, what a batch that is not
// stored yet would add, so that a command gets the same facts in one batch with others as alone.
//
// What it promises: records after that size are never seen, whatever is written meanwhile; a record
// that cannot be read is an Error, never a missing fact. It only reads.
package facts

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"slices"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/haccp"
	"linewarden/internal/plant/codec"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
)

// maxRounds bounds how often rules may ask for more facts for one command. Forgotten lots are asked for one generation a
// round.
const maxRounds = 256

// Overlay is what a batch would add to the log: events decided and not yet stored.
type Overlay interface {
	// Events gives the events so far in order of seq.
	Events() []*haccp.Event
	// Leaves gives their leaf hashes in order of seq.
	Leaves() []tlog.Hash
}

// Library answers what rules need from the records up to a size, and from an overlay above it. It keeps
// what it read. It is for one goroutine.
type Library struct {
	log    record.Log
	decode *codec.Decoder
	size   int64        // records after this one are not seen
	tree   *record.Tree // tree of that size; nil without overlay
	over   Overlay      // nil: none
	ranges map[haccp.Range][]*haccp.Event
	ids    map[string]*haccp.Event
}

// New opens the library of the first size records of a log.
func New(log record.Log, d *codec.Decoder, size int64) *Library {
	return &Library{log: log, decode: d, size: size, ranges: map[haccp.Range][]*haccp.Event{}, ids: map[string]*haccp.Event{}}
}

// Cover puts an overlay above the records; tree is that of the records below it and is not changed.
func (l *Library) Cover(tree *record.Tree, over Overlay) { l.tree, l.over = tree, over }

// Gather asks for needs until nothing is missing. What could not be read, and rules that never have
// enough, are an Error; an error of needs is returned as it is.
func (l *Library) Gather(ctx context.Context, needs func(haccp.Facts) (haccp.Need, error)) (haccp.Facts, error) {
	return l.GatherOn(ctx, haccp.Facts{}, needs)
}

// GatherOn is Gather for facts of which some are there already; it adds to them.
func (l *Library) GatherOn(ctx context.Context, f haccp.Facts, needs func(haccp.Facts) (haccp.Need, error)) (haccp.Facts, error) {
	for range maxRounds {
		need, err := needs(f)
		if err != nil || need.Empty() {
			return f, err
		}
		if err := l.answer(ctx, need, &f); err != nil {
			return f, &Error{err}
		}
	}
	return f, &Error{fmt.Errorf("the rules asked for more facts %d times", maxRounds)}
}

// Error says that facts could not be read, and why.
type Error struct{ Err error }

// Error implements error.
func (e *Error) Error() string { return "read facts: " + e.Err.Error() }

// Unwrap gives what the log said.
func (e *Error) Unwrap() error { return e.Err }

func (l *Library) answer(ctx context.Context, need haccp.Need, f *haccp.Facts) error {
	if f.Ranges == nil {
		*f = haccp.Facts{Ranges: map[haccp.Range][]*haccp.Event{}, ByID: map[string]*haccp.Event{},
			Leaves: map[int64]string{}, Roots: map[int64]string{}, Reporters: map[haccp.ReviewSpan]map[string][]int64{}}
	}
	for _, r := range need.Ranges {
		events, err := l.inRange(ctx, r)
		if err != nil {
			return err
		}
		f.Ranges[r] = events
	}
	if err := l.byID(ctx, need.IDs, f); err != nil {
		return err
	}
	for _, seq := range need.Leaves {
		leaf, err := l.leaf(ctx, seq)
		if err != nil {
			return err
		}
		f.Leaves[seq] = leaf
	}
	for _, size := range need.Roots {
		root, err := l.root(ctx, size)
		if err != nil {
			return err
		}
		f.Roots[size] = root
	}
	for _, r := range need.Reporters {
		by, err := l.reporters(ctx, r)
		if err != nil {
			return err
		}
		f.Reporters[r] = by
	}
	return nil
}

// reporters tells which records of a run each person reported.
func (l *Library) reporters(ctx context.Context, r haccp.ReviewSpan) (map[string][]int64, error) {
	by := map[string][]int64{}
	err := l.log.Scan(ctx, r.From, min(r.To, l.size), func(seq int64, rec string) error {
		env, err := record.DecodeString(rec)
		if err != nil {
			return fmt.Errorf("record %d: %w", seq, err)
		}
		if haccp.Reported(env.Kind) {
			by[env.By.ID] = append(by[env.By.ID], seq)
		}
		return nil
	})
	if err != nil || l.over == nil {
		return by, err
	}
	for _, e := range l.over.Events() {
		if e.Seq >= r.From && e.Seq <= r.To && haccp.Reported(e.Kind) {
			by[e.By.ID] = append(by[e.By.ID], e.Seq)
		}
	}
	return by, nil
}

// inRange gives the events of a range in order of seq.
func (l *Library) inRange(ctx context.Context, r haccp.Range) ([]*haccp.Event, error) {
	stored, ok := l.ranges[r]
	if !ok {
		var err error
		if stored, err = l.storedRange(ctx, r); err != nil {
			return nil, err
		}
		l.ranges[r] = stored
	}
	if l.over == nil {
		return stored, nil
	}
	out := slices.Clip(stored)
	for _, e := range l.over.Events() {
		if within(e, r) {
			out = append(out, e)
		}
	}
	return out, nil
}

// within tells whether an event is in a range.
func within(e *haccp.Event, r haccp.Range) bool {
	return !e.At.Before(r.From) && (r.To.IsZero() || e.At.Before(r.To)) && slices.Contains(e.About, r.About)
}

func (l *Library) storedRange(ctx context.Context, r haccp.Range) ([]*haccp.Event, error) {
	var events []*haccp.Event
	q := record.Query{About: r.About, From: r.From, To: r.To}
	for {
		page, next, err := l.log.Find(ctx, q)
		if err != nil {
			return nil, fmt.Errorf("records about %s: %w", r.About, err)
		}
		for _, s := range page {
			if s.Seq > l.size {
				continue
			}
			e, err := l.stored(s)
			if err != nil {
				return nil, err
			}
			events = append(events, e)
		}
		if next.IsZero() {
			slices.SortFunc(events, func(a, b *haccp.Event) int { return int(a.Seq - b.Seq) })
			return events, nil
		}
		q.After = next
	}
}

func (l *Library) stored(s record.Stored) (*haccp.Event, error) {
	env, err := record.DecodeString(s.Bytes)
	if err != nil {
		return nil, fmt.Errorf("record %d: %w", s.Seq, err)
	}
	return l.decode.Event(&env)
}

// byID puts the events with these ids into the facts, nil where there is none.
func (l *Library) byID(ctx context.Context, ids []string, f *haccp.Facts) error {
	var ask []record.UUID
	for _, id := range ids {
		f.ByID[id] = nil
		if e, ok := l.ids[id]; ok {
			f.ByID[id] = e
		} else if u, err := record.ParseUUID(id); err == nil { // what is no UUID is the id of no record
			ask = append(ask, u)
		}
	}
	if len(ask) > 0 {
		found, err := l.log.ByID(ctx, ask)
		if err != nil {
			return fmt.Errorf("records by id: %w", err)
		}
		for u, s := range found {
			if s.Seq > l.size {
				continue
			}
			e, err := l.stored(s)
			if err != nil {
				return err
			}
			f.ByID[u.String()], l.ids[u.String()] = e, e
		}
	}
	if l.over == nil {
		return nil
	}
	for _, e := range l.over.Events() {
		if slices.Contains(ids, e.ID) {
			f.ByID[e.ID] = e
		}
	}
	return nil
}

// leaf gives the leaf hash of a record, "" where there is none.
func (l *Library) leaf(ctx context.Context, seq int64) (string, error) {
	switch {
	case seq < 1:
		return "", nil
	case seq > l.size:
		if l.over != nil {
			if leaves := l.over.Leaves(); seq-l.size <= int64(len(leaves)) {
				return base64Of(leaves[seq-l.size-1]), nil
			}
		}
		return "", nil
	}
	h, err := l.log.Hashes(ctx, []int64{tlog.StoredHashIndex(0, seq-1)})
	if err != nil {
		return "", fmt.Errorf("leaf %d: %w", seq, err)
	}
	return base64Of(h[0]), nil
}

// root gives the root of the first size records, "" where the log has not so many.
func (l *Library) root(ctx context.Context, size int64) (string, error) {
	if size < 1 {
		return "", nil
	}
	if size <= l.size {
		root, err := evidence.RootAt(ctx, l.log, size)
		if errors.Is(err, record.ErrNotFound) {
			return "", nil
		}
		return base64Of(root), err
	}
	if l.over == nil || l.tree == nil {
		return "", nil
	}
	leaves := l.over.Leaves()
	if size-l.size > int64(len(leaves)) {
		return "", nil
	}
	t := l.tree.Clone()
	for _, leaf := range leaves[:size-l.size] {
		t.Append(leaf, nil)
	}
	return base64Of(t.Root()), nil
}

func base64Of(h tlog.Hash) string { return base64.StdEncoding.EncodeToString(h[:]) }
