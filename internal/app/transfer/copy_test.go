package transfer

import (
	"errors"
	"testing"

	"linewarden/haccp"
	"linewarden/internal/memstore"
	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
)

// source gives a log of commands of one to seven records each, in small commits.
func source(t *testing.T, site string) (*memstore.Log, record.Head) {
	t.Helper()
	log := memstore.New().Site(site)
	tree, n := new(record.Tree), 0
	for commit := int64(1); commit <= 60; commit++ {
		b := record.NewBuilder(site, tree, commit)
		for c := range 4 {
			var command []record.Envelope
			for i := range (int(commit)+c)%7 + 1 {
				e := recordtest.Note(site, n)
				if i > 0 {
					e.Command = command[0].Command
				}
				command = append(command, e)
				n++
			}
			if err := b.AppendCommand(command); err != nil {
				t.Fatal(err)
			}
		}
		c, lookups := b.Build()
		if err := log.Append(t.Context(), commit-1, c, lookups); err != nil {
			t.Fatal(err)
		}
		tree = b.Tree()
	}
	head, err := log.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	return log, head
}

// A copy that is cut short goes on where it stopped; no command is torn apart, and the root is that of the source.
func TestCopyGoesOn(t *testing.T) {
	from, head := source(t, "north")
	to := &recordtest.Faulty{Log: memstore.New().Site("north")}
	to.Plan(recordtest.Works, recordtest.NotWritten)
	if err := copyLog(t.Context(), from, to, head, nil); !errors.Is(err, recordtest.ErrBroken) {
		t.Fatalf("a store that fails: %v", err)
	}
	half, err := to.Head(t.Context())
	if err != nil || half.Size == 0 || half.Size >= head.Size {
		t.Fatalf("%d of %d records, %v", half.Size, head.Size, err)
	}
	last := int64(0)
	if err := copyLog(t.Context(), from, to, head, func(done, total int64) { last = done }); err != nil || last != head.Size {
		t.Fatalf("the same again: %v, %d of %d", err, last, head.Size)
	}
	if got, err := to.Head(t.Context()); err != nil || got.Size != head.Size || got.Root != head.Root {
		t.Errorf("head %+v, want that of %+v: %v", got, head, err)
	}
	if err := copyLog(t.Context(), from, to, head, nil); err != nil {
		t.Errorf("a copy that is whole: %v", err)
	}
	var before record.UUID
	for n := int64(1); ; n++ {
		c, err := to.ReadCommit(t.Context(), n)
		if errors.Is(err, record.ErrNotFound) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		for i, rec := range c.Records {
			e, err := record.DecodeString(rec)
			if err != nil {
				t.Fatal(err)
			}
			if i == 0 && e.Command == before {
				t.Errorf("commit %d begins in the middle of a command", n)
			}
			before = e.Command
		}
	}
}

// A target that holds another log, or more of it, is left as it is.
func TestCopyRefusesAnotherLog(t *testing.T) {
	from, head := source(t, "north")
	for name, other := range map[string]func() record.Log{
		"another log": func() record.Log {
			log := memstore.New().Site("north")
			recordtest.Fill(t, "north", log, 5, 5)
			return log
		},
		"more of it": func() record.Log {
			log, _ := source(t, "north")
			recordtest.Fill(t, "north", log, 1)
			return log
		},
	} {
		to := other()
		before, err := to.Head(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if err := copyLog(t.Context(), from, to, head, nil); !errors.Is(err, haccp.ErrConflict) {
			t.Errorf("%s: %v", name, err)
		}
		if after, err := to.Head(t.Context()); err != nil || after != before {
			t.Errorf("%s: the target was changed", name)
		}
	}
}
