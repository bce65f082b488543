package alerts

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"time"

	"linewarden/alerts/notify"
	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

func number(n int) string { return strconv.Itoa(n) }

// toldIndex is what the outbox knows of what was told, so that nothing is told twice.
type toldIndex struct {
	read time.Time           // from the outbox; it is read again once a day, so that the index does not grow for ever
	told map[string]bool     // "channel alert round" and "channel alert cleared"
	last map[string]lastTold // by channel and group, and whether it told of an end
}

type lastTold struct {
	at       time.Time
	severity string
}

func tellKey(channel, alert string, round int) string {
	return channel + " " + alert + " " + strconv.Itoa(round)
}
func endKey(channel, alert string) string { return channel + " " + alert + " cleared" }

func groupKey(channel, group string, ended bool) string {
	return channel + " " + group + " " + strconv.FormatBool(ended)
}

func (x *toldIndex) add(channel string, m *notify.Message) {
	ended := m.Kind == notify.Cleared
	for _, r := range m.Alerts {
		if ended {
			x.told[endKey(channel, r.Alert)] = true
		} else {
			x.told[tellKey(channel, r.Alert, r.Round)] = true
		}
	}
	if k := groupKey(channel, m.Group, ended); m.Group != "" && m.At.After(x.last[k].at) {
		x.last[k] = lastTold{m.At, m.Severity}
	}
}

// readOutbox builds the index after a start or when this instance takes over.
func (d *Desk) readOutbox(ctx context.Context, now time.Time) (*toldIndex, error) {
	x := &toldIndex{read: now, told: map[string]bool{}, last: map[string]lastTold{}}
	err := d.opt.Outbox.Each(ctx, d.site, now.Add(-keepSent), func(id, channel string, _ time.Time, _ int, _ time.Time, _, _ bool, body []byte) error {
		var m notify.Message
		if err := json.Unmarshal(body, &m); err != nil {
			d.opt.Logger.Error("a message in the outbox cannot be read", "message", id, "error", err)
			return nil
		}
		x.add(channel, &m)
		return nil
	})
	return x, err
}

// wants reports whether a channel is for an alert.
func (c *Channel) wants(a *alarm.Alert) bool {
	if c.Least != "" && !alarm.AtLeast(a.Severity, c.Least) {
		return false
	}
	return len(c.Roles) == 0 || slices.ContainsFunc(a.Roles, func(r string) bool { return slices.Contains(c.Roles, r) })
}

// pending is what is to be told of a group on a channel.
type pending struct{ fresh, standing, ended []*alarm.Alert }

// tell puts into the outbox what is to be told now, and returns when something is to be done next by the clock.
func (d *Desk) tell(ctx context.Context, now time.Time) (time.Time, error) {
	s := d.opt.Site.View()
	terms := s.AlertTerms(now)
	next := now.Add(fullEvery)
	soon := func(at time.Time) {
		if !at.IsZero() && at.Before(next) {
			next = later(at, now.Add(time.Second)) // what is due already and was not done comes up again, but not at once
		}
	}
	list, silences := s.Alerts(), s.SilencesAt(now)
	count := map[string]int{}
	for _, a := range list {
		if a.Open() {
			count[a.Severity]++
			if !silenced(silences, a, now) {
				soon(terms.Next(a, now))
			}
		}
	}
	for _, severity := range alarm.Severities() {
		d.metrics.open.WithLabelValues(severity).Set(float64(count[severity]))
	}
	if s.Site.Demo {
		return next, nil // the demo sends nothing
	}
	for _, x := range silences {
		soon(x.Until)
	}
	for i := range d.opt.Channels {
		c := &d.opt.Channels[i]
		groups := d.sorted(c, list, silences, now)
		for _, g := range slices.Sorted(maps.Keys(groups)) {
			at, err := d.tellGroup(ctx, s, i, g, groups[g], &terms, now)
			if err != nil {
				return now, err
			}
			soon(at)
		}
	}
	return next, nil
}

func later(a, b time.Time) time.Time {
	if a.Before(b) {
		return b
	}
	return a
}

// sorted gives what is to be told on a channel, by group.
func (d *Desk) sorted(c *Channel, list []*alarm.Alert, silences []*alarm.Silence, now time.Time) map[string]*pending {
	groups := map[string]*pending{}
	of := func(a *alarm.Alert) *pending {
		if groups[a.Group] == nil {
			groups[a.Group] = &pending{}
		}
		return groups[a.Group]
	}
	for _, a := range list {
		if !a.Open() {
			told := a.ToldBy(c.Name)
			heard := told != nil && !told.GaveUp || d.index.told[tellKey(c.Name, a.Alert, a.Round)]
			if heard && !d.index.told[endKey(c.Name, a.Alert)] {
				of(a).ended = append(of(a).ended, a)
			}
			continue
		}
		silent := silenced(silences, a, now)
		switch {
		case silent || !c.wants(a):
		case !d.index.told[tellKey(c.Name, a.Alert, a.Round)] && (a.Round > 1 || a.ToldBy(c.Name) == nil):
			if a.Ack == nil {
				of(a).fresh = append(of(a).fresh, a)
			}
		case a.Ack == nil:
			of(a).standing = append(of(a).standing, a)
		}
	}
	return groups
}

// tellGroup tells of the first alert of a group at once, of later ones together after the plan's interval or when one is
// graver; of those nobody takes on again and again; and of the end.
func (d *Desk) tellGroup(ctx context.Context, s *haccp.State, channel int, group string, p *pending, terms *alarm.Terms, now time.Time) (time.Time, error) {
	c := &d.opt.Channels[channel]
	var next time.Time
	soon := func(at time.Time) {
		if next.IsZero() || at.Before(next) {
			next = at
		}
	}
	last := d.index.last[groupKey(c.Name, group, false)]
	passed := now.Sub(last.at)
	repeat := terms.Repeat
	if len(p.standing) > 0 { // alerts of a group have one cause
		repeat = terms.RepeatOf(p.standing[0])
	}
	waited := last.at.IsZero() || passed >= terms.Gather || passed < 0
	switch {
	case len(p.fresh) > 0 && (waited || graver(p.fresh, last.severity)):
		if err := d.put(ctx, s, channel, kindOf(p.fresh), group, p.fresh, now); err != nil {
			return next, err
		}
	case len(p.fresh) > 0:
		soon(last.at.Add(terms.Gather))
	case len(p.standing) > 0 && (last.at.IsZero() || passed >= repeat || passed < 0):
		if err := d.put(ctx, s, channel, notify.Repeated, group, p.standing, now); err != nil {
			return next, err
		}
		soon(now.Add(repeat))
	case len(p.standing) > 0:
		soon(last.at.Add(repeat))
	}
	if len(p.ended) == 0 {
		return next, nil
	}
	end := d.index.last[groupKey(c.Name, group, true)]
	if passed := now.Sub(end.at); !end.at.IsZero() && passed < terms.Gather && passed >= 0 {
		soon(end.at.Add(terms.Gather))
		return next, nil
	}
	return next, d.put(ctx, s, channel, notify.Cleared, group, p.ended, now)
}

// graver reports whether one of the alerts is graver than what was told last.
func graver(list []*alarm.Alert, last string) bool {
	return slices.ContainsFunc(list, func(a *alarm.Alert) bool { return a.Severity != last && alarm.AtLeast(a.Severity, last) })
}

// kindOf gives what a message about alerts not told yet is called.
func kindOf(list []*alarm.Alert) string {
	kind := ""
	for _, a := range list {
		of := notify.Raised
		switch {
		case a.Reached > 0:
			of = notify.Escalated
		case a.Round > 1:
			of = notify.Renewed
		}
		if kind != "" && of != kind {
			return notify.Raised
		}
		kind = of
	}
	return kind
}

// put words a message and keeps it in the outbox; its id follows from what it tells, so that it is kept once.
func (d *Desk) put(ctx context.Context, s *haccp.State, channel int, kind, group string, list []*alarm.Alert, now time.Time) error {
	m := d.message(s, &d.opt.Channels[channel], kind, group, list, now)
	parts := []string{"message", d.opt.Channels[channel].Name, kind, group}
	if kind == notify.Repeated {
		parts = append(parts, d.index.last[groupKey(d.opt.Channels[channel].Name, group, false)].at.UTC().Format(time.RFC3339Nano))
	}
	refs := make([]string, len(m.Alerts))
	for i, r := range m.Alerts {
		refs[i] = r.Alert + " " + strconv.Itoa(r.Round)
	}
	slices.Sort(refs)
	m.ID = record.DerivedID(record.SiteNamespace(d.site), append(parts, refs...)...).String()
	if err := d.queue(ctx, channel, &m, now); err != nil {
		return err
	}
	d.index.add(d.opt.Channels[channel].Name, &m)
	return nil
}

// queue makes a message durable and wakes its channel.
func (d *Desk) queue(ctx context.Context, channel int, m *notify.Message, now time.Time) error {
	body, err := json.Marshal(m)
	if err != nil {
		return fmt.Errorf("write a message: %w", err)
	}
	fresh, err := d.opt.Outbox.Put(ctx, d.site, m.ID, d.opt.Channels[channel].Name, now, body)
	if err != nil {
		return fmt.Errorf("keep a message: %w", err)
	}
	if fresh {
		kick(d.outWake[channel])
	}
	return nil
}

// settle records what became of messages that were sent or given up, once per alert and channel, and lets go of them.
func (d *Desk) settle(ctx context.Context, now time.Time) error {
	var done []string
	c := &haccp.AlertChange{}
	err := d.opt.Outbox.Each(ctx, d.site, now.Add(fullEvery), func(id, channel string, _ time.Time, attempts int, sent time.Time, gaveUp, finished bool, body []byte) error {
		if sent.IsZero() || finished {
			return nil
		}
		done = append(done, id)
		var m notify.Message
		if err := json.Unmarshal(body, &m); err != nil || m.Kind == notify.Cleared || m.Kind == notify.Digest {
			return nil //nolint:nilerr // it was reported when the outbox was read
		}
		for refs := m.Alerts; len(refs) > 0; {
			n := min(len(refs), alarm.MaxNamed)
			ids := make([]string, n)
			for i, r := range refs[:n] {
				ids[i] = r.Alert
			}
			refs = refs[n:]
			if gaveUp {
				c.GivenUp = append(c.GivenUp, alarm.GivenUp{Alerts: ids, Attempts: attempts, Channel: channel, Failure: "not taken within a day", Last: sent.UTC(), Message: id})
			} else {
				c.Delivered = append(c.Delivered, alarm.Delivered{Alerts: ids, Attempts: attempts, Channel: channel, Message: id, Sent: sent.UTC()})
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	if err := d.record(ctx, c, now); err != nil {
		return err
	}
	for _, id := range done {
		if err := d.opt.Outbox.Done(ctx, d.site, id); err != nil {
			return err
		}
	}
	return nil
}

// emergency tells, without a record, that nothing can be recorded: the log was altered, or the writer had to stop. It is
// told once a day and channel.
func (d *Desk) emergency(ctx context.Context, now time.Time, because error) {
	if !errors.Is(because, record.ErrTampered) && !errors.Is(because, plant.ErrStopped) {
		return
	}
	s := d.opt.Site.View()
	if s.Site.Demo {
		return
	}
	a := alarm.NewAlert(&alarm.Raised{Alert: "not-recorded", Cause: alarm.Tamper, Group: "tamper/site", Key: alarm.Tamper, Severity: alarm.Critical, Since: now}, now, 0)
	for i := range d.opt.Channels {
		m := d.message(s, &d.opt.Channels[i], notify.Raised, a.Group, []*alarm.Alert{a}, now)
		m.ID = record.DerivedID(record.SiteNamespace(d.site), "emergency", d.opt.Channels[i].Name, now.UTC().Format(time.DateOnly)).String()
		if err := d.queue(ctx, i, &m, now); err != nil {
			d.opt.Logger.Error("the channels could not be told that nothing can be recorded", "error", err)
		}
	}
}

// ChannelState is how a channel stands.
type ChannelState struct {
	Name      string    `json:"name"`
	Delivered time.Time `json:"delivered,omitzero"` // when it last took a message
	Waiting   int       `json:"waiting"`
	Since     time.Time `json:"since,omitzero"`    // when the oldest of those that wait was queued
	Failure   string    `json:"failure,omitempty"` // what the last attempt at one of them said
}

// Channels gives how every channel stands, in the order of the settings.
func (d *Desk) Channels(ctx context.Context) ([]ChannelState, error) {
	out := make([]ChannelState, 0, len(d.opt.Channels))
	at := map[string]int{}
	for i := range d.opt.Channels {
		at[d.opt.Channels[i].Name] = i
		out = append(out, ChannelState{Name: d.opt.Channels[i].Name})
	}
	err := d.opt.Outbox.Channels(ctx, d.site, func(channel string, delivered time.Time, waiting int, since time.Time, failure string) error {
		i, ok := at[channel]
		if !ok { // of former settings
			if waiting == 0 {
				return nil
			}
			i = len(out)
			out = append(out, ChannelState{Name: channel})
		}
		out[i].Delivered, out[i].Waiting, out[i].Since, out[i].Failure = delivered, waiting, since, failure
		return nil
	})
	for i := range out {
		d.metrics.waiting.WithLabelValues(out[i].Name).Set(float64(out[i].Waiting))
		age := 0.0
		if out[i].Waiting > 0 {
			age = max(0, d.opt.Clock().Sub(out[i].Since).Seconds())
		}
		d.metrics.oldest.WithLabelValues(out[i].Name).Set(age)
	}
	return out, err
}
