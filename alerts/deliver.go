package alerts

import (
	"context"
	"encoding/json"
	"time"

	"linewarden/alerts/notify"
	"linewarden/haccp/alarm"
	"linewarden/internal/wording"
)

// How long an attempt that failed is waited for, doubling from the first to the longest, each time by a factor from
// one half to one and a half, so that many messages do not come at one moment. After giveUpAfter no more are made.
const (
	firstWait   = time.Second
	longestWait = 5 * time.Minute
	giveUpAfter = 24 * time.Hour
	pauseAfter  = time.Second // a channel pauses after a failure, whichever message comes next
	idle        = time.Minute
)

// wait gives how long to wait after the nth attempt failed; chance is from 0 to below 1.
func wait(attempts int, chance float64) time.Duration {
	d := longestWait
	if attempts < 10 {
		d = min(longestWait, firstWait<<max(attempts-1, 0))
	}
	return time.Duration(float64(d) * (0.5 + chance))
}

// deliver sends what waits on one channel, the earliest due first, until the context ends. Channels do not wait for
// one another.
func (d *Desk) deliver(ctx context.Context, channel int) {
	for {
		pause := d.attempt(ctx, channel)
		if pause == 0 {
			continue
		}
		news := d.outWake[channel]
		if pause == pauseAfter {
			news = nil // it does not shorten the pause after a failure
		}
		timer := time.NewTimer(pause)
		select {
		case <-ctx.Done():
			timer.Stop()
			return
		case <-news:
		case <-timer.C:
		}
		timer.Stop()
	}
}

// attempt makes one attempt where one is due, and returns how long to wait; 0: not at all.
func (d *Desk) attempt(ctx context.Context, channel int) time.Duration {
	if ctx.Err() != nil || !d.active() {
		return idle
	}
	c := &d.opt.Channels[channel]
	id, due, queued, attempts, body, err := d.opt.Outbox.Next(ctx, d.site, c.Name)
	now := d.opt.Clock()
	switch {
	case err != nil:
		if ctx.Err() == nil {
			d.opt.Logger.Error("the outbox cannot be read", "channel", c.Name, "error", err)
		}
		return idle
	case id == "":
		return idle
	case due.After(now) && due.Sub(now) <= 2*longestWait: // a longer wait comes from a clock that stepped back
		return due.Sub(now)
	}
	var m notify.Message
	if err := json.Unmarshal(body, &m); err != nil {
		d.opt.Logger.Error("a message in the outbox cannot be read; it is given up", "message", id, "error", err)
		return d.noted(channel, d.opt.Outbox.Sent(ctx, d.site, id, now, true))
	}
	if now.Sub(queued) > giveUpAfter && attempts > 0 {
		d.metrics.attempts.WithLabelValues(c.Name, "given up").Inc()
		d.opt.Logger.Error("a message about alerts was never taken and is given up", "channel", c.Name, "message", id, "attempts", attempts)
		return d.noted(channel, d.opt.Outbox.Sent(ctx, d.site, id, now, true))
	}
	try, cancel := context.WithTimeout(ctx, notify.Attempt)
	err = c.Via.Send(try, m)
	cancel()
	if ctx.Err() != nil {
		return idle // stopped: the attempt is made again after the next start
	}
	if err != nil {
		why := notify.Failure(err)
		d.metrics.attempts.WithLabelValues(c.Name, "failed").Inc()
		d.opt.Logger.Warn("a message about alerts was not taken; it is sent again", "channel", c.Name, "message", id, "attempt", attempts+1, "why", why)
		if err := d.opt.Outbox.Failed(ctx, d.site, id, d.opt.Clock().Add(wait(attempts+1, d.opt.Chance())), why); err != nil {
			d.opt.Logger.Error("the outbox cannot be written", "error", err)
		}
		return pauseAfter
	}
	d.metrics.attempts.WithLabelValues(c.Name, "taken").Inc()
	return d.noted(channel, d.opt.Outbox.Sent(ctx, d.site, id, d.opt.Clock(), false))
}

// noted goes on with the next message when the outcome was written; a message whose outcome was not is sent again,
// after a while.
func (d *Desk) noted(channel int, err error) time.Duration {
	if err != nil {
		d.opt.Logger.Error("the outbox cannot be written; a message may be sent twice", "channel", d.opt.Channels[channel].Name, "error", err)
		return idle
	}
	d.outcome.Store(true)
	kick(d.wake)
	return 0
}

// Alive reports whether the service does its work: commands are decided and the timetable runs.
func (d *Desk) Alive() bool {
	return d.opt.Site.Ready() == nil && d.service(d.opt.Clock()).NotSweptSince.IsZero()
}

// stand posts again what stands, and sends the heartbeat.
func (d *Desk) stand(ctx context.Context) error {
	s := d.opt.Site.View()
	if s.Site.Demo {
		return nil
	}
	var failed error
	alive, now := d.Alive(), d.opt.Clock()
	if alive && d.opt.Heartbeat != nil {
		try, cancel := context.WithTimeout(ctx, notify.Attempt)
		if err := d.opt.Heartbeat.Beat(try); err != nil && ctx.Err() == nil {
			failed = err
			d.opt.Logger.Warn("the heartbeat was not taken", "why", notify.Failure(err))
		}
		cancel()
	}
	silences := s.SilencesAt(now)
	for i := range d.opt.Channels {
		c := &d.opt.Channels[i]
		to, ok := c.Via.(Stander)
		if !ok {
			continue
		}
		var open []notify.Item
		for _, a := range s.Alerts() {
			if a.Open() && c.wants(a) && !silenced(silences, a, now) {
				open = append(open, Worded(s, a, wording.Match(c.Language), d.opt.Link))
			}
		}
		try, cancel := context.WithTimeout(ctx, notify.Attempt)
		if err := to.Stand(try, d.site, open, alive); err != nil && ctx.Err() == nil {
			failed = err
			d.opt.Logger.Warn("what is open was not posted again", "channel", c.Name, "why", notify.Failure(err))
		}
		cancel()
	}
	return failed
}

func silenced(list []*alarm.Silence, a *alarm.Alert, now time.Time) bool {
	for _, x := range list {
		if x.Covers(a, now) {
			return true
		}
	}
	return false
}

// prove has the record log proved once a day, and remembers what was found.
func (d *Desk) prove(ctx context.Context) error {
	if d.opt.Site.Ready() != nil {
		return errLater
	}
	err := d.opt.Verify(ctx)
	if ctx.Err() != nil {
		return errLater
	}
	d.mu.Lock()
	d.tampered = ""
	if err != nil {
		d.tampered = notify.Failure(err)
	}
	d.scope.Minute = true
	d.mu.Unlock()
	if err != nil {
		d.opt.Logger.Error("the record log does not verify", "error", err)
	}
	kick(d.wake)
	return err
}
