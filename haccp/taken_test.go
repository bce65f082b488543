package haccp

import (
	"math/rand/v2"
	"slices"
	"strconv"
	"testing"
	"time"

	"linewarden/haccp/control"
)

// TestTakenFor compares with a match of all readings.
func TestTakenFor(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	start := time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)
	for range 3000 {
		var dues []control.Due
		for range 1 + r.IntN(6) {
			at := start.Add(time.Duration(r.IntN(40)) * time.Minute)
			dues = append(dues, control.Due{At: at, From: at.Add(-time.Duration(r.IntN(9)) * time.Minute), Until: at.Add(time.Duration(r.IntN(9)) * time.Minute),
				Row: []string{control.RowInterval, control.RowCron, control.RowEvent}[r.IntN(3)]})
		}
		slices.SortFunc(dues, func(a, b control.Due) int { return a.At.Compare(b.At) })
		var c chain[TakenAt]
		var all []control.Taken
		for i := range r.IntN(80) {
			x := TakenAt{ID: strconv.Itoa(1000 + i), At: start.Add(time.Duration(r.IntN(50)) * time.Minute)}
			c = c.insert(x, orderTaken)
			all = append(all, control.Taken{ID: x.ID, At: x.At})
		}
		want, got := allMatched(dues, all), allMatched(dues, takenFor(dues, c))
		if !slices.Equal(want, got) {
			t.Fatalf("dues %v\nreadings %v\nwant %v\ngot  %v", dues, all, want, got)
		}
	}
}
