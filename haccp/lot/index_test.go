package lot_test

import (
	"fmt"
	"iter"
	"maps"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp/lot"
)

type lots map[string]*lot.Lot

func (m lots) Get(code string) *lot.Lot { return m[code] }
func (m lots) Codes() iter.Seq[string]  { return slices.Values(slices.Sorted(maps.Keys(m))) }

// TestTheFastWayIsThePlainWay: what a book finds by looking only at what a question touches is what one finds who goes
// through all lots in order of time; also where the index was told of one change after the other, forked, and a fork
// changed that was thrown away.
func TestTheFastWayIsThePlainWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := drawLines(t)
		for i := range rapid.IntRange(0, 6).Draw(t, "more passages") { // lots that come through the hopper again and at once
			at := rapid.IntRange(0, 500).Draw(t, "at")
			code := rapid.SampledFrom([]string{"A", "B", "C"}).Draw(t, "again")
			lines = append(lines, []string{"in", code, "shred", "shredder", fmt.Sprintf("%02d:%02d", 6+at/60, at%60)})
			if at += rapid.IntRange(0, 30).Draw(t, "for"); i%3 > 0 {
				lines = append(lines, []string{"out", code, "shred", "shredder", fmt.Sprintf("%02d:%02d", 6+at/60, at%60)})
			}
		}
		w := lot.NewWay(wayPlan())
		x := tell(lines, inOrder(len(lines)))
		whole := x.book()

		// The same by an index told line by line.
		var at lot.Index
		held := lots{}
		for n := range lines {
			y := tell(lines[:n+1], inOrder(n+1))
			thrown := at.Fork()
			for code, l := range y.lots {
				l.Settle(w)
				at.Put(held[code], l)
				held[code] = l
			}
			for _, l := range held {
				thrown.Put(l, nil)
			}
		}
		for _, b := range []*lot.Book{whole, lot.Open(w, held, at, x.facts)} {
			plain := lot.PlainOf(b)
			for _, code := range b.Codes() {
				in, out := b.Edges(code)
				wantIn, wantOut := plain.Edges(code)
				if !slices.Equal(in, wantIn) || !slices.Equal(out, wantOut) {
					t.Fatalf("%s:\ninto  %q\nplain %q\nout   %q\nplain %q", code, in, wantIn, out, wantOut)
				}
			}
			from := clock("06:00").Add(time.Duration(rapid.IntRange(0, 800).Draw(t, "from")) * time.Minute)
			to := from.Add(time.Duration(rapid.IntRange(0, 300).Draw(t, "span")) * time.Minute)
			if rapid.Bool().Draw(t, "open") {
				to = time.Time{}
			}
			for _, place := range []string{"bath", "sink", "shredder", "filler", "room"} {
				if got, want := b.Meeting(place, from, to), plain.Meeting(place, from, to); !slices.Equal(got, want) {
					t.Fatalf("at %s from %s to %s:\n%q\nplain %q", place, from, to, got, want)
				}
			}
		}
	})
}
