package alerts

import (
	"context"
	"strings"
	"time"

	"linewarden/alerts/notify"
	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/internal/record"
	"linewarden/internal/wording"
)

// oldSummary is how long after the end of a shift or day its summary is still sent: a service that was down meanwhile
// catches up once.
const oldSummary = 12 * time.Hour

// span is a shift or production day that has ended.
type span struct {
	what, name string // "digest.shift" or "digest.day"
	from, to   time.Time
}

// ended gives the last production day and the last shift that ended before now, and no earlier than the plan was in force.
func ended(s *haccp.State, now time.Time) []span {
	live, ok := s.LiveFrom(now)
	if !ok {
		return nil
	}
	var out []span
	_, today, _ := s.ProductionDay(now)
	day, from, to := s.ProductionDay(today.Add(-time.Millisecond))
	out = append(out, span{"digest.day", string(day), from, to})
	p, _ := s.PlanAt(now)
	for i := range p.Plan.Shifts {
		if x, ok := lastShift(&p.Plan.Shifts[i], s.Zone(), now); ok {
			out = append(out, x)
		}
	}
	fresh := out[:0]
	for _, x := range out {
		if !x.to.Before(live) && now.Sub(x.to) < oldSummary && !x.to.After(now) {
			fresh = append(fresh, x)
		}
	}
	return fresh
}

// lastShift gives the last time a shift ended, by the wall clock of the site: where its end does not exist on a day, at
// the first moment after the gap; where it comes twice, the first time.
func lastShift(sh *plan.Shift, zone *time.Location, now time.Time) (span, bool) {
	local := now.In(zone)
	for back := range 3 {
		date := time.Date(local.Year(), local.Month(), local.Day()-back, 0, 0, 0, 0, time.UTC)
		to := control.Instant(date.Add(time.Duration(sh.To.Minutes())*time.Minute), zone)
		if to.After(now) {
			continue
		}
		if sh.From.Minutes() >= sh.To.Minutes() {
			date = date.AddDate(0, 0, -1)
		}
		from := control.Instant(date.Add(time.Duration(sh.From.Minutes())*time.Minute), zone)
		return span{"digest.shift", sh.Name, from, to}, true
	}
	return span{}, false
}

// summaries queues the summary of what has ended, once for each channel that gets them.
func (d *Desk) summaries(ctx context.Context) error {
	var failed error
	if d.opt.Site.Ready() != nil || d.opt.Summaries == nil {
		return errLater
	}
	s, now := d.opt.Site.View(), d.opt.Clock()
	if s.Site.Demo {
		return nil
	}
	for _, x := range ended(s, now) {
		var log *haccp.Log
		for i := range d.opt.Channels {
			if !d.opt.Channels[i].Digest {
				continue
			}
			id := record.DerivedID(record.SiteNamespace(d.site), "digest", d.opt.Channels[i].Name, x.what, x.name, x.to.UTC().Format(time.RFC3339)).String()
			if d.kept(ctx, id, x.to) {
				continue
			}
			if log == nil {
				l, err := d.opt.Summaries.CorrectiveLog(ctx, x.from, x.to, now)
				if err != nil {
					d.opt.Logger.Warn("no summary could be made; it is tried again", "of", x.name, "error", err)
					return err
				}
				log = &l
			}
			m := d.digest(s, &d.opt.Channels[i], &x, log, now)
			m.ID = id
			if err := d.queue(ctx, i, &m, now); err != nil {
				failed = err
				d.opt.Logger.Warn("a summary was not kept; it is tried again", "error", err)
			}
		}
	}
	return failed
}

// kept reports whether the outbox has a message already; where it cannot say, the message waits.
func (d *Desk) kept(ctx context.Context, id string, since time.Time) bool {
	found := false
	err := d.opt.Outbox.Each(ctx, d.site, since, func(have, _ string, _ time.Time, _ int, _ time.Time, _, _ bool, _ []byte) error {
		found = found || have == id
		return nil
	})
	return found || err != nil
}

func (d *Desk) digest(s *haccp.State, c *Channel, x *span, l *haccp.Log, now time.Time) notify.Message {
	lang := wording.Match(c.Language)
	opened := 0
	for i := range l.Days {
		opened += len(l.Days[i].Entries)
	}
	open, waiting := 0, 0
	for _, a := range s.Alerts() {
		if a.Open() {
			open++
			if a.Ack == nil && a.Severity != alarm.Notice {
				waiting++
			}
		}
	}
	title := lang.Text(x.what, "name", x.name)
	lines := []string{title, clock(s, x.from) + " – " + clock(s, x.to), "",
		lang.Text("digest.checks", "due", number(l.Checks.Due), "done", number(l.Checks.Done), "late", number(l.Checks.Late), "missed", number(l.Checks.Missed)),
		lang.Text("digest.cases", "opened", number(opened), "open", number(len(s.Cases())), "overdue", number(len(s.Overdue(now)))),
		lang.Text("digest.alerts", "open", number(open), "waiting", number(waiting))}
	if opened == 0 {
		lines = append(lines, lang.Text("digest.no-cases"))
	}
	lines = append(lines, "", s.Site.Name, lang.Text("message.aid"))
	if d.opt.Link != "" {
		lines = append(lines, d.opt.Link+"/log")
	}
	return notify.Message{Kind: notify.Digest, Site: d.site, SiteName: s.Site.Name, Language: string(lang), At: now.UTC(),
		Subject: s.Site.Name + ": " + title, Text: strings.Join(lines, "\n") + "\n"}
}
