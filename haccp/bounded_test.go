package haccp_test

import (
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
)

// day tells one day of a plant: two fillings a bath, additions, a test of each bath every half hour, one
// breach with its fix and the closing of its case, and the sweeps of the timetable.
func day(w *world, after func(reading *haccp.Command)) {
	yes := true
	start := w.now
	amount := value("0.5", "L")
	for half := range 2 {
		for _, bath := range []string{"bath-1", "bath-2"} {
			w.must(haccp.KindDrained, tina, &haccp.Bath{Place: bath})
			w.fill(bath)
		}
		w.at(10 * time.Minute)
		for _, bath := range []string{"bath-1", "bath-2"} {
			w.must(haccp.KindReading, tina, bathTest(bath, "122", "6.75"))
		}
		w.startLine()
		for i := range 16 {
			w.at(30 * time.Minute)
			cl := "120"
			if half == 0 && i == 3 {
				cl = "90"
			}
			for _, bath := range []string{"bath-1", "bath-2"} {
				c := w.command(haccp.KindReading, tina, bathTest(bath, cl, "6.75"))
				if after != nil {
					after(c)
				}
				if _, err := w.try(c); err != nil {
					w.t.Fatal(err)
				}
				if cl == "90" {
					w.must(haccp.KindFixDone, tina, &haccp.FixDone{Point: "wash-chlorine", Place: bath, Fix: "add-hypochlorite"})
					w.must(haccp.KindAdded, tina, &haccp.Bath{Place: bath, Chemical: "sodium-hypochlorite", Amount: &amount})
				}
			}
		}
		w.must(haccp.KindLineStopped, lea, &haccp.LineStopped{Line: "line-1", Reason: "shift over"})
		w.must(haccp.AskSweep, timetable, &haccp.Sweep{})
	}
	for _, d := range w.state.Cases() {
		for _, part := range []string{plan.ControlRestored, plan.ProductEvaluated, plan.CauseAndAction, plan.Effectiveness, plan.Closed} {
			d, _ = w.state.Case(d.Deviation)
			_ = w.sign(milo, d, part, func(b *haccp.DeviationSigned) {
				b.Restored, b.Product, b.Cause, b.Action, b.Reason = "by the fix", &haccp.Product{Evidence: "no leaf"}, "pump", "new pump", "seen"
				if part == plan.Effectiveness {
					b.Effective = &yes
				}
			})
		}
	}
	w.now = start.Add(24 * time.Hour)
}

// onlyBaths leaves no check but those of the baths, so that the others' misses do not fill the days.
func onlyBaths(p *plan.Plan) {
	var left []plan.Check
	for _, c := range p.Checks {
		if c.ID == "bath-test" {
			left = append(left, c)
		}
	}
	p.Checks = left
}

// Over 60 days of readings the state stops growing once its horizons are full.
func TestStateIsBounded(t *testing.T) {
	w := newWorld(t, onlyBaths)
	w.replay = nil
	var sizes []int
	for range 60 {
		day(w, nil)
		sizes = append(sizes, len(snap(t, w.state)))
	}
	t.Logf("snapshot after 10, 25, 40, 60 days: %d, %d, %d, %d bytes, %d records; %d cases held", sizes[9], sizes[24], sizes[39], sizes[59], len(w.events), len(w.state.HeldCases()))
	early, late := 0, 0
	for i := range 15 {
		early, late = max(early, sizes[20+i]), max(late, sizes[45+i])
	}
	if late > early+early/8 {
		t.Errorf("the snapshot grew from %d bytes in days 21 to 35 to %d in days 46 to 60: %v", early, late, sizes)
	}
}

// after30Days is a world in which every list is as long as it gets, with the line running.
func after30Days(b *testing.B) *world {
	w := newWorld(b, onlyBaths)
	w.replay = nil
	for range 30 {
		day(w, nil)
	}
	for _, bath := range []string{"bath-1", "bath-2"} {
		w.fill(bath)
	}
	w.at(10 * time.Minute)
	w.must(haccp.KindReading, tina, bathTest("bath-1", "122", "6.75"))
	w.must(haccp.KindReading, tina, bathTest("bath-2", "122", "6.75"))
	w.startLine()
	return w
}

// BenchmarkReading is needs and decision of a reading with four entries.
func BenchmarkReading(b *testing.B) {
	for _, x := range []struct{ name, cl string }{{"inside", "120"}, {"outside", "90"}} {
		b.Run(x.name, func(b *testing.B) {
			w := after30Days(b)
			if x.name == "outside" {
				w.at(time.Minute)
				w.must(haccp.KindReading, tina, bathTest("bath-1", "80", "6.75"))
			}
			w.at(time.Minute)
			state := w.state
			b.ReportAllocs()
			for b.Loop() {
				w.now = w.now.Add(10 * time.Minute)
				c := w.command(haccp.KindReading, tina, bathTest("bath-1", x.cl, "6.75"))
				n, err := state.Needs(c, haccp.Facts{})
				if err != nil || !n.Empty() {
					b.Fatal(n, err)
				}
				out, err := state.Decide(c, haccp.Facts{}, w.now)
				if err != nil {
					b.Fatal(err)
				}
				state = out.Next
			}
		})
	}
}

// BenchmarkFork is what a decision costs before it begins.
func BenchmarkFork(b *testing.B) {
	w := after30Days(b)
	b.ReportAllocs()
	for b.Loop() {
		w.state.Fork()
	}
}

// BenchmarkDueList is the list of what is due at all check-places of the demo's plan.
func BenchmarkDueList(b *testing.B) {
	w := newWorld(b)
	w.replay = nil
	for range 10 {
		day(w, nil)
	}
	b.ReportAllocs()
	for b.Loop() {
		w.state.DueList(w.now.Add(-8 * time.Hour))
	}
}
