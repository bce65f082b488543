package demo

import (
	"time"

	"linewarden/alerts"
	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// placeStories spreads what goes wrong over the shifts that ran long enough before the end.
func (w *writer) placeStories() {
	var long []*shift
	for _, s := range w.shifts {
		if !s.stop().After(w.now) || w.now.Sub(s.start) >= 150*time.Minute {
			long = append(long, s)
		}
	}
	n := len(long) - 1
	if n < 0 {
		return
	}
	long[n/4].low = 5
	long[n/2].missed = 8
	long[n*2/3].amended = 3
	long[n*3/4].late = 1
	last := long[n]
	for k := 3; k <= last.tests-1; k++ {
		if after(last.due(k), 40).Before(w.now) {
			last.lowOpen = k
		}
	}
}

// breach is a bath test with too little free chlorine: fixed at once, tested again inside the limits. It
// is carried to its close, or left for whoever looks at the demo.
func (w *writer) breach(s *shift, b *water, at time.Time, toClose bool, by haccp.Actor) {
	w.run(b, at)
	b.chlorine = w.chance.between(90.5, 93)
	outside := w.test(s, b, at, by, false)
	fixed := after(at, w.jitter(3.5, 4.5))
	w.do(after(fixed, 0.3), by, haccp.KindFixDone, fixed, &haccp.FixDone{Point: "wash-chlorine", Place: b.place, Fix: "add-hypochlorite",
		Note: "Feed of leaves stopped, product in the bath set aside."})
	w.add(b, b.chlorinate("free chlorine below its critical limit"), fixed, by)
	again := after(fixed, w.jitter(6.5, 7.5))
	w.test(s, b, again, by, false)
	if !toClose {
		return
	}
	opened := haccp.RecordID(outside.ID, 0)
	sign := w.signer(haccp.GroundExcursion, b.place, opened)
	sign(after(again, 26), s.lead, haccp.DeviationSigned{Part: plan.ControlRestored,
		Restored: "Hypochlorite added by hand, mixed for five minutes, tested again: inside the limits. Feed of leaves started after that."})
	mass := quantity.Exact(quantity.MustDecimal("84.5"), quantity.Kilogram)
	sign(after(again, 175), boss, haccp.DeviationSigned{Part: plan.ProductEvaluated, Product: &haccp.Product{Exposed: true, Codes: s.lots(at), Mass: &mass,
		Description: "Leaves and gel washed between the last good test and the re-test", HeldWhere: "Cold room, rack 4, red tape",
		Evaluation: "The second bath was inside its limits all the time, but a later bath does not cure an earlier one.",
		Outcome:    "Destroyed, 84.5 kg, with a witness."}})
	sign(after(again, 240), boss, haccp.DeviationSigned{Part: plan.CauseAndAction,
		Cause:  "The hose of the dosing pump had slipped off, and the pump ran without giving anything.",
		Action: "Hose clamped. Looking at the hose is now part of the inspection before each start."})
	sign(after(again, 26*60), boss, haccp.DeviationSigned{Part: plan.Closed})
}

// missStory is a bath test that nobody took; the timetable records the miss. The case is carried to its close.
func (w *writer) missStory(s *shift, b *water, n int) {
	w.ask(after(s.due(n), 11), alerts.Actor, haccp.AskSweep, &haccp.Sweep{})
	sign := w.signer(haccp.GroundMiss, b.place, "")
	sign(after(s.due(n), 60), s.lead, haccp.DeviationSigned{Part: plan.ControlRestored,
		Restored: "The tests before and after the missed one were inside the limits."})
	mass := quantity.Exact(quantity.MustDecimal("112.0"), quantity.Kilogram)
	sign(after(s.due(n), 200), boss, haccp.DeviationSigned{Part: plan.ProductEvaluated, Product: &haccp.Product{Exposed: true, Codes: s.lots(s.due(n)), Mass: &mass,
		Description: "Leaves washed between the two good tests", HeldWhere: "Cold room, rack 2, red tape",
		Evaluation: "Both tests inside, no addition between them was larger than usual, the first bath was inside all the time.",
		Outcome:    "Kept for the trial kitchen, not sold."}})
	sign(after(s.due(n), 260), boss, haccp.DeviationSigned{Part: plan.CauseAndAction,
		Cause: "The technician was called to the filler, and nobody took over the test.", Action: "The spare technician takes the baths whenever the first one leaves the wash hall."})
	sign(after(s.due(n), 320), boss, haccp.DeviationSigned{Part: plan.Closed})
}

var statements = map[string]string{
	plan.ControlRestored:  "Control was restored as I have written.",
	plan.ProductEvaluated: "I have evaluated the product affected as written.",
	plan.CauseAndAction:   "This is the cause, and this action will keep it from coming back.",
	plan.Closed:           "I have read all parts of this deviation and close it.",
}

// signer gives a way to sign the parts of one case.
func (w *writer) signer(ground, place, openedBy string) func(at time.Time, by string, b haccp.DeviationSigned) {
	return func(at time.Time, by string, b haccp.DeviationSigned) {
		w.later(at, w.as(by, haccp.KnownPassword), haccp.AskSignPart, func(p *player) (any, error) {
			c, err := p.caseOf(ground, place, openedBy)
			if err != nil {
				return nil, err
			}
			b.Deviation, b.Signature = c.Deviation, p.sign(b.Part, statements[b.Part])
			return &haccp.SignPart{DeviationSigned: b}, nil
		})
	}
}

// amend corrects a temperature that was typed wrong; no verdict becomes better.
func (w *writer) amend(taken *haccp.Command, by haccp.Actor) {
	was, ok := taken.Ask.(*haccp.Reading)
	if !ok {
		return
	}
	now := *was
	now.Entries = append([]haccp.Entry(nil), was.Entries...)
	for i := range now.Entries {
		if e := &now.Entries[i]; e.Quantity == "temperature" {
			if d, ok := e.Read.Number(); ok {
				e.Read = written(d.Float64()+0.9, 0.1, 1, "°C")
			}
		}
	}
	w.ask(after(taken.At, 12), by, haccp.AskAmend, &haccp.Amend{Target: haccp.RecordID(taken.ID, 0), New: &now,
		Reason: "Two digits of the temperature were typed the wrong way round."})
}

// receiveLate has a reading, taken in time, come in after the tablet was out of reach for a while.
func (w *writer) receiveLate(c *haccp.Command, due time.Time) {
	c.At = after(due, -6)
	c.LateReason = "The tablet had no network behind the filler."
	clock := after(due, 16)
	c.Device.Clock = clock
	w.steps[len(w.steps)-1].clock = clock
}
