// Package cause says what raises an alert: a pure function of what the record log says, of the time, and of
// what the service knows about itself. It reads no clock, records nothing and sends nothing.
//
// A cause has a key. It stands as long as the facts give it: a reading inside, a check made or a line stopped
// ends it, an acknowledgement does not. Nothing is a cause before the plan's live_from or because of an import.
package cause

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// Service is what the service knows about itself.
type Service struct {
	NotSweptSince time.Time // the timetable has not run since; zero: it runs
	ClockBack     time.Time // what was recorded lies ahead of the clock, up to this moment; zero: it does not
	Tampered      string    // what the record log was found to be; empty: nothing
}

// Scope says which causes are looked at. The cases are always among them.
type Scope struct {
	All    bool
	Points map[At]bool // control points at places
	Checks map[At]bool // checks at places
}

// At is a control point or check at a place.
type At struct{ ID, Place string }

// Touch puts what an event may have changed into the scope; false where it can be no cause and end none.
func (c *Scope) Touch(e *haccp.Event) bool {
	switch b := e.Body.(type) {
	case *haccp.Reading:
		for i := range b.Verdicts {
			c.point(At{b.Verdicts[i].Point, b.Place})
		}
		c.check(At{b.Check, b.Place})
	case *haccp.Missed:
		c.check(At{b.Check, b.Place})
	case *haccp.DeviationOpened, *haccp.DeviationReopened, *haccp.DeviationSigned:
	case *haccp.Note, *haccp.Reviewed:
		return false
	default: // a filling, a stop, an amendment, a plan: anything may have changed
		if strings.HasPrefix(e.Kind, "alert.") || strings.HasPrefix(e.Kind, "person.") {
			return false
		}
		c.All = true
	}
	return true
}

func (c *Scope) point(a At) {
	if c.Points == nil {
		c.Points = map[At]bool{}
	}
	c.Points[a] = true
}

func (c *Scope) check(a At) {
	if c.Checks == nil {
		c.Checks = map[At]bool{}
	}
	c.Checks[a] = true
}

// Merge adds another scope.
func (c *Scope) Merge(o Scope) {
	c.All = c.All || o.All
	for a := range o.Points {
		c.point(a)
	}
	for a := range o.Checks {
		c.check(a)
	}
}

// Holds reports whether the scope decides about an alert: whether it may be cleared when its cause is not found.
func (c *Scope) Holds(a *alarm.Alert) bool {
	switch a.Cause {
	case alarm.Outside, alarm.WithoutProof:
		return true
	case alarm.Act:
		return c.All || c.Points[At{a.Point, a.Place}]
	case alarm.Missed, alarm.Late, alarm.Forecast:
		return c.All || c.Checks[At{a.Check, a.Place}]
	}
	return c.All
}

// looking gathers causes.
type looking struct {
	s     *haccp.State
	now   time.Time
	live  time.Time
	plan  int
	lines map[string]string // line by place
	out   []alarm.Raised
}

// Standing gives the causes that stand now, in the order of their keys. Ids and roles are left empty.
func Standing(s *haccp.State, now time.Time, service Service, scope Scope) []alarm.Raised {
	l := &looking{s: s, now: now, lines: map[string]string{}}
	l.service(service, scope)
	live, ok := s.LiveFrom(now)
	if !ok || now.Before(live) {
		return l.sorted()
	}
	l.live = live
	p, _ := s.PlanAt(now)
	l.plan = p.Version
	for i := range p.Plan.Places {
		l.lines[p.Plan.Places[i].ID] = p.Plan.Places[i].Line
	}
	l.cases()
	if scope.All {
		l.overdue()
		l.everywhere(p.Plan.Points)
		for _, item := range s.DueList(now) {
			l.due(&item)
		}
		return l.sorted()
	}
	for a := range scope.Points {
		if ps, ok := s.PointAt(a.ID, a.Place, now); ok {
			l.act(&ps)
		}
	}
	for a := range scope.Checks {
		if item, ok := s.DueAt(a.ID, a.Place, now); ok {
			l.due(&item)
		}
	}
	return l.sorted()
}

func (l *looking) sorted() []alarm.Raised {
	slices.SortFunc(l.out, func(a, b alarm.Raised) int { return cmp.Compare(a.Key, b.Key) })
	return l.out
}

// add puts a cause with its group: what is told together is what one fault brings about, one cause on one line.
func (l *looking) add(r alarm.Raised) {
	r.Since = r.Since.UTC().Truncate(time.Millisecond)
	if r.Line == "" {
		r.Line = l.lines[r.Place]
	}
	r.Group = r.Cause + "/" + cmp.Or(r.Line, r.Place, "site")
	if r.PlanVersion == 0 {
		r.PlanVersion = l.plan
	}
	l.out = append(l.out, r)
}

func (l *looking) service(v Service, scope Scope) {
	if !scope.All {
		return
	}
	if v.Tampered != "" {
		l.add(alarm.Raised{Cause: alarm.Tamper, Key: alarm.Tamper, Severity: alarm.Critical, Since: l.now, Data: map[string]string{"what": v.Tampered}})
	}
	if !v.NotSweptSince.IsZero() {
		l.add(alarm.Raised{Cause: alarm.TimetableLate, Key: alarm.TimetableLate, Severity: alarm.Critical, Since: v.NotSweptSince})
	}
	if !v.ClockBack.IsZero() {
		l.add(alarm.Raised{Cause: alarm.ClockBack, Key: alarm.ClockBack, Severity: alarm.Critical, Since: l.now})
	}
}

// cases looks at what stands outside, and at lines that were started without proof.
func (l *looking) cases() {
	for _, d := range l.s.Cases() {
		if d.Imported || d.At.Before(l.live) || d.Now.Begin.IsZero() || !d.Now.End.IsZero() {
			continue
		}
		r := alarm.Raised{Deviation: d.Deviation, Point: d.Point, Place: d.Place, PlanVersion: d.PlanVersion, Since: d.At,
			Severity: alarm.Warning, Data: map[string]string{"number": strconv.FormatInt(d.Number, 10)}}
		if d.Critical {
			r.Severity = alarm.Critical
		}
		switch d.Ground {
		case haccp.GroundExcursion:
			r.Cause, r.Mark = alarm.Outside, d.Reach.UTC().Format(time.RFC3339Nano)
			if d.Worst != nil {
				r.Data["value"] = d.Worst.Value
			}
		case haccp.GroundWithoutProof:
			r.Cause = alarm.WithoutProof
			if !l.s.InUse(d.Place, l.now) {
				continue
			}
		default: // a missed check stands with its check
			continue
		}
		r.Key = r.Cause + ":" + d.Deviation
		l.add(r)
	}
}

func (l *looking) overdue() {
	for _, d := range l.s.Overdue(l.now) {
		if d.Imported || d.At.Before(l.live) {
			continue
		}
		l.add(alarm.Raised{Cause: alarm.Overdue, Key: alarm.Overdue + ":" + d.Deviation, Severity: alarm.Warning, Deviation: d.Deviation, Point: d.Point,
			Place: d.Place, PlanVersion: d.PlanVersion, Since: d.Found, Data: map[string]string{"number": strconv.FormatInt(d.Number, 10)}})
	}
}

// act looks at a point whose newest reading is outside an operating limit alone.
func (l *looking) act(ps *haccp.PointState) {
	if ps.State != control.StateAct || ps.Last == nil || ps.Last.At.Before(l.live) {
		return
	}
	r := alarm.Raised{Cause: alarm.Act, Key: alarm.Act + ":" + ps.Point + "@" + ps.Place, Severity: alarm.Warning, Point: ps.Point, Place: ps.Place,
		Since: ps.Last.At, Mark: ps.Last.ID}
	for i := range ps.Last.Verdicts {
		if v := &ps.Last.Verdicts[i]; v.Verdict == control.Act {
			r.Data = map[string]string{"limit": v.Limit, "value": v.Value}
		}
	}
	l.add(r)
}

// due looks at a check that is late or was missed, or that a forecast wants sooner than the schedule.
func (l *looking) due(item *haccp.DueItem) {
	forecast := item.Row == control.RowForecast && item.State != haccp.DueMissed && item.State != haccp.DueLate
	if !forecast && item.State != haccp.DueLate && item.State != haccp.DueMissed || item.Due.Before(l.live) || !l.s.InUse(item.Place, l.now) {
		return
	}
	r := alarm.Raised{Check: item.Check, Place: item.Place, Line: item.Line, PlanVersion: item.Version, Since: item.Due,
		Data: map[string]string{"due": item.Due.UTC().Format(time.RFC3339)}}
	switch {
	case forecast:
		r.Cause, r.Severity, r.Since = alarm.Forecast, alarm.Warning, l.now
		r.Key, r.Mark = alarm.Forecast+":"+item.Check+"@"+item.Place, r.Data["due"]
	case item.State == haccp.DueLate:
		r.Cause, r.Severity = alarm.Late, alarm.Notice
		r.Key = alarm.Late + ":" + item.Check + "@" + item.Place
	default:
		r.Cause, r.Severity = alarm.Missed, alarm.Warning
		r.Key, r.Mark = alarm.Missed+":"+item.Check+"@"+item.Place, r.Data["due"]
		if item.Critical {
			r.Severity = alarm.Critical
		}
	}
	l.add(r)
}

// everywhere looks at every point: where one stands in the act band, and where a device that measured it has
// fallen silent.
func (l *looking) everywhere(points []plan.Point) {
	type quiet struct {
		since  time.Time
		places []string
		point  string
	}
	silent := map[string]*quiet{}
	for i := range points {
		for _, place := range points[i].Places {
			ps, ok := l.s.PointAt(points[i].ID, place, l.now)
			if !ok {
				continue
			}
			l.act(&ps)
			if ps.State != control.StateNotKnown || ps.Last == nil || ps.Frequency == 0 || ps.Age <= ps.Frequency || ps.Last.At.Before(l.live) {
				continue
			}
			d, ok := l.s.Device(ps.Last.By)
			if !ok || !d.Revoked.IsZero() {
				continue
			}
			q := silent[d.ID]
			if q == nil {
				q = &quiet{since: ps.Last.At, point: ps.Point}
				silent[d.ID] = q
			}
			if ps.Last.At.After(q.since) {
				q.since = ps.Last.At
			}
			if !slices.Contains(q.places, place) {
				q.places = append(q.places, place)
			}
		}
	}
	for id, q := range silent {
		l.add(alarm.Raised{Cause: alarm.DeviceSilent, Key: alarm.DeviceSilent + ":" + id, Severity: alarm.Warning, Device: id, Point: q.point,
			Place: q.places[0], Since: q.since, Data: map[string]string{"places": strings.Join(q.places, " ")}})
	}
}
