package haccp_test

import (
	"slices"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/chemistry"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

func verdictOf(r *haccp.Reading, limit string) control.Verdict {
	i := slices.IndexFunc(r.Verdicts, func(v control.Verdict) bool { return v.Limit == limit })
	if i < 0 {
		return control.Verdict{}
	}
	return r.Verdicts[i]
}

// withHOCl adds a critical limit on hypochlorous acid of at least 100 mg/L to the demo plan.
func withHOCl(p *plan.Plan) {
	p.Points[0].Limits = append(p.Points[0].Limits, plan.Limit{ID: "hocl", Kind: plan.Critical, Quantity: "hocl", Min: amountOf("100.0", "mg/L"), Basis: plan.Basis{Invented: true}})
}

// A limit on hypochlorous acid is judged by the value worked out from the same sample, which is recorded with
// formula and version, one decimal finer than the limit. The values at 12 °C are those of Morris 1966: pKa 7.6665,
// share 88.03 % at pH 6.80 and 82.27 % at pH 7.00 (worked by hand from the equation).
func TestHOClIsJudged(t *testing.T) {
	for name, x := range map[string]struct {
		cl, ph, value, verdict, reason string
		change                         func(*haccp.Reading)
	}{
		"inside":                {"124", "6.80", "109.16 mg/L", control.Inside, "", nil},
		"outside by pH":         {"121", "7.00", "99.54 mg/L", control.Outside, "", nil},
		"below the floor":       {"124", "6.10", "", control.NotEvaluated, control.ReasonBelowFloor, nil},
		"without a temperature": {"124", "6.80", "", control.NotEvaluated, control.ReasonMissingInput, func(r *haccp.Reading) { r.Entries = slices.Delete(r.Entries, 2, 3) }},
		"with a foreign method": {"124", "6.80", "", control.NotEvaluated, control.ReasonMethod, func(r *haccp.Reading) { r.Entries[1].Method = "litmus" }},
	} {
		t.Run(name, func(t *testing.T) {
			w := running(t, withHOCl)
			w.at(time.Minute)
			r := bathTest("bath-1", x.cl, x.ph)
			if x.change != nil {
				x.change(r)
			}
			events := w.must(haccp.KindReading, tina, r)
			got := events[0].Body.(*haccp.Reading)
			if v := verdictOf(got, "hocl"); v.Verdict != x.verdict || v.Reason != x.reason || v.Value != x.value {
				t.Errorf("%+v, want %s %s (%s)", v, x.verdict, x.value, x.reason)
			}
			i := slices.IndexFunc(got.Entries, func(e haccp.Entry) bool { return e.Quantity == "hocl" })
			if (i >= 0) != (x.value != "") || i >= 0 && (got.Entries[i].Formula != "hocl-morris/1" || !got.Entries[i].Read.IsZero() || got.Entries[i].Result().String() != x.value) {
				t.Errorf("recorded %+v", got.Entries)
			}
			if len(r.Entries) > 4 {
				t.Error("the command's own body was changed")
			}
			low := slices.ContainsFunc(events[0].Findings, func(f haccp.Finding) bool { return f.Code == haccp.FindingBelowFloor })
			if adv := w.state.Advise(events, w.now); adv.LowPH != (name == "below the floor") || low != adv.LowPH {
				t.Errorf("caution %v, finding %v", adv.LowPH, low)
			}
		})
	}
}

// The recorded verdict stands: an amendment is judged anew, a fold never.
func TestHOClIsRecomputedByAnAmendmentOnly(t *testing.T) {
	w := running(t, withHOCl)
	id := w.must(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))[0].ID
	e := w.must(haccp.AskAmend, tina, &haccp.Amend{Target: id, Reason: "misread", New: bathTest("bath-1", "121", "7.00")})[0]
	if v := verdictOf(e.Body.(*haccp.Amended).New.(*haccp.Reading), "hocl"); v.Verdict != control.Outside {
		t.Errorf("%+v", v)
	}
}

// falling logs tests of bath 1 every ten minutes that lose 4 mg/L each, and returns the newest.
func falling(w *world, values ...string) *haccp.Event {
	var last *haccp.Event
	for _, cl := range values {
		w.at(10 * time.Minute)
		last = w.must(haccp.KindReading, tina, bathTest("bath-1", cl, "6.80"))[0]
	}
	return last
}

func dueAt(w *world) (haccp.DueItem, bool) {
	for _, d := range w.state.DueList(w.now) {
		if d.Check == "bath-test" && d.Place == "bath-1" {
			return d, true
		}
	}
	return haccp.DueItem{}, false
}

// A forecast brings the next test forward, and the answer says why; what is due follows from the records.
func TestForecastBringsTestForward(t *testing.T) {
	w := running(t)
	w.must(haccp.KindAdded, tina, &haccp.Bath{Place: "bath-1", Chemical: w.state.Plans[0].Plan.Chemicals[0].ID, Amount: new(value("1", "L")), Reason: "low"})
	falling(w, "132", "128.1", "123.9")
	newest := falling(w, "120")
	f := newest.Body.(*haccp.Reading).Forecast
	if f == nil || f.Reason != "" || f.Test.IsZero() {
		t.Fatalf("forecast %+v", f)
	}
	next, _ := dueAt(w)
	if next.Row != control.RowForecast || !next.Due.Equal(f.Test) || next.State == haccp.DueMissed {
		t.Errorf("due %+v, want the test that the forecast wants at %s", next, f.Test)
	}
	if adv := w.state.Advise([]*haccp.Event{newest}, w.now); adv.Forecast != f || !adv.NextDue.Equal(f.Test) {
		t.Errorf("the answer says %+v, next %s", adv.Forecast, adv.NextDue)
	}
	// It is no missed check when it passes: the scheduled test stands.
	w.now = f.Test.Add(11 * time.Minute)
	for _, e := range w.must(haccp.AskSweep, timetable, &haccp.Sweep{}) {
		if m, ok := e.Body.(*haccp.Missed); ok && m.Row == control.RowForecast {
			t.Errorf("a forecast was recorded as missed: %+v", m)
		}
	}
}

// What voids a forecast: an addition, a part-replacement, a stop; the void of its reading; another test.
func TestForecastIsVoid(t *testing.T) {
	for name, act := range map[string]func(w *world, newest *haccp.Event){
		"addition": func(w *world, _ *haccp.Event) {
			w.must(haccp.KindAdded, tina, &haccp.Bath{Place: "bath-1", Chemical: w.state.Plans[0].Plan.Chemicals[0].ID, Amount: new(value("1", "L")), Reason: "low"})
		},
		"part-replacement": func(w *world, _ *haccp.Event) {
			w.must(haccp.KindPartReplaced, tina, &haccp.Bath{Place: "bath-1", Water: "town water", Volume: new(value("100", "L"))})
		},
		"stop": func(w *world, _ *haccp.Event) {
			w.must(haccp.KindLineStopped, lea, &haccp.LineStopped{Line: "line-1", Reason: "break", ProductInBaths: []string{"bath-1"}})
		},
		"void": func(w *world, newest *haccp.Event) {
			w.must(haccp.AskVoid, mara, &haccp.Void{Target: newest.ID, Reason: "wrong bath", Signature: w.signed(haccp.MeaningVoid)})
		},
		"another test": func(w *world, _ *haccp.Event) { w.must(haccp.KindReading, tina, bathTest("bath-1", "130", "6.80")) },
	} {
		t.Run(name, func(t *testing.T) {
			w := running(t)
			newest := falling(w, "132", "128.1", "123.9", "120")
			if next, _ := dueAt(w); next.Row != control.RowForecast {
				t.Fatalf("no forecast: %+v", newest.Body.(*haccp.Reading).Forecast)
			}
			w.at(time.Minute)
			act(w, newest)
			w.at(time.Second)
			if next, ok := dueAt(w); ok && next.Row == control.RowForecast {
				t.Errorf("the forecast stands: %+v", next)
			}
		})
	}
}

// Why there is none, said with the reading.
func TestForecastSaysWhyNot(t *testing.T) {
	w := running(t)
	if f := falling(w, "132").Body.(*haccp.Reading).Forecast; f == nil || f.Reason != chemistry.ReasonTooFew {
		t.Errorf("too few: %+v", f)
	}
	falling(w, "128", "124")
	over := bathTest("bath-1", "300", "6.80")
	over.Entries[0].Read = quantity.Above(quantity.MustDecimal("300"), "mg/L")
	w.at(time.Minute)
	if f := w.must(haccp.KindReading, tina, over)[0].Body.(*haccp.Reading).Forecast; f == nil || f.Reason != chemistry.ReasonNoNumber {
		t.Errorf("over range: %+v", f)
	}
	w.at(time.Minute)
	other := bathTest("bath-1", "120", "6.80")
	other.Lots = []string{"B"}
	if f := w.must(haccp.KindReading, tina, other)[0].Body.(*haccp.Reading).Forecast; f == nil || f.Reason != chemistry.ReasonTooFew {
		t.Errorf("other lots: %+v", f)
	}
	w.must(haccp.KindLineStopped, lea, &haccp.LineStopped{Line: "line-1", Reason: "break"})
	w.at(time.Minute)
	if f := w.must(haccp.KindReading, tina, bathTest("bath-1", "118", "6.80"))[0].Body.(*haccp.Reading).Forecast; f == nil || f.Reason != chemistry.ReasonLineStopped {
		t.Errorf("stopped: %+v", f)
	}
	c := w.command(haccp.KindReading, tina, bathTest("bath-1", "118", "6.80"))
	c.AtKnown = haccp.AtTyped
	events, err := w.try(c)
	if err != nil || events[0].Body.(*haccp.Reading).Forecast != nil {
		t.Errorf("typed time: %v, %+v", err, events)
	}
}
