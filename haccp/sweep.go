package haccp

import (
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// sweepLimit bounds the misses one sweep records; the next sweep records the rest.
const sweepLimit = 60

// sweepFrom is the moment from which dues may not have been judged yet. It lies a horizon back, and farther
// after a standstill, so that what came due meanwhile is not lost; but never farther back than readings and
// misses are remembered.
func (d *deciding) sweepFrom(check, place string) time.Time {
	from, known := d.now.Add(-Horizon), d.Planned
	cs, ok := d.checks.get(key(check, place))
	if ok {
		for t := range cs.Taken.backward() {
			known = t.At
			break
		}
	}
	if back := known.Add(slack - Horizon); back.Before(from) {
		from = back
	}
	if ok && len(cs.Misses) > 0 {
		if back := cs.Misses[len(cs.Misses)-1].Due.Add(-Horizon); back.After(from) {
			from = back
		}
	}
	return from
}

// sweep records the checks that were missed: dues whose window, grace included, has passed without a
// reading, the oldest first. Each is recorded once; its id follows from check, place and due time.
func (d *deciding) sweep(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*Sweep)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if ask.Epoch != d.Timetable.Epoch {
		return d.stale(ask.Epoch)
	}
	list := d.missedNow(d.sweptBy(ask))
	if !d.sweepNeeds(list, d.facts).Empty() { // not what was asked for: the next sweep records what lies further back
		list = slices.DeleteFunc(list, func(m missed) bool {
			return slices.ContainsFunc(d.missTouches(m.check, m.place, m.Version), func(k string) bool {
				ser, ok := d.series.get(k)
				return ok && !ser.Window.Covers(m.At)
			})
		})
	}
	for i := range list {
		if err := d.recordMiss(&list[i]); err != nil {
			return err
		}
	}
	if !ask.whole() && !ask.Clocks {
		return nil
	}
	return d.flagClocks()
}

// whole reports whether a sweep looks at everything.
func (a *Sweep) whole() bool { return len(a.Checks) == 0 && !a.Clocks }

// sweptBy lists the checks at places that a sweep looks at.
func (s *State) sweptBy(ask *Sweep) []string {
	if ask.whole() {
		return s.memo.checkPlaces
	}
	return ask.Checks
}

// sweepsBack reports whether a sweep may find a miss from before a window: hardly ever.
func (d *deciding) sweepsBack(keys []string) bool {
	return slices.ContainsFunc(keys, func(k string) bool {
		check, place := splitKey(k)
		from := d.sweepFrom(check, place)
		return slices.ContainsFunc(d.memo.feeds[k], func(point string) bool {
			ser, ok := d.series.get(point)
			return ok && ser.Window.From.After(from)
		})
	})
}

// sweepNeeds asks for what the spans of missed checks from before the windows follow from.
func (s *State) sweepNeeds(list []missed, f Facts) Need {
	var need Need
	asked := map[string]bool{}
	for i := range list { // the first of a series is the oldest
		m := &list[i]
		for _, k := range s.missTouches(m.check, m.place, m.Version) {
			if !asked[k] {
				asked[k] = true
				need = merge(need, s.seriesNeeds(k, m.At, coming{}, f))
			}
		}
	}
	return need
}

// A missed check is a due of it that no reading satisfied.
type missed struct {
	check, place string
	control.Matched
}

// missedNow lists what a sweep of some checks at places is to record, in the order of the dues.
func (d *deciding) missedNow(keys []string) []missed {
	var out []missed
	for _, k := range keys {
		check, place := splitKey(k)
		for _, m := range d.missedAt(check, place) {
			out = append(out, missed{check, place, m})
		}
	}
	slices.SortStableFunc(out, func(a, b missed) int { return a.At.Compare(b.At) })
	records := 0
	for i := range out {
		if records >= sweepLimit {
			return out[:i]
		}
		records += 1 + len(d.missTouches(out[i].check, out[i].place, out[i].Version))
	}
	return out
}

// missTouches lists the series in which a missed check opens a case: those of the critical points it serves,
// unless the plan gives a reason not to.
func (s *State) missTouches(check, place string, version int) []string {
	v := s.numbered(version)
	if v == nil {
		return nil
	}
	c := v.checks[check]
	if c == nil || c.MissIsNoDeviation != "" {
		return nil
	}
	var out []string
	for _, point := range c.Points {
		if pt := v.points[point]; pt != nil && hasCritical(pt) && slices.Contains(pt.Places, place) {
			out = append(out, key(point, place))
		}
	}
	return out
}

// missedAt lists the dues of a check at a place that have passed unsatisfied and are not yet recorded. A test
// that only a forecast wants is not missed: the scheduled one stands.
func (d *deciding) missedAt(check, place string) []control.Matched {
	var out []control.Matched
	for _, m := range d.matched(check, place, d.sweepFrom(check, place), d.now) {
		if m.Reading == "" && m.Row != control.RowForecast && m.Until.Before(d.now) && !d.missRecorded(check, place, m.Due) {
			out = append(out, m)
		}
	}
	return out
}

func (s *State) missRecorded(check, place string, due control.Due) bool {
	cs, ok := s.checks.get(key(check, place))
	return ok && slices.ContainsFunc(cs.Misses, func(m MissAt) bool { return m.Due.Equal(due.At) && m.Row == due.Row })
}

// matched returns the dues of a check at a place in [from, to) with the readings that satisfy them.
func (s *State) matched(check, place string, from, to time.Time) []control.Matched {
	return s.matchedDues(check, place, control.Dues(s.dueContext(check, place), from, to))
}

// matchedDues gives dues the readings that satisfy them. Between two moments where a window begins or ends
// all readings are alike to the dues, and each due takes one: so of such a stretch it looks at as many
// readings, the earliest, as there are dues whose windows hold it.
func (s *State) matchedDues(check, place string, dues []control.Due) []control.Matched {
	if len(dues) == 0 {
		return nil
	}
	var taken []control.Taken
	if cs, ok := s.checks.get(key(check, place)); ok {
		taken = takenFor(dues, cs.Taken)
	}
	return allMatched(dues, taken)
}

// takenFor gives the readings that may satisfy one of the dues, in order.
func takenFor(dues []control.Due, all chain[TakenAt]) []control.Taken {
	type edge struct {
		at   time.Time
		open int // windows that begin there, less those that ended before
	}
	edges := make([]edge, 0, 2*len(dues))
	for i := range dues {
		edges = append(edges, edge{dues[i].From, 1}, edge{dues[i].Until.Add(1), -1}) // a window holds its last nanosecond
	}
	slices.SortFunc(edges, func(a, b edge) int { return a.at.Compare(b.at) })
	var out []control.Taken
	open := 0
	for i := range edges[:len(edges)-1] {
		from, to := edges[i].at, edges[i+1].at
		open += edges[i].open
		left := open
		if left == 0 || !from.Before(to) {
			continue
		}
		for t := range all.since(func(t *TakenAt) bool { return t.At.Before(from) }) {
			if left == 0 || !t.At.Before(to) {
				break
			}
			out = append(out, control.Taken{ID: t.ID, At: t.At})
			left--
		}
	}
	return out
}

// allMatched returns every due in order, with the reading that satisfied it where there is one.
func allMatched(dues []control.Due, taken []control.Taken) []control.Matched {
	matched, _ := control.Match(dues, taken)
	out := make([]control.Matched, 0, len(dues))
	for _, d := range dues {
		if len(matched) > 0 && matched[0].Due == d {
			out = append(out, matched[0])
			matched = matched[1:]
		} else {
			out = append(out, control.Matched{Due: d})
		}
	}
	return out
}

// dueContext gathers what the dues of a check at a place follow from.
func (s *State) dueContext(check, place string) control.DueContext {
	var c control.DueContext
	line := ""
	for _, v := range s.memo.effective {
		row := control.Version{From: v.From, Number: v.Version, Zone: v.zone, LiveFrom: s.Planned, None: true}
		if v.Plan.LiveFrom.After(s.Planned) {
			row.LiveFrom = v.Plan.LiveFrom
		}
		pl := v.places[place]
		if ch := v.checks[check]; ch != nil && pl != nil && slices.Contains(ch.Places, place) {
			row.Schedule, row.Grace, row.Mixing, row.None = ch.Schedule, ch.Grace.Std(), pl.Mixing.Std(), false
			line, c.Bath = pl.Line, pl.Kind == plan.Bath
		}
		c.Versions = append(c.Versions, row)
	}
	if l, ok := s.lines.get(line); ok {
		for _, r := range runsOf(l.Acts) {
			c.Runs = append(c.Runs, control.Run{From: r.From, To: r.To, Product: slices.Contains(r.Product, place)})
		}
	}
	if p, ok := s.places.get(place); ok {
		c.Fillings = p.fillings()
		for _, g := range p.gaps() {
			c.Out = append(c.Out, control.Gap{From: g.From, To: g.To})
		}
		for _, a := range p.Ahead {
			if a.Check == check {
				c.Forecasts = append(c.Forecasts, control.Forecast{ID: a.ID, At: a.At, Due: a.Test})
			}
		}
		for i := range p.Log {
			if kind := happening[p.Log[i].Kind]; kind != "" {
				c.Happenings = append(c.Happenings, control.Happening{Kind: kind, ID: p.Log[i].ID, At: p.Log[i].At})
			}
		}
	}
	return c
}

var happening = map[string]string{KindFilled: "filled", KindAdded: "added", KindPartReplaced: "part-replaced"}

// recordMiss records one missed check, and opens a case at every critical point it serves unless the plan
// gives a reason not to (RULES 4.3).
func (d *deciding) recordMiss(m *missed) error {
	v := d.numbered(m.Version)
	due := m.At.UTC().Format(time.RFC3339)
	e := &Event{Kind: KindMissed, ID: uuid5("missed", d.Site.Site, m.check, m.place, m.Row, due), At: m.At, AtKnown: AtServer,
		About: []string{"check:" + key(m.check, m.place)},
		Body: &Missed{Check: m.check, Due: m.At, From: m.From, Place: m.place, PlanVersion: m.Version, Row: m.Row, Until: m.Until,
			NoDeviation: v.checks[m.check].MissIsNoDeviation}}
	touched := d.missTouches(m.check, m.place, m.Version)
	if err := d.emit(e); err != nil || len(touched) == 0 {
		return err
	}
	if err := d.settleNow(); err != nil { // the window now reaches back to before the due
		return err
	}
	for _, k := range touched {
		point, place := splitKey(k)
		begin := m.From
		if ser, ok := d.series.get(k); ok {
			if last, ok := ser.Window.LastInside(m.At); ok {
				begin = last.At
			}
		}
		err := d.openCase(&DeviationOpened{Begin: begin, Class: v.points[point].Class, Critical: true, Ground: GroundMiss, OpenedBy: e.ID,
			Place: place, PlanVersion: m.Version, Point: point, Filling: d.fillingID(place, m.At)}, m.At)
		if err != nil {
			return err
		}
	}
	return nil
}

func (s *State) fillingID(place string, at time.Time) string {
	if p, ok := s.places.get(place); ok {
		if f, in := fillingAt(p.fillings(), at); in {
			return f.ID
		}
	}
	return ""
}
