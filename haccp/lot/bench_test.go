package lot_test

import (
	"fmt"
	"testing"
	"time"

	"linewarden/haccp/lot"
)

// season makes n lots that go through five steps one after the other, half an hour apart; every fourth is split and
// every fourth merged, and the hopper is emptied twice a day.
func season(n int) ([]*lot.Lot, lot.Facts) {
	w := lot.NewWay(wayPlan())
	var all []*lot.Lot
	var f lot.Facts
	start := clock("00:00")
	for i := range n {
		at := start.Add(time.Duration(i) * 30 * time.Minute)
		l := &lot.Lot{Code: fmt.Sprintf("L%06d", i), Received: []lot.Receipt{{ID: "r", At: at, Step: "receive", Mass: mass("500")}}}
		for k, s := range [][2]string{{"wash", "bath"}, {"rinse", "sink"}, {"shred", "shredder"}, {"fill", "filler"}, {"chill", "room"}} {
			in := at.Add(time.Duration(5+20*k) * time.Minute)
			l.AddAct(lot.Act{ID: "i" + s[0], At: in, In: true, Step: s[0], Place: s[1]})
			l.AddAct(lot.Act{ID: "o" + s[0], At: in.Add(15 * time.Minute), Step: s[0], Place: s[1], Boxes: []lot.Boxes{{From: 1, To: 40}}})
		}
		if i%4 == 1 {
			fd := lot.Feed{ID: fmt.Sprint("f", i), At: at.Add(30 * time.Minute), Step: "rinse", From: []lot.Part{{Lot: all[i-1].Code, Mass: mass("10")}}, To: []lot.Part{{Lot: l.Code, Mass: mass("10")}}}
			l.AddFeed(fd)
			all[i-1].AddFeed(fd)
			all[i-1].Settle(w)
		}
		l.Settle(w)
		all = append(all, l)
		if i%24 == 0 {
			f.Emptied = append(f.Emptied, lot.Emptied{Place: "shredder", At: at})
		}
	}
	return all, f
}

// BenchmarkAffected opens a book of the lots that a state holds and asks what one span touched. The bare baseline
// only walks over all stays.
func BenchmarkAffected(b *testing.B) {
	for _, n := range []int{400, 2000, 10000} {
		all, f := season(n)
		w := lot.NewWay(wayPlan())
		at := all[n/2].Born()
		spans := []lot.Span{{Cause: "d", Place: "bath", Begin: at, End: at.Add(time.Hour)}}
		b.Run(fmt.Sprintf("lots=%d", n), func(b *testing.B) {
			for b.Loop() {
				if len(lot.NewBook(w, all, f).Affected(lot.Causes{Spans: spans})) == 0 {
					b.Fatal("nothing affected")
				}
			}
		})
		b.Run(fmt.Sprintf("bare=%d", n), func(b *testing.B) {
			for b.Loop() {
				met := 0
				for _, l := range all {
					for i := range l.Stays() {
						if s := &l.Stays()[i]; s.Place == "bath" && s.Meets(spans[0].Begin, spans[0].End) {
							met++
						}
					}
				}
				if met == 0 {
					b.Fatal("none")
				}
			}
		})
	}
}

// BenchmarkBackward opens the same book and traces one lot back.
func BenchmarkBackward(b *testing.B) {
	all, f := season(2000)
	w := lot.NewWay(wayPlan())
	for b.Loop() {
		if len(lot.NewBook(w, all, f).Backward(all[1501].Code).Lots) == 0 {
			b.Fatal("nothing")
		}
	}
}
