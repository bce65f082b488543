package cause

import (
	"slices"
	"strings"
	"time"

	"linewarden/alerts/agenda"
	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/control"
)

// Watch knows when what was looked at may stand otherwise by the clock alone: a check turns late or missed, a value
// grows too old, a plan comes into force. The zero Watch knows nothing and looks at everything first. It is not for
// several goroutines at once.
type Watch struct {
	plan   int64         // the record that signed the plan it was made of; 0: nothing was looked at yet
	later  time.Time     // what was recorded happens by then
	turn   time.Time     // when the next plan version comes into force or begins to alert; zero: none does
	next   agenda.Agenda // "c:check@place", "p:point@place"
	silent map[string]map[At]time.Time
	by     map[At]string // the device whose value stands at a point, where it has grown too old
}

// Ripe puts into a scope what is to be looked at by now.
func (w *Watch) Ripe(s *haccp.State, now time.Time, scope *Scope) {
	if w.plan != s.PlanSeq() || w.plan == 0 || !w.turn.IsZero() && !now.Before(w.turn) {
		scope.All = true
	}
	for _, name := range w.next.Ripe(now, 0) {
		kind, k, _ := strings.Cut(name, ":")
		if kind == "c" {
			put(&scope.Checks, atOf(k))
		} else {
			put(&scope.Points, atOf(k))
		}
	}
}

// Next gives when something is to be looked at; false where nothing is by the clock alone.
func (w *Watch) Next() (time.Time, bool) {
	at, ok := w.next.Next()
	if !w.turn.IsZero() && (!ok || w.turn.Before(at)) {
		return w.turn, true
	}
	return at, ok
}

// begin forgets what a look at everything finds anew.
func (w *Watch) begin(s *haccp.State, now time.Time, scope *Scope) {
	if scope.later.After(w.later) {
		w.later = scope.later
	}
	if !scope.All {
		return
	}
	if by := s.LastRecorded.Add(haccp.FutureTolerance); by.After(w.later) {
		w.later = by // who has not seen what was recorded does not know when it happens
	}
	*w = Watch{plan: s.PlanSeq(), later: w.later, silent: map[string]map[At]time.Time{}, by: map[At]string{}}
	for i := range s.Plans {
		for _, at := range []time.Time{s.Plans[i].From, s.Plans[i].Plan.LiveFrom} {
			if at.After(now) && (w.turn.IsZero() || at.Before(w.turn)) {
				w.turn = at
			}
		}
	}
}

// point looks at a control point at a place: whether its newest value is outside an operating limit alone, and whether a
// device that measured it has fallen silent.
func (l *looking) point(a At) {
	w := l.watch
	if d, was := w.by[a]; was {
		put(&l.scope.devices, d)
		delete(w.silent[d], a)
		delete(w.by, a)
	}
	ps, ok := l.s.PointAt(a.ID, a.Place, l.now)
	var next time.Time
	if ok && ps.Last != nil && ps.Frequency > 0 {
		if grows := ps.Last.At.Add(ps.Frequency + time.Millisecond); grows.After(l.now) {
			next = grows
		}
	}
	w.next.Put("p:"+a.key(), l.sooner(next))
	if !ok {
		return
	}
	l.act(&ps)
	if ps.State != control.StateNotKnown || ps.Last == nil || ps.Frequency == 0 || ps.Age <= ps.Frequency || ps.Last.At.Before(l.live) {
		return
	}
	d, ok := l.s.Device(ps.Last.By)
	if !ok || !d.Revoked.IsZero() {
		return
	}
	put(&l.scope.devices, d.ID)
	w.by[a] = d.ID
	if w.silent[d.ID] == nil {
		w.silent[d.ID] = map[At]time.Time{}
	}
	w.silent[d.ID][a] = ps.Last.At
}

// sooner is a moment, or that at which what was recorded happens, where it lies ahead and before.
func (l *looking) sooner(at time.Time) time.Time {
	if by := l.watch.later; by.After(l.now) && (at.IsZero() || by.Before(at)) {
		return by
	}
	return at
}

// check looks at a check at a place.
func (l *looking) check(a At) {
	l.watch.next.Put("c:"+a.key(), l.sooner(l.s.TurnsAt(a.ID, a.Place, l.now)))
	if item, ok := l.s.DueAt(a.ID, a.Place, l.now); ok {
		l.due(&item)
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

// due looks at a check that is late or was missed, or that a forecast wants sooner than the schedule. A miss stands until
// the check is made, also while its next due is open.
func (l *looking) due(item *haccp.DueItem) {
	missed := !item.Missed.IsZero() && !item.Missed.Before(l.live)
	late := item.State == haccp.DueLate && !item.Due.Before(l.live)
	forecast := item.Row == control.RowForecast && item.State != haccp.DueMissed && !late && !item.Due.Before(l.live)
	if !missed && !late && !forecast || !l.s.InUse(item.Place, l.now) {
		return
	}
	r := alarm.Raised{Check: item.Check, Place: item.Place, Line: item.Line, PlanVersion: item.Version, Since: item.Due}
	switch {
	case missed:
		r.Cause, r.Severity, r.Since = alarm.Missed, alarm.Warning, item.Missed
		if item.Critical {
			r.Severity = alarm.Critical
		}
	case late:
		r.Cause, r.Severity = alarm.Late, alarm.Notice
	default:
		r.Cause, r.Severity = alarm.Forecast, alarm.Warning
	}
	due := r.Since.UTC().Format(time.RFC3339)
	r.Key, r.Data = r.Cause+":"+item.Check+"@"+item.Place, map[string]string{"due": due}
	if !late || missed {
		r.Mark = due
	}
	if r.Cause == alarm.Forecast {
		r.Since = l.now
	}
	l.add(r)
}

// devices gives the devices that were looked at and are silent at a point that they measured.
func (l *looking) devices() {
	for id, points := range l.watch.silent {
		if len(points) == 0 || !l.scope.All && !l.scope.devices[id] {
			continue
		}
		d, ok := l.s.Device(id)
		if !ok || !d.Revoked.IsZero() {
			continue
		}
		all := make([]At, 0, len(points))
		var since time.Time
		for a, at := range points {
			if all = append(all, a); at.After(since) {
				since = at
			}
		}
		slices.SortFunc(all, func(a, b At) int { return strings.Compare(a.key(), b.key()) })
		var places []string
		for _, a := range all {
			if !slices.Contains(places, a.Place) {
				places = append(places, a.Place)
			}
		}
		l.add(alarm.Raised{Cause: alarm.DeviceSilent, Key: alarm.DeviceSilent + ":" + id, Severity: alarm.Warning, Device: id, Point: all[0].ID,
			Place: all[0].Place, Since: since, Data: map[string]string{"places": strings.Join(places, " ")}})
	}
}
