package alerts

import (
	"context"
	"fmt"
	"time"

	"linewarden/alerts/cause"
	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/internal/plant"
)

// service says what the service knows about itself. The timetable is given time after a start.
func (d *Desk) service(now time.Time) cause.Service {
	var s cause.Service
	d.mu.Lock()
	s.Tampered = d.tampered
	born := d.born
	if d.opt.Backup != nil {
		j := d.jobs[JobBackup]
		s.Backup.Unknown = j.LastRun.IsZero()
		if !d.noBackup.IsZero() {
			s.Backup.Failed, s.Backup.Since = j.Outcome, d.noBackup
		}
	}
	d.mu.Unlock()
	if d.opt.Timetable == nil {
		return s
	}
	t := d.opt.Timetable()
	ran := t.LastRun
	if ran.Before(born) {
		ran = born
	}
	if now.Sub(ran) > lateAfter {
		s.NotSweptSince = ran
	}
	if t.ClockOff != "" {
		s.ClockBack = now
	}
	return s
}

// changes compares what stands with what is open, within a scope.
func (d *Desk) changes(s *haccp.State, now time.Time, scope *cause.Scope) *haccp.AlertChange {
	c := &haccp.AlertChange{}
	terms := s.AlertTerms(now)
	standing := map[string]*alarm.Raised{}
	list := d.watch.Look(s, now, d.service(now), scope)
	for i := range list {
		r := &list[i]
		standing[r.Key] = r
		r.Roles = terms.First(r.Severity, now)
		a, open := s.AlertOf(r.Key)
		if !open {
			c.Raise = append(c.Raise, *r)
			continue
		}
		again := alarm.Renewed{Alert: a.Alert, Mark: r.Mark, Roles: r.Roles, Severity: r.Severity}
		switch {
		case a.Severity != r.Severity && alarm.AtLeast(r.Severity, a.Severity):
			again.Because = alarm.BecauseWorse
		case a.Ack != nil && r.Mark != "" && r.Mark != a.Mark && d.since(s, r, a.Ack.At):
			again.Because = alarm.BecauseAgain
		default:
			continue
		}
		c.Renew = append(c.Renew, again)
	}
	var over []string
	silences := s.SilencesAt(now)
	for _, a := range s.Alerts() {
		if !a.Open() {
			continue
		}
		if standing[a.Key] == nil && scope.Holds(a) {
			over = append(over, a.Alert)
			continue
		}
		if silenced(silences, a, now) {
			continue // nobody is told, so nobody is passed over: the ladder goes on when the silence ends
		}
		if terms.Uncured(a, now) {
			c.Renew = append(c.Renew, alarm.Renewed{Alert: a.Alert, Because: alarm.BecauseUncured, Roles: terms.First(a.Severity, now), Severity: a.Severity})
			continue
		}
		if step, due := terms.Due(a, now); due {
			c.Escalate = escalate(c.Escalate, a.Alert, step)
		}
	}
	for len(over) > 0 {
		n := min(len(over), alarm.MaxNamed)
		c.Clear = append(c.Clear, alarm.Cleared{Alerts: over[:n]})
		over = over[n:]
	}
	return c
}

// since reports whether what lies behind a cause was recorded after a moment: an outside reading that was there when
// somebody took the alert on is no news.
func (d *Desk) since(s *haccp.State, r *alarm.Raised, ack time.Time) bool {
	switch r.Cause {
	case alarm.Outside:
		at, err := time.Parse(time.RFC3339Nano, r.Mark)
		return err == nil && at.After(ack)
	case alarm.Act:
		ps, ok := s.PointAt(r.Point, r.Place, ack)
		return ok && ps.Last != nil && ps.Last.At.After(ack)
	}
	return true
}

// escalate puts an alert to those that reach the same step.
func escalate(list []alarm.Escalated, id string, step alarm.Step) []alarm.Escalated {
	for i := range list {
		if e := &list[i]; e.After == step.After && len(e.Alerts) < alarm.MaxNamed && fmt.Sprint(e.Roles) == fmt.Sprint(step.Roles) {
			e.Alerts = append(e.Alerts, id)
			return list
		}
	}
	return append(list, alarm.Escalated{After: step.After, Alerts: []string{id}, Roles: step.Roles})
}

// oneCommand is how many records the desk asks for in one command.
const oneCommand = 100

// record has the changes recorded, in commands that each fit.
func (d *Desk) record(ctx context.Context, c *haccp.AlertChange, now time.Time) error {
	for n := 0; ; n++ {
		part := haccp.AlertChange{Epoch: d.epoch()}
		room := oneCommand
		part.Clear, c.Clear = some(c.Clear, &room)
		part.Raise, c.Raise = some(c.Raise, &room)
		part.Renew, c.Renew = some(c.Renew, &room)
		part.Escalate, c.Escalate = some(c.Escalate, &room)
		part.Delivered, c.Delivered = some(c.Delivered, &room)
		part.GivenUp, c.GivenUp = some(c.GivenUp, &room)
		if room == oneCommand {
			return nil
		}
		cmd := &haccp.Command{Kind: haccp.AskAlerts, ID: d.commandID(now, n), At: now.UTC(), AtKnown: haccp.AtServer, By: Actor, Ask: &part}
		res, err := d.opt.Site.Do(ctx, plant.Request{Command: cmd})
		if err != nil {
			return fmt.Errorf("record alerts: %w", err)
		}
		d.note(res.Events)
	}
}

// some takes as many as there is room for.
func some[T any](list []T, room *int) (head, rest []T) {
	n := min(len(list), *room)
	*room -= n
	return list[:n], list[n:]
}

// note counts and logs what was recorded.
func (d *Desk) note(events []*haccp.Event) {
	for _, e := range events {
		d.metrics.records.WithLabelValues(e.Kind).Inc()
		if b, ok := e.Body.(*alarm.Raised); ok {
			d.opt.Logger.Warn("alert raised", "cause", b.Cause, "severity", b.Severity, "point", b.Point, "place", b.Place, "alert", b.Alert, "record", e.Seq)
		}
	}
}
