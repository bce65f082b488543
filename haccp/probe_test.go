package haccp_test

import (
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// withProbe puts a chlorine probe into the demo plan, with the times it states.
func withProbe(averaging, outsideFor string) func(*plan.Plan) {
	return func(p *plan.Plan) {
		probe := &plan.Probe{Basis: plan.Basis{Invented: true}}
		for text, into := range map[string]*plan.Duration{averaging: &probe.Averaging, outsideFor: &probe.OutsideFor} {
			if err := into.UnmarshalText([]byte(text)); err != nil {
				panic(err)
			}
		}
		p.Instruments = append(p.Instruments, plan.Instrument{ID: "probe", Name: "Probe", Methods: []string{"chlorine-titration"}, Probe: probe})
	}
}

func probed(w *world) *world {
	w.must(haccp.AskDevice, console, &haccp.DeviceChange{Change: "enrolled", DeviceBody: haccp.DeviceBody{Device: "probe-1", Name: "Probe"}})
	return w
}

func ofProbe(cl string) *haccp.Reading {
	return &haccp.Reading{Check: "bath-test", Place: "bath-1", Mode: "device",
		Entries: []haccp.Entry{{Quantity: "free_chlorine", Method: "chlorine-titration", Instrument: "probe", Read: value(cl, "mg/L")}}}
}

// opened counts the cases that records open.
func opened(events []*haccp.Event) int {
	n := 0
	for _, e := range events {
		if e.Kind == haccp.KindDeviationOpened {
			n++
		}
	}
	return n
}

// A probe's reading outside counts once it was outside for the plan's time (RULES 2.5, 5.8); a hand's at once.
func TestProbeCountsAfterThePlansTime(t *testing.T) {
	w := probed(running(t, withProbe("1 min", "5 min")))
	give := func(after time.Duration, cl string) int {
		w.at(after)
		return opened(w.must(haccp.KindReading, probe, ofProbe(cl)))
	}
	w.at(time.Minute)
	began := w.now
	for _, x := range []struct {
		after time.Duration
		cl    string
		opens int
	}{
		{time.Minute, "98", 0}, {3 * time.Minute, "97", 0}, {time.Minute, "124", 0}, // four minutes outside: a dip
		{time.Minute, "98", 0}, {4 * time.Minute, "98", 0}, {time.Minute, "96", 1}, // five minutes
		{time.Minute, "95", 0}, // the same excursion
	} {
		if got := give(x.after, x.cl); got != x.opens {
			t.Fatalf("%s mg/L at %s opened %d cases, want %d", x.cl, w.now.Sub(began), got, x.opens)
		}
	}
	d := w.first()
	if want := began.Add(5 * time.Minute); !d.Now.Begin.Equal(want) || d.First.Value != "98 mg/L" {
		t.Errorf("the span begins at %s with %+v, want %s, the last reading inside", d.Now.Begin, d.First, want)
	}
	w = probed(running(t, withProbe("1 min", "5 min")))
	w.at(time.Minute)
	if opened(w.must(haccp.KindReading, tina, bathTest("bath-1", "98", "6.80"))) != 1 {
		t.Error("a test by hand did not count at once")
	}
	w = probed(running(t))
	w.at(time.Minute)
	if opened(w.must(haccp.KindReading, probe, ofProbe("98"))) != 1 {
		t.Error("a device of which the plan states nothing did not count at once")
	}
}

// A reading that covers no more than the probe averages over is judged by its median, a longer one by its
// lowest and highest value.
func TestReadingThatCoversASpan(t *testing.T) {
	for name, x := range map[string]struct {
		covers        time.Duration
		low, mid, max string
		want          string
		opens         int
	}{
		"a dip, averaged":                {time.Minute, "90", "124", "126", control.Inside, 0},
		"a dip in a longer span":         {2 * time.Minute, "90", "124", "126", control.Outside, 0},
		"a longer span inside":           {2 * time.Minute, "120", "124", "126", control.Inside, 0},
		"outside for the plan's time":    {5 * time.Minute, "90", "95", "98", control.Outside, 1},
		"over the bound for that time":   {6 * time.Minute, "120", "151", "160", control.Outside, 1},
		"outside in the mean, too short": {time.Minute, "90", "95", "124", control.Outside, 0},
	} {
		t.Run(name, func(t *testing.T) {
			w := probed(running(t, withProbe("1 min", "5 min")))
			w.at(10 * time.Minute)
			r := ofProbe(x.mid)
			r.Span = &haccp.ReadingSpan{N: 10, Min: value(x.low, "mg/L"), Max: value(x.max, "mg/L"), Median: value(x.mid, "mg/L"), Last: value(x.mid, "mg/L")}
			c := w.command(haccp.KindReading, probe, r)
			c.At, c.Until = w.now.Add(-x.covers), w.now
			events, err := w.try(c)
			if err != nil {
				t.Fatal(err)
			}
			r, _ = events[0].Body.(*haccp.Reading)
			if got := r.Verdicts[0].Verdict; got != x.want || opened(events) != x.opens {
				t.Errorf("%s, %d cases; want %s, %d", got, opened(events), x.want, x.opens)
			}
		})
	}
}

// While a probe's reading says that it was outside, nothing inside that span ends the excursion.
func TestInsideWithinASpanOutsideEndsNothing(t *testing.T) {
	w := probed(running(t, withProbe("1 min", "5 min"), func(p *plan.Plan) {
		p.Points[0].Ends.InsideInRow = 1
	}))
	w.at(10 * time.Minute)
	r := ofProbe("95")
	r.Span = &haccp.ReadingSpan{N: 10, Min: value("94", "mg/L"), Max: value("96", "mg/L"), Median: value("95", "mg/L"), Last: value("95", "mg/L")}
	c := w.command(haccp.KindReading, probe, r)
	c.At, c.Until = w.now.Add(-8*time.Minute), w.now
	if _, err := w.try(c); err != nil {
		t.Fatal(err)
	}
	between := w.command(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
	between.At = w.now.Add(-4 * time.Minute)
	if _, err := w.try(between); err != nil {
		t.Fatal(err)
	}
	if d := w.first(); !caseOf(w, d.Deviation).Now.End.IsZero() {
		t.Fatalf("ended at %s by a reading inside the span that the probe covers", d.Now.End)
	}
	w.at(time.Minute)
	w.must(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
	if d := w.first(); !d.Now.End.Equal(w.now) {
		t.Errorf("a reading after it did not end the excursion: %+v", d.Now)
	}
}
