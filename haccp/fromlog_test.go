package haccp_test

import (
	"testing"
	"time"

	"linewarden/haccp"
)

// Each test of this file is a draw in which a case once kept a span that the facts did not give.

// storyDay is a time of day n of March 2026.
func storyDay(n, hour, minute int) time.Time {
	return time.Date(2026, time.March, n, hour, minute, 0, 0, time.UTC)
}

// chlorineOnly is a bath test of which only the chlorine was measured: it shows control, but the check was not
// carried out by it.
func chlorineOnly(cl string) *haccp.Reading {
	r := bathTest("bath-1", cl, "6.75")
	r.Entries = r.Entries[:1]
	return r
}

// tellAt reports something of a moment now.
func tellAt(w *world, at time.Time, kind string, by haccp.Actor, ask any) string {
	w.t.Helper()
	if at.After(w.now) {
		w.now = at
	}
	w.n++
	id := haccp.RecordID("story", w.n)
	say(w, id, kind, by, at, haccp.AtDevice, ask)
	return haccp.RecordID(id, 0)
}

// caseOn returns the case of a ground and time at the chlorine of the first bath.
func caseOn(t *testing.T, w *world, ground string, at time.Time) *haccp.Deviation {
	t.Helper()
	for _, d := range w.state.HeldCases() {
		if d.Ground == ground && d.At.Equal(at) && d.Point == "wash-chlorine" && d.Place == "bath-1" {
			return d
		}
	}
	t.Fatalf("no case is held for %s", ground)
	return nil
}

func wantSpan(t *testing.T, d *haccp.Deviation, begin, end time.Time) {
	t.Helper()
	if !d.Now.Begin.Equal(begin) || !d.Now.End.Equal(end) {
		t.Errorf("the case stands as %s..%s, want %s..%s\n%s", moment(d.Now.Begin), moment(d.Now.End), moment(begin), moment(end), showCase(d))
	}
}

func filled(w *world, at time.Time) string {
	level := value("60", "cm")
	return tellAt(w, at, haccp.KindFilled, tina, &haccp.Bath{Place: "bath-1", Water: "town water", Level: &level})
}

// The reading before a missed check is voided and there is none before it: the span begins with the window of
// the due, not where the void reading was.
func TestSpanOfAMissForgetsAVoidReading(t *testing.T) {
	w := newWorld(t, testedDaily)
	filled(w, storyDay(2, 13, 0))
	first := tellAt(w, storyDay(2, 14, 0), haccp.KindReading, tina, chlorineOnly("120"))
	tellAt(w, storyDay(2, 15, 0), haccp.KindLineStarted, lea, &haccp.LineStarted{Line: "line-1"})
	w.now = storyDay(3, 22, 0)
	w.must(haccp.AskSweep, timetable, &haccp.Sweep{})
	var due time.Time
	d := caseOn(t, w, haccp.GroundMiss, storyDay(3, 15, 0))
	for _, e := range w.events {
		if b, ok := e.Body.(*haccp.Missed); ok && e.ID == d.OpenedBy {
			due = b.From
		}
	}
	wantSpan(t, d, storyDay(2, 14, 0), time.Time{})
	g := w.signature(haccp.MeaningVoid)
	w.must(haccp.AskVoid, mara, &haccp.Void{Reason: "wrong bath", Signature: &g, Target: first})
	d = caseOn(t, w, haccp.GroundMiss, storyDay(3, 15, 0))
	wantSpan(t, d, due, time.Time{})
	if !d.Widest.Begin.Equal(storyDay(2, 14, 0)) {
		t.Errorf("the widest span begins %s, which is not the widest it had", moment(d.Widest.Begin))
	}
}

// A miss is recorded when the window of its point begins after its due already: its span lies between the
// readings around the due, which only the log knows.
func TestSpanOfAMissFromBeforeTheWindow(t *testing.T) {
	w := newWorld(t, testedDaily)
	filled(w, storyDay(2, 13, 0))
	tellAt(w, storyDay(2, 13, 30), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	tellAt(w, storyDay(2, 14, 0), haccp.KindLineStarted, lea, &haccp.LineStarted{Line: "line-1"})
	tellAt(w, storyDay(10, 8, 0), haccp.KindReading, tina, chlorineOnly("120"))
	tellAt(w, storyDay(25, 8, 0), haccp.KindReading, tina, chlorineOnly("120"))
	if win, _ := w.state.WindowOf("wash-chlorine@bath-1"); !win.From.After(storyDay(10, 8, 0)) {
		t.Fatalf("the window begins %s: the story does not reach what it is for", moment(win.From))
	}
	w.must(haccp.AskSweep, timetable, &haccp.Sweep{})
	d := caseOn(t, w, haccp.GroundMiss, storyDay(3, 14, 0))
	wantSpan(t, d, storyDay(2, 13, 30), storyDay(10, 8, 0))
	if d.Retest == nil || !d.Retest.At.Equal(storyDay(10, 8, 0)) {
		t.Errorf("the reading that shows control again is %+v", d.Retest)
	}
}

// A case is closed, its span becomes shorter, the state forgets it, and an older fact brings it back: it stands
// as it did when it was forgotten, not as it did when it was closed.
func TestForgottenCaseStandsAsTheFactsSay(t *testing.T) {
	w := newWorld(t, testedDaily)
	start := storyDay(2, 14, 0)
	other := filled(w, storyDay(2, 13, 0))
	tellAt(w, start, haccp.KindLineStarted, lea, &haccp.LineStarted{Line: "line-1"})
	g := w.signature(haccp.MeaningVoid)
	w.must(haccp.AskVoid, mara, &haccp.Void{Reason: "it was the other bath", Signature: &g, Target: other})
	filled(w, storyDay(2, 14, 30))
	tellAt(w, storyDay(3, 12, 0), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	wantSpan(t, caseOn(t, w, haccp.GroundWithoutProof, start), start, storyDay(3, 12, 0))
	closeAll(w)
	tellAt(w, storyDay(2, 14, 20), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	wantSpan(t, caseOn(t, w, haccp.GroundWithoutProof, start), start, storyDay(2, 14, 20))
	tellAt(w, storyDay(3, 15, 0), haccp.KindFixDone, teo, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "change-water"})
	for n := range 37 {
		tellAt(w, storyDay(4+n, 8, 0), haccp.KindReading, tina, chlorineOnly("120"))
	}
	for _, d := range w.state.HeldCases() {
		if d.Point == "wash-chlorine" && d.Place == "bath-1" {
			t.Fatalf("the case is still held: %s", showCase(d))
		}
	}
	// The pH was last seen inside at 12:00 and may yet be found outside from then on: the state has to hold what
	// lies after that.
	tellAt(w, storyDay(3, 14, 0), haccp.KindReading, tina, chlorineOnly("92"))
	wantSpan(t, caseOn(t, w, haccp.GroundWithoutProof, start), start, storyDay(2, 14, 20))
	wantSpan(t, caseOn(t, w, haccp.GroundExcursion, storyDay(3, 14, 0)), storyDay(3, 12, 0), storyDay(4, 8, 0))
}

// phOnly is a bath test of which only the pH was measured.
func phOnly(ph string) *haccp.Reading {
	r := bathTest("bath-1", "120", ph)
	r.Entries = r.Entries[1:2]
	return r
}

// An excursion has left the window when a later one, of a limit never seen inside before, takes it in; the
// reading that did so is voided: the older one stands by itself again.
func TestSpanThatAVoidReadingJoined(t *testing.T) {
	w := newWorld(t, testedDaily)
	filled(w, storyDay(2, 13, 0))
	tellAt(w, storyDay(2, 14, 0), haccp.KindReading, tina, phOnly("7.4"))
	tellAt(w, storyDay(3, 9, 0), haccp.KindFixDone, teo, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "change-water"})
	tellAt(w, storyDay(4, 12, 0), haccp.KindReading, tina, phOnly("6.75"))
	tellAt(w, storyDay(13, 12, 0), haccp.KindReading, tina, phOnly("6.75"))
	first := storyDay(2, 14, 0)
	wantSpan(t, caseOn(t, w, haccp.GroundExcursion, first), storyDay(2, 13, 0), storyDay(4, 12, 0))
	joins := tellAt(w, storyDay(13, 14, 0), haccp.KindReading, tina, chlorineOnly("92"))
	g := w.signature(haccp.MeaningVoid)
	w.must(haccp.AskVoid, mara, &haccp.Void{Reason: "wrong bath", Signature: &g, Target: joins})
	wantSpan(t, caseOn(t, w, haccp.GroundExcursion, first), storyDay(2, 13, 0), storyDay(4, 12, 0))
}

// A filling heard of late parts what one case covered into two waters. Each part has a case, although the one
// lies within the time of the other.
func TestEachWaterHasItsCase(t *testing.T) {
	w := newWorld(t, testedDaily)
	w.now = storyDay(3, 12, 0)
	filling := haccp.RecordID("the filling", 0)
	named := func(cl string) *haccp.Reading {
		r := bathTest("bath-1", cl, "6.75")
		r.Filling = haccp.RecordID(filling, 0)
		return r
	}
	tellAt(w, storyDay(2, 13, 30), haccp.KindReading, tina, bathTest("bath-1", "92", "6.75"))
	tellAt(w, storyDay(2, 14, 30), haccp.KindReading, tina, bathTest("bath-1", "92", "6.75"))
	tellAt(w, storyDay(2, 14, 40), haccp.KindReading, tina, named("92"))
	for _, minute := range []int{35, 95} {
		tellAt(w, storyDay(2, 13, minute), haccp.KindFixDone, teo, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "change-water"})
	}
	tellAt(w, storyDay(2, 18, 0), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	tellAt(w, storyDay(2, 14, 15), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	tellAt(w, storyDay(2, 14, 20), haccp.KindReading, tina, named("120"))
	tellAt(w, storyDay(2, 14, 10), haccp.KindDrained, tina, &haccp.Bath{Place: "bath-1"})
	level := value("60", "cm")
	say(w, filling, haccp.KindFilled, tina, storyDay(2, 13, 0), haccp.AtDevice, &haccp.Bath{Place: "bath-1", Water: "town water", Level: &level})
	cases := seenCases{}
	cases.follow(w)
	agrees(t, w, cases, "two waters")
}

// A reading that names a filling may come half a day after the filling was drained: the closed case of that
// filling is kept for it, and opened again, not anew.
func TestClosedCaseOfADrainedFilling(t *testing.T) {
	w := newWorld(t, testedDaily)
	filling := filled(w, storyDay(2, 13, 0))
	tellAt(w, storyDay(2, 14, 0), haccp.KindReading, tina, bathTest("bath-1", "92", "6.75"))
	tellAt(w, storyDay(9, 12, 0), haccp.KindDrained, tina, &haccp.Bath{Place: "bath-1"})
	closeAll(w)
	tellAt(w, storyDay(16, 18, 0), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	if win, _ := w.state.WindowOf("wash-chlorine@bath-1"); !win.From.After(storyDay(9, 12, 0)) || win.From.After(storyDay(9, 20, 0)) {
		t.Fatalf("the window begins %s: the story does not reach what it is for", moment(win.From))
	}
	late := bathTest("bath-1", "92", "6.75")
	late.Filling = filling
	tellAt(w, storyDay(9, 20, 0), haccp.KindReading, tina, late)
	wantSpan(t, caseOn(t, w, haccp.GroundExcursion, storyDay(2, 14, 0)), storyDay(2, 13, 0), storyDay(9, 20, 0))
	opened := map[string]bool{}
	for _, e := range w.events {
		if b, ok := e.Body.(*haccp.DeviationOpened); ok {
			if opened[b.Deviation] {
				t.Errorf("case %s was opened twice", b.Deviation)
			}
			opened[b.Deviation] = true
		}
	}
}

// A window that reaches back for a later fact says nothing of water that was gone by then: it does not know when
// an excursion in it began.
func TestSpanInWaterThatIsGone(t *testing.T) {
	w := newWorld(t, testedDaily)
	tellAt(w, storyDay(2, 13, 10), haccp.KindLineStarted, lea, &haccp.LineStarted{Line: "line-1"})
	tellAt(w, storyDay(2, 13, 30), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	tellAt(w, storyDay(6, 12, 0), haccp.KindReading, tina, bathTest("bath-1", "92", "6.75"))
	filled(w, storyDay(8, 15, 0))
	tellAt(w, storyDay(30, 12, 0), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	outside := storyDay(6, 12, 0)
	wantSpan(t, caseOn(t, w, haccp.GroundExcursion, outside), storyDay(2, 13, 30), storyDay(8, 15, 0))
	tellAt(w, storyDay(10, 19, 0), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	wantSpan(t, caseOn(t, w, haccp.GroundExcursion, outside), storyDay(2, 13, 30), storyDay(8, 15, 0))
}

// The last fix kept from before the horizon is voided: the one before it still lets a much later reading end
// the span.
func TestFixBeforeAVoidFix(t *testing.T) {
	w := newWorld(t, testedDaily)
	fix := func(at time.Time) string {
		return tellAt(w, at, haccp.KindFixDone, teo, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "change-water"})
	}
	outside := storyDay(2, 13, 0)
	tellAt(w, outside, haccp.KindReading, tina, bathTest("bath-1", "92", "6.75"))
	fix(storyDay(2, 14, 0))
	second := fix(storyDay(3, 6, 0))
	fix(storyDay(30, 6, 0))
	g := w.signature(haccp.MeaningVoid)
	w.must(haccp.AskVoid, mara, &haccp.Void{Reason: "never happened", Signature: &g, Target: second})
	tellAt(w, storyDay(29, 12, 0), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	wantSpan(t, caseOn(t, w, haccp.GroundExcursion, outside), outside, storyDay(29, 12, 0))
}

// A reading that comes late widens a closed case, and is so old that the window gives up both at once: the case is
// opened again before it may be forgotten.
func TestClosedCaseThatGrowsAsItLeavesTheWindow(t *testing.T) {
	w := newWorld(t, testedDaily)
	tellAt(w, storyDay(5, 12, 0), haccp.KindReading, tina, chlorineOnly("90"))
	tellAt(w, storyDay(5, 12, 10), haccp.KindFixDone, teo, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "add-hypochlorite"})
	tellAt(w, storyDay(5, 12, 20), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	tellAt(w, storyDay(5, 12, 40), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	d := caseOn(t, w, haccp.GroundExcursion, storyDay(5, 12, 0))
	wantSpan(t, d, storyDay(5, 12, 0), storyDay(5, 12, 20))
	closeAll(w)
	tellAt(w, storyDay(12, 18, 0), haccp.KindReading, tina, bathTest("bath-1", "120", "6.75"))
	if win, _ := w.state.WindowOf("wash-chlorine@bath-1"); !win.From.IsZero() {
		t.Fatalf("the window begins %s: the story does not reach what it is for", moment(win.From))
	}
	tellAt(w, storyDay(4, 12, 0), haccp.KindReading, tina, chlorineOnly("92"))
	if win, _ := w.state.WindowOf("wash-chlorine@bath-1"); !win.From.After(storyDay(4, 12, 0)) {
		t.Fatalf("the window begins %s: the story does not reach what it is for", moment(win.From))
	}
	d, ok := w.state.Case(d.Deviation)
	if !ok || d.IsClosed || len(d.Reopened) != 1 {
		t.Fatalf("held %v: %+v", ok, d)
	}
	wantSpan(t, d, storyDay(4, 12, 0), storyDay(5, 12, 20))
}
