package evidence_test

import (
	"bytes"
	"errors"
	"testing"

	"linewarden/internal/memstore"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
	"linewarden/internal/record/recordtest"
)

func TestRecordsOfAnExport(t *testing.T) {
	keys, err := recordtest.NewKeys("north", "read", 1)
	if err != nil {
		t.Fatal(err)
	}
	made, err := recordtest.MakeLog(t.Context(), memstore.New().Site("north"), keys, nil, 3, 4)
	if err != nil {
		t.Fatal(err)
	}
	for _, span := range [][2]int64{{1, 0}, {3, 6}} {
		export, err := made.Export(t.Context(), span[0], span[1])
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		next := span[0]
		err = evidence.Records(t.Context(), bytes.NewReader(export), func(seq int64, rec string) error {
			if seq != next {
				t.Errorf("record %d instead of %d", seq, next)
			}
			next++
			got = append(got, rec)
			return nil
		})
		var want []string
		serr := made.Log.Scan(t.Context(), span[0], max(span[1], 8*(1-min(span[1], 1))), func(_ int64, rec string) error { want = append(want, rec); return nil })
		if err != nil || serr != nil || len(got) != len(want) || len(got) == 0 {
			t.Fatalf("%v: %d records, want %d: %v, %v", span, len(got), len(want), err, serr)
		}
		for i := range got {
			if got[i] != want[i] {
				t.Errorf("record %d of %v differs", i, span)
			}
		}
		cut := export[:bytes.LastIndexByte(export[:len(export)-1], '\n')+1]
		if err := evidence.Records(t.Context(), bytes.NewReader(cut), func(int64, string) error { return nil }); err == nil {
			t.Error("an export without its end was read to the end")
		}
	}
	stop := errors.New("stop")
	export, err := made.Export(t.Context(), 1, 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := evidence.Records(t.Context(), bytes.NewReader(export), func(int64, string) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("the error of fn: %v", err)
	}
	if err := evidence.Records(t.Context(), bytes.NewReader([]byte("{}\n")), nil); !errors.Is(err, record.ErrInvalid) {
		t.Errorf("a file that is no export: %v", err)
	}
}
