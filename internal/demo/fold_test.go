package demo_test

import (
	"bytes"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/internal/demo"
	"linewarden/internal/memstore"
	"linewarden/internal/plant/codec"
	"linewarden/internal/plant/facts"
	"linewarden/internal/record"
)

// history is a log read back from its bytes, cut into the commands that wrote it.
type history struct {
	t      *testing.T
	log    record.Log
	decode *codec.Decoder
	groups [][]*haccp.Event
}

func readHistory(t *testing.T, log record.Log) *history {
	t.Helper()
	h := &history{t: t, log: log, decode: codec.NewDecoder()}
	head, err := log.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	err = log.Scan(t.Context(), 1, head.Size, func(_ int64, rec string) error {
		env, err := record.DecodeString(rec)
		if err != nil {
			return err
		}
		e, err := h.decode.Event(&env)
		if err != nil {
			return err
		}
		if n := len(h.groups); n > 0 && e.Command != "" && h.groups[n-1][0].Command == e.Command {
			h.groups[n-1] = append(h.groups[n-1], e)
		} else {
			h.groups = append(h.groups, []*haccp.Event{e})
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// fold folds one command, with facts from the records before it.
func (h *history) fold(s *haccp.State, g []*haccp.Event) {
	h.t.Helper()
	lib := facts.New(h.log, h.decode, g[0].Seq-1)
	f, err := lib.Gather(h.t.Context(), func(f haccp.Facts) (haccp.Need, error) { return s.NeedsApply(g, f) })
	if err == nil {
		err = s.Apply(g, f)
	}
	if err != nil {
		h.t.Fatalf("record %d: %v", g[0].Seq, err)
	}
}

func (h *history) snapshot(s *haccp.State) []byte {
	h.t.Helper()
	b, err := s.Snapshot()
	if err != nil {
		h.t.Fatal(err)
	}
	return b
}

func (h *history) restore(b []byte) *haccp.State {
	h.t.Helper()
	s, err := haccp.Restore(b, time.LoadLocation)
	if err != nil {
		h.t.Fatal(err)
	}
	return s
}

// The demo's log folds to the same state with a snapshot taken at any position as without: a state restored
// at that position holds what was put in, and the rest of the log makes of it what it makes of the state
// that was never put away. In the longer log, old readings leave the state. Most of the restored states are followed
// for a while only; TestLongFold follows each to the end.
func TestFoldAgreesAtManyPositions(t *testing.T) { foldsAgree(t, 6, 40) }

// foldsAgree restores the state at every so many commands. It follows one of far of them to the end, and the others
// through far commands.
func foldsAgree(t *testing.T, every, far int) {
	t.Helper()
	for _, tc := range []struct{ days, every int }{{demo.MinDays, every}, {14, 150}} {
		log := memstore.New().Site(demo.Site)
		site, _ := written(t, log, inShift, tc.days)
		h := readHistory(t, log)
		straight := haccp.New(time.LoadLocation)
		restored := map[int]*haccp.State{}
		for i, g := range h.groups {
			if i%tc.every == 0 {
				was := h.snapshot(straight)
				restored[i] = h.restore(was)
				if !bytes.Equal(h.snapshot(restored[i]), was) {
					t.Fatalf("%d days: a state restored at command %d is another", tc.days, i)
				}
			}
			h.fold(straight, g)
			for at, s := range restored {
				h.fold(s, g)
				if i-at == far && (at/tc.every)%far != 0 {
					if !bytes.Equal(h.snapshot(s), h.snapshot(straight)) {
						t.Errorf("%d days: from a snapshot at command %d the log folds to another state by command %d", tc.days, at, i)
					}
					delete(restored, at)
				}
			}
		}
		want := h.snapshot(straight)
		if !bytes.Equal(want, h.snapshot(site.View())) {
			t.Errorf("%d days: the log folds to another state than deciding it gave", tc.days)
		}
		for i, s := range restored {
			if !bytes.Equal(h.snapshot(s), want) {
				t.Errorf("%d days: from a snapshot at command %d the log folds to another state", tc.days, i)
			}
		}
		t.Logf("%d days: %d records, %d snapshots followed to the end", tc.days, straight.Size, len(restored))
	}
}
