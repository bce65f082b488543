package facts_test

import (
	"context"
	"encoding/base64"
	"errors"
	"reflect"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/haccp"
	"linewarden/internal/memstore"
	"linewarden/internal/plant/codec"
	"linewarden/internal/plant/facts"
	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
)

// last is the size of the log of these tests.
const last = 21

func madeLog(t *testing.T) record.Log {
	t.Helper()
	log := memstore.New().Site("north")
	keys, err := recordtest.NewKeys("north", "facts", 0)
	if err == nil {
		_, err = recordtest.MakeLog(t.Context(), log, keys, nil, last-1)
	}
	if err != nil {
		t.Fatal(err)
	}
	return log
}

// above is what stands in a log after a record, as if it were not stored yet.
type above struct {
	events []*haccp.Event
	leaves []tlog.Hash
}

func (a *above) Events() []*haccp.Event { return a.events }

func (a *above) Leaves() []tlog.Hash { return a.leaves }

// split gives the tree of the first size records and what stands above them.
func split(t *testing.T, log record.Log, size int64) (*record.Tree, *above) {
	t.Helper()
	tree, rest := new(record.Tree), new(above)
	err := log.Scan(t.Context(), 1, last, func(seq int64, rec string) error {
		if seq <= size {
			tree.Append(record.LeafHash(rec), nil)
			return nil
		}
		env, err := record.DecodeString(rec)
		if err != nil {
			return err
		}
		e, err := codec.NewDecoder().Event(&env)
		rest.events, rest.leaves = append(rest.events, e), append(rest.leaves, record.LeafHash(rec))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return tree, rest
}

// all asks for something of every sort, and for what is not there.
var all = haccp.Need{
	Ranges: []haccp.Range{
		{About: "place:bath-1"}, {About: "lot:0", From: second(5), To: second(15)}, {About: "place:bath-2", From: second(9)}, {About: "place:none"},
	},
	IDs:    []string{recordtest.Note("north", 3).ID.String(), recordtest.Note("north", 17).ID.String(), recordtest.Note("north", 99).ID.String(), "no id"},
	Leaves: []int64{-1, 1, 7, 13, last, last + 1},
	Roots:  []int64{0, 1, 7, 8, 13, last, last + 1},
}

func second(n int) time.Time { return recordtest.Start.Add(time.Duration(n) * time.Second) }

// once asks for a need until it was answered.
func once(need haccp.Need) func(haccp.Facts) (haccp.Need, error) {
	return func(f haccp.Facts) (haccp.Need, error) {
		if f.Ranges != nil {
			return haccp.Need{}, nil
		}
		return need, nil
	}
}

func gather(t *testing.T, l *facts.Library) haccp.Facts {
	t.Helper()
	f, err := l.Gather(t.Context(), once(all))
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// TestOverlayIsLikeStored looks that it makes no difference to facts which records are stored already.
// The roots are those of golang.org/x/mod/sumdb/tlog over the whole log.
func TestOverlayIsLikeStored(t *testing.T) {
	log := madeLog(t)
	want := gather(t, facts.New(log, codec.NewDecoder(), last))
	if n := len(want.Ranges[all.Ranges[0]]); n != 10 {
		t.Fatalf("%d notes of a bath, want 10", n)
	}
	if e := want.ByID[all.IDs[0]]; e == nil || e.Seq != 4 {
		t.Fatalf("the third note is %+v", e)
	}
	for size := int64(1); size <= last; size++ {
		tree, rest := split(t, log, size)
		l := facts.New(log, codec.NewDecoder(), size)
		l.Cover(tree, rest)
		for range 2 { // what the library kept from the first time must do as well
			if got := gather(t, l); !reflect.DeepEqual(got, want) {
				t.Errorf("%d of %d records stored:\n%+v\nwant\n%+v", size, last, got, want)
			}
		}
		if tree.Size() != size {
			t.Errorf("the tree of %d records was changed", size)
		}
	}
	root, err := tlog.TreeHash(13, record.HashReader(t.Context(), log))
	if err != nil || want.Roots[13] != base64.StdEncoding.EncodeToString(root[:]) {
		t.Errorf("root of 13 records %q: %v", want.Roots[13], err)
	}
}

// TestNothingAbove looks that records after the size are not seen, though they are stored.
func TestNothingAbove(t *testing.T) {
	f := gather(t, facts.New(madeLog(t), codec.NewDecoder(), 8))
	for r, events := range f.Ranges {
		for _, e := range events {
			if e.Seq > 8 {
				t.Errorf("%s: record %d is seen", r.About, e.Seq)
			}
		}
	}
	if len(f.Ranges[all.Ranges[0]]) == 0 || f.ByID[all.IDs[0]] == nil || f.Leaves[7] == "" || f.Roots[8] == "" {
		t.Errorf("records up to the size are missing: %+v", f)
	}
	if f.ByID[all.IDs[1]] != nil || f.Leaves[13] != "" || f.Roots[13] != "" {
		t.Errorf("records after the size are seen: %+v", f)
	}
}

var errLog = errors.New("the disk is gone")

// broken is a log whose reading fails.
type broken struct{ record.Log }

func (broken) Find(context.Context, record.Query) ([]record.Stored, record.Cursor, error) {
	return nil, record.Cursor{}, errLog
}

func (broken) ByID(context.Context, []record.UUID) (map[record.UUID]record.Stored, error) {
	return nil, errLog
}

func (broken) Hashes(context.Context, []int64) ([]tlog.Hash, error) { return nil, errLog }

// TestUnreadable looks that what cannot be read is an error, and not a fact that is missing.
func TestUnreadable(t *testing.T) {
	log := madeLog(t)
	for name, need := range map[string]haccp.Need{
		"ranges": {Ranges: all.Ranges}, "ids": {IDs: all.IDs}, "leaves": {Leaves: all.Leaves}, "roots": {Roots: all.Roots},
	} {
		_, err := facts.New(broken{log}, codec.NewDecoder(), last).Gather(t.Context(), once(need))
		if _, is := errors.AsType[*facts.Error](err); !is || !errors.Is(err, errLog) {
			t.Errorf("%s: %v", name, err)
		}
	}
	l := facts.New(log, codec.NewDecoder(), last)
	if _, err := l.Gather(t.Context(), func(haccp.Facts) (haccp.Need, error) { return all, nil }); err == nil {
		t.Error("rules that never have enough were given all of it")
	}
	refusal := &haccp.Refusal{Kind: haccp.ErrInvalid}
	if _, err := l.Gather(t.Context(), func(haccp.Facts) (haccp.Need, error) { return all, refusal }); !errors.Is(err, error(refusal)) {
		t.Errorf("a refusal of the rules came back as %v", err)
	}
}
