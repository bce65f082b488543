package demo

import (
	"fmt"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// A lot takes window minutes from the next; it is sealed lotDone minutes after its window began.
const (
	window  = 150.0
	lotDone = 140.0
)

// lotSteps are the steps of a lot in minutes after its window began: first part in, last part out.
var lotSteps = []struct {
	step, place string
	in, out     float64
}{
	{"wash-1", "bath-1", 3, 95}, {"wash-2", "bath-2", 5, 97}, {"rinse", "fillet-table", 6, 99}, {"fillet", "fillet-table", 8, 104},
	{"inspect", "fillet-table", 12, 107}, {"shred", "shredder", 98, 124}, {"dose", "shredder", 99, 126}, {"fill", "filler", 104, 138},
}

// produce takes the lots of a shift through the plant: received, washed, filleted, shredded, filled, chilled. What the
// laboratory and the cold room do with them comes the day after.
func (w *writer) produce(s *shift, lead haccp.Actor) {
	w.contact(s, after(s.start, 1))
	last := s.start
	for n := 0; !after(s.start, window*float64(n)+lotDone).After(s.stop()); n++ {
		code := fmt.Sprintf("%s%d", s.lot, n+1)
		begin := after(s.start, window*float64(n))
		w.receiveLot(s, code, begin, lead)
		for _, x := range lotSteps {
			at := after(begin, x.in+w.jitter(0, 0.5))
			w.do(after(at, 0.4), lead, haccp.KindLotEntered, at, &haccp.LotMoved{Lot: code, Step: x.step, Place: x.place})
			at = after(begin, x.out+w.jitter(0, 0.5))
			b := &haccp.LotMoved{Lot: code, Step: x.step, Place: x.place}
			switch x.step {
			case "dose":
				b.Materials = []haccp.MaterialUse{{Material: "ascorbic-acid", Lot: w.supplied("ascorbic-acid", at), Amount: mass("0.4")}}
			case "fill":
				bags := quantity.Exact(quantity.MustDecimal("6"), material.Pieces)
				b.Materials = []haccp.MaterialUse{{Material: "bags", Lot: w.supplied("bags", at), Amount: &bags}}
				from := int64(w.boxes + 1)
				w.boxes += 6
				b.Boxes = []haccp.BoxRange{{Prefix: "BX", From: from, To: int64(w.boxes), Mass: mass("120")}}
			}
			w.do(after(at, 0.4), lead, haccp.KindLotLeft, at, b)
		}
		at := after(begin, 127.5)
		w.do(after(at, 0.3), lead, haccp.KindPlaceEmptied, at, &haccp.PlaceEmptied{Place: "shredder", Note: "Hopper rinsed, seen empty."})
		at = after(begin, lotDone)
		w.do(after(at, 0.3), lead, haccp.KindLotEntered, at, &haccp.LotMoved{Lot: code, Step: "chill", Place: "cold-room"})
		w.sampled(s, code, begin, lead)
		w.clear(s, code, begin)
		last = begin
	}
	w.contact(s, after(last, 101))
	w.reading(after(last, lotDone), w.as(spareTech, haccp.KnownPIN), "seal-check", "filler", nil, haccp.Entry{Quantity: "yes_no", Method: "look", Read: quantity.Answer(true)})
}

// contact times a leaf in both baths beside the schedule: before the first lot and after the last, so that the way of
// every lot lies between two readings.
func (w *writer) contact(s *shift, at time.Time) {
	for _, b := range w.baths {
		w.reading(at, w.as(s.tech, haccp.KnownPIN), "contact-time-test", b.place, nil,
			haccp.Entry{Quantity: "contact_time", Method: "stopwatch", Read: written(w.chance.between(78, 96), 1, 0, "s")})
	}
}

func (w *writer) receiveLot(s *shift, code string, begin time.Time, lead haccp.Actor) {
	at := after(begin, -15)
	w.do(after(at, 0.5), lead, haccp.KindLotReceived, at, &haccp.LotReceived{Lot: code, Step: "receive", Product: "fresh-cut leaves", Mass: mass("300"),
		Condition: "Firm, no bruises.", Harvested: after(at, -180), Source: &haccp.Source{Name: "Rancho Los Tres Pozos", Field: fmt.Sprintf("Parcel %d", 1+w.chance.upTo(6))}})
	at = after(begin, 108)
	trim := 176 + w.chance.upTo(4)
	w.do(after(at, 0.5), lead, haccp.KindLotRemoved, at, &haccp.LotRemoved{Lot: code, Step: "fillet", What: haccp.RemovedTrim, Mass: mass(fmt.Sprint(trim))})
	at = after(begin, 139)
	w.do(after(at, 0.5), lead, haccp.KindLotRemoved, at, &haccp.LotRemoved{Lot: code, Step: "fill", What: haccp.RemovedSample, Mass: mass("0.5")})
}

// clear is what becomes of a lot: left the cold room, reviewed, and released and shipped where nothing is missing. The
// lot of the breach is destroyed, one other is reworked, the lot of the open breach stays on hold.
func (w *writer) clear(s *shift, code string, begin time.Time) {
	by := w.as(boss, haccp.KnownPassword)
	out := after(begin, 30*60)
	w.do(after(out, 0.5), w.as(s.lead, haccp.KnownPIN), haccp.KindLotLeft, out, &haccp.LotMoved{Lot: code, Step: "chill", Place: "cold-room"})
	w.later(after(out, 300), by, haccp.AskLotReview, func(p *player) (any, error) {
		return &haccp.LotReviewed{Lot: code, Findings: "Looked through.", Signature: p.sign(haccp.MeaningLotReviewed, "I have reviewed the records of this lot.")}, nil
	})
	w.later(after(out, 310), by, haccp.AskLotDispose, func(p *player) (any, error) {
		l, ok := p.site.View().Lot(code)
		if !ok || len(l.Signed) > 0 {
			return nil, nil
		}
		b := &haccp.LotDisposed{Lot: code, Outcome: plan.Release, Reason: "All records in order.", Confirmed: p.site.View().Unchecked(l, after(out, 310))}
		switch critical, held := w.heldFor(p, l); {
		case critical && s.low > 0:
			b.Outcome, b.Confirmed, b.Mass, b.Where = plan.Destroy, nil, mass("84.5"), "Composted on site, with a witness"
			b.Reason = "Washed while the free chlorine was below its critical limit."
		case held || len(p.site.View().MissingFor(code, haccp.Facts{}, after(out, 310))) > 0:
			return nil, nil
		case !w.reworked && s.low > 0:
			w.reworked = true
			b.Outcome, b.Confirmed, b.Into = plan.Rework, nil, code+"R"
			b.Reason = "Labels torn on most boxes: bags are opened and filled again."
		}
		b.Signature = p.sign(haccp.MeaningLotPrefix+b.Outcome, "I decide what becomes of this lot as written.")
		return b, nil
	})
	w.later(after(out, 330), w.as(s.lead, haccp.KnownPIN), haccp.KindLotFed, func(p *player) (any, error) {
		l, ok := p.site.View().Lot(code)
		if !ok || l.State() != haccp.LotReworked || !l.Gone().IsZero() {
			return nil, nil
		}
		return &haccp.LotFed{How: haccp.FedReworked, Step: "fill", Place: "filler", From: []haccp.LotPart{{Lot: code, Mass: mass("120"), All: true}},
			To: []haccp.LotPart{{Lot: code + "R", Mass: mass("119.4")}}}, nil
	})
	w.refill(s, code+"R", w.inHours(after(out, 332)))
	w.later(after(out, 24*60), w.as(s.lead, haccp.KnownPassword), haccp.AskLotShip, func(p *player) (any, error) {
		l, ok := p.site.View().Lot(code)
		if !ok || l.State() != haccp.LotReleased {
			return nil, nil
		}
		return &haccp.LotShipped{Lot: code, All: true, Mass: mass("120"), Consignee: haccp.Party{Name: "Cocina Piloto del Valle (invented)", Address: "Valle Alto"},
			Document: &haccp.Document{Kind: "delivery note", Number: "DN-" + code}}, nil
	})
}

// refill fills a reworked lot into bags again and puts it into the cold room.
func (w *writer) refill(s *shift, code string, begin time.Time) {
	step := func(minutes float64, kind string, ask func() *haccp.LotMoved) {
		w.later(after(begin, minutes), w.as(s.lead, haccp.KnownPIN), kind, func(p *player) (any, error) {
			if _, ok := p.site.View().Lot(code); !ok {
				return nil, nil
			}
			return ask(), nil
		})
	}
	step(0, haccp.KindLotEntered, func() *haccp.LotMoved { return &haccp.LotMoved{Lot: code, Step: "fill", Place: "filler"} })
	step(28, haccp.KindLotLeft, func() *haccp.LotMoved {
		bags := quantity.Exact(quantity.MustDecimal("6"), material.Pieces)
		return &haccp.LotMoved{Lot: code, Step: "fill", Place: "filler", Boxes: []haccp.BoxRange{{Prefix: "BXR", From: 1, To: 6, Mass: mass("119.4")}},
			Materials: []haccp.MaterialUse{{Material: "bags", Lot: w.supplied("bags", after(begin, 28)), Amount: &bags}}}
	})
	step(32, haccp.KindLotEntered, func() *haccp.LotMoved { return &haccp.LotMoved{Lot: code, Step: "chill", Place: "cold-room"} })
}

// inHours moves a moment at which the line stands to the next morning at which it runs.
func (w *writer) inHours(t time.Time) time.Time {
	for local := t.In(w.zone); ; local = time.Date(local.Year(), local.Month(), local.Day()+1, 8, 0, 0, 0, w.zone) {
		if h := local.Hour(); h >= 8 && h < 19 && local.Weekday() != time.Sunday {
			return local.UTC()
		}
	}
}

// heldFor says whether a lot is on hold, and whether a critical limit is the reason.
func (w *writer) heldFor(p *player, l *haccp.LotState) (critical, held bool) {
	for _, h := range l.Standing() {
		held = true
		if d, ok := p.site.View().Case(h.Deviation); ok && d.Critical && d.Ground == haccp.GroundExcursion {
			critical = true
		}
	}
	return critical, held
}

func mass(kg string) *quantity.Value {
	v := quantity.Exact(quantity.MustDecimal(kg), quantity.Kilogram)
	return &v
}
