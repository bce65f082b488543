package alarm

import (
	"slices"
	"time"

	"linewarden/haccp/plan"
)

// What holds where the plan states nothing (common practice, no source).
const (
	DefaultGather = time.Minute
	DefaultRepeat = 15 * time.Minute
	DefaultRetest = 15 * time.Minute
	handUpAfter   = 10 * time.Minute
)

// Terms are the plan's rules for telling, with the defaults filled in.
type Terms struct {
	Gather, Repeat, Retest time.Duration
	Ladder                 []plan.Rung
	Shifts                 []plan.Shift
	Zone                   *time.Location
}

// TermsOf gives the terms of a plan in the time zone of its site.
func TermsOf(p *plan.Plan, zone *time.Location) Terms {
	t := Terms{Gather: DefaultGather, Repeat: DefaultRepeat, Retest: DefaultRetest, Zone: zone, Ladder: DefaultLadder()}
	if p == nil {
		return t
	}
	t.Shifts = p.Shifts
	set := func(to *time.Duration, d plan.Duration) {
		if !d.IsZero() {
			*to = d.Std()
		}
	}
	set(&t.Gather, p.Alerts.Gather)
	set(&t.Repeat, p.Alerts.Repeat)
	set(&t.Retest, p.Alerts.Retest)
	if len(p.Alerts.Ladder) > 0 {
		t.Ladder = slices.Clone(p.Alerts.Ladder)
		slices.SortStableFunc(t.Ladder, func(a, b plan.Rung) int { return int(a.After.Std() - b.After.Std()) })
	}
	return t
}

// DefaultLadder tells those at the line at once, the manager too where it is critical, and everybody after ten
// minutes without an answer (common practice, no source).
func DefaultLadder() []plan.Rung {
	floor := []string{"technician", "line_lead"}
	return []plan.Rung{
		{Severities: []string{Critical}, Roles: append([]string{"manager"}, floor...)},
		{Roles: floor},
		{After: plan.Of(int64(handUpAfter/time.Minute), "min"), Severities: []string{Critical, Warning}, Roles: []string{"manager"}},
	}
}

// Shift gives the shift that a moment belongs to, by the site's wall clock; false between shifts.
func (t *Terms) Shift(at time.Time) (plan.Shift, bool) {
	zone := t.Zone
	if zone == nil {
		zone = time.UTC
	}
	local := at.In(zone)
	minute := local.Hour()*60 + local.Minute()
	for _, s := range t.Shifts {
		from, to := s.From.Minutes(), s.To.Minutes()
		if from < to && minute >= from && minute < to || from >= to && (minute >= from || minute < to) {
			return s, true
		}
	}
	return plan.Shift{}, false
}

func (t *Terms) applies(r *plan.Rung, severity string, at time.Time) bool {
	if len(r.Severities) > 0 && !slices.Contains(r.Severities, severity) {
		return false
	}
	if len(r.Shifts) == 0 {
		return true
	}
	s, ok := t.Shift(at)
	return ok && slices.Contains(r.Shifts, s.ID)
}

// First gives the roles that are told at once of an alert that sounds at a moment.
func (t *Terms) First(severity string, at time.Time) []string {
	var out []string
	for i := range t.Ladder {
		if r := &t.Ladder[i]; r.After.IsZero() && t.applies(r, severity, at) {
			out = join(out, r.Roles)
		}
	}
	return out
}

// A Step is a step of the ladder that an alert has reached.
type Step struct {
	After int64 // seconds
	Roles []string
}

// Due gives the steps of the ladder that an open alert has reached at a moment and that were not carried out,
// taken together; false where there is none. Nobody is told for an alert that somebody has taken on.
func (t *Terms) Due(a *Alert, now time.Time) (Step, bool) {
	var out Step
	if !a.Open() || a.Ack != nil {
		return out, false
	}
	passed := now.Sub(a.Sounded)
	for i := range t.Ladder {
		r := &t.Ladder[i]
		after := int64(r.After.Std() / time.Second)
		if after <= a.Reached || r.After.Std() > passed || !t.applies(r, a.Severity, a.Sounded.Add(r.After.Std())) {
			continue
		}
		out.After = max(out.After, after)
		out.Roles = join(out.Roles, r.Roles)
	}
	return out, out.After > 0
}

// Next gives the next moment at which the ladder or the time for a cure wants something of an alert; zero: never.
func (t *Terms) Next(a *Alert, now time.Time) time.Time {
	if !a.Open() {
		return time.Time{}
	}
	if a.Ack != nil {
		return a.Ack.At.Add(t.RetestOf(a))
	}
	var next time.Time
	for i := range t.Ladder {
		at := a.Sounded.Add(t.Ladder[i].After.Std())
		if at.After(now) && (next.IsZero() || at.Before(next)) {
			next = at
		}
	}
	return next
}

// Uncured reports whether an acknowledged alert has stood for longer than the plan lets it.
func (t *Terms) Uncured(a *Alert, now time.Time) bool {
	return a.Open() && a.Ack != nil && now.Sub(a.Ack.At) >= t.RetestOf(a)
}

// slowly is how often what nobody can cure in minutes is told again: a case that is overdue, and notices.
const slowly = 24 * time.Hour

func slow(a *Alert) bool { return a.Cause == Overdue || a.Severity == Notice }

// RetestOf gives how long after it was acknowledged an alert that stands sounds again.
func (t *Terms) RetestOf(a *Alert) time.Duration {
	if slow(a) {
		return max(t.Retest, slowly)
	}
	return t.Retest
}

// RepeatOf gives how often an alert that nobody has taken on is told again.
func (t *Terms) RepeatOf(a *Alert) time.Duration {
	if slow(a) {
		return max(t.Repeat, slowly)
	}
	return t.Repeat
}

func join(list, more []string) []string {
	for _, x := range more {
		if !slices.Contains(list, x) {
			list = append(list, x)
		}
	}
	return list
}
