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
	"time"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
)

// Service is what the service knows about itself.
type Service struct {
	NotSweptSince time.Time // the timetable has not run since; zero: it runs
	ClockBack     time.Time // what was recorded lies ahead of the clock, up to this moment; zero: it does not
	Tampered      string    // what the record log was found to be; empty: nothing
	Backup        Backup    // how the last try to make a backup went
}

// Backup is what the service knows of its backups. The zero Backup: the last one was made, or none are asked for.
type Backup struct {
	Failed  string    // why the last try failed; empty: it did not
	Since   time.Time // of the first try that failed since one was made
	Unknown bool      // none was tried since the start: an alert that is open stands
}

// looking gathers causes.
type looking struct {
	s     *haccp.State
	now   time.Time
	live  time.Time
	plan  int
	watch *Watch
	scope *Scope
	out   []alarm.Raised
}

// Standing gives the causes that stand now, in the order of their keys. Ids and roles are left empty.
func Standing(s *haccp.State, now time.Time, service Service) []alarm.Raised {
	return new(Watch).Look(s, now, service, &Scope{All: true})
}

// Look gives the causes within a scope that stand now, in the order of their keys, and remembers when what it looked at
// is to be looked at again. Ids and roles are left empty. What belongs to the scope is added to it.
func (w *Watch) Look(s *haccp.State, now time.Time, service Service, scope *Scope) []alarm.Raised {
	l := &looking{s: s, now: now, watch: w, scope: scope}
	w.begin(s, now, scope)
	l.service(service)
	live, ok := s.LiveFrom(now)
	if !ok || now.Before(live) {
		return l.sorted()
	}
	l.live = live
	p, _ := s.PlanAt(now)
	l.plan = p.Version
	l.cases()
	l.results()
	if scope.All || scope.Minute {
		l.overdue()
		l.tools(p.Plan)
	}
	if scope.All || scope.Lots {
		l.lots()
	}
	scope.resolve(s, p.Plan)
	for a := range scope.Points {
		l.point(a)
	}
	for a := range scope.Checks {
		l.check(a)
	}
	l.devices()
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
		r.Line = l.s.LineOf(r.Place)
	}
	if r.Group == "" {
		r.Group = r.Cause + "/" + cmp.Or(r.Line, r.Place, "site")
	}
	if r.PlanVersion == 0 {
		r.PlanVersion = l.plan
	}
	l.out = append(l.out, r)
}

func (l *looking) service(v Service) {
	if !l.scope.All && !l.scope.Minute {
		return
	}
	if v.Tampered != "" {
		l.add(alarm.Raised{Cause: alarm.Tamper, Key: alarm.Tamper, Severity: alarm.Critical, Since: l.now, Data: map[string]string{"what": v.Tampered}})
	}
	if !v.NotSweptSince.IsZero() {
		l.add(alarm.Raised{Cause: alarm.TimetableLate, Key: alarm.TimetableLate, Severity: alarm.Critical, Since: v.NotSweptSince})
	}
	l.backup(v.Backup)
	if !v.ClockBack.IsZero() {
		l.add(alarm.Raised{Cause: alarm.ClockBack, Key: alarm.ClockBack, Severity: alarm.Critical, Since: l.now})
	}
}

func (l *looking) backup(b Backup) {
	if b.Failed != "" {
		l.add(alarm.Raised{Cause: alarm.Backup, Key: alarm.Backup, Severity: alarm.Warning, Since: b.Since, Data: map[string]string{"what": b.Failed}})
		return
	}
	if a, open := l.s.AlertOf(alarm.Backup); open && b.Unknown {
		l.add(a.Raised)
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
		default: // it stands with its check, its lot, or its results
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
