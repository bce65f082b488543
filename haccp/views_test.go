package haccp_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// stands returns how a point at bath 1 stands.
func stands(t testing.TB, w *world, point string) haccp.PointState {
	t.Helper()
	for _, p := range w.state.PointStates(w.now) {
		if p.Point == point && p.Place == "bath-1" {
			return p
		}
	}
	t.Fatalf("no state of %s", point)
	return haccp.PointState{}
}

func (w *world) void(target string) {
	w.t.Helper()
	g := w.signature(haccp.MeaningVoid)
	w.must(haccp.AskVoid, mara, &haccp.Void{Reason: "wrong bath", Signature: &g, Target: target})
}

// A void brings back the reading before, with its verdicts.
func TestVoidBringsBackTheReadingBefore(t *testing.T) {
	w := running(t)
	first := stands(t, w, "wash-chlorine")
	w.at(5 * time.Minute)
	act := w.must(haccp.KindReading, tina, bathTest("bath-1", "142", "6.75"))[0].ID
	w.at(time.Minute)
	out := w.must(haccp.KindReading, tina, bathTest("bath-1", "90", "6.75"))[0].ID
	for _, step := range []struct{ void, want, last string }{{"", control.StateOutside, out}, {out, control.StateAct, act}, {act, control.StateInside, first.Last.ID},
		{first.Last.ID, control.StateNotKnown, ""}} {
		if step.void != "" {
			w.void(step.void)
		}
		p := stands(t, w, "wash-chlorine")
		last := ""
		if p.Last != nil {
			last = p.Last.ID
		}
		if p.State != step.want || last != step.last {
			t.Errorf("without %q: %s by %q, want %s by %q", step.void, p.State, last, step.want, step.last)
		}
	}
}

// Only a reading that may show control does: by the instrument of record, and at a time that is a device's or
// accepted. One outside counts whoever took it (RULES 1.4, 2.5, 5.1).
func TestOnlyUsableReadingsShowControl(t *testing.T) {
	w := running(t, withInstrument)
	want := func(state, why string) {
		t.Helper()
		if p := stands(t, w, "wash-chlorine"); p.State != state {
			t.Errorf("%s: %s, want %s", why, p.State, state)
		}
	}
	test := func(cl, tool, known string) string {
		r := bathTest("bath-1", cl, "6.75")
		r.Entries[0].Instrument = tool
		c := w.command(haccp.KindReading, tina, r)
		c.AtKnown = known
		events, err := w.try(c)
		if err != nil {
			t.Fatal(err)
		}
		w.at(time.Minute)
		return events[0].ID
	}
	want(control.StateNotKnown, "a test without the instrument of record")
	test("124", "burette-2", haccp.AtDevice)
	want(control.StateNotKnown, "another instrument")
	typed := test("124", "burette-1", haccp.AtTyped)
	want(control.StateNotKnown, "a typed time")
	w.must(haccp.AskAcceptTime, mara, &haccp.AcceptTime{Reason: "seen", Signature: w.signature(haccp.MeaningTime), Target: typed})
	want(control.StateInside, "the time accepted")
	test("90", "burette-2", haccp.AtTyped)
	want(control.StateOutside, "outside by another instrument")
	test("124", "burette-2", haccp.AtDevice)
	want(control.StateOutside, "then inside by another instrument")
	test("124", "burette-1", haccp.AtDevice)
	want(control.StateInside, "then inside by the instrument of record")
	w.at(41 * time.Minute)
	want(control.StateNotKnown, "interval and grace have passed")
}

// Past a ceiling of the plan the water is due to be changed, until it is or the reading is put right.
func TestWaterIsDueToBeChangedByAReading(t *testing.T) {
	w := running(t)
	turbid := func(ntu string) *haccp.Reading {
		r := bathTest("bath-1", "124", "6.75")
		r.Entries = append(r.Entries, haccp.Entry{Quantity: "turbidity", Method: "turbidity-meter", Read: value(ntu, "NTU")})
		return r
	}
	want := func(n int, why string) {
		t.Helper()
		f, ok := w.state.FillingAt("bath-1", w.now)
		if !ok || len(f.ChangeWater) != n || n > 0 && !strings.Contains(f.ChangeWater[0], "above 80 NTU") {
			t.Errorf("%s: %+v, want %d reasons", why, f, n)
		}
	}
	w.at(10 * time.Minute)
	w.must(haccp.KindReading, tina, turbid("80"))
	want(0, "at the ceiling")
	w.at(time.Minute)
	id := w.must(haccp.KindReading, tina, turbid("81"))[0].ID
	want(1, "above it")
	w.at(time.Minute)
	w.must(haccp.KindReading, tina, turbid("70"))
	want(1, "below it again: the water is the same")
	g := w.signature(haccp.MeaningAmend)
	w.must(haccp.AskAmend, mara, &haccp.Amend{New: turbid("18"), Reason: "misread", Signature: &g, Target: id})
	want(0, "amended")
	again := w.must(haccp.KindReading, tina, turbid("95"))[0].ID
	want(1, "above it again")
	w.void(again)
	want(0, "voided")
	w.must(haccp.KindReading, tina, turbid("96"))
	w.at(time.Minute)
	w.must(haccp.KindDrained, tina, &haccp.Bath{Place: "bath-1"})
	w.fill("bath-1")
	want(0, "new water")
}

// shiftScript draws some hours of a line with bath 1: tests, fillings, drains, additions, stops, service, in
// and out of order, some amended, accepted or voided.
func shiftScript(rt *rapid.T, w *world) {
	level, amount := value("60", "cm"), value("0.5", "L")
	type told struct {
		e     *haccp.Event
		known string
	}
	var readings, acts []told
	begin := w.now
	for i := range rapid.IntRange(5, 40).Draw(rt, "steps") {
		w.at(time.Duration(rapid.IntRange(0, 24).Draw(rt, "later")) * time.Minute)
		at := w.now
		if rapid.IntRange(0, 3).Draw(rt, "late") == 0 {
			at = at.Add(-time.Duration(rapid.IntRange(0, 120).Draw(rt, "ago")) * time.Minute)
			if at.Before(begin) {
				at = begin
			}
		}
		known := rapid.SampledFrom([]string{haccp.AtDevice, haccp.AtDevice, haccp.AtTyped}).Draw(rt, "known")
		tell := func(kind string, by haccp.Actor, ask any) told {
			c := &haccp.Command{ID: haccp.RecordID("shift", i), Kind: kind, At: at, AtKnown: known, By: by, Ask: ask, LateReason: "told late"}
			events, err := w.try(c)
			if err != nil {
				rt.Fatalf("%s: %v", kind, err)
			}
			return told{events[0], known}
		}
		test := func() *haccp.Reading {
			r := bathTest("bath-1", rapid.SampledFrom([]string{"124", "124", "142", "92", "92"}).Draw(rt, "cl"), "6.75")
			r.Entries[0].Instrument = rapid.SampledFrom([]string{"burette-1", "burette-1", ""}).Draw(rt, "tool")
			return r
		}
		switch rapid.IntRange(0, 29).Draw(rt, "what") {
		case 0, 13, 14:
			acts = append(acts, tell(haccp.KindFilled, tina, &haccp.Bath{Place: "bath-1", Water: "town water", Level: &level}))
		case 1:
			acts = append(acts, tell(haccp.KindDrained, tina, &haccp.Bath{Place: "bath-1"}))
		case 2:
			acts = append(acts, tell(haccp.KindAdded, tina, &haccp.Bath{Place: "bath-1", Chemical: "salt", Amount: &amount}))
		case 3, 4, 11, 12:
			acts = append(acts, tell(haccp.KindLineStarted, lea, &haccp.LineStarted{Line: "line-1"}))
		case 5:
			stop := &haccp.LineStopped{Line: "line-1", Reason: "pause"}
			if rapid.Bool().Draw(rt, "product") {
				stop.ProductInBaths = []string{"bath-1"}
			}
			acts = append(acts, tell(haccp.KindLineStopped, lea, stop))
		case 6:
			kind := rapid.SampledFrom([]string{haccp.KindInService, haccp.KindOutOfService}).Draw(rt, "service")
			acts = append(acts, tell(kind, lea, &haccp.Bath{Place: "bath-1", Reason: "leak"}))
		case 7:
			w.must(haccp.AskSweep, timetable, &haccp.Sweep{})
		case 8:
			if list := slices.Concat(readings, acts); len(list) > 0 {
				n := rapid.IntRange(0, len(list)-1).Draw(rt, "void")
				w.void(list[n].e.ID)
				gone := func(x told) bool { return x.e.ID == list[n].e.ID }
				readings, acts = slices.DeleteFunc(readings, gone), slices.DeleteFunc(acts, gone)
			}
		case 9:
			if len(readings) > 0 {
				g := w.signature(haccp.MeaningAmend)
				w.must(haccp.AskAmend, mara, &haccp.Amend{New: test(), Reason: "misread", Signature: &g, Target: rapid.SampledFrom(readings).Draw(rt, "amend").e.ID})
			}
		case 10:
			if i := slices.IndexFunc(readings, func(x told) bool { return x.known == haccp.AtTyped }); i >= 0 {
				w.must(haccp.AskAcceptTime, mara, &haccp.AcceptTime{Reason: "seen", Signature: w.signature(haccp.MeaningTime), Target: readings[i].e.ID})
				readings[i].known = haccp.AtDevice
			}
		default:
			readings = append(readings, tell(haccp.KindReading, tina, test()))
		}
	}
	w.at(time.Duration(rapid.IntRange(0, 25).Draw(rt, "end")) * time.Minute)
}

// standingEvents are the reports that stand, in order, with their bodies as amended.
func standingEvents(w *world) (out []*haccp.Event, accepted map[string]bool) {
	gone, bodies := map[string]bool{}, map[string]any{}
	accepted = map[string]bool{}
	for _, e := range w.events {
		switch b := e.Body.(type) {
		case *haccp.Voided:
			gone[b.Target] = true
		case *haccp.Amended:
			bodies[b.Target] = b.New
		case *haccp.TimeAccepted:
			accepted[b.Target] = true
		}
	}
	for _, e := range w.events {
		if gone[e.ID] || e.Amends != "" {
			continue
		}
		own := *e
		if b := bodies[e.ID]; b != nil {
			own.Body = b
		}
		out = append(out, &own)
	}
	slices.SortStableFunc(out, inOrder)
	return out, accepted
}

// dues works out from all standing facts when the bath test falls due at bath 1, and by which readings.
func dues(w *world) (control.DueContext, []control.Taken) {
	v := w.state.Plans[0]
	check := v.Plan.Checks[slices.IndexFunc(v.Plan.Checks, func(c plan.Check) bool { return c.ID == "bath-test" })]
	c := control.DueContext{Bath: true, Versions: []control.Version{{From: v.From, Number: 1, Schedule: check.Schedule, Grace: 10 * time.Minute,
		Mixing: 5 * time.Minute, LiveFrom: w.state.Planned, Zone: w.state.Zone()}}}
	if v.Plan.LiveFrom.After(w.state.Planned) {
		c.Versions[0].LiveFrom = v.Plan.LiveFrom
	}
	var taken []control.Taken
	events, _ := standingEvents(w)
	for _, e := range events {
		run, filling := len(c.Runs)-1, len(c.Fillings)-1
		runs, filled := run >= 0 && c.Runs[run].To.IsZero(), filling >= 0 && c.Fillings[filling].To.IsZero()
		out := len(c.Out) > 0 && c.Out[len(c.Out)-1].To.IsZero()
		switch b := e.Body.(type) {
		case *haccp.LineStarted:
			if !runs {
				c.Runs = append(c.Runs, control.Run{From: e.At})
			}
		case *haccp.LineStopped:
			if runs {
				c.Runs[run].To, c.Runs[run].Product = e.At, slices.Contains(b.ProductInBaths, "bath-1")
			}
		case *haccp.Reading:
			if b.Place == "bath-1" {
				taken = append(taken, control.Taken{ID: e.ID, At: e.At})
			}
		case *haccp.Bath:
			if b.Place != "bath-1" {
				continue
			}
			if filled && (e.Kind == haccp.KindFilled || e.Kind == haccp.KindDrained) {
				c.Fillings[filling].To = e.At
			}
			switch e.Kind {
			case haccp.KindFilled:
				c.Fillings = append(c.Fillings, control.Filling{ID: e.ID, From: e.At})
				c.Happenings = append(c.Happenings, control.Happening{Kind: "filled", ID: e.ID, At: e.At})
			case haccp.KindAdded:
				c.Happenings = append(c.Happenings, control.Happening{Kind: "added", ID: e.ID, At: e.At})
			case haccp.KindOutOfService:
				if !out {
					c.Out = append(c.Out, control.Gap{From: e.At})
				}
			case haccp.KindInService:
				if out {
					c.Out[len(c.Out)-1].To = e.At
				}
			}
		}
	}
	return c, taken
}

// satisfied lists every due of the shift in order, with the reading that satisfied it.
func satisfied(w *world, until time.Time) []control.Matched {
	c, taken := dues(w)
	all := control.Dues(c, monday.Add(-24*time.Hour), until)
	matched, _ := control.Match(all, taken)
	var out []control.Matched
	for _, d := range all {
		m := control.Matched{Due: d}
		if i := slices.IndexFunc(matched, func(x control.Matched) bool { return x.Due == d }); i >= 0 {
			m = matched[i]
		}
		out = append(out, m)
	}
	return out
}

// wantDue is the due that the list should show: of those after the last satisfied one whose window has begun,
// the first still to be had, or the last one missed; else the next.
func wantDue(w *world) (control.Due, string) {
	all := satisfied(w, w.now.Add(2*time.Hour))
	begun := all[:0:0]
	for _, m := range all {
		if m.Reading != "" {
			begun = begun[:0]
		} else if !m.From.After(w.now) {
			begun = append(begun, m)
		}
	}
	state := func(d control.Due) string {
		switch {
		case d.Until.Before(w.now):
			return haccp.DueMissed
		case d.At.Before(w.now) && d.Row != control.RowEvent:
			return haccp.DueLate
		case d.From.After(w.now):
			return haccp.DueUpcoming
		}
		return haccp.DueNow
	}
	for _, m := range begun {
		if !m.Until.Before(w.now) {
			return m.Due, state(m.Due)
		}
	}
	if len(begun) > 0 {
		d := begun[len(begun)-1].Due
		return d, state(d)
	}
	for _, m := range all {
		if m.Reading == "" && m.At.After(w.now) {
			return m.Due, state(m.Due)
		}
	}
	return control.Due{}, ""
}

// wantState works out how a point at bath 1 stands from all standing facts.
func wantState(w *world, point string) (state, last string) {
	c, _ := dues(w)
	ctx := control.Context{Fillings: c.Fillings, Named: 12 * time.Hour}
	held := slices.IndexFunc(c.Fillings, func(f control.Filling) bool { return !f.From.After(w.now) && (f.To.IsZero() || f.To.After(w.now)) })
	inUse := held >= 0 && len(c.Runs) > 0 && !slices.ContainsFunc(c.Out, func(g control.Gap) bool { return g.To.IsZero() })
	if inUse {
		run := c.Runs[len(c.Runs)-1]
		inUse = run.To.IsZero() || run.Product
	}
	events, accepted := standingEvents(w)
	var best *haccp.Event
	for _, e := range events {
		b, ok := e.Body.(*haccp.Reading)
		if !ok || b.Place != "bath-1" || held >= 0 && ctx.FillingOf(&control.Sample{At: e.At, Filling: b.Filling}) != c.Fillings[held].ID {
			continue
		}
		worst := worstAt(b, point)
		usable := e.AtKnown == haccp.AtDevice || accepted[e.ID]
		if point == "wash-chlorine" {
			usable = usable && b.Entries[0].Instrument == "burette-1"
		}
		if !usable && worst != control.Outside && worst != control.Act {
			continue
		}
		if best == nil || e.At.After(best.At) || worst == control.Outside || worstAt(best.Body.(*haccp.Reading), point) != control.Outside {
			best = e
		}
	}
	if best != nil {
		last = best.ID
	}
	switch {
	case !inUse:
		return control.StateNotInUse, last
	case best == nil || w.now.Sub(best.At) > 40*time.Minute:
		return control.StateNotKnown, last
	}
	return worstAt(best.Body.(*haccp.Reading), point), last
}

func worstAt(r *haccp.Reading, point string) string {
	return control.Worst(slices.DeleteFunc(slices.Clone(r.Verdicts), func(v control.Verdict) bool { return v.Point != point }))
}

// What the pages show follows from the facts that stand, told in any order: the due list, the states of the
// points, and the counts of checks of any part of the shift.
func TestViewsAreWhatTheFactsSay(t *testing.T) {
	states, shown := map[string]int{}, map[string]int{}
	rapid.Check(t, func(rt *rapid.T) {
		w := newWorld(drawing{t, rt}, withInstrument, onlyBaths)
		w.replay = nil
		w.fill("bath-1")
		w.must(haccp.KindLineStarted, lea, &haccp.LineStarted{Line: "line-1"})
		shiftScript(rt, w)
		for _, point := range []string{"wash-chlorine", "bath-water"} {
			got := stands(drawing{t, rt}, w, point)
			last := ""
			if got.Last != nil {
				last = got.Last.ID
			}
			if state, want := wantState(w, point); got.State != state || last != want {
				rt.Fatalf("%s is %s by %q, the facts say %s by %q", point, got.State, last, state, want)
			}
			states[got.State]++
		}
		want, state := wantDue(w)
		got := slices.DeleteFunc(w.state.DueList(w.now), func(i haccp.DueItem) bool { return i.Place != "bath-1" })
		if len(got) > 1 || len(got) == 0 && state != "" || len(got) == 1 && (!got[0].Due.Equal(want.At) || got[0].Row != want.Row || got[0].State != state) {
			rt.Fatalf("now %s due list %+v, the facts say %s %+v", w.now, got, state, want)
		}
		shown[state]++
		cut := monday.Add(time.Duration(rapid.IntRange(0, 600).Draw(rt, "cut")) * time.Minute)
		for _, span := range [][2]time.Time{{monday, w.now}, {monday, cut}, {cut, w.now}} {
			var n haccp.CheckCounts
			for _, m := range satisfied(w, w.now.Add(time.Hour)) {
				switch {
				case m.At.Before(span[0]) || !m.At.Before(span[1]):
				case m.Reading != "":
					n.Due, n.Done = n.Due+1, n.Done+1
					if m.Late {
						n.Late++
					}
				case m.Until.Before(w.now):
					n.Due, n.Missed = n.Due+1, n.Missed+1
				case !m.At.After(w.now):
					n.Due++
				}
			}
			own := onlyPlace(w, "bath-1")
			if got := w.state.CountChecks(own, span[0], span[1], w.now); got != n {
				rt.Fatalf("%s to %s: %+v, the facts say %+v", span[0], span[1], got, n)
			}
		}
	})
	t.Log(states, shown)
	for _, s := range []string{control.StateInside, control.StateAct, control.StateOutside, control.StateNotKnown, control.StateNotInUse} {
		if states[s] == 0 {
			t.Errorf("no point was ever %s", s)
		}
	}
	for _, s := range []string{haccp.DueMissed, haccp.DueLate, haccp.DueNow, haccp.DueUpcoming} {
		if shown[s] == 0 {
			t.Errorf("nothing was ever %s", s)
		}
	}
}

// onlyPlace leaves out what was done at other baths.
func onlyPlace(w *world, place string) []*haccp.Event {
	return slices.DeleteFunc(slices.Clone(w.events), func(e *haccp.Event) bool {
		b, ok := e.Body.(*haccp.Bath)
		return ok && b.Place != place
	})
}
