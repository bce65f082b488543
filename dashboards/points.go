package dashboards

import (
	"time"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/proof"
	"linewarden/haccp/quantity"
)

// pointRow is a control point at a place: its series, and what was last found out about it.
type pointRow struct {
	point, place string

	state, at                              series
	proofThis, useThis, proofLast, useLast series
	list                                   []*valueRow
	values                                 map[string]*valueRow // by id of the limit
	age                                    age
	found                                  haccp.PointState
	this, last                             proof.Times
}

// valueRow is the value that limits of one quantity judge.
type valueRow struct {
	series   series
	quantity *quantity.Quantity // nil: yes or no
	unit     quantity.Unit
	number   float64
	known    bool
}

// layPoint gives the series of a point at a place, and its limits.
func (c *Collector) layPoint(pt *plan.Point, place, line string, fix func(string, float64, ...string)) *pointRow {
	class := string(pt.Class)
	r := &pointRow{point: pt.ID, place: place, values: map[string]*valueRow{}, state: c.series("point_state", class, line, place, pt.ID),
		at:        c.series("point_reading_timestamp_seconds", class, line, place, pt.ID),
		proofThis: c.series("point_proof_seconds", ThisShift, class, line, place, pt.ID), proofLast: c.series("point_proof_seconds", LastShift, class, line, place, pt.ID),
		useThis: c.series("point_use_seconds", ThisShift, class, line, place, pt.ID), useLast: c.series("point_use_seconds", LastShift, class, line, place, pt.ID)}
	rows := map[string]*valueRow{}
	for i := range pt.Limits {
		lim := &pt.Limits[i]
		row := rows[lim.Quantity]
		if row == nil {
			row = newValueRow(lim)
			row.series = c.series("point_value", line, place, pt.ID, lim.Quantity, string(row.unit))
			rows[lim.Quantity] = row
			r.list = append(r.list, row)
		}
		r.values[lim.ID] = row
		for _, b := range []struct {
			bound  string
			amount *plan.Amount
		}{{"min", lim.Min}, {"max", lim.Max}} {
			if b.amount == nil {
				continue
			}
			if x, ok := row.in(b.amount.Value, unitOf(b.amount)); ok {
				fix("point_limit", x, b.bound, string(lim.Kind), line, place, pt.ID, lim.Quantity, string(row.unit))
			}
		}
	}
	return r
}

func newValueRow(l *plan.Limit) *valueRow {
	row := &valueRow{}
	if l.YesNo != nil {
		return row
	}
	if q, err := quantity.Get(quantity.ID(l.Quantity)); err == nil {
		row.quantity, row.unit = q, q.DefaultUnit()
	}
	for _, a := range []*plan.Amount{l.Min, l.Max} {
		if a != nil && a.Unit != "" {
			row.unit = unitOf(a)
		}
	}
	return row
}

func unitOf(a *plan.Amount) quantity.Unit { return quantity.Unit(a.Unit) }

// decimals is how many a converted value keeps.
const decimals = 4

// in gives a number in the unit of the row; false where it does not convert.
func (r *valueRow) in(d quantity.Decimal, from quantity.Unit) (float64, bool) {
	if from == "" || from == r.unit {
		return d.Float64(), true
	}
	if r.quantity == nil {
		return 0, false
	}
	x, err := r.quantity.Convert(d, from, r.unit, decimals)
	return x.Float64(), err == nil
}

// read gives a value as recorded in the unit of the row; false for one below or over its range, and for a band.
func (r *valueRow) read(text string) (float64, bool) {
	v, ok := quantity.ParseText(text)
	if !ok {
		return 0, false
	}
	if yes, is := v.Yes(); is {
		return flag(yes), true
	}
	if d, ok := v.Number(); ok && v.Kind() == quantity.KindExact {
		return r.in(d, v.Unit())
	}
	return 0, false
}

var stateNumbers = map[string]float64{control.StateNotInUse: NotInUse, control.StateInside: Inside, control.StateAct: Act,
	control.StateNotKnown: NotKnown, control.StateOutside: Outside}

// points gives what stands at every control point.
func (c *Collector) points(out *sink, s *haccp.State, now time.Time) {
	this, last := s.ShiftsAt(now)
	left := pointPace.budget(len(c.layout.points))
	for _, r := range c.layout.points {
		if r.age.over(s.PointTrace(r.point, r.place), last.To, now, left) {
			r.find(s, this, last, now)
		}
		r.put(out, this, last)
	}
}

// find works out how the point stands.
func (r *pointRow) find(s *haccp.State, this, last haccp.ShiftSpan, now time.Time) {
	r.found, _ = s.PointAt(r.point, r.place, now)
	r.this = proof.Times{}
	if !this.To.IsZero() {
		r.this = s.ProofOf(r.point, r.place, this.From, now)
	}
	if !last.To.IsZero() && !r.age.settled(now) {
		r.last = s.ProofOf(r.point, r.place, last.From, last.To)
	}
	for _, row := range r.list {
		row.known = false
	}
	if r.found.Last == nil {
		return
	}
	if r.found.Frequency > 0 {
		r.age.until(r.found.Last.At.Add(r.found.Frequency), now)
	}
	for _, v := range r.found.Last.Verdicts {
		if row := r.values[v.Limit]; row != nil && !row.known {
			row.number, row.known = row.read(v.Value)
		}
	}
}

func (r *pointRow) put(out *sink, this, last haccp.ShiftSpan) {
	number, ok := stateNumbers[r.found.State]
	if !ok {
		number = NotKnown
	}
	out.set(r.state, number)
	if r.found.Last != nil {
		out.set(r.at, stamp(r.found.Last.At))
	}
	for _, row := range r.list {
		if row.known {
			out.set(row.series, row.number)
		}
	}
	if !this.To.IsZero() {
		out.set(r.proofThis, r.this.Proved.Seconds())
		out.set(r.useThis, r.this.InUse.Seconds())
	}
	if !last.To.IsZero() {
		out.set(r.proofLast, r.last.Proved.Seconds())
		out.set(r.useLast, r.last.InUse.Seconds())
	}
}

// places gives which lines run, and when the chlorine of a bath is expected to be used up.
func (c *Collector) places(out *sink, s *haccp.State, now time.Time) {
	for _, l := range c.layout.plan.Lines {
		out.put("line_running", flag(s.Running(l.ID, now)), l.ID)
	}
	for _, pl := range c.layout.plan.Places {
		for _, x := range s.Foreseen(pl.ID, now) {
			if !x.Expected.IsZero() {
				out.put("bath_crossing_timestamp_seconds", stamp(x.Expected), string(x.Kind), pl.Line, pl.ID, string(quantity.FreeChlorine))
			}
		}
	}
}
