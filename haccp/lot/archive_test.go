package lot_test

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp/lot"
)

// TestArchiveFindsEveryLotAgain: whatever a lot's stays and boxes, the archive names it where they meet a question, also
// after lots were put twice, dropped, forked, and the whole written down and read back; boxes it names exactly.
func TestArchiveFindsEveryLotAgain(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := drawLines(t)
		x := tell(lines, inOrder(len(lines)))
		b := x.book()
		var a lot.Archive
		kept := map[string]*lot.Lot{}
		for _, code := range b.Codes() {
			l := b.Lot(code).Clone()
			l.Ended = clock("22:00") // only lots that are done with come here
			for range rapid.IntRange(0, 2).Draw(t, "runs of boxes") {
				from := rapid.Int64Range(1, 60).Draw(t, "box")
				l.AddAct(lot.Act{ID: fmt.Sprint("b", from), At: clock("12:00"), Step: "fill", Place: "filler",
					Boxes: []lot.Boxes{{Prefix: rapid.SampledFrom([]string{"", "X"}).Draw(t, "prefix"), From: from, To: from + rapid.Int64Range(0, 20).Draw(t, "boxes")}}})
			}
			l.Settle(lot.NewWay(wayPlan()))
			a.Keep(l)
			kept[code] = l
			if rapid.Bool().Draw(t, "again") {
				fork := a.Fork()
				fork.Drop(code)
				if fork.Has(code) || !a.Has(code) {
					t.Fatal("a fork changed what it came from, or nothing")
				}
				a.Keep(l)
			}
		}
		gone := rapid.SampledFrom(b.Codes()).Draw(t, "dropped")
		a.Drop(gone)
		delete(kept, gone)
		at := clock("11:00")
		a.Empty("shredder", "e", at)
		a.Empty("shredder", "f", at.Add(-time.Minute))
		a.Unempty("shredder", "f", at.Add(-time.Minute))

		text, err := json.Marshal(a)
		if err != nil {
			t.Fatal(err)
		}
		var back lot.Archive
		if err := json.Unmarshal(text, &back); err != nil {
			t.Fatal(err)
		}
		if again, err := json.Marshal(back); err != nil || string(again) != string(text) {
			t.Fatalf("%s\nread back\n%s %v", text, again, err)
		}
		from := clock("06:00").Add(time.Duration(rapid.IntRange(0, 900).Draw(t, "from")) * time.Minute)
		to := from.Add(time.Duration(rapid.IntRange(0, 300).Draw(t, "span")) * time.Minute)
		for _, a := range []*lot.Archive{&a, &back} {
			if a.Len() != len(kept) {
				t.Fatalf("%d lots, want %d", a.Len(), len(kept))
			}
			if got := a.EmptiedBy("shredder", from, to); (got.Equal(at) && got.Before(to)) != (!at.Before(from) && at.Before(to)) {
				t.Fatalf("empty at %s; from %s to %s: %s", at, from, to, got)
			}
			for _, place := range []string{"bath", "shredder", "room"} {
				found := a.Meeting(place, from, to)
				for code, l := range kept {
					if slices.ContainsFunc(l.Stays(), func(s lot.Stay) bool { return s.Place == place && s.Meets(from, to) }) && !slices.Contains(found, code) {
						t.Fatalf("%s was at %s from %s to %s: %+v; found %v", code, place, from, to, l.Stays(), found)
					}
				}
			}
			n := rapid.Int64Range(1, 85).Draw(t, "which box")
			var want []string
			for code, l := range kept {
				if slices.ContainsFunc(l.Boxes(), func(x lot.Boxes) bool { return x.Has("X", n) }) {
					want = append(want, code)
				}
			}
			slices.Sort(want)
			if got := a.OfBox("X", n); !slices.Equal(got, want) {
				t.Fatalf("box X %d of %v, want %v", n, got, want)
			}
		}
	})
}
