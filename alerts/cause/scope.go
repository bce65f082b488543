package cause

import (
	"slices"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/plan"
)

// Scope says which causes are looked at. The cases are always among them.
type Scope struct {
	All    bool
	Minute bool        // cases past their time, and what the service knows of itself
	Lots   bool        // lots: their clocks, and those that had been released
	Points map[At]bool // control points at places
	Checks map[At]bool // checks at places, with the points they serve
	Places map[string]bool
	Lines  map[string]bool

	later   time.Time       // what was recorded is to happen by then
	devices map[string]bool // whose silence is decided; filled by looking
}

// At is a control point or check at a place.
type At struct{ ID, Place string }

func atOf(k string) At {
	id, place, _ := strings.Cut(k, "@")
	return At{id, place}
}

func (a At) key() string { return a.ID + "@" + a.Place }

// Touch puts what an event may have changed into the scope; false where it can be no cause and end none.
func (c *Scope) Touch(e *haccp.Event) bool {
	switch b := e.Body.(type) {
	case *haccp.Reading:
		for i := range b.Verdicts {
			put(&c.Points, At{b.Verdicts[i].Point, b.Place})
		}
		put(&c.Checks, At{b.Check, b.Place})
		return true
	case *haccp.Missed:
		put(&c.Checks, At{b.Check, b.Place})
		return true
	case *haccp.DeviationOpened, *haccp.DeviationReopened, *haccp.DeviationSigned, *haccp.FixDone: // what a case touches may have changed
		c.Lots = true
		return true
	case *haccp.DeviceBody:
		put(&c.devices, b.Device)
		return true
	}
	if touchesTool(e) {
		c.Minute = true
	}
	t := haccp.TouchedBy(e)
	if e.At.After(e.RecordedAt) && e.At.After(c.later) {
		c.later = e.At
	}
	c.All, c.Lots = c.All || t.All, c.Lots || t.Lots || t.All
	for _, k := range t.Checks {
		put(&c.Checks, atOf(k))
	}
	for _, p := range t.Places {
		put(&c.Places, p)
	}
	for _, l := range t.Lines {
		put(&c.Lines, l)
	}
	if len(t.Checks)+len(t.Places)+len(t.Lines) > 0 { // a stay at a bath, or how long a case lasted
		c.Lots = true
	}
	return t.All || c.Minute || c.Lots && (t.Lots || len(t.Checks)+len(t.Places)+len(t.Lines) > 0)
}

func put[K comparable](m *map[K]bool, k K) {
	if *m == nil {
		*m = map[K]bool{}
	}
	(*m)[k] = true
}

// Merge adds another scope.
func (c *Scope) Merge(o Scope) {
	c.All, c.Minute, c.Lots = c.All || o.All, c.Minute || o.Minute, c.Lots || o.Lots
	if o.later.After(c.later) {
		c.later = o.later
	}
	for a := range o.Points {
		put(&c.Points, a)
	}
	for a := range o.Checks {
		put(&c.Checks, a)
	}
	for p := range o.Places {
		put(&c.Places, p)
	}
	for l := range o.Lines {
		put(&c.Lines, l)
	}
	for d := range o.devices {
		put(&c.devices, d)
	}
}

// Size is how many points and checks at places the scope names.
func (c *Scope) Size() int { return len(c.Points) + len(c.Checks) }

// resolve names the points and checks that lines, places, or everything stand for, by a plan, and the points that the
// checks serve.
func (c *Scope) resolve(s *haccp.State, p *plan.Plan) {
	if len(c.Lines) > 0 {
		for i := range p.Places {
			if c.Lines[p.Places[i].Line] {
				put(&c.Places, p.Places[i].ID)
			}
		}
	}
	if c.All || len(c.Places) > 0 {
		for i := range p.Checks {
			for _, place := range p.Checks[i].Places {
				if c.All || c.Places[place] {
					put(&c.Checks, At{p.Checks[i].ID, place})
				}
			}
		}
		for i := range p.Points {
			for _, place := range p.Points[i].Places {
				if c.All || c.Places[place] {
					put(&c.Points, At{p.Points[i].ID, place})
				}
			}
		}
	}
	for a := range c.Checks {
		for _, k := range s.PointsFed(a.key()) {
			put(&c.Points, atOf(k))
		}
	}
}

// caseOf are the causes that stand with a case, which every look looks at; lotOf with a lot; minuteOf with the clock
// of every minute.
var (
	caseOf   = []string{alarm.Outside, alarm.WithoutProof, alarm.Result}
	lotOf    = []string{alarm.LotClock, alarm.LotReleased}
	minuteOf = []string{alarm.Overdue, alarm.TimetableLate, alarm.ClockBack, alarm.Tamper, alarm.Instrument, alarm.Backup}
)

// Holds reports whether the scope decides about an alert: whether it may be cleared when its cause is not found.
func (c *Scope) Holds(a *alarm.Alert) bool {
	switch {
	case c.All || slices.Contains(caseOf, a.Cause):
		return true
	case slices.Contains(lotOf, a.Cause):
		return c.Lots
	case slices.Contains(minuteOf, a.Cause):
		return c.Minute
	case a.Cause == alarm.DeviceSilent:
		return c.devices[a.Device]
	case a.Cause == alarm.Act:
		return c.Points[At{a.Point, a.Place}]
	}
	return c.Checks[At{a.Check, a.Place}]
}
