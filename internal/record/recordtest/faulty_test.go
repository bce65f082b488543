package recordtest_test

import (
	"context"
	"errors"
	"testing"

	"linewarden/internal/memstore"
	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
)

func TestFaulty(t *testing.T) {
	for _, c := range []struct {
		fault   recordtest.Fault
		want    error
		written int64
	}{
		{recordtest.Works, nil, 3},
		{recordtest.WrittenUncertain, record.ErrUncertain, 3},
		{recordtest.NotWrittenUncertain, record.ErrUncertain, 0},
		{recordtest.NotWritten, recordtest.ErrBroken, 0},
		{recordtest.Conflicts, record.ErrConflict, 1},
		{recordtest.RivalUncertain, record.ErrUncertain, 1},
	} {
		f := &recordtest.Faulty{Log: memstore.New().Site("north")}
		f.Rival = func(_ context.Context, log record.Log) error { recordtest.Fill(t, "north", log, 1); return nil }
		f.Plan(c.fault)
		commit, lookups, _ := recordtest.Build(t, "north", new(record.Tree), 1, 3)
		if err := f.Append(t.Context(), 0, commit, lookups); !errors.Is(err, c.want) {
			t.Errorf("fault %d: %v", c.fault, err)
		}
		if head, err := f.Head(t.Context()); err != nil || head.Size != c.written || f.Appends() != 1 {
			t.Errorf("fault %d: %d records, %v", c.fault, head.Size, err)
		}
		f.Unreadable(true)
		if _, err := f.Head(t.Context()); !errors.Is(err, recordtest.ErrBroken) {
			t.Errorf("unreadable: %v", err)
		}
	}
}
