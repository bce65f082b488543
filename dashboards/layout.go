package dashboards

import (
	"strconv"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// layout is what follows from a plan: the series of its points and checks, and the samples that stand while it does.
type layout struct {
	plan   *plan.Plan
	fixed  []series
	points []*pointRow
	checks []*checkRow
	tests  []*testRow
	clocks []*clockRow
	// contact lists the points with a limit on the contact time of a reading.
	contact map[string]bool
}

func (c *Collector) lay(p *plan.Plan) *layout {
	l := &layout{plan: p, contact: map[string]bool{}}
	fix := func(name string, value float64, values ...string) {
		x := c.series(name, values...)
		*x.value = value
		l.fixed = append(l.fixed, x)
	}
	lines := map[string]string{}
	for _, x := range p.Lines {
		fix("line_info", 1, x.ID, x.Name)
	}
	for _, x := range p.Places {
		lines[x.ID] = x.Line
		fix("place_info", 1, string(x.Kind), x.Line, x.Name, x.ID)
	}
	critical := map[string]bool{}
	for i := range p.Points {
		pt := &p.Points[i]
		fix("point_info", 1, string(pt.Class), pt.Name, pt.ID)
		if pt.Clock != nil {
			l.clocks = append(l.clocks, c.layClock(pt, lines, fix))
			continue
		}
		for _, place := range pt.Places {
			l.points = append(l.points, c.layPoint(pt, place, lines[place], fix))
			critical[pt.ID+"@"+place] = pt.Class == plan.CCP
		}
		for j := range pt.Limits {
			l.contact[pt.ID] = l.contact[pt.ID] || pt.Limits[j].Quantity == string(quantity.ContactTime)
		}
	}
	for i := range p.Checks {
		fix("check_info", 1, p.Checks[i].ID, p.Checks[i].Name)
		c.layCheck(l, &p.Checks[i], lines, critical)
	}
	return l
}

func (c *Collector) layCheck(l *layout, x *plan.Check, lines map[string]string, critical map[string]bool) {
	totals := map[string]*testRow{}
	for _, place := range x.Places {
		hard := false
		for _, pt := range x.Points {
			hard = hard || critical[pt+"@"+place]
		}
		line := lines[place]
		if totals[line] == nil {
			totals[line] = &testRow{this: c.layTests(x.ID, line, ThisShift), last: c.layTests(x.ID, line, LastShift)}
			l.tests = append(l.tests, totals[line])
		}
		l.checks = append(l.checks, &checkRow{check: x.ID, place: place, total: totals[line],
			state: c.series("check_state", x.ID, strconv.FormatBool(hard), line, place),
			due:   c.series("check_due_timestamp_seconds", x.ID, strconv.FormatBool(hard), line, place)})
	}
}

// pace says how old what was worked out may be where nothing was recorded since and no moment was passed that changes
// it: it is worked out again after a time, for a share of the rows at each scrape, and at once after three times that.
type pace struct {
	again time.Duration
	share int // one row in so many
}

var (
	// What is proved of a point grows while nothing happens.
	pointPace = pace{again: time.Minute, share: 4}
	// A check stands as it did until its next moment comes.
	checkPace = pace{again: 5 * time.Minute, share: 20}
)

// settledAfter is longer than the grace of any check that comes several times a shift.
const settledAfter = 2 * time.Hour

// age says since when and until when what was worked out of a row holds.
type age struct {
	trace   haccp.Trace
	shift   time.Time // end of the newest shift that has ended
	facts   bool      // the newest time it was worked out, something was recorded or a shift had ended
	at, end time.Time // end: zero is without bound
}

// over reports whether it is to be worked out again, and notes that it is.
func (a *age) over(trace haccp.Trace, shift, now time.Time, left *budget) bool {
	old, facts := now.Sub(a.at), a.at.IsZero() || trace != a.trace || !shift.Equal(a.shift)
	switch {
	case facts || old < 0 || old >= 3*left.again:
	case !a.end.IsZero() && !now.Before(a.end):
	case old >= left.again && left.rows > 0:
		left.rows--
	default:
		return false
	}
	*a = age{trace: trace, shift: shift, at: now, facts: facts}
	return true
}

// settled reports whether what was worked out of a shift that ended still holds: nothing was recorded since, and no
// due of it can still be missed.
func (a *age) settled(now time.Time) bool { return !a.facts && now.Sub(a.shift) > settledAfter }

// until bounds how long it holds by a moment after which the row stands otherwise.
func (a *age) until(t, now time.Time) {
	if t = t.Add(1); t.After(now) && (a.end.IsZero() || t.Before(a.end)) {
		a.end = t
	}
}

// budget is how many rows a scrape may work out again only because of their age.
type budget struct {
	pace
	rows int
}

func (p pace) budget(rows int) *budget { return &budget{p, rows/p.share + 1} }
