package haccp_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// Chlorine by verdict against the demo plan: 100 to 150 mg/L, operating 110 to 140. "" leaves the entry out.
var chlorine = map[string]string{control.Inside: "124", control.Act: "105", control.Outside: "90", control.NotEvaluated: ""}

func readingOf(verdict string) *haccp.Reading {
	if chlorine[verdict] == "" {
		r := bathTest("bath-1", "124", "6.80")
		r.Entries = r.Entries[1:]
		return r
	}
	return bathTest("bath-1", chlorine[verdict], "6.80")
}

// The author changes his own report only where no verdict becomes better; for the rest he needs a manager
// who is not the author (DESIGN, amending). A value in the operating margin is inside its critical limit, so
// that between it and a value left out each way makes something better.
func TestOwnAmendments(t *testing.T) {
	order := []string{control.Inside, control.NotEvaluated, control.Act, control.Outside}
	own := map[string]bool{"inside act": true, "inside outside": true, "inside not-evaluated": true, "act outside": true,
		"not-evaluated outside": true}
	for _, from := range order {
		for _, to := range order {
			w := running(t)
			id := w.must(haccp.KindReading, tina, readingOf(from))[0].ID
			ask := &haccp.Amend{Target: id, Reason: "misread", New: readingOf(to)}
			_, err := w.try(w.command(haccp.AskAmend, tina, ask))
			want := from == to || own[from+" "+to]
			if (err == nil) != want {
				t.Errorf("%s to %s by the author: %v", from, to, err)
			}
			if err != nil && codeOfError(err) != "better-wants-manager" {
				t.Errorf("%s to %s: %v", from, to, err)
			}
			ask.Signature = w.signed(haccp.MeaningAmend)
			if _, err := w.try(w.command(haccp.AskAmend, mara, ask)); err != nil {
				t.Errorf("%s to %s by a manager: %v", from, to, err)
			}
		}
	}
}

// After review, the author's own change wants a manager as well.
func TestOwnAmendmentAfterReview(t *testing.T) {
	w := running(t)
	id := w.must(haccp.KindReading, tina, readingOf(control.Inside))[0].ID
	w.must(haccp.AskReview, mara, &haccp.Review{Reviewed: haccp.Reviewed{From: 1, To: w.state.Size, Signature: w.signature(haccp.MeaningReviewed)}})
	ask := &haccp.Amend{Target: id, Reason: "misread", New: readingOf(control.Outside)}
	if _, err := w.try(w.command(haccp.AskAmend, tina, ask)); codeOfError(err) != "wants-manager" {
		t.Fatal(err)
	}
	if _, err := w.try(w.command(haccp.AskVoid, tina, &haccp.Void{Target: id, Reason: "x"})); codeOfError(err) != "wants-manager" {
		t.Fatal(err)
	}
}

// To name the instrument of record makes a reading count: that is a manager's to sign, though no verdict
// changes.
func TestNamingTheInstrumentWantsAManager(t *testing.T) {
	w := running(t, func(p *plan.Plan) { limitOf(p, "wash-chlorine", "ph").Instrument = "ph-meter-1" })
	id := w.must(haccp.KindReading, tina, readingOf(control.Inside))[0].ID
	n := readingOf(control.Inside)
	n.Entries[1].Instrument = "ph-meter-1"
	if _, err := w.try(w.command(haccp.AskAmend, tina, &haccp.Amend{Target: id, Reason: "forgot", New: n})); codeOfError(err) != "better-wants-manager" {
		t.Fatal(err)
	}
}

// An amendment keeps kind, time, keys and author, and leaves the command's body as the client gave it, so
// that the command can be decided again.
func TestAmendmentKeepsWhatItMust(t *testing.T) {
	w := running(t)
	r := readingOf(control.Inside)
	r.Filling, r.Lots = w.lastOf(haccp.KindFilled), []string{"L1"}
	old := w.must(haccp.KindReading, tina, r)[0]
	w.at(5 * time.Minute)
	n := readingOf(control.Outside)
	n.Lots = []string{"L1"}
	before := fmt.Sprintf("%+v", *n)
	out := w.must(haccp.AskAmend, tina, &haccp.Amend{Target: old.ID, Reason: "misread", New: n})
	if fmt.Sprintf("%+v", *n) != before {
		t.Errorf("the body given was changed: %+v", *n)
	}
	e := out[0]
	b := e.Body.(*haccp.Amended)
	got := b.New.(*haccp.Reading)
	if !e.At.Equal(old.At) || !slices.Equal(e.About, old.About) || e.Amends != old.ID || b.TargetKind != old.Kind || got.Filling != r.Filling {
		t.Errorf("%+v %+v", e, got)
	}
	if !slices.Contains(kinds(out), haccp.KindDeviationOpened) {
		t.Error("made outside by an amendment, yet no case")
	}
	n.Lots = []string{"L2"}
	if _, err := w.try(w.command(haccp.AskAmend, tina, &haccp.Amend{Target: old.ID, Reason: "misread", New: n})); codeOfError(err) != "other-keys" {
		t.Error(err)
	}
	implausible := bathTest("bath-1", "4", "6.80")
	implausible.Lots = []string{"L1"}
	out = w.must(haccp.AskAmend, tina, &haccp.Amend{Target: old.ID, Reason: "misread", New: implausible})
	if !slices.ContainsFunc(out[0].Findings, func(f haccp.Finding) bool { return f.Code == haccp.FindingImplausible }) {
		t.Error("what is odd about the new body is not noted")
	}
}

// A stop that no longer says product is in a bath is a manager's to sign: nothing falls due there then.
func TestAmendedStop(t *testing.T) {
	w := running(t)
	id := w.must(haccp.KindLineStopped, lea, &haccp.LineStopped{Line: "line-1", Reason: "jam", ProductInBaths: []string{"bath-1"}})[0].ID
	for places, code := range map[string]string{"bath-1": "", "bath-2": "better-wants-manager", "moon": "unknown-place"} {
		_, err := w.try(w.command(haccp.AskAmend, lea, &haccp.Amend{Target: id, Reason: "x", New: &haccp.LineStopped{Line: "line-1", Reason: "jam", ProductInBaths: []string{places}}}))
		if codeOfError(err) != code {
			t.Errorf("%s: %v", places, err)
		}
	}
}

// Voiding counts as better unless every verdict was inside; with a new report the two are judged together.
func TestVoids(t *testing.T) {
	for _, x := range []struct {
		from, to string // to "": no new report
		alone    bool
	}{
		{control.Inside, "", true}, {control.Act, "", false}, {control.Outside, "", false}, {control.NotEvaluated, "", false},
		{control.Outside, control.Outside, true}, {control.Outside, control.Inside, false}, {control.Inside, control.Outside, true}, {control.Act, control.Inside, false},
	} {
		w := running(t)
		id := w.must(haccp.KindReading, tina, readingOf(x.from))[0].ID
		ask := &haccp.Void{Target: id, Reason: "wrong"}
		if x.to != "" {
			ask.New = w.command(haccp.KindReading, tina, readingOf(x.to))
		}
		events, err := w.try(w.command(haccp.AskVoid, tina, ask))
		if (err == nil) != x.alone {
			t.Errorf("%s voided for %q by the author: %v", x.from, x.to, err)
		}
		if err == nil && x.to != "" && events[0].Body.(*haccp.Voided).ReplacedBy != events[1].ID {
			t.Errorf("replaced by %s, not by %s", events[0].Body.(*haccp.Voided).ReplacedBy, events[1].ID)
		}
	}
	w := running(t)
	out := w.must(haccp.KindReading, tina, readingOf(control.Outside))
	ask := &haccp.Void{Target: out[0].ID, Reason: "wrong bath", New: w.command(haccp.KindReading, tina, bathTest("bath-2", "90", "6.80"))}
	if _, err := w.try(w.command(haccp.AskVoid, tina, ask)); codeOfError(err) != "better-wants-manager" {
		t.Errorf("an outside reading moved to another bath by its author: %v", err)
	}
}

// Whatever is voided or amended around a case by whoever may, the case keeps its widest span, and closes by
// its signatures only.
func TestTricksAroundACase(t *testing.T) {
	void := func(kind string) func(*world) {
		return func(w *world) {
			w.must(haccp.AskVoid, milo, &haccp.Void{Target: w.lastOf(kind), Reason: "trick", Signature: w.signed(haccp.MeaningVoid)})
		}
	}
	for name, trick := range map[string]func(*world){
		"void the re-test": void(haccp.KindReading), "void the fix": void(haccp.KindFixDone), "void the filling": void(haccp.KindFilled), "void the start": void(haccp.KindLineStarted),
		"void all readings": func(w *world) {
			for _, e := range slices.Clone(w.events) {
				if e.Kind == haccp.KindReading {
					w.must(haccp.AskVoid, milo, &haccp.Void{Target: e.ID, Reason: "trick", Signature: w.signed(haccp.MeaningVoid)})
				}
			}
		},
		"amend the breach": func(w *world) {
			w.must(haccp.AskAmend, milo, &haccp.Amend{Target: w.first().OpenedBy, Reason: "trick", New: readingOf(control.Inside), Signature: w.signed(haccp.MeaningAmend)})
		},
		"drain before the breach": func(w *world) {
			c := w.command(haccp.KindDrained, lea, &haccp.Bath{Place: "bath-1"})
			c.At = w.first().First.At.Add(-10 * time.Minute)
			if _, err := w.try(c); err != nil {
				w.t.Fatal(err)
			}
		},
		"stop the line before it": func(w *world) {
			c := w.command(haccp.KindLineStopped, lea, &haccp.LineStopped{Line: "line-1", Reason: "trick"})
			c.At = w.first().First.At.Add(-10 * time.Minute)
			if _, err := w.try(c); err != nil {
				w.t.Fatal(err)
			}
		},
	} {
		w, was := breached(t)
		trick(w)
		d := w.first()
		narrower := d.Widest.Begin.After(was.Widest.Begin) || !d.Widest.End.IsZero() && d.Widest.End.Before(was.First.At)
		if narrower || d.IsClosed || d.Number != was.Number {
			t.Errorf("%s: %+v was %+v", name, d.Widest, was.Widest)
		}
		closed, _ := breached(t)
		closed.close()
		trick(closed)
		if d := closed.first(); d.IsClosed && !d.ClosedAt.Equal(closed.now) {
			t.Errorf("%s of a closed case: %+v", name, d)
		}
		// One more outside reading is never taken for part of what is closed.
		closed.at(2 * time.Hour)
		closed.must(haccp.KindReading, teo, readingOf(control.Outside))
		if len(closed.state.Cases()) == 0 {
			t.Errorf("%s: a new breach after closing has no open case", name)
		}
	}
}
