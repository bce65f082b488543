package standing_test

import (
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/standing"
)

// Readings as they stand: the last amendment counts, a void one is gone, and what changes no reading of those taken is
// passed over.
func TestReadings(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	event := func(seq int64, id string, minute int, body any) *haccp.Event {
		return &haccp.Event{Seq: seq, ID: id, At: at.Add(time.Duration(minute) * time.Minute), Body: body}
	}
	r := standing.Readings{}
	for _, e := range []*haccp.Event{
		event(1, "late", 9, &haccp.Reading{Note: "as logged"}), event(2, "early", 1, &haccp.Reading{Note: "first"}), event(3, "gone", 5, &haccp.Reading{}),
		event(4, "same", 1, &haccp.Reading{Note: "same time"}), event(5, "a", 9, &haccp.Amended{Target: "late", New: &haccp.Reading{Note: "once"}}),
		event(6, "b", 9, &haccp.Amended{Target: "late", New: &haccp.Reading{Note: "twice"}}), event(7, "c", 9, &haccp.Amended{Target: "other", New: &haccp.Reading{}}),
		event(8, "d", 5, &haccp.Voided{Target: "gone"}), event(9, "e", 5, &haccp.LineStopped{}), event(10, "kept-out", 6, &haccp.Reading{Note: "out"}),
	} {
		r.Take(e)
	}
	got := r.Sorted(func(x *standing.Reading) bool { return x.Body.Note != "out" })
	if len(got) != 3 || got[0].Event.ID != "early" || got[1].Event.ID != "same" || got[2].Event.ID != "late" || got[2].Body.Note != "twice" {
		t.Errorf("%+v", got)
	}
}
