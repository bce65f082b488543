package memstore

import (
	"cmp"
	"context"
	"slices"
	"sync"
	"time"
)

// Outbox keeps messages to be sent in memory. Package alerts declares what it does.
type Outbox struct {
	mu   sync.Mutex
	rows map[[2]string]*letter // by site and id
}

type letter struct {
	id, channel, failure string
	queued, next, sent   time.Time
	attempts             int
	gaveUp, done         bool
	body                 []byte
}

// NewOutbox returns an empty outbox.
func NewOutbox() *Outbox { return &Outbox{rows: map[[2]string]*letter{}} }

// of gives the letters of a site that fit, in an order.
func (o *Outbox) of(site string, fits func(*letter) bool, order func(a, b *letter) int) []*letter {
	var out []*letter
	for k, l := range o.rows {
		if k[0] == site && fits(l) {
			out = append(out, l)
		}
	}
	slices.SortFunc(out, func(a, b *letter) int {
		return cmp.Or(order(a, b), a.queued.Compare(b.queued), cmp.Compare(a.id, b.id))
	})
	return out
}

func anyOrder(_, _ *letter) int { return 0 }

// Put keeps a message; false where the site has one with that id.
func (o *Outbox) Put(_ context.Context, site, id, channel string, queued time.Time, body []byte) (bool, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	k := [2]string{site, id}
	if o.rows[k] != nil {
		return false, nil
	}
	queued = queued.Truncate(time.Millisecond)
	o.rows[k] = &letter{id: id, channel: channel, queued: queued, next: queued, body: slices.Clone(body)}
	return true, nil
}

// Each calls fn for every message that is not done and for those queued at or after since, the oldest first.
func (o *Outbox) Each(_ context.Context, site string, since time.Time,
	fn func(id, channel string, queued time.Time, attempts int, sent time.Time, gaveUp, done bool, body []byte) error,
) error {
	o.mu.Lock()
	var rows []letter
	for _, l := range o.of(site, func(l *letter) bool { return !l.done || !l.queued.Before(since) }, anyOrder) {
		rows = append(rows, *l)
	}
	o.mu.Unlock()
	for _, l := range rows {
		if err := fn(l.id, l.channel, l.queued, l.attempts, l.sent, l.gaveUp, l.done, l.body); err != nil {
			return err
		}
	}
	return nil
}

// Next gives the message of a channel to send next, and when.
func (o *Outbox) Next(_ context.Context, site, channel string) (id string, due, queued time.Time, attempts int, body []byte, err error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	rows := o.of(site, func(l *letter) bool { return l.channel == channel && l.sent.IsZero() }, func(a, b *letter) int { return a.next.Compare(b.next) })
	if len(rows) == 0 {
		return "", due, queued, 0, nil, nil
	}
	l := rows[0]
	return l.id, l.next, l.queued, l.attempts, slices.Clone(l.body), nil
}

// change changes a message that is there.
func (o *Outbox) change(site, id string, fn func(*letter)) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if l := o.rows[[2]string{site, id}]; l != nil {
		fn(l)
	}
	return nil
}

// Failed notes an attempt that failed and when the next is due.
func (o *Outbox) Failed(_ context.Context, site, id string, next time.Time, failure string) error {
	return o.change(site, id, func(l *letter) {
		if l.sent.IsZero() {
			l.attempts, l.next, l.failure = l.attempts+1, next.Truncate(time.Millisecond), failure
		}
	})
}

// Sent notes that the last attempt was taken, or that no more are made.
func (o *Outbox) Sent(_ context.Context, site, id string, at time.Time, gaveUp bool) error {
	return o.change(site, id, func(l *letter) {
		if !l.sent.IsZero() {
			return
		}
		l.sent, l.gaveUp = at.Truncate(time.Millisecond), gaveUp
		if !gaveUp {
			l.attempts++
		}
	})
}

// Done notes that the outcome stands in the log where it belongs there.
func (o *Outbox) Done(_ context.Context, site, id string) error {
	return o.change(site, id, func(l *letter) { l.done = true })
}

// Channels calls fn for every channel that has a message.
func (o *Outbox) Channels(_ context.Context, site string,
	fn func(channel string, delivered time.Time, waiting int, since time.Time, failure string) error,
) error {
	o.mu.Lock()
	rows := o.of(site, func(*letter) bool { return true }, func(a, b *letter) int { return cmp.Compare(a.channel, b.channel) })
	type sum struct {
		channel, failure       string
		delivered, since, last time.Time
		waiting                int
	}
	var sums []*sum
	for _, l := range rows {
		if len(sums) == 0 || sums[len(sums)-1].channel != l.channel {
			sums = append(sums, &sum{channel: l.channel})
		}
		s := sums[len(sums)-1]
		switch {
		case !l.sent.IsZero():
			if !l.gaveUp && l.sent.After(s.delivered) {
				s.delivered = l.sent
			}
			continue
		case s.waiting == 0 || l.queued.Before(s.since):
			s.since = l.queued
		}
		s.waiting++
		if l.failure != "" && !l.next.Before(s.last) {
			s.failure, s.last = l.failure, l.next
		}
	}
	o.mu.Unlock()
	for _, s := range sums {
		if err := fn(s.channel, s.delivered, s.waiting, s.since, s.failure); err != nil {
			return err
		}
	}
	return nil
}

// Forget drops what was done before a moment, but never the last message that a channel took.
func (o *Outbox) Forget(_ context.Context, site string, before time.Time) error {
	o.mu.Lock()
	defer o.mu.Unlock()
	last := map[string]time.Time{}
	for k, l := range o.rows {
		if k[0] == site && !l.gaveUp && l.sent.After(last[l.channel]) {
			last[l.channel] = l.sent
		}
	}
	for k, l := range o.rows {
		if k[0] == site && l.done && l.queued.Before(before) && (l.gaveUp || !l.sent.Equal(last[l.channel])) {
			delete(o.rows, k)
		}
	}
	return nil
}
