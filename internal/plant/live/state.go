// Package live tells those who watch a site what changed: a stream of changes, each with the number of the last record
// behind it, that can be taken up again where it broke off. What runs out by the clock is given as the moment at which it
// does, for whoever watches to count down.
package live

import (
	"slices"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
)

// State is how a site stands, or what of it changed.
type State struct {
	Seq    int64           `json:"seq"`  // of the last record it knows
	Time   time.Time       `json:"time"` // of the server's clock
	Kinds  []string        `json:"kinds,omitempty"`
	Checks []string        `json:"checks,omitempty"` // of a change: the checks at places it speaks of; one without an item in due is not due
	Due    []haccp.DueItem `json:"due,omitempty"`
	Points []Point         `json:"points,omitempty"`
	Lines  []Line          `json:"lines,omitempty"`
	Alerts []Alert         `json:"alerts,omitempty"`
	Clocks *[]Clock        `json:"clocks,omitempty"` // all running clocks of lots; left out of a change that touches none
}

// Point is a control point at a place.
type Point struct {
	Point   string    `json:"point"`
	Place   string    `json:"place"`
	State   string    `json:"state"`
	At      time.Time `json:"at,omitzero"`      // of the newest value
	Expires time.Time `json:"expires,omitzero"` // when that value is too old to show control
}

// Line is a line, running or not.
type Line struct {
	Line    string    `json:"line"`
	Running bool      `json:"running"`
	Since   time.Time `json:"since,omitzero"`
}

// Alert is an alert; its words are for the page to say.
type Alert struct {
	Alert     string    `json:"alert"`
	Cause     string    `json:"cause"`
	Severity  string    `json:"severity"`
	Point     string    `json:"point,omitempty"`
	Place     string    `json:"place,omitempty"`
	Line      string    `json:"line,omitempty"`
	Check     string    `json:"check,omitempty"`
	Lot       string    `json:"lot,omitempty"`
	Deviation string    `json:"deviation,omitempty"`
	Since     time.Time `json:"since"`
	Round     int       `json:"round"`
	Taken     bool      `json:"acknowledged"`
	Ended     time.Time `json:"cleared_at,omitzero"`
}

// Clock is a running clock of a lot.
type Clock struct {
	Lot     string    `json:"lot"`
	Point   string    `json:"point"`
	Start   time.Time `json:"start"`
	WarnAt  time.Time `json:"warn_at,omitzero"`
	LimitAt time.Time `json:"limit_at,omitzero"`
}

// Whole gives how a site stands.
func Whole(s *haccp.State, now time.Time) State {
	out := State{Seq: s.Size, Time: now.UTC(), Due: s.DueList(now), Clocks: clocks(s)}
	for _, p := range s.PointStates(now) {
		out.Points = append(out.Points, pointOf(&p))
	}
	if p, ok := s.PlanAt(now); ok {
		for i := range p.Plan.Lines {
			out.Lines = append(out.Lines, lineOf(s, p.Plan.Lines[i].ID))
		}
	}
	for _, a := range s.Alerts() {
		if a.Open() {
			out.Alerts = append(out.Alerts, alertOf(a))
		}
	}
	return out
}

// maxNamed is how many checks at places a change speaks of; where more changed, everything is told.
const maxNamed = 400

// Changed gives what records changed; false where so much did that everything is to be told.
func Changed(s *haccp.State, events []*haccp.Event, now time.Time) (State, bool) {
	out := State{Seq: events[len(events)-1].Seq, Time: now.UTC()}
	var t haccp.Touching
	var points []string
	alerts := map[string]bool{}
	for _, e := range events {
		if !slices.Contains(out.Kinds, e.Kind) {
			out.Kinds = append(out.Kinds, e.Kind)
		}
		switch b := e.Body.(type) {
		case *haccp.Reading:
			t.Checks = append(t.Checks, b.Check+"@"+b.Place)
		case *haccp.Missed:
			t.Checks = append(t.Checks, b.Check+"@"+b.Place)
		case *haccp.DeviationOpened:
			points = append(points, b.Point+"@"+b.Place)
		default:
			x := haccp.TouchedBy(e)
			t.All, t.Lots = t.All || x.All, t.Lots || x.Lots
			t.Checks, t.Places, t.Lines = append(t.Checks, x.Checks...), append(t.Places, x.Places...), append(t.Lines, x.Lines...)
		}
		for _, about := range e.About {
			if id, ok := strings.CutPrefix(about, "alert:"); ok {
				alerts[id] = true
			}
		}
	}
	out.Checks = s.CheckPlacesOf(t)
	slices.Sort(out.Checks)
	out.Checks = slices.Compact(out.Checks)
	if t.All || len(out.Checks) > maxNamed {
		return State{}, false
	}
	for _, k := range out.Checks {
		check, place, _ := strings.Cut(k, "@")
		if item, ok := s.DueAt(check, place, now); ok {
			out.Due = append(out.Due, item)
		}
		points = append(points, s.PointsFed(k)...)
	}
	slices.Sort(points)
	for _, k := range slices.Compact(points) {
		point, place, _ := strings.Cut(k, "@")
		if p, ok := s.PointAt(point, place, now); ok {
			out.Points = append(out.Points, pointOf(&p))
		}
	}
	slices.Sort(t.Lines)
	for _, line := range slices.Compact(t.Lines) {
		out.Lines = append(out.Lines, lineOf(s, line))
	}
	for _, a := range s.Alerts() {
		if alerts[a.Alert] {
			out.Alerts = append(out.Alerts, alertOf(a))
		}
	}
	if t.Lots {
		out.Clocks = clocks(s)
	}
	return out, true
}

func pointOf(p *haccp.PointState) Point {
	out := Point{Point: p.Point, Place: p.Place, State: p.State}
	if p.Last != nil {
		if out.At = p.Last.At; p.Frequency > 0 {
			out.Expires = p.Last.At.Add(p.Frequency)
		}
	}
	return out
}

func lineOf(s *haccp.State, line string) Line {
	out := Line{Line: line}
	if runs := s.LineRuns(line); len(runs) > 0 {
		last := runs[len(runs)-1]
		if out.Running, out.Since = last.To.IsZero(), last.From; !out.Running {
			out.Since = last.To
		}
	}
	return out
}

func alertOf(a *alarm.Alert) Alert {
	return Alert{Alert: a.Alert, Cause: a.Cause, Severity: a.Severity, Point: a.Point, Place: a.Place, Line: a.Line, Check: a.Check, Lot: a.Lot,
		Deviation: a.Deviation, Since: a.Since, Round: a.Round, Taken: a.Ack != nil, Ended: a.Ended}
}

func clocks(s *haccp.State) *[]Clock {
	out := []Clock{}
	for _, x := range s.RunningClocks() {
		out = append(out, Clock{Lot: x.Lot, Point: x.Point, Start: x.Start, WarnAt: x.WarnAt, LimitAt: x.LimitAt})
	}
	return &out
}
