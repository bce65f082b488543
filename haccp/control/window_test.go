package control

import (
	"encoding/json"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestLongWindowIsTheRuleInAnyOrder(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawContext(t)
		ss := make([]Sample, rapid.IntRange(60, 160).Draw(t, "n"))
		for i := range ss {
			ss[i] = drawSample(t, i, sampleKind{named: true, imported: true, probes: true})
		}
		if rapid.Bool().Draw(t, "nearly in order") {
			slices.SortStableFunc(ss, func(a, b Sample) int { return a.At.Truncate(20 * time.Minute).Compare(b.At.Truncate(20 * time.Minute)) })
		}
		sameExcursions(t, spec(c, pointers(ss)), insertAll(t, Window{}, c, ss).Excursions(c))
	})
}

// Mostly quiet samples that come a little late: after each of them the automata stand where they stand when
// all is computed again.
func TestLateSamplesLeaveTheAutomataAsTheyShouldBe(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawContext(t)
		w := Window{}
		for i := range rapid.IntRange(10, 120).Draw(t, "n") {
			s := drawSample(t, i, sampleKind{named: true, imported: true})
			s.At = min0(i*2 - rapid.IntRange(0, 12).Draw(t, "late"))
			if rapid.IntRange(0, 9).Draw(t, "quiet") > 0 {
				for m := range s.Marks {
					s.Marks[m].Outside = false
				}
			}
			before := w
			w = w.Insert(c, s)
			again := w.Rebuild(c)
			if !sameTracks(w.State, again.State) {
				t.Fatalf("after sample %d the automata stand at %s, not at %s", i, asJSON(w.State), asJSON(again.State))
			}
			if w.Moves == before.Moves && fmt.Sprint(w.Excursions(c)) != fmt.Sprint(before.Excursions(c)) {
				t.Fatal("excursions changed and Moves did not")
			}
			sameExcursions(t, again.Excursions(c), w.Excursions(c))
		}
	})
}

// sameTracks compares automata whatever the order in which they came to be.
func sameTracks(a, b State) bool {
	if len(a.Tracks) != len(b.Tracks) || a.Inside != b.Inside {
		return false
	}
	for _, t := range a.Tracks {
		if !slices.ContainsFunc(b.Tracks, t.equal) {
			return false
		}
	}
	return true
}

func asJSON(v any) string {
	b, err := json.Marshal(v)
	if err != nil {
		return err.Error()
	}
	return string(b)
}

// Amendments and voids, facts of the context heard of late, and a trip through JSON: after each step
// the window is what the rule says of the samples as they then stand, and the window before it has not
// changed.
func TestWindowFollowsEveryChange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawContext(t)
		have := map[string]Sample{}
		w := Window{}
		for i := range rapid.IntRange(1, 60).Draw(t, "steps") {
			before, wasC := w, c
			was := fmt.Sprint(w.Excursions(c))
			switch rapid.IntRange(0, 9).Draw(t, "step") {
			case 0, 1:
				if id, ok := pick(t, have); ok {
					delete(have, id)
					w = w.Replace(c, id, nil)
				}
			case 2, 3:
				if id, ok := pick(t, have); ok {
					s := drawSample(t, i, sampleKind{named: true, imported: true, probes: true})
					s.ID, s.At = id, have[id].At
					have[id] = s
					w = w.Replace(c, id, &s)
				}
			case 4:
				fix := min0(rapid.IntRange(0, 240).Draw(t, "fix"))
				c.Fixes = append(slices.Clone(c.Fixes), fix)
				slices.SortFunc(c.Fixes, time.Time.Compare)
				w = w.RebuildSince(c, fix)
			case 5:
				start := min0(rapid.IntRange(0, 240).Draw(t, "start"))
				c.Starts = append(slices.Clone(c.Starts), start)
				slices.SortFunc(c.Starts, time.Time.Compare)
				w = w.RebuildSince(c, start)
			case 6:
				w = throughJSON(t, w)
			default:
				s := drawSample(t, i, sampleKind{named: true, imported: true, probes: true})
				have[s.ID] = s
				w = w.Insert(c, s)
			}
			var ss []Sample
			for _, s := range have {
				ss = append(ss, s)
			}
			sameExcursions(t, spec(c, pointers(ss)), w.Excursions(c))
			if is := fmt.Sprint(before.Excursions(wasC)); is != was {
				t.Fatalf("the old window changed\nfrom %s\nto   %s", was, is)
			}
			if w.Moves == before.Moves && fmt.Sprint(w.Excursions(c)) != was && len(c.Fixes) == len(wasC.Fixes) {
				t.Fatalf("excursions changed and Moves did not")
			}
		}
	})
}

func pick(t *rapid.T, have map[string]Sample) (string, bool) {
	ids := make([]string, 0, len(have))
	for id := range have {
		ids = append(ids, id)
	}
	if len(ids) == 0 {
		return "", false
	}
	slices.Sort(ids)
	return rapid.SampledFrom(ids).Draw(t, "id"), true
}

func throughJSON(t interface{ Fatalf(string, ...any) }, w Window) Window {
	b, err := json.Marshal(w)
	if err != nil {
		t.Fatalf("%v", err)
	}
	var back Window
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatalf("%v", err)
	}
	again, err := json.Marshal(back)
	if err != nil || string(again) != string(b) {
		t.Fatalf("JSON changed on the way: %v\n%s\n%s", err, b, again)
	}
	return back
}

// ending keeps the excursions that end at or after a moment, whenever they began.
func ending(es []Excursion, from time.Time) []Excursion {
	return slices.DeleteFunc(slices.Clone(es), func(e Excursion) bool { return !e.End.IsZero() && e.End.Before(from) })
}

// knownAreTrue wants what a window knows of the time before its From to be so.
func knownAreTrue(t interface{ Fatalf(string, ...any) }, want, known []Excursion) {
	for i := range known {
		k := known[i]
		k.Water = "" // named otherwise there
		if !slices.ContainsFunc(want, func(e Excursion) bool { e.Water = ""; return fmt.Sprint(e) == fmt.Sprint(k) }) {
			t.Fatalf("the window knows %s\nof %s", show(known[i:i+1]), show(want))
		}
	}
}

// A trimmed window that samples go on arriving in, also late and changed ones where it covers them, agrees
// with the whole history in everything that ends after its From.
func TestTrimAgreesWithTheWhole(t *testing.T) {
	trimmed := 0
	rapid.Check(t, func(t *rapid.T) {
		c := drawContext(t)
		ss := drawSamples(t, 60, sampleKind{imported: true, named: true, probes: true})
		slices.SortStableFunc(ss, func(a, b Sample) int { return compare(&a, &b) })
		w := Window{}
		var told []Sample
		for i := range ss {
			if !w.Covers(ss[i].At) {
				continue
			}
			told, w = append(told, ss[i]), w.Insert(c, ss[i]).Trim(c, 60*time.Minute, 20*time.Minute)
			told, w = disturb(t, c, told, w, i)
			want := spec(c, pointers(told))
			sameExcursions(t, ending(want, w.From), w.Excursions(c))
			knownAreTrue(t, want, w.Known(c))
			if rapid.IntRange(0, 5).Draw(t, "json") == 0 {
				w = throughJSON(t, w)
			}
		}
		if !w.From.IsZero() {
			trimmed++
		}
		w = w.Trim(c, 60*time.Minute, 20*time.Minute)
		if !w.From.IsZero() && w.Len() > 0 && w.newest().Sub(w.oldest()) > 80*time.Minute {
			t.Fatalf("the window reaches %s back", w.newest().Sub(w.oldest()))
		}
	})
	if trimmed == 0 {
		t.Fatal("no window was ever trimmed")
	}
}

// disturb may void a sample that the window holds, or add one late.
func disturb(t *rapid.T, c Context, told []Sample, w Window, i int) ([]Sample, Window) {
	switch n := rapid.IntRange(0, len(told)-1).Draw(t, "which"); rapid.IntRange(0, 5).Draw(t, "disturb") {
	case 0:
		if x := told[n]; w.Covers(x.At) {
			return slices.Delete(told, n, n+1), w.Replace(c, x.ID, nil)
		}
	case 1:
		s := drawSample(t, 100+i, sampleKind{imported: true, named: true, probes: true})
		if w.Covers(s.At) && (w.empty() || !s.At.After(w.newest())) {
			return append(told, s), w.Insert(c, s)
		}
	}
	return told, w
}

// A trimmed window extended again agrees with the whole history in everything that ends after its new
// From, also when more samples come late.
func TestExtendAgreesWithTheWhole(t *testing.T) {
	reached := map[string]int{}
	rapid.Check(t, func(t *rapid.T) {
		c := drawContext(t)
		c.Limits = []string{"a", "b"}
		kind := sampleKind{imported: rapid.Bool().Draw(t, "imports"), named: true, probes: rapid.Bool().Draw(t, "probes")}
		ss := drawSamples(t, 60, kind)
		if kind.imported && rapid.Bool().Draw(t, "first imports, then live") {
			c.LiveFrom = min0(120)
			for i := range ss {
				ss[i].Imported = ss[i].Imported && ss[i].At.After(c.LiveFrom) || ss[i].At.Before(c.LiveFrom)
			}
		}
		w := Window{}.Insert(c, ss...).Trim(c, 60*time.Minute, 0)
		from := min0(rapid.IntRange(0, 240).Draw(t, "from"))
		complete := rapid.IntRange(0, 3).Draw(t, "complete") == 0
		var older []Sample
		for _, s := range ss {
			if s.At.Before(w.From) && (complete || !s.At.Before(from)) {
				older = append(older, s)
			}
		}
		if w.From.IsZero() || !complete && !from.Before(w.From) {
			return
		}
		var changed *Sample // what is about to change proves nothing
		if len(older) > 0 && rapid.Bool().Draw(t, "changes") {
			i := rapid.IntRange(0, len(older)-1).Draw(t, "changed")
			changed, older = &older[i], slices.Delete(slices.Clone(older), i, i+1)
		}
		x, ok := w.Extend(c, from, older, complete)
		if !ok {
			reached["not anchored"]++
			sameExcursions(t, w.Excursions(c), x.Excursions(c))
			return
		}
		if changed != nil {
			if !x.Covers(changed.At) {
				reached["too near"]++
				return
			}
			ss = slices.DeleteFunc(ss, func(s Sample) bool { return s.ID == changed.ID })
			if rapid.Bool().Draw(t, "amended") {
				s := drawSample(t, 400, kind)
				s.ID, s.At, s.Imported = changed.ID, changed.At, changed.Imported
				ss, x = append(ss, s), x.Replace(c, s.ID, &s)
			}
			reached["changed"]++
		}
		reached[fmt.Sprintf("complete %v", complete)]++
		if x.From.After(w.From) || complete && !x.From.IsZero() {
			t.Fatalf("From went from %s to %s", w.From, x.From)
		}
		for i := range rapid.IntRange(0, 5).Draw(t, "late") {
			s := drawSample(t, 500+i, kind)
			if s.Imported = s.Imported && s.At.After(c.LiveFrom) || s.At.Before(c.LiveFrom); x.Covers(s.At) {
				ss, x = append(ss, s), x.Insert(c, s)
			}
			if n := rapid.IntRange(0, 2*len(ss)).Draw(t, "void"); n < len(ss) && x.Covers(ss[n].At) {
				id := ss[n].ID
				ss = slices.Delete(ss, n, n+1)
				x = x.Replace(c, id, nil)
			}
		}
		want := spec(c, pointers(ss))
		sameExcursions(t, ending(want, x.From), x.Excursions(c))
		knownAreTrue(t, want, x.Known(c))
		sameProofs(t, ss, x)
	})
	for _, k := range []string{"not anchored", "complete true", "complete false", "too near", "changed"} {
		if reached[k] == 0 {
			t.Errorf("never reached: %s", k)
		}
	}
	t.Log(reached)
}

// sameProofs compares the samples that show control around any moment that a window covers.
func sameProofs(t *rapid.T, ss []Sample, w Window) {
	for n := range 241 {
		at := min0(n)
		if !w.Covers(at) {
			continue
		}
		var last, next time.Time
		for i := range ss {
			switch s := &ss[i]; {
			case !s.Proves():
			case s.At.After(at) && (next.IsZero() || s.At.Before(next)):
				next = s.At
			case !s.At.After(at) && s.At.After(last):
				last = s.At
			}
		}
		before, _ := w.LastInside(at)
		after, _ := w.NextInside(at)
		if !before.At.Equal(last) || !after.At.Equal(next) {
			t.Fatalf("around %s: %s and %s, want %s and %s", at, before.At, after.At, last, next)
		}
	}
}

// The ways to an anchor, one by one, for a point that wants two inside readings in a row.
func TestAnchors(t *testing.T) {
	mk := func(id string, n int, outside bool) Sample {
		return Sample{ID: id, At: min0(n), Marks: []Mark{{Limit: "a", Outside: outside, Usable: true}}}
	}
	two := []RuleFrom{{InsideInRow: 2}}
	imported := mk("x", 5, false)
	imported.Imported = true
	drained := []Filling{{ID: "f", From: min0(-60), To: min0(20)}, {ID: "g", From: min0(30)}}
	for _, tc := range []struct {
		name     string
		c        Context
		older    []Sample
		complete bool
		want     int // minute that the new From comes right after; -1: no anchor, -2: it reaches back to the beginning
	}{
		{"two inside in a row", Context{Rules: two}, []Sample{mk("x", 5, false), mk("y", 9, false), mk("z", 12, true)}, false, 9},
		{"outside after one", Context{Rules: two}, []Sample{mk("x", 5, false), mk("y", 9, true)}, false, -1},
		{"a limit never seen", Context{Rules: two, Limits: []string{"a", "b"}}, []Sample{mk("x", 5, false), mk("y", 9, false)}, false, -1},
		{"inside after a fix and the mixing time", Context{Rules: []RuleFrom{{Mixing: 4 * time.Minute}}, Fixes: []time.Time{min0(2)}},
			[]Sample{mk("x", 5, false), mk("y", 6, false), mk("z", 12, true)}, false, 6},
		{"a fix before from does not count", Context{Rules: []RuleFrom{{}}, Fixes: []time.Time{min0(-1)}}, []Sample{mk("x", 5, false)}, false, -1},
		{"drained", Context{Rules: two, Fillings: drained}, []Sample{mk("w", 1, false), mk("x", 5, true)}, false, 20},
		{"drained, but nothing showed control", Context{Rules: two, Fillings: drained}, []Sample{mk("x", 5, true)}, false, -1},
		{"drained, no sample", Context{Rules: two, Fillings: drained, LiveFrom: min0(50)}, nil, false, 20},
		{"a filling begun since", Context{Rules: two, LiveFrom: min0(1), Fillings: []Filling{{ID: "e", From: min0(-60), To: min0(-1)}, {ID: "f", From: min0(0)}}},
			[]Sample{mk("x", 5, true)}, false, 0},
		{"inside while a probe's reading may still speak does not count", Context{Rules: two, Cover: longest},
			[]Sample{mk("x", 5, false), mk("y", 30, false)}, false, -1},
		{"two inside after any probe's reading", Context{Rules: two, Cover: longest}, []Sample{mk("x", 25, false), mk("y", 30, false)}, false, 30},
		{"imported before anything was exposed", Context{Rules: two, LiveFrom: min0(50)}, []Sample{imported}, false, 5},
		{"imported after the line started", Context{Rules: two, LiveFrom: min0(50), Starts: []time.Time{min0(2)}}, []Sample{imported}, false, -1},
		{"complete", Context{Rules: two}, []Sample{mk("x", 5, true)}, true, -2},
	} {
		t.Run(tc.name, func(t *testing.T) {
			w := Window{From: min0(100)}
			got, ok := w.Extend(tc.c, min0(0), tc.older, tc.complete)
			if ok != (tc.want != -1) {
				t.Fatalf("extended %v", ok)
			}
			if ok && tc.want >= 0 && !got.From.Equal(min0(tc.want).Add(time.Millisecond)) || tc.want == -2 && !got.From.IsZero() {
				t.Errorf("From is %s", got.From)
			}
		})
	}
}

// A probe that was outside and fell silent goes on with its run when it is heard of again, in a window taken further
// back as well, and its span joins what is kept of that time.
func TestExtendKeepsTheRunOfASilentProbe(t *testing.T) {
	c := Context{Rules: []RuleFrom{{InsideInRow: 1}}, Limits: []string{"a"}, Cover: time.Minute}
	hand := func(id string, n int, outside bool) Sample {
		return Sample{ID: id, At: min0(n), Marks: []Mark{{Limit: "a", Outside: outside, Usable: true}}}
	}
	probe := func(id string, n int) Sample {
		return Sample{ID: id, At: min0(n), Marks: []Mark{{Limit: "a", Outside: true, Usable: true, Probe: "p", Wait: time.Hour}}}
	}
	ss := []Sample{probe("s0", 0), hand("s1", 10, true), hand("s2", 20, false), hand("s3", 100, false), hand("s4", 300, false)}
	w := Window{}.Insert(c, ss...).Trim(c, time.Hour, 0)
	x, ok := w.Extend(c, min0(99), ss[3:4], false)
	if !ok || !x.Covers(min0(200)) {
		t.Fatalf("extended %v, from %s", ok, x.From)
	}
	late := probe("s5", 200)
	want := spec(c, pointers(append(ss, late)))
	if len(want) != 1 || want[0].First.ID != "s0" || want[0].N != 3 {
		t.Fatalf("the rule says %s", show(want))
	}
	sameExcursions(t, want, x.Insert(c, late).Excursions(c))
}

// Two spans of one moment are one excursion: a cut does not keep the one and forget the other.
func TestCutKeepsWhatIsOneMoment(t *testing.T) {
	c := Context{Rules: []RuleFrom{{InsideInRow: 1}}, Named: 1000 * time.Minute, Starts: []time.Time{min0(0)},
		Fillings: []Filling{{ID: "f0", From: min0(-60), To: min0(0)}}}
	ss := []Sample{
		{ID: "s0", At: min0(0), Filling: "f0", Marks: []Mark{{Limit: "a", Outside: true, Usable: true}, {Limit: "b", Outside: true, Usable: true}}},
		{ID: "s1", At: min0(2), Filling: "f0", Marks: []Mark{{Limit: "b", Usable: true}}},
		{ID: "s2", At: min0(100), Marks: []Mark{{Limit: "a", Usable: true}, {Limit: "b", Usable: true}}},
	}
	w := Window{}.Insert(c, ss...).Trim(c, time.Hour, 0)
	known := w.Known(c)
	if len(known) != 1 || len(known[0].Limits) != 2 {
		t.Errorf("the window knows %s", show(known))
	}
	knownAreTrue(t, spec(c, pointers(ss)), known)
}

// Of a long open excursion only first, last and worst stay, and the window does not grow.
func TestOpenExcursionStaysBounded(t *testing.T) {
	c := Context{Rules: []RuleFrom{{InsideInRow: 1}}}
	w := Window{}
	size := 0
	for i := range 20000 {
		s := Sample{ID: fmt.Sprintf("s%d", i), Seq: int64(i), At: min0(i), Marks: []Mark{
			{Limit: "a", Outside: i > 5, Usable: true, Off: float64(i % 7000)},
			{Limit: "b", Outside: i%3 == 0, Usable: true, Off: 0.5}}}
		w = w.Insert(c, s).Trim(c, 10*time.Hour, time.Hour)
		if i == 2000 {
			size = jsonSize(t, w)
		}
	}
	es := w.Excursions(c)
	if len(es) != 1 || es[0].First.ID != "s6" || es[0].Last.ID != "s19999" || es[0].Worst.ID != "s6999" || es[0].N != 19994 {
		t.Fatalf("got %s", show(es))
	}
	if now := jsonSize(t, w); now > size*5/4 {
		t.Errorf("the snapshot grew from %d to %d bytes", size, now)
	}
}

func jsonSize(t *testing.T, w Window) int {
	t.Helper()
	b, err := json.Marshal(w)
	if err != nil {
		t.Fatal(err)
	}
	return len(b)
}

func TestProvingSamples(t *testing.T) {
	c := Context{Rules: []RuleFrom{{InsideInRow: 1}}}
	in := func(id string, n int) Sample {
		return Sample{ID: id, At: min0(n), Marks: []Mark{{Limit: "a", Usable: true}}}
	}
	other := in("other", 30)
	other.Marks = []Mark{{Limit: "a"}}
	imported := in("imported", 40)
	imported.Imported = true
	w := Window{}.Insert(c, in("first", 10), other, imported, in("last", 90))
	for _, tc := range []struct {
		at         int
		last, next string
	}{{5, "", "first"}, {10, "first", "last"}, {50, "first", "last"}, {90, "last", ""}} {
		last, _ := w.LastInside(min0(tc.at))
		next, _ := w.NextInside(min0(tc.at))
		if last.ID != tc.last || next.ID != tc.next {
			t.Errorf("at %d: last %q, next %q; want %q, %q", tc.at, last.ID, next.ID, tc.last, tc.next)
		}
	}
	w = w.Trim(c, 10*time.Minute, 0)
	if last, ok := w.LastInside(min0(85)); !ok || last.ID != "first" {
		t.Errorf("after the trim: %v %v", last, ok)
	}
}

// One bath, one day, by hand: what RULES 5.1 says in words.
func TestExcursionByHand(t *testing.T) {
	c := Context{
		Rules:    []RuleFrom{{Mixing: 15 * time.Minute}},
		Fillings: []Filling{{ID: "f", From: min0(0), To: min0(300)}},
		Fixes:    []time.Time{min0(70)},
	}
	mk := func(id string, n int, outside bool) Sample {
		return Sample{ID: id, At: min0(n), Marks: []Mark{{Limit: "free", Outside: outside, Usable: true}}}
	}
	w := Window{}.Insert(c, mk("a", 30, false), mk("b", 60, true), mk("c", 80, false), mk("d", 85, false), mk("e", 120, true))
	es := w.Excursions(c)
	if len(es) != 2 {
		t.Fatalf("got %s", show(es))
	}
	// c came 10 min after the fix, too soon for the mixing time; d ends it and begins the next.
	if e := es[0]; e.BeginID != "a" || e.Retest.ID != "d" || !e.End.Equal(min0(85)) {
		t.Errorf("first: %+v", e)
	}
	// No fix: it ends when the filling was drained.
	if e := es[1]; e.BeginID != "d" || !e.End.Equal(min0(300)) || !e.Retest.IsZero() {
		t.Errorf("second: %+v", e)
	}
	if got := w.Since(c, min0(90)); len(got) != 1 || got[0].BeginID != "d" {
		t.Errorf("since 90: %s", show(got))
	}
}

func TestSinceIsExcursionsThatEndLater(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawContext(t)
		ss := make([]Sample, 120)
		for i := range ss {
			ss[i] = drawSample(t, i, sampleKind{named: true, imported: true, probes: true})
		}
		w := Window{}.Insert(c, ss...)
		at := min0(rapid.IntRange(0, 260).Draw(t, "since"))
		want := slices.DeleteFunc(w.Excursions(c), func(e Excursion) bool { return !e.End.IsZero() && e.End.Before(at) })
		sameExcursions(t, want, w.Since(c, at))
	})
}

func BenchmarkInsertInOrder(b *testing.B) {
	c := Context{Rules: []RuleFrom{{InsideInRow: 1}}}
	w := Window{}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		w = w.Insert(c, benchSample(i, i)).Trim(c, 10*time.Minute, time.Minute)
	}
}

// BenchmarkInsertNearlyInOrder is what 64 clients at once give: times a little out of order.
func BenchmarkInsertNearlyInOrder(b *testing.B) {
	c := Context{Rules: []RuleFrom{{InsideInRow: 1}}}
	w := Window{}
	b.ReportAllocs()
	for i := 0; b.Loop(); i++ {
		w = w.Insert(c, benchSample(i, i^7)).Trim(c, 10*time.Minute, time.Minute)
	}
}

func benchSample(i, at int) Sample {
	return Sample{ID: fmt.Sprint(i), At: t0.Add(time.Duration(at) * 50 * time.Millisecond),
		Marks: []Mark{{Limit: "a", Outside: i%50 == 0, Usable: true}, {Limit: "b", Usable: true}}}
}
