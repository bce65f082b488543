package haccp

import (
	"cmp"
	"slices"
	"time"

	"linewarden/haccp/chemistry"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// The states of a due check.
const (
	DueUpcoming = "upcoming" // its window is not open yet
	DueNow      = "due"      // its window is open
	DueLate     = "late"     // past the due time, inside the grace
	DueMissed   = "missed"   // past the grace
)

// DueItem is a check at a place as it stands: the oldest due not yet satisfied, or the next one.
type DueItem struct {
	Check     string    `json:"check"`
	CheckName string    `json:"check_name"`
	Place     string    `json:"place"`
	PlaceName string    `json:"place_name"`
	Line      string    `json:"line,omitempty"`
	Row       string    `json:"row"`
	Due       time.Time `json:"due"`
	From      time.Time `json:"from"`
	Until     time.Time `json:"until"`
	State     string    `json:"state"`
	Critical  bool      `json:"critical"`
	Version   int       `json:"plan_version"`
	// Missed is the newest due that was missed and not made up for since: the next may be open already.
	Missed time.Time `json:"missed,omitzero"`
}

// dueBack is how far back the due list looks for a due that is still open.
const dueBack = 2 * 24 * time.Hour

// DueList returns what is due, late, or comes next at each check and place, the most urgent first.
// Checks without anything due within 40 days are left out. A miss stays in the list until the check's
// next reading.
func (s *State) DueList(now time.Time) []DueItem {
	var out []DueItem
	v := s.versionAt(now)
	if v == nil {
		return nil
	}
	for _, k := range s.memo.checkPlaces {
		id, place := splitKey(k)
		c := v.checks[id]
		if c == nil || !slices.Contains(c.Places, place) {
			continue
		}
		out = append(out, s.dueItems(v, c, place, now)...)
	}
	slices.SortStableFunc(out, func(a, b DueItem) int {
		return cmp.Or(cmp.Compare(urgency[a.State], urgency[b.State]), a.Until.Compare(b.Until), cmp.Compare(a.Check, b.Check), cmp.Compare(a.Place, b.Place))
	})
	return out
}

var urgency = map[string]int{DueMissed: 0, DueLate: 1, DueNow: 2, DueUpcoming: 3}

func (s *State) dueItems(v *version, c *plan.Check, place string, now time.Time) []DueItem {
	item := DueItem{Check: c.ID, CheckName: c.Name, Place: place, PlaceName: place, Critical: s.critical(v, c, place), Version: v.Version}
	if pl := v.places[place]; pl != nil {
		item.PlaceName, item.Line = pl.Name, pl.Line
	}
	var open *control.Matched
	made := s.lastTaken(c.ID, place)
	item.Missed = s.missedLongAgo(c.ID, place, made, now.Add(-dueBack))
	for _, m := range s.matched(c.ID, place, now.Add(-dueBack), now.Add(c.Schedule.Every.Std()+1)) {
		if m.Reading != "" {
			open = nil
			continue
		}
		if m.Row != control.RowForecast && m.Until.Before(now) && !made.After(m.At) {
			item.Missed = m.At
		}
		if m.Until.Before(now) || !m.From.After(now) {
			m := m
			if open == nil || open.Until.Before(now) {
				open = &m
			}
		}
	}
	if open != nil {
		return []DueItem{item.with(open.Due, now)}
	}
	if next, ok := control.Next(s.dueContext(c.ID, place), now); ok {
		return []DueItem{item.with(s.unsatisfied(c.ID, place, next, now), now)}
	}
	return nil
}

// lastTaken is when a check was last carried out at a place; zero: never within the horizon.
func (s *State) lastTaken(check, place string) time.Time {
	if cs, ok := s.checks.get(key(check, place)); ok {
		for t := range cs.Taken.backward() {
			return t.At
		}
	}
	return time.Time{}
}

// missedLongAgo is the newest recorded miss from before a moment that nothing made up for since; zero: none.
func (s *State) missedLongAgo(check, place string, made, before time.Time) time.Time {
	if cs, ok := s.checks.get(key(check, place)); ok {
		for _, m := range slices.Backward(cs.Misses) {
			if m.Due.Before(before) {
				if made.After(m.Due) {
					break
				}
				return m.Due
			}
		}
	}
	return time.Time{}
}

// unsatisfied skips the next due where a reading taken in its window satisfied it already.
func (s *State) unsatisfied(check, place string, next control.Due, now time.Time) control.Due {
	for _, m := range s.matched(check, place, now.Add(-dueBack), next.At.Add(1)) {
		if m.At.Equal(next.At) && m.Row == next.Row && m.Reading != "" {
			if after, ok := control.Next(s.dueContext(check, place), next.At); ok {
				return after
			}
		}
	}
	return next
}

func (i DueItem) with(d control.Due, now time.Time) DueItem {
	i.Row, i.Due, i.From, i.Until, i.Version = d.Row, d.At, d.From, d.Until, d.Version
	switch {
	case d.Row == control.RowForecast && now.After(d.At):
		i.State = DueLate // never missed: the scheduled test stands
	case d.Row == control.RowForecast && now.Before(d.At.Add(-d.At.Sub(d.From)/2)):
		i.State = DueUpcoming
	case now.After(d.Until):
		i.State = DueMissed
	case now.After(d.At) && d.Row != control.RowEvent:
		i.State = DueLate
	case !now.Before(d.From):
		i.State = DueNow
	default:
		i.State = DueUpcoming
	}
	return i
}

func (s *State) critical(v *version, c *plan.Check, place string) bool {
	return slices.ContainsFunc(c.Points, func(id string) bool {
		p := v.points[id]
		return p != nil && hasCritical(p) && slices.Contains(p.Places, place)
	})
}

// PointState is a control point at a place as it stands; a value always stands with its age.
type PointState struct {
	Point     string        `json:"point"`
	PointName string        `json:"point_name"`
	Place     string        `json:"place"`
	PlaceName string        `json:"place_name"`
	Class     plan.Class    `json:"class"`
	State     string        `json:"state"`
	Last      *LastReading  `json:"last,omitempty"`
	Age       time.Duration `json:"age"`
	Frequency time.Duration `json:"frequency"`
}

// PointStates returns the five-state view of every control point at each of its places, in plan order.
func (s *State) PointStates(now time.Time) []PointState {
	v := s.versionAt(now)
	if v == nil {
		return nil
	}
	var out []PointState
	for i := range v.Plan.Points {
		pt := &v.Plan.Points[i]
		if pt.Clock != nil { // it stands for lots, not for a place
			continue
		}
		for _, place := range pt.Places {
			out = append(out, s.pointState(v, pt, place, now))
		}
	}
	return out
}

func (s *State) pointState(v *version, pt *plan.Point, place string, now time.Time) PointState {
	ps := PointState{Point: pt.ID, PointName: pt.Name, Place: place, PlaceName: place, Class: pt.Class, Frequency: s.frequency(v, pt.ID, place, now)}
	if pl := v.places[place]; pl != nil {
		ps.PlaceName = pl.Name
	}
	var last []control.Verdict
	if ps.Last = s.standing(pt.ID, place, now); ps.Last != nil {
		ps.Age, last = now.Sub(ps.Last.At), ps.Last.Verdicts
	}
	ps.State = control.StateOf(last, ps.Age, ps.Frequency, s.placeInUse(v, place, now))
	return ps
}

// placeInUse reports whether a place is in service, filled where it is a bath, and its line running or
// holding product. A place of no line is in use while in service.
func (s *State) placeInUse(v *version, place string, now time.Time) bool {
	if !s.inUse(v, place, now) {
		return false
	}
	pl := v.places[place]
	if pl == nil || pl.Line == "" {
		return true
	}
	l, ok := s.lines.get(pl.Line)
	if !ok {
		return false
	}
	runs := runsOf(l.Acts)
	if len(runs) == 0 {
		return false
	}
	last := runs[len(runs)-1]
	return last.To.IsZero() || now.Before(last.To) || slices.Contains(last.Product, place)
}

// frequency is the shortest interval, grace included, in which the checks of a point at a place come; for a
// check on the wall clock the one around now. 0 where none has an interval.
func (s *State) frequency(v *version, point, place string, now time.Time) time.Duration {
	var out time.Duration
	for _, k := range s.memo.checksOf[key(point, place)] { // of any version
		id, _ := splitKey(k)
		c := v.checks[id]
		if c == nil || !slices.Contains(c.Points, point) || !slices.Contains(c.Places, place) || c.Schedule.Every.IsZero() && c.Schedule.Cron == nil {
			continue
		}
		f := c.Schedule.Every.Std() + c.Grace.Std()
		if c.Schedule.Cron != nil {
			f = s.cronSpan(c, place, now)
		}
		if f > 0 && (out == 0 || f < out) {
			out = f
		}
	}
	return out
}

// cronSpan is how long a reading of a check on the wall clock holds at most: from the due before now to the
// end of the window of the next, since a window opens half way from the due before. 0 where none comes.
func (s *State) cronSpan(c *plan.Check, place string, now time.Time) time.Duration {
	x := s.dueContext(c.ID, place)
	for _, ahead := range []time.Duration{26 * time.Hour, 8 * 24 * time.Hour, control.MaxDueSpan / 2} {
		for _, d := range control.Dues(x, now.Add(-c.Grace.Std()), now.Add(ahead)) {
			if d.Row == control.RowCron && !d.Until.Before(now) {
				return 2*d.At.Sub(d.From) + d.Until.Sub(d.At)
			}
		}
	}
	return 0
}

// Cases returns the cases the state holds that are not closed, in the order of their numbers.
func (s *State) Cases() []*Deviation {
	return s.cases(func(d *Deviation) bool { return !d.IsClosed })
}

// HeldCases returns every case the state holds: open ones, and closed ones of the horizon.
func (s *State) HeldCases() []*Deviation {
	return s.cases(func(*Deviation) bool { return true })
}

func (s *State) cases(want func(*Deviation) bool) []*Deviation {
	var out []*Deviation
	for _, d := range s.deviations.all() {
		if want(d) {
			out = append(out, d)
		}
	}
	slices.SortFunc(out, func(a, b *Deviation) int { return cmp.Compare(a.Number, b.Number) })
	return out
}

// Case returns a case by id, if the state holds it.
func (s *State) Case(id string) (*Deviation, bool) { return s.deviations.get(id) }

// Overdue returns the open cases past the plan's time, and those whose effectiveness check is past due.
func (s *State) Overdue(now time.Time) []*Deviation {
	return s.cases(func(d *Deviation) bool {
		if !d.EffectDue.IsZero() && now.After(d.EffectDue) {
			return true
		}
		v := s.numbered(d.PlanVersion)
		if d.IsClosed || v == nil {
			return false
		}
		r := v.classes[d.Class]
		return r != nil && !r.OverdueAfter.IsZero() && now.Sub(d.Found) > r.OverdueAfter.Std()
	})
}

// TakenInTime returns the id of the reading that proves a missed check was taken in time, received late.
func (s *State) TakenInTime(d *Deviation) (string, bool) {
	t, ok := s.takenInTime(d)
	return t.ID, ok && d.Ground == GroundMiss
}

// FillingView is the filling in a bath and what it has been through.
type FillingView struct {
	ID          string    `json:"id"`
	From        time.Time `json:"from"`
	To          time.Time `json:"to,omitzero"`
	Additions   int       `json:"additions"`
	ChangeWater []string  `json:"change_water,omitempty"` // why the water is due to be changed
}

// FillingAt returns the filling in a bath at a moment.
func (s *State) FillingAt(place string, at time.Time) (FillingView, bool) {
	p, ok := s.places.get(place)
	if !ok {
		return FillingView{}, false
	}
	f, in := fillingAt(p.fillings(), at)
	if !in {
		return FillingView{}, false
	}
	view := FillingView{ID: f.ID, From: f.From, To: f.To}
	for i := range p.Log {
		if a := &p.Log[i]; a.Kind == KindAdded && !a.At.Before(f.From) && !a.At.After(at) {
			view.Additions++
		}
	}
	if len(p.water) > 0 && p.water[0].ID == f.ID {
		view.Additions += p.Earlier
	}
	view.ChangeWater = s.waterEnds(place, &view, at)
	return view, true
}

func (s *State) waterEnds(place string, f *FillingView, at time.Time) []string {
	v := s.versionAt(at)
	if v == nil || v.places[place] == nil {
		return nil
	}
	end := v.places[place].FillingEnd
	var out []string
	if !end.After.IsZero() && at.Sub(f.From) > end.After.Std() {
		out = append(out, "in use longer than "+end.After.String())
	}
	if end.Additions > 0 && f.Additions >= end.Additions {
		out = append(out, "number of additions reached")
	}
	return append(out, s.overIn(place, f.ID, at)...)
}

// BathLog returns what was done to the water of a bath, inside the horizon, oldest first.
func (s *State) BathLog(place string) []BathAct {
	if p, ok := s.places.get(place); ok {
		return p.Log
	}
	return nil
}

// LineRuns returns the runs of a line inside the horizon, oldest first.
func (s *State) LineRuns(line string) []Run {
	if l, ok := s.lines.get(line); ok {
		return runsOf(l.Acts)
	}
	return nil
}

// Running reports whether a line runs at a moment.
func (s *State) Running(line string, at time.Time) bool {
	return (&deciding{State: s}).runsAt(line, at)
}

// Misses returns the misses of a check at a place that the state holds.
func (s *State) Misses(check, place string) []MissAt {
	if cs, ok := s.checks.get(key(check, place)); ok {
		return cs.Misses
	}
	return nil
}

// Advice is the answer to a report: what it says and what to do about it, until when.
type Advice struct {
	Worst        string              `json:"worst,omitempty"`
	Verdicts     []control.Verdict   `json:"verdicts,omitempty"`
	PlanVersion  int                 `json:"plan_version,omitempty"`
	Instructions []string            `json:"instructions,omitempty"`
	Fixes        []plan.Fix          `json:"fixes,omitempty"`
	RetestBy     time.Time           `json:"retest_by,omitzero"`
	NextDue      time.Time           `json:"next_due,omitzero"`
	AskAgain     []string            `json:"ask_again,omitempty"` // quantities outside the plausible range
	LowPH        bool                `json:"low_ph,omitempty"`    // below the plan's pH floor: the caution of chlorine gas
	Forecast     *chemistry.Forecast `json:"forecast,omitempty"`
	Opened       []*DeviationOpened  `json:"opened,omitempty"`
}

// Advise gives the answer to the records of one command.
func (s *State) Advise(events []*Event, now time.Time) Advice {
	var a Advice
	for _, e := range events {
		switch b := e.Body.(type) {
		case *Reading:
			s.adviseReading(&a, e, b, now)
		case *Bath:
			s.adviseBath(&a, e, b, now)
		case *DeviationOpened:
			a.Opened = append(a.Opened, b)
		}
	}
	return a
}

func (s *State) adviseReading(a *Advice, e *Event, r *Reading, now time.Time) {
	a.Worst, a.Verdicts, a.PlanVersion = control.Worst(r.Verdicts), r.Verdicts, r.PlanVersion
	for _, f := range e.Findings {
		a.LowPH = a.LowPH || f.Code == FindingBelowFloor
		if f.Code == FindingImplausible {
			a.AskAgain = append(a.AskAgain, f.Data["quantity"])
		}
	}
	a.NextDue, a.Forecast = s.nextDue(r.Check, r.Place, now), r.Forecast
	v := s.numbered(r.PlanVersion)
	if v == nil {
		return
	}
	for _, point := range pointsOf(r.Verdicts) {
		worst := control.Worst(verdictsOf(r.Verdicts, point))
		pt := v.points[point]
		if pt == nil || (worst != control.Outside && worst != control.Act) {
			continue
		}
		if pt.Instructions != "" {
			a.Instructions = append(a.Instructions, pt.Instructions)
		}
		for i := range v.Plan.Fixes {
			if f := v.Plan.Fixes[i]; slices.Contains(pt.Fixes, f.ID) && !slices.Contains(a.Fixes, f) {
				a.Fixes = append(a.Fixes, f)
			}
		}
		if pl := v.places[r.Place]; pl != nil && a.RetestBy.IsZero() {
			a.RetestBy = e.RecordedAt.Add(max(pl.Mixing.Std(), defaultRetest))
		}
	}
}

// defaultRetest is how soon a test is wanted again after a reading outside, where the plan names no mixing
// time (common practice, no source).
const defaultRetest = 10 * time.Minute

func (s *State) adviseBath(a *Advice, e *Event, b *Bath, now time.Time) {
	if happening[e.Kind] == "" {
		return
	}
	for _, k := range s.memo.checkPlaces {
		check, place := splitKey(k)
		if place != b.Place {
			continue
		}
		if due := s.nextDue(check, place, now); !due.IsZero() && (a.NextDue.IsZero() || due.Before(a.NextDue)) {
			a.NextDue = due
		}
	}
	if v := s.versionAt(e.At); v != nil {
		for _, c := range v.Plan.Chemicals {
			if c.ID == b.Chemical && c.Cautions != "" {
				a.Instructions = append(a.Instructions, c.Cautions)
			}
		}
	}
}

// ProductionDay returns the production day that a moment belongs to: its date and its ends, by the plan's
// start of day in the site's time zone.
func (s *State) ProductionDay(at time.Time) (day plan.Date, from, to time.Time) {
	zone, starts := s.Zone(), 0
	if v := s.versionAt(at); v != nil {
		zone, starts = v.zone, v.Plan.ProductionDay.Minutes()
	}
	local := at.In(zone)
	for _, back := range []int{0, 1} {
		date := time.Date(local.Year(), local.Month(), local.Day()-back, 0, 0, 0, 0, time.UTC)
		from = control.Instant(date.Add(time.Duration(starts)*time.Minute), zone)
		if !from.After(at) {
			next := date.AddDate(0, 0, 1)
			return plan.Date(date.Format(time.DateOnly)), from, control.Instant(next.Add(time.Duration(starts)*time.Minute), zone)
		}
	}
	return plan.Date(local.Format(time.DateOnly)), from, from.Add(24 * time.Hour)
}
