package demo

import (
	"fmt"
	"slices"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/quantity"
)

// The intervals of the plan that a shift works by.
const (
	testEvery    = 30.0 // minutes between bath tests
	contactEvery = 120.0
	hourly       = 60.0
	afterLast    = 25.0 // the line stops so long after its last bath test was due
)

// shift is one shift on the line, and what goes wrong in it.
type shift struct {
	start      time.Time // of the line
	tests      int       // bath tests due
	tech, lead string
	lot        string
	blades     time.Time // when the count of blades is due
	last       bool      // of the day: a clean break follows

	// Numbers of the bath tests, from 1, at which a story happens; 0: none.
	low, lowOpen, missed, amended, late int
}

// stop is when the line stops.
func (s *shift) stop() time.Time { return after(s.start, float64(s.tests)*testEvery+afterLast) }

// due is when the n-th bath test is due.
func (s *shift) due(n int) time.Time { return after(s.start, float64(n)*testEvery) }

// lots gives the codes of the lots in hand: a new one every two hours or so.
func (s *shift) lots(at time.Time) []string {
	return []string{fmt.Sprintf("%s%d", s.lot, 1+int(at.Sub(s.start)/(150*time.Minute)))}
}

// work goes through a shift: fill, test, inspect, start, test and count, stop, drain and clean.
func (w *writer) work(s *shift) {
	tech, lead := w.as(s.tech, haccp.KnownPIN), w.as(s.lead, haccp.KnownPIN)
	for i, b := range w.baths {
		w.fill(b, after(s.start, -16+4*float64(i)+w.jitter(0, 1)), tech)
		w.test(s, b, after(b.at, w.jitter(6, 8)), tech, false)
	}
	clock := after(s.start, w.jitter(-0.5, 0))
	w.ask(clock, lead, haccp.AskStart, &haccp.LineStarted{Line: "line-1", PreOp: w.preOp(s, clock)})
	s.start = clock
	for _, b := range w.baths {
		b.at = s.start
		w.washing(s, b, tech)
	}
	w.beside(s, tech)
	w.produce(s, lead)
	w.finish(s, tech, lead)
	for i, b := range w.baths {
		at := after(s.stop(), 2+3*float64(i)+w.jitter(0, 1))
		w.do(after(at, 0.5), tech, haccp.KindDrained, at, &haccp.Bath{Place: b.place, Reason: "end of the shift"})
		at = after(at, w.jitter(7, 9))
		w.do(after(at, 0.5), tech, haccp.KindCleaned, at, &haccp.Bath{Place: b.place, Note: "Brushed, sanitised, rinsed."})
	}
	if s.last {
		at := after(s.stop(), w.jitter(28, 35))
		w.do(after(at, 1), lead, haccp.KindCleanBreak, at, &haccp.CleanBreak{Line: "line-1", Places: []string{"bath-1", "bath-2"}, Note: "Line cleaned, sanitised and inspected."})
	}
}

// finish stops the line and counts the blades.
func (w *writer) finish(s *shift, tech, lead haccp.Actor) {
	w.do(after(s.stop(), 0.5), lead, haccp.KindLineStopped, s.stop(), &haccp.LineStopped{Line: "line-1", Reason: "End of the shift, line run empty"})
	for i, place := range []string{"fillet-table", "shredder"} {
		at := after(s.blades, -4+5*float64(i)+w.jitter(0, 3))
		w.reading(at, tech, "blade-check", place, nil, haccp.Entry{Quantity: "yes_no", Method: "look", Read: quantity.Answer(true)})
	}
}

func (w *writer) fill(b *water, at time.Time, by haccp.Actor) {
	w.filled(b, at)
	volume := written(b.litres, 1, 0, quantity.Litre)
	c := w.do(after(at, 0.7), by, haccp.KindFilled, at, &haccp.Bath{Place: b.place, Water: "municipal drinking water", Volume: &volume,
		First: []haccp.BathDose{
			{Chemical: "salt", Amount: written(b.litres*b.salt/1000, 0.5, 1, quantity.Kilogram), MaterialLot: w.supplied("salt", at)},
			{Chemical: "sodium-hypochlorite", Amount: written(b.litres*b.chlorine/125, 10, 0, quantity.Millilitre), MaterialLot: w.supplied("sodium-hypochlorite", at)},
			{Chemical: "citric-acid", Amount: written(b.litres/10, 10, 0, quantity.Millilitre), MaterialLot: w.supplied("citric-acid", at)},
		}})
	b.filling = haccp.RecordID(c.ID, 0)
}

// preOp gives the inspection before a start; now and then an item fails first and is cleaned again.
func (w *writer) preOp(s *shift, start time.Time) []haccp.PreOp {
	var out []haccp.PreOp
	at := after(start, -9)
	for _, item := range []string{"clean-seen", "blades-in", "rinse-clear", "tools-out"} {
		if w.chance.upTo(18) == 0 {
			out = append(out, haccp.PreOp{Item: item, At: at, By: s.tech, Note: "Not good at first: done again."})
			at = after(at, 1)
		}
		out = append(out, haccp.PreOp{Item: item, At: at, By: s.tech, OK: true})
		at = after(at, w.jitter(0.5, 1))
	}
	return out
}

// washing tests one bath through a shift and adds what it wants.
func (w *writer) washing(s *shift, b *water, by haccp.Actor) {
	first := b.place == "bath-1"
	for n := 1; n <= s.tests; n++ {
		at := after(s.due(n), w.jitter(-9, -2))
		switch {
		case first && (n == s.low || n == s.lowOpen):
			w.breach(s, b, at, n == s.low, by)
			continue
		case !first && n == s.missed:
			w.missStory(s, b, n)
			continue
		}
		w.run(b, at)
		taken := w.test(s, b, at, by, n%4 == 0)
		if first && n == s.amended {
			w.amend(taken, by)
		}
		if !first && n+1 == s.missed {
			continue // no addition, whose test would stand in for the missed one
		}
		if d, ok := w.needs(b); ok {
			w.add(b, d, after(at, w.jitter(2.5, 3.5)), by)
			w.test(s, b, after(b.at, w.jitter(6, 7.5)), by, false)
		}
	}
}

func (w *writer) add(b *water, d dose, at time.Time, by haccp.Actor) {
	b.at = at
	w.do(after(at, 0.5), by, haccp.KindAdded, at, &haccp.Bath{Place: b.place, Filling: b.filling, Chemical: d.chemical,
		Amount: &d.amount, Measure: d.measure, Reason: d.reason, MaterialLot: w.supplied(d.chemical, at)})
}

// test writes down a bath test of the water as it is.
func (w *writer) test(s *shift, b *water, at time.Time, by haccp.Actor, turbid bool) *haccp.Command {
	w.run(b, at)
	entries := []haccp.Entry{
		{Quantity: "free_chlorine", Method: "chlorine-titration", Instrument: "burette-1", As: "Cl2", Reagent: &haccp.Reagent{Lot: "DPD-2607", Expiry: "2027-06-30"},
			Read: written(b.chlorine+w.chance.between(-1, 1), 2, 0, "mg/L")},
		{Quantity: "ph", Method: "ph-meter", Instrument: "ph-meter-1", Read: written(b.ph+w.chance.between(-0.01, 0.01), 0.01, 2, "pH")},
		{Quantity: "temperature", Method: "thermometer", Instrument: "thermometer-1", Read: written(b.temperature, 0.1, 1, "°C")},
		{Quantity: "salt", Method: "salt-meter", Instrument: "refractometer-1", Read: written(b.salt, 1, 0, "g/L")},
	}
	if turbid {
		entries = append(entries, haccp.Entry{Quantity: "turbidity", Method: "turbidity-meter", Instrument: "turbidity-meter-1", Read: written(b.turbidity, 1, 0, "NTU")})
	}
	var lots []string
	if at.After(s.start) {
		lots = s.lots(at)
	}
	c := w.reading(at, by, "bath-test", b.place, lots, entries...)
	if r, ok := c.Ask.(*haccp.Reading); ok {
		r.Filling, r.SamplePoint = b.filling, "outlet"
	}
	return c
}

// reading writes down a check that was carried out by hand.
func (w *writer) reading(at time.Time, by haccp.Actor, check, place string, lots []string, entries ...haccp.Entry) *haccp.Command {
	return w.do(after(at, w.jitter(0.6, 1.8)), by, haccp.KindReading, at,
		&haccp.Reading{Check: check, Place: place, Mode: "hand", Lots: slices.Clone(lots), Entries: entries})
}

// beside carries out the other checks of a shift: contact time, hand dip and seals.
func (w *writer) beside(s *shift, by haccp.Actor) {
	end := s.stop()
	for _, b := range w.baths {
		for n := 1; after(s.start, contactEvery*float64(n)).Before(end); n++ {
			at := after(s.start, contactEvery*float64(n)+w.jitter(-14, -1))
			c := w.reading(at, by, "contact-time-test", b.place, s.lots(at), haccp.Entry{Quantity: "contact_time", Method: "stopwatch", Read: written(w.chance.between(78, 96), 1, 0, "s")})
			if b.place == "bath-2" && n == s.late {
				w.receiveLate(c, after(s.start, contactEvery*float64(n)))
			}
		}
	}
	for n := 1; after(s.start, hourly*float64(n)).Before(end); n++ {
		at := after(s.start, hourly*float64(n)+w.jitter(-14, -1))
		w.reading(at, by, "hand-dip-test", "hand-dip", nil, haccp.Entry{Quantity: "free_chlorine", Method: "chlorine-strip", Read: written(w.chance.between(62, 94), 10, 0, "ppm")})
		at = after(s.start, hourly*float64(n)+w.jitter(-14, -1))
		w.reading(at, w.as(spareTech, haccp.KnownPIN), "seal-check", "filler", s.lots(at), haccp.Entry{Quantity: "yes_no", Method: "look", Read: quantity.Answer(true)})
	}
}
