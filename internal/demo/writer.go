package demo

import (
	"fmt"
	"strconv"
	"time"

	"linewarden/alerts"
	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/record"
)

// writer works out the steps of a history. It knows nothing of the site: what depends on it is left to
// the player.
type writer struct {
	product   *plan.Product
	boxes     int  // filled so far
	reworked  bool // a lot was sent to rework
	now, from time.Time
	zone      *time.Location
	chance    chance
	steps     []step
	made      int // commands
	space     record.UUID
	baths     []*water
	shifts    []*shift
}

func newWriter(o Options, p *plan.Plan, zone *time.Location) *writer {
	now := o.Now.UTC().Truncate(time.Millisecond)
	y, m, d := now.In(zone).Date()
	w := &writer{now: now, zone: zone, from: time.Date(y, m, d-o.Days, 5, 0, 0, 0, zone).UTC(), chance: chance(o.Chance),
		space: record.DerivedID(record.SiteNamespace(p.Site), "demo", strconv.FormatUint(o.Chance, 10))}
	w.product = &p.Products[0]
	w.baths = []*water{
		{place: "bath-1", litres: 1200, rate: 0.10, juice: 7},
		{place: "bath-2", litres: 900, rate: 0.06, juice: 4},
	}
	return w
}

// after gives a moment so many minutes after another, in whole seconds.
func after(t time.Time, minutes float64) time.Time {
	return t.Add(time.Duration(minutes * float64(time.Minute))).Truncate(time.Second)
}

// jitter gives a number of minutes from low to high.
func (w *writer) jitter(low, high float64) float64 { return w.chance.between(low, high) }

// do adds a report: at is when it happened, clock when it is recorded.
func (w *writer) do(clock time.Time, by haccp.Actor, kind string, at time.Time, body any) *haccp.Command {
	c := &haccp.Command{ID: w.id(), Kind: kind, At: at, AtKnown: haccp.AtDevice, By: by, Ask: body,
		Device: &haccp.Device{ID: tablet, Clock: clock, OffsetMS: int64(w.chance.upTo(900))}}
	w.steps = append(w.steps, step{clock: clock, command: c})
	return c
}

// ask adds a decision.
func (w *writer) ask(clock time.Time, by haccp.Actor, kind string, body any) *haccp.Command {
	c := &haccp.Command{ID: w.id(), Kind: kind, At: clock, AtKnown: haccp.AtServer, By: by, Ask: body}
	w.steps = append(w.steps, step{clock: clock, command: c})
	return c
}

// later adds a decision that rests on what is recorded by then; a nil body leaves it out.
func (w *writer) later(clock time.Time, by haccp.Actor, kind string, body func(p *player) (any, error)) {
	id := w.id()
	w.steps = append(w.steps, step{clock: clock, then: func(p *player) (*haccp.Command, error) {
		b, err := body(p)
		if err != nil || b == nil {
			return nil, err
		}
		return &haccp.Command{ID: id, Kind: kind, At: clock, AtKnown: haccp.AtServer, By: by, Ask: b}, nil
	}})
}

func (w *writer) id() string {
	w.made++
	return record.DerivedID(w.space, strconv.Itoa(w.made)).String()
}

// history works out all steps, from the founding to the end.
func (w *writer) history(p *plan.Plan, file string) {
	w.settle()
	w.later(after(w.from, 5), console, haccp.AskSignPlan, func(pl *player) (any, error) {
		return &haccp.SignPlan{Plan: p, Reason: "First plan of the invented plant", Source: file,
			Signature: pl.sign(haccp.MeaningPlan, "I put this plan in force. Plant and limits are invented.")}, nil
	})
	w.planShifts()
	w.placeStories()
	for _, s := range w.shifts {
		w.work(s)
	}
	w.coldRoom()
	w.sweeps()
	w.reviews()
	w.deliveries()
	w.calibrations()
	w.exercise()
}

// planShifts lays out the shifts: two a day from Monday to Saturday, on the wall clock of the site.
func (w *writer) planShifts() {
	y, m, d := w.from.In(w.zone).Date()
	for day := 0; ; day++ {
		begin := func(hour, minute int) time.Time { return time.Date(y, m, d+day, hour, minute, 0, 0, w.zone).UTC() }
		if begin(5, 0).After(w.now) {
			return
		}
		if begin(12, 0).In(w.zone).Weekday() == time.Sunday {
			continue
		}
		local := begin(12, 0).In(w.zone)
		lot := fmt.Sprintf("VQ-%d%03d", local.Year()%10, local.YearDay())
		w.shifts = append(w.shifts,
			&shift{start: after(begin(6, 0), w.jitter(2, 5)), tests: 14, tech: dayTech, lead: dayLead, lot: lot + "-D", blades: begin(13, 45)},
			&shift{start: after(begin(14, 0), w.jitter(11, 14)), tests: 14, tech: eveTech, lead: eveLead, lot: lot + "-E", blades: begin(21, 45), last: true})
	}
}

// coldRoom has the logger in the cold room read every four hours, day and night.
func (w *writer) coldRoom() {
	by := haccp.Actor{ID: coldLogger, Name: "Logger in the cold room", Role: haccp.RoleDevice, Known: haccp.KnownDeviceToken}
	y, m, d := w.from.In(w.zone).Date()
	for hour := 8; ; hour += 4 {
		due := time.Date(y, m, d, hour, 0, 0, 0, w.zone).UTC()
		if due.After(w.now) {
			return
		}
		at := due.Add(time.Duration(2+w.chance.upTo(50)) * time.Second)
		c := w.do(at.Add(3*time.Second), by, haccp.KindReading, at, &haccp.Reading{Check: "cold-room-check", Place: "cold-room", Mode: "device",
			Entries: []haccp.Entry{{Quantity: "temperature", Method: "thermometer", Instrument: "thermometer-2", Read: written(w.chance.between(2.3, 3.5), 0.1, 1, "°C")}}})
		c.Device = &haccp.Device{ID: coldLogger, Clock: c.At, OffsetMS: 40}
	}
}

// sweeps has the timetable look for missed checks: often while people work, else once an hour.
func (w *writer) sweeps() {
	busy := func(at time.Time) bool {
		for _, s := range w.shifts {
			if !at.Before(after(s.start, -40)) && at.Before(after(s.stop(), 60)) {
				return true
			}
		}
		return false
	}
	every := 10 * time.Minute
	for at := w.from.Add(every); at.Before(w.now); at = at.Add(every) {
		if at.Sub(w.from)%time.Hour == 0 || busy(at) {
			w.ask(at, alerts.Actor, haccp.AskSweep, &haccp.Sweep{})
		}
	}
	w.ask(w.now, alerts.Actor, haccp.AskSweep, &haccp.Sweep{})
}

// reviews has the manager review the records of the week before on Monday mornings.
func (w *writer) reviews() {
	from := int64(1)
	y, m, d := w.from.In(w.zone).Date()
	for day := 1; ; day++ {
		at := time.Date(y, m, d+day, 9, 10, 0, 0, w.zone).UTC()
		if at.After(w.now) {
			return
		}
		if at.In(w.zone).Weekday() != time.Monday {
			continue
		}
		w.later(at, w.as(boss, haccp.KnownPassword), haccp.AskReview, func(p *player) (any, error) {
			b := haccp.Reviewed{From: from, To: p.site.Head().Size, Findings: "Looked through, nothing to add.",
				Signature: p.sign(haccp.MeaningReviewed, "I have reviewed these records.")}
			from = b.To + 1
			return &haccp.Review{Reviewed: b}, nil
		})
	}
}
