package haccp_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// A low chlorine reading opens a deviation; fix, re-test and signatures of a second person close it.
func TestDeviationFromBreachToClose(t *testing.T) {
	w := running(t)
	w.at(30 * time.Minute)
	if got := worstOf(w.must(haccp.KindReading, tina, bathTest("bath-1", "118", "6.80"))); got != control.Inside {
		t.Fatalf("118 mg/L is %s", got)
	}
	last := w.now
	w.at(30 * time.Minute)
	events := w.must(haccp.KindReading, tina, bathTest("bath-1", "98", "6.80"))
	if got := kinds(events); !slices.Equal(got, []string{haccp.KindReading, haccp.KindDeviationOpened}) {
		t.Fatal(got)
	}
	opened := events[1].Body.(*haccp.DeviationOpened)
	if !opened.Begin.Equal(last) || !opened.End.IsZero() || opened.Number != 1 || !opened.Critical || opened.Point != "wash-chlorine" {
		t.Fatalf("%+v", opened)
	}
	a := w.state.Advise(events, w.now)
	if a.Worst != control.Outside || len(a.Instructions) != 1 || len(a.Fixes) != 4 || a.RetestBy.IsZero() {
		t.Fatalf("%+v", a)
	}
	w.at(time.Minute)
	amount := value("0.50", "L")
	w.must(haccp.KindAdded, tina, &haccp.Bath{Place: "bath-1", Chemical: "sodium-hypochlorite", Amount: &amount})
	// Inside again, but no fix was recorded: the span stays open.
	w.at(12 * time.Minute)
	w.must(haccp.KindReading, tina, bathTest("bath-1", "121", "6.80"))
	d, _ := w.state.Case(opened.Deviation)
	if !d.Now.End.IsZero() {
		t.Fatal("the span ended without a recorded fix")
	}
	if err := w.sign(mara, d, plan.ControlRestored, func(b *haccp.DeviationSigned) { b.Restored = "dosed" }); !errors.Is(err, haccp.ErrConflict) {
		t.Fatal(err)
	}
	w.must(haccp.KindFixDone, tina, &haccp.FixDone{Point: "wash-chlorine", Place: "bath-1", Fix: "add-hypochlorite", Deviation: d.Deviation})
	w.at(15 * time.Minute)
	w.must(haccp.KindReading, teo, bathTest("bath-1", "124", "6.80"))
	d, _ = w.state.Case(opened.Deviation)
	if d.Now.End.IsZero() || d.Retest == nil || !slices.Equal(d.Loggers, []string{"teo", "tina"}) {
		t.Fatalf("%+v", d)
	}
	for _, step := range []struct {
		part string
		fill func(*haccp.DeviationSigned)
	}{
		{plan.ControlRestored, func(b *haccp.DeviationSigned) { b.Restored = "hypochlorite added, re-test inside" }},
		{plan.ProductEvaluated, func(b *haccp.DeviationSigned) { b.Product = &haccp.Product{Evidence: "no leaf was in the bath"} }},
		{plan.CauseAndAction, func(b *haccp.DeviationSigned) {
			b.Cause, b.Action = "dosing pump empty", "check the tank at each start"
		}},
		{plan.Closed, nil},
	} {
		d, _ = w.state.Case(opened.Deviation)
		if err := w.sign(tina, d, step.part, step.fill); err == nil {
			t.Fatalf("a technician signed %s", step.part)
		}
		if err := w.sign(mara, d, step.part, step.fill); err != nil {
			t.Fatalf("%s: %v", step.part, err)
		}
	}
	d, _ = w.state.Case(opened.Deviation)
	if !d.IsClosed {
		t.Fatal("not closed")
	}
	l := w.state.CorrectiveLog(haccp.Period{From: monday, To: w.now.Add(time.Hour), Now: w.now, Events: w.events})
	if len(l.Days) != 1 || len(l.Days[0].Entries) != 1 || l.Days[0].Entries[0].Status != "closed" || l.Days[0].Entries[0].Cause != "dosing pump empty" {
		t.Fatalf("%+v", l)
	}
	// A late outside reading widens the closed case: it is opened again.
	late := w.command(haccp.KindReading, teo, bathTest("bath-1", "90", "6.80"))
	late.At = d.Now.End.Add(-time.Minute)
	late.LateReason = "no network"
	if events, err := w.try(late); err != nil || slices.Contains(kinds(events), haccp.KindDeviationOpened) {
		t.Fatal(kinds(events), err)
	}
}

// A missed bath test is found by the sweep, once, and opens a deviation.
func TestSweepFindsMisses(t *testing.T) {
	w := running(t)
	w.at(45 * time.Minute) // due at +30, grace 10
	events := w.must(haccp.AskSweep, timetable, &haccp.Sweep{})
	if got := kinds(events); !slices.Equal(got, []string{haccp.KindMissed, haccp.KindDeviationOpened, haccp.KindMissed, haccp.KindDeviationOpened}) {
		t.Fatal(got)
	}
	if again := w.must(haccp.AskSweep, timetable, &haccp.Sweep{}); len(again) != 0 {
		t.Fatal("the same misses again", kinds(again))
	}
	// A tablet comes back: the test was drawn in time.
	c := w.command(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
	c.At, c.LateReason = w.now.Add(-15*time.Minute), "no network"
	if _, err := w.try(c); err != nil {
		t.Fatal(err)
	}
	d, _ := w.state.Case(events[1].Body.(*haccp.DeviationOpened).Deviation)
	if id, ok := w.state.TakenInTime(d); !ok || id == "" {
		t.Fatal("not seen as taken in time")
	}
	if err := w.sign(mara, d, haccp.PartTakenInTime, nil); err != nil {
		t.Fatal(err)
	}
	d, _ = w.state.Case(d.Deviation)
	if !d.IsClosed {
		t.Fatal("one signature did not close it")
	}
	if n := w.state.CountChecks(w.events, monday, w.now, w.now); n != (haccp.CheckCounts{Due: 4, Done: 3, Missed: 1}) {
		t.Fatalf("%+v", n)
	}
}

// A start without its conditions is refused item by item; asked for knowingly it opens deviations.
func TestLineStart(t *testing.T) {
	w := newWorld(t)
	_, err := w.try(w.command(haccp.AskStart, lea, &haccp.LineStarted{Line: "line-1"}))
	var r *haccp.Refusal
	if !errors.As(err, &r) || len(r.Items) != 4 {
		t.Fatal(err, r)
	}
	w.fill("bath-1")
	if got := w.state.StartConditions("line-1", nil, w.now); len(got) != 5 {
		t.Fatal(got)
	}
	events := w.must(haccp.AskStart, lea, &haccp.LineStarted{Line: "line-1", WithoutProof: true})
	if got := kinds(events); !slices.Equal(got, []string{haccp.KindLineStarted, haccp.KindDeviationOpened, haccp.KindDeviationOpened}) {
		t.Fatal(got)
	}
	w.at(5 * time.Minute)
	w.must(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
	d := w.state.Cases()[0]
	if d.Now.End.IsZero() || !d.Now.Begin.Equal(events[0].At) {
		t.Fatalf("%+v", d.Now)
	}
}

// Bad reports are refused for their form, naming the field, and nothing is kept.
func TestRefusals(t *testing.T) {
	w := running(t)
	size := w.state.Size
	for field, change := range map[string]func(*haccp.Command){
		"check":                 func(c *haccp.Command) { c.Ask.(*haccp.Reading).Check = "nope" },
		"place":                 func(c *haccp.Command) { c.Ask.(*haccp.Reading).Place = "filler" },
		"at":                    func(c *haccp.Command) { c.At = w.now.Add(3 * time.Minute) },
		"entries":               func(c *haccp.Command) { c.Ask.(*haccp.Reading).Entries = nil },
		"mode":                  func(c *haccp.Command) { c.Ask.(*haccp.Reading).Mode = "" },
		"entries[1].read.value": func(c *haccp.Command) { c.Ask.(*haccp.Reading).Entries[1].Read = value("40", "pH") },
		"entries[0].read.unit":  func(c *haccp.Command) { c.Ask.(*haccp.Reading).Entries[0].Read = value("40", "NTU") },
		"lots[0]":               func(c *haccp.Command) { c.Ask.(*haccp.Reading).Lots = []string{""} },
		"entries[0].dilution": func(c *haccp.Command) {
			c.Ask.(*haccp.Reading).Entries[0].Dilution = &haccp.Dilution{Sample: 2, Total: 1}
		},
	} {
		c := w.command(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
		change(c)
		_, err := w.try(c)
		var r *haccp.Refusal
		if !errors.As(err, &r) || r.Field != field || w.state.Size != size {
			t.Errorf("%s: refused as %v", field, err)
		}
	}
	if _, err := w.try(w.command(haccp.KindReading, person("nobody", haccp.RoleTechnician), bathTest("bath-1", "1", "7.0"))); !errors.Is(err, haccp.ErrForbidden) {
		t.Error(err)
	}
	if _, err := w.try(w.command(haccp.AskStart, tina, &haccp.LineStarted{Line: "line-1"})); !errors.Is(err, haccp.ErrForbidden) {
		t.Error(err)
	}
}

// An author may make a verdict worse before review, never better; a manager who is not the author signs that.
func TestAmendments(t *testing.T) {
	w := running(t)
	w.at(30 * time.Minute)
	out := w.must(haccp.KindReading, tina, bathTest("bath-1", "90", "6.80"))
	id := out[0].ID
	amend := func(by haccp.Actor, cl string, g *haccp.Signature) ([]*haccp.Event, error) {
		return w.try(w.command(haccp.AskAmend, by, &haccp.Amend{Target: id, Reason: "misread", New: bathTest("bath-1", cl, "6.80"), Signature: g}))
	}
	if _, err := amend(tina, "124", nil); !errors.Is(err, haccp.ErrForbidden) {
		t.Fatal(err)
	}
	if _, err := amend(tina, "89", nil); err != nil {
		t.Fatal(err)
	}
	g := w.signature(haccp.MeaningAmend)
	if _, err := amend(mara, "124", &g); err != nil {
		t.Fatal(err)
	}
	d := w.state.Cases()
	if len(d) != 1 || !d[0].Now.Begin.IsZero() || d[0].Widest.Begin.IsZero() {
		t.Fatalf("the deviation is withdrawn by an amendment: %+v", d)
	}
	void := func(by haccp.Actor, g *haccp.Signature) error {
		_, err := w.try(w.command(haccp.AskVoid, by, &haccp.Void{Target: id, Reason: "wrong bath", Signature: g,
			New: w.command(haccp.KindReading, by, bathTest("bath-2", "124", "6.80"))}))
		return err
	}
	if err := void(tina, nil); !errors.Is(err, haccp.ErrForbidden) && err != nil {
		t.Fatal(err)
	}
}

// After a short stop the newest test of the same water stands; new water, or a longer stop, wants a new one.
func TestRestart(t *testing.T) {
	w := running(t)
	w.at(45 * time.Minute)
	stop := func() {
		w.must(haccp.KindLineStopped, lea, &haccp.LineStopped{Line: "line-1", Reason: "belt jam", ProductInBaths: []string{"bath-1"}})
	}
	stop()
	w.at(40 * time.Minute)
	if got := w.state.StartConditions("line-1", nil, w.now); len(got) != 0 {
		t.Fatal("a stop of 40 min wants", got)
	}
	w.must(haccp.AskStart, lea, &haccp.LineStarted{Line: "line-1"})
	stop()
	w.at(time.Minute)
	w.must(haccp.KindDrained, tina, &haccp.Bath{Place: "bath-2"})
	w.at(time.Minute)
	w.fill("bath-2")
	if got := w.state.StartConditions("line-1", nil, w.now); len(got) != 1 {
		t.Fatal("new water in one bath wants", got)
	}
	w.at(46 * time.Minute)
	if got := w.state.StartConditions("line-1", nil, w.now); len(got) != 6 {
		t.Fatal("a stop of 47 min wants", got)
	}
}

// A test without one of the quantities its check measures is kept and judged, but leaves the check due and a
// start without proof.
func TestPartialTestLeavesTheCheckDue(t *testing.T) {
	w := running(t)
	w.at(28 * time.Minute)
	only := bathTest("bath-1", "124", "6.75")
	only.Entries = only.Entries[3:] // salt
	id := w.must(haccp.KindReading, tina, only)[0].ID
	w.at(15 * time.Minute)
	if got := kinds(w.must(haccp.AskSweep, timetable, &haccp.Sweep{})); len(got) != 4 {
		t.Fatal("both baths were missed, found", got)
	}
	if n := w.state.CountChecks(w.events, monday, w.now, w.now); n.Missed != 2 {
		t.Fatalf("%+v", n)
	}
	g := w.signature(haccp.MeaningAmend)
	ask := &haccp.Amend{Target: id, Reason: "values left out", New: bathTest("bath-1", "124", "6.75"), Signature: &g}
	if _, err := w.try(w.command(haccp.AskAmend, mara, ask)); err != nil {
		t.Fatal(err)
	}
	if n := w.state.CountChecks(w.events, monday, w.now, w.now); n.Missed != 1 {
		t.Fatalf("after the amendment %+v", n)
	}
}
