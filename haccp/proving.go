package haccp

import (
	"iter"
	"slices"
	"time"

	"linewarden/haccp/chemistry"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/proof"
)

// ShiftSpan is one shift of the plan on one day; where the plan has no shifts, a production day.
type ShiftSpan struct {
	ID       string // of the shift; empty: a production day
	From, To time.Time
}

// ShiftsAt returns the shift that a moment lies in, zero between shifts, and the newest one that has ended by then.
// Both are zero before there is a plan.
func (s *State) ShiftsAt(now time.Time) (running, ended ShiftSpan) {
	v := s.versionAt(now)
	if v == nil {
		return running, ended
	}
	take := func(x ShiftSpan) {
		switch {
		case !x.To.After(now) && x.To.After(ended.To):
			ended = x
		case !x.From.After(now) && x.To.After(now) && !x.From.Before(running.From):
			running = x
		}
	}
	if len(v.Plan.Shifts) == 0 {
		_, from, to := s.ProductionDay(now)
		take(ShiftSpan{From: from, To: to})
		_, from, to = s.ProductionDay(from.Add(-1))
		take(ShiftSpan{From: from, To: to})
		return running, ended
	}
	local := now.In(v.zone)
	for _, x := range v.Plan.Shifts {
		for back := range 3 {
			day := time.Date(local.Year(), local.Month(), local.Day()-back, 0, 0, 0, 0, time.UTC)
			end := day
			if x.To.Minutes() <= x.From.Minutes() {
				end = day.AddDate(0, 0, 1)
			}
			take(ShiftSpan{x.ID, control.Instant(day.Add(time.Duration(x.From.Minutes())*time.Minute), v.zone),
				control.Instant(end.Add(time.Duration(x.To.Minutes())*time.Minute), v.zone)})
		}
	}
	return running, ended
}

// ProofOf divides the time in which a place was in use, from from until to, by what is known of a control point
// there. The limits are those of the plan in force at to. A limit that only guides (an operating limit) is not asked
// for: a value outside it is still inside its critical limit.
func (s *State) ProofOf(point, place string, from, to time.Time) proof.Times {
	v := s.versionAt(to)
	if v == nil || v.points[point] == nil {
		return proof.Times{}
	}
	f := proof.Facts{Stands: s.frequency(v, point, place, to), InUse: s.uses(v, place, from, to)}
	for i := range v.points[point].Limits {
		if l := &v.points[point].Limits[i]; l.Kind != plan.Operating {
			f.Limits = append(f.Limits, l.ID)
		}
	}
	ser, ok := s.series.get(key(point, place))
	if !ok || len(f.InUse) == 0 {
		return proof.Divide(f, from, to)
	}
	c := s.contextNow(ser)
	for x := range ser.Window.Backward() {
		if f.Stands > 0 && x.At.Add(f.Stands+control.MaxCover).Before(from) {
			break
		}
		if x.Imported || !x.At.Before(to) {
			continue
		}
		for i := range x.Marks {
			if m := &x.Marks[i]; m.Usable && !m.Outside {
				f.Inside = append(f.Inside, proof.Shown{Limit: m.Limit, Water: c.FillingOf(x), At: x.At, Until: x.Until})
			}
		}
	}
	for _, x := range ser.Window.Since(*c, from) {
		if x.End.IsZero() {
			x.End = to
		}
		f.Outside = append(f.Outside, proof.Span{From: x.Begin, To: x.End})
	}
	return proof.Divide(f, from, to)
}

// contextNow returns the context of a series as the state has it.
func (s *State) contextNow(ser *Series) *control.Context {
	if p, l := s.whereabouts(ser.Place); ser.ctx != nil && ser.memo == s.memo && ser.place == p && ser.line == l {
		return ser.ctx
	}
	return s.context(ser, coming{}, Facts{})
}

// uses lists the stretches of [from, to] in which a place was in use (PointState: in service, filled where it is a bath,
// its line running or holding product), cut where the water was changed. Nothing counts before checks fell due.
func (s *State) uses(v *version, place string, from, to time.Time) []proof.Use {
	from = latest(from, latest(s.Planned, v.Plan.LiveFrom))
	pl := v.places[place]
	if pl == nil || !from.Before(to) {
		return nil
	}
	p, l := s.whereabouts(place)
	out := []proof.Use{{Span: proof.Span{From: from, To: to}}}
	var fillings []control.Filling
	var gaps []Gap
	if p != nil {
		fillings, gaps = p.fillings(), p.gaps()
	}
	if pl.Line != "" {
		out = nil
		if l != nil {
			out = lineUses(runsOf(l.Acts), place, fillings, from, to)
		}
	}
	if pl.Kind == plan.Bath {
		out = filled(out, fillings)
	}
	for _, g := range gaps {
		out = lessGap(out, g)
	}
	return out
}

// lineUses lists when a line ran or held product at a place.
func lineUses(runs []Run, place string, fillings []control.Filling, from, to time.Time) []proof.Use {
	var out []proof.Use
	for i, r := range runs {
		end := r.To
		if slices.Contains(r.Product, place) { // until the line runs again or the water is drained
			end = to
			if i+1 < len(runs) {
				end = runs[i+1].From
			}
			if f, in := fillingAt(fillings, r.To); in && !f.To.IsZero() && f.To.Before(end) {
				end = f.To
			}
		}
		if end.IsZero() || end.After(to) {
			end = to
		}
		if begin := latest(r.From, from); begin.Before(end) {
			out = append(out, proof.Use{Span: proof.Span{From: begin, To: end}})
		}
	}
	return out
}

// filled cuts stretches to those with water in the bath, and at each change of it.
func filled(uses []proof.Use, fillings []control.Filling) []proof.Use {
	var out []proof.Use
	for _, u := range uses {
		for _, f := range fillings {
			x := proof.Use{Span: proof.Span{From: latest(u.From, f.From), To: u.To}, Water: f.ID}
			if !f.To.IsZero() && f.To.Before(x.To) {
				x.To = f.To
			}
			if x.From.Before(x.To) {
				out = append(out, x)
			}
		}
	}
	return out
}

// lessGap takes a time out of service out of stretches.
func lessGap(uses []proof.Use, g Gap) []proof.Use {
	var out []proof.Use
	for _, u := range uses {
		before, after := u, u
		if g.From.Before(before.To) {
			before.To = g.From
		}
		if !g.To.IsZero() && g.To.After(after.From) {
			after.From = g.To
		}
		if before.From.Before(before.To) {
			out = append(out, before)
		}
		if !g.To.IsZero() && after.From.Before(after.To) && after.From.Compare(before.To) >= 0 {
			out = append(out, after)
		}
	}
	return out
}

// Tests says how the scheduled tests of a check went at their first reading; what was tested again does not count.
type Tests struct {
	Due    int // whose window has ended, or that were carried out
	Inside int // inside critical limits and action criteria; outside an operating limit is still inside these
	Missed int
}

// TestsOf counts the dues of a check at a place with from <= due < to, as they stand at now. A test that only a
// forecast or an addition asked for is not a scheduled one.
func (s *State) TestsOf(check, place string, from, to, now time.Time) Tests {
	var n Tests
	for _, m := range s.matched(check, place, from.Add(-matchBack), to) {
		if m.At.Before(from) || m.Row != control.RowInterval && m.Row != control.RowCron {
			continue
		}
		switch {
		case m.Reading != "":
			n.Due++
			if worst := s.worstOf(check, place, &m); worst == control.Inside || worst == control.Act {
				n.Inside++
			}
		case m.Until.Before(now):
			n.Due++
			n.Missed++
		}
	}
	return n
}

func (s *State) worstOf(check, place string, m *control.Matched) string {
	cs, ok := s.checks.get(key(check, place))
	if !ok {
		return control.NotEvaluated
	}
	for t := range cs.Taken.since(func(t *TakenAt) bool { return t.At.Before(m.ReadingAt) }) {
		if t.ID == m.Reading {
			return t.Worst
		}
		if t.At.After(m.ReadingAt) {
			break
		}
	}
	return control.NotEvaluated
}

// ForecastAt is what the newest reading of a bath foresaw, as it was recorded with it.
type ForecastAt struct {
	ID        string               `json:"id"`
	At        time.Time            `json:"at"`
	Check     string               `json:"check"`
	Crossings []chemistry.Crossing `json:"crossings"`
}

// of reports whether a reading made the forecast; nil is of none.
func (f *ForecastAt) of(reading string) bool { return f != nil && f.ID == reading }

// Foreseen returns when the free chlorine of a bath is expected to fall below its limits, as forecast with the newest
// reading. It is void across an addition, a filling, a part-replacement, a drain and a stop; then there is none.
func (s *State) Foreseen(place string, now time.Time) []chemistry.Crossing {
	p, l := s.whereabouts(place)
	if p == nil || p.Forecast == nil || len(p.Forecast.Crossings) == 0 {
		return nil
	}
	f := p.Forecast
	for i := range p.Log {
		if a := &p.Log[i]; a.At.After(f.At) && !a.At.After(now) && (happening[a.Kind] != "" || a.Kind == KindDrained) {
			return nil
		}
	}
	if s.lineOfPlace(place) != "" {
		if since := runningSince(l, now); since.IsZero() || since.After(f.At) {
			return nil
		}
	}
	return f.Crossings
}

// Samples yields the readings of a control point at a place inside the horizon that judged one of its critical limits
// or action criteria, in order.
func (s *State) Samples(point, place string) iter.Seq[*control.Sample] {
	ser, ok := s.series.get(key(point, place))
	if !ok {
		return func(func(*control.Sample) bool) {}
	}
	return ser.Window.All()
}

// Trace stands for all that was recorded about a control point or a check at a place. Two traces are equal while
// nothing was recorded that changes what the rules say of it; only the time may.
type Trace struct {
	plans  *memo
	place  *PlaceState
	line   *LineState
	series *Series
	check  *CheckState
}

// PointTrace returns the trace of a control point at a place.
func (s *State) PointTrace(point, place string) Trace {
	t := Trace{plans: s.memo}
	t.place, t.line = s.whereabouts(place)
	t.series, _ = s.series.get(key(point, place))
	return t
}

// CheckTrace returns the trace of a check at a place.
func (s *State) CheckTrace(check, place string) Trace {
	t := Trace{plans: s.memo}
	t.place, t.line = s.whereabouts(place)
	t.check, _ = s.checks.get(key(check, place))
	return t
}
