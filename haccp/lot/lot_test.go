package lot_test

import (
	"fmt"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp/lot"
	"linewarden/haccp/quantity"
)

func sorted(s []string) []string {
	slices.Sort(s)
	return s
}

// drawLines draws a day of a line as lines of the worked example's form: lots that are received, go through some
// of the steps with times left out here and there, split, merge and lose mass.
func drawLines(t *rapid.T) [][]string {
	at := func(m int) string { return fmt.Sprintf("%02d:%02d", 6+m/60, m%60) }
	var out [][]string
	n := rapid.IntRange(2, 5).Draw(t, "lots")
	codes := []string{}
	for i := range n {
		code := string(rune('A' + i))
		codes = append(codes, code)
		m := rapid.IntRange(0, 200).Draw(t, "received")
		out = append(out, []string{"receive", code, at(m), fmt.Sprint(rapid.IntRange(10, 500).Draw(t, "kg"))})
		for _, step := range []string{"wash bath", "rinse sink", "shred shredder", "fill filler", "chill room"} {
			var s, p string
			fmt.Sscan(step, &s, &p)
			m += rapid.IntRange(0, 40).Draw(t, "wait")
			if rapid.Bool().Draw(t, "in") {
				out = append(out, []string{"in", code, s, p, at(m)})
			}
			m += rapid.IntRange(0, 40).Draw(t, "stay")
			if rapid.Bool().Draw(t, "out") {
				out = append(out, []string{"out", code, s, p, at(m)})
			}
		}
	}
	for i := range rapid.IntRange(0, 4).Draw(t, "feeds") {
		from := rapid.SampledFrom(codes).Draw(t, "from")
		to := fmt.Sprintf("N%d", rapid.IntRange(0, i).Draw(t, "to"))
		kg := fmt.Sprint(rapid.IntRange(1, 50).Draw(t, "fed"))
		if from == to {
			continue
		}
		if !slices.Contains(codes, to) {
			codes = append(codes, to)
		}
		out = append(out, []string{"feed", "split", at(rapid.IntRange(0, 500).Draw(t, "fed at")), from + ":" + kg, ">", to + ":" + kg})
	}
	for range rapid.IntRange(0, 3).Draw(t, "removals") {
		out = append(out, []string{"removed", rapid.SampledFrom(codes).Draw(t, "of"), at(rapid.IntRange(0, 500).Draw(t, "removed at")),
			rapid.SampledFrom([]string{"trim", "sample", "stock"}).Draw(t, "what"), fmt.Sprint(rapid.IntRange(0, 9).Draw(t, "removed kg"))})
	}
	for range rapid.IntRange(0, 2).Draw(t, "emptied") {
		out = append(out, []string{"emptied", "shredder", at(rapid.IntRange(0, 600).Draw(t, "emptied at"))})
	}
	for range rapid.IntRange(0, 2).Draw(t, "breaks") {
		out = append(out, []string{"break", "line", at(rapid.IntRange(0, 600).Draw(t, "break at"))})
	}
	for i := range rapid.IntRange(1, 2).Draw(t, "spans") {
		m := rapid.IntRange(0, 500).Draw(t, "span")
		out = append(out, []string{"span", fmt.Sprintf("s%d", i), rapid.SampledFrom([]string{"bath", "shredder"}).Draw(t, "place"), at(m), at(m + rapid.IntRange(0, 60).Draw(t, "long"))})
	}
	if rapid.Bool().Draw(t, "result") {
		out = append(out, []string{"result", "found", rapid.SampledFrom(codes).Draw(t, "sampled")})
	}
	return out
}

// TestOrderOfArrival: what is affected, the clocks and the balances follow from the facts, whatever the order
// in which they were heard of.
func TestOrderOfArrival(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := drawLines(t)
		x := tell(lines, inOrder(len(lines)))
		y := tell(lines, rapid.Permutation(inOrder(len(lines))).Draw(t, "order"))
		slices.SortFunc(x.spans, bySpan)
		slices.SortFunc(y.spans, bySpan)
		a, b := x.book(), y.book()
		if got, want := b.Affected(lot.Causes{Spans: y.spans, Results: y.results}), a.Affected(lot.Causes{Spans: x.spans, Results: x.results}); !reflect.DeepEqual(got, want) {
			t.Fatalf("affected:\n%+v\nin another order:\n%+v", want, got)
		}
		c := lot.Clock{From: "shred", To: "fill"}
		for _, code := range a.Codes() {
			if a.Clock(code, c) != b.Clock(code, c) {
				t.Fatalf("clock of %s: %+v, in another order %+v", code, a.Clock(code, c), b.Clock(code, c))
			}
			if !reflect.DeepEqual(a.Balance(code), b.Balance(code)) {
				t.Fatalf("balance of %s differs", code)
			}
			if !reflect.DeepEqual(a.Backward(code), b.Backward(code)) || !reflect.DeepEqual(a.Forward(code), b.Forward(code)) {
				t.Fatalf("trace of %s differs", code)
			}
		}
	})
}

func bySpan(a, b lot.Span) int {
	if a.Cause < b.Cause {
		return -1
	}
	return 1
}

// TestAffectedIsEveryLotThatMayHaveBeenThere holds the direct touches against a model: minute by minute, was
// the lot at the place, as far as its records say or leave open?
func TestAffectedIsEveryLotThatMayHaveBeenThere(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := drawLines(t)
		x := tell(lines, inOrder(len(lines)))
		b := x.book()
		touched := map[[2]string]bool{}
		for _, a := range b.Affected(lot.Causes{Spans: x.spans}) {
			touched[[2]string{a.Lot, a.Cause}] = true
		}
		for _, s := range x.spans {
			for _, code := range b.Codes() {
				for at := s.Begin; !at.After(s.End); at = at.Add(time.Minute) {
					if recordedAt(x.lots[code], s.Place, at) && !touched[[2]string{code, s.Cause}] {
						t.Fatalf("%s was recorded at %s at %s and is not affected by %+v", code, s.Place, at, s)
					}
				}
			}
		}
		for _, l := range lines { // whatever a touched lot gave away after the end of the span is touched too
			if l[0] != "feed" {
				continue
			}
			from, to := l[3][:len(l[3])-len(after(l[3]))], l[5][:len(l[5])-len(after(l[5]))]
			for _, s := range x.spans {
				if touched[[2]string{from, s.Cause}] && clock(l[2]).After(s.End) && directly(x.lots[from], &s) && !touched[[2]string{to, s.Cause}] {
					t.Fatalf("%s fed %s after %+v and only it is affected", from, to, s)
				}
			}
		}
	})
}

func after(s string) string {
	for i := range s {
		if s[i] == ':' {
			return s[i:]
		}
	}
	return ""
}

// recordedAt reports whether a lot is recorded to have been at a place at a moment: it came before, and is
// not recorded to have left in between.
func recordedAt(l *lot.Lot, place string, at time.Time) bool {
	in := false
	for _, a := range l.Acts {
		if a.Place != place || a.At.After(at) {
			continue
		}
		in = a.In || a.At.Equal(at)
	}
	if !in {
		return false
	}
	for _, a := range l.Acts { // recorded at a later step: it may have gone on
		if a.Place != place && !a.At.After(at) && later(a.Place, place) {
			return false
		}
	}
	return l.Gone().IsZero() || !at.After(l.Gone())
}

func later(a, b string) bool {
	order := []string{"bath", "sink", "shredder", "filler", "room"}
	return slices.Index(order, a) > slices.Index(order, b)
}

func directly(l *lot.Lot, s *lot.Span) bool {
	return slices.ContainsFunc(l.Stays(), func(x lot.Stay) bool { return x.Place == s.Place && x.Meets(s.Begin, s.End) })
}

// TestMassIsConserved: what was received is what was removed, what is left and what nobody can account for,
// to the microgram, for all lots and for any part of them.
func TestMassIsConserved(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := drawLines(t)
		for i := range lines { // feeds that lose or gain, and lots of which nothing is left
			if lines[i][0] == "feed" && rapid.Bool().Draw(t, "weighed again") {
				lines[i][5] = lines[i][5][:len(lines[i][5])-len(after(lines[i][5]))] + fmt.Sprintf(":%d.%03d", rapid.IntRange(0, 50).Draw(t, "kg"), rapid.IntRange(0, 999).Draw(t, "g"))
			}
			if lines[i][0] == "feed" && rapid.Bool().Draw(t, "all") {
				lines[i][3] += "!"
			}
		}
		x := tell(lines, inOrder(len(lines)))
		b := x.book()
		codes := b.Codes()
		if rapid.Bool().Draw(t, "some") {
			codes = rapid.SliceOfDistinct(rapid.SampledFrom(codes), func(s string) string { return s }).Draw(t, "codes")
		}
		tot := b.Total(codes)
		var removed lot.Mass
		for _, m := range tot.Removed {
			removed += m
		}
		if tot.Received+tot.Crossing != removed+tot.Left+tot.InFeeds+tot.Missing {
			t.Fatalf("%+v does not add up", tot)
		}
		if len(codes) < len(b.Codes()) {
			return
		}
		var received, out, lost lot.Mass // added up from the lines themselves
		for _, l := range lines {
			switch l[0] {
			case "receive":
				received += *mass(l[3])
			case "removed":
				if l[3] != "stock" {
					out += *mass(l[4])
				}
			case "feed":
				lost += *mass(trim(after(l[3]))) - *mass(trim(after(l[5])))
			}
		}
		if tot.Received != received || removed != out || tot.InFeeds != lost || tot.Crossing != 0 {
			t.Fatalf("%+v: received %s, removed %s, lost in feeds %s", tot, received, out, lost)
		}
	})
}

func trim(s string) string {
	if s[len(s)-1] == '!' {
		s = s[:len(s)-1]
	}
	return s[1:]
}

// TestClockIsNeverYoungerThanWhatIsInIt: a feed never makes a clock begin later, and a lot's clock begins no
// later than those of what went into it, as they stood then.
func TestClockIsNeverYoungerThanWhatIsInIt(t *testing.T) {
	c := lot.Clock{From: "shred", To: "fill"}
	rapid.Check(t, func(t *rapid.T) {
		lines := drawLines(t)
		before := tell(lines, inOrder(len(lines))).book()
		from, to := "A", "B"
		more := append(slices.Clone(lines), []string{"feed", "topped-up", fmt.Sprintf("%02d:00", rapid.IntRange(6, 20).Draw(t, "hour")), from + ":1", ">", to + ":1"})
		now := tell(more, inOrder(len(more))).book()
		for _, code := range before.Codes() {
			a, b := before.Clock(code, c), now.Clock(code, c)
			if !a.Start.IsZero() && (b.Start.IsZero() || b.Start.After(a.Start)) {
				t.Fatalf("the clock of %s began at %s; after a feed it begins at %s", code, a.Start, b.Start)
			}
		}
		fed := clock(more[len(more)-1][2])
		if a := now.Clock(from, c); a.Of == from && !a.Start.After(fed) { // its own gel, not a heel it met after
			if b := now.Clock(to, c); b.Start.IsZero() || b.Start.After(a.Start) {
				t.Fatalf("%s, begun at %s, went into %s at %s, which begins at %s", from, a.Start, to, fed, b.Start)
			}
		}
	})
}

func TestMassOf(t *testing.T) {
	for _, c := range []struct{ n, unit, want string }{
		{"12.5", "kg", "12.5 kg"}, {"1", "lb", "0.45359237 kg"}, {"0.001", "g", "0.000001 kg"}, {"3", "t", "3000 kg"}, {"0", "kg", "0 kg"},
	} {
		m, err := lot.MassOf(quantity.Exact(quantity.MustDecimal(c.n), quantity.Unit(c.unit)))
		if err != nil || m.String() != c.want {
			t.Errorf("%s %s: %v, %v, want %s", c.n, c.unit, m, err, c.want)
		}
	}
	if _, err := lot.MassOf(quantity.Below(quantity.MustDecimal("1"), "kg")); err == nil {
		t.Error("less than 1 kg was taken for a mass")
	}
	if got := (-lot.Kilogram / 2).String(); got != "-0.5 kg" {
		t.Error(got)
	}
}

func TestContact(t *testing.T) {
	w := lot.NewWay(wayPlan())
	l := &lot.Lot{Code: "A"}
	l.AddAct(lot.Act{ID: "1", At: clock("08:00"), Until: clock("08:03"), In: true, Step: "wash", Place: "bath"})
	l.AddAct(lot.Act{ID: "2", At: clock("08:05"), Until: clock("08:09"), Step: "wash", Place: "bath"})
	l.Settle(w)
	// From the last leaf in, 08:03, to the first out, 08:05; from the first in to the last out, 08:09.
	if got := l.Stays()[0].Contact(); !got.OK || got.Least != 2*time.Minute || got.Most != 9*time.Minute {
		t.Errorf("%+v", got)
	}
}

func TestGaps(t *testing.T) {
	now := clock("20:00")
	for _, c := range []struct {
		name     string
		from, to string
		shown    []string
		want     []string // from-to
	}{
		{"proved", "08:10", "08:50", []string{"08:00", "08:30", "09:00"}, nil},
		{"both ends on a reading", "08:00", "08:30", []string{"08:00", "08:30"}, nil},
		{"none", "08:10", "08:50", nil, []string{"08:10-08:50"}},
		{"nothing before", "08:10", "08:50", []string{"08:30", "09:00"}, []string{"08:10-08:30"}},
		{"nothing after", "08:10", "08:50", []string{"08:00", "08:30"}, []string{"08:30-08:50"}},
		{"too far apart", "08:10", "10:00", []string{"08:00", "08:30", "09:31", "10:00"}, []string{"08:30-09:31"}},
		{"around it", "08:10", "08:50", []string{"07:00", "10:00"}, []string{"08:10-08:50"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			var shown []time.Time
			for _, s := range c.shown {
				shown = append(shown, clock(s))
			}
			var got []string
			for _, g := range lot.Gaps(clock(c.from), clock(c.to), shown, time.Hour, now) {
				got = append(got, g.From.Format("15:04")+"-"+g.To.Format("15:04"))
			}
			if !slices.Equal(got, c.want) {
				t.Errorf("%v, want %v", got, c.want)
			}
		})
	}
	if g := lot.Gaps(clock("19:50"), time.Time{}, []time.Time{clock("19:30")}, time.Hour, now); g != nil {
		t.Errorf("the next check is not due yet: %v", g)
	}
	if g := lot.Gaps(clock("18:50"), time.Time{}, []time.Time{clock("18:30")}, time.Hour, now); len(g) != 1 || !g[0].To.IsZero() {
		t.Errorf("no reading for longer than the interval: %v", g)
	}
}
