package alerts

import (
	"context"
	"time"
)

// Outbox keeps the messages that are to be sent, durably, before they are sent. It is no part of the record log,
// and losing it loses no fact: what is open and who was told of it first stands in the log. All times are of the
// caller's clock.
type Outbox interface {
	// Put keeps a message; false where the site has one with that id already, whatever became of it.
	Put(ctx context.Context, site, id, channel string, queued time.Time, body []byte) (bool, error)
	// Each calls fn for every message that is not done and for those queued at or after since, the oldest first.
	Each(ctx context.Context, site string, since time.Time, fn func(id, channel string, queued time.Time, attempts int, sent time.Time, gaveUp, done bool, body []byte) error) error
	// Next gives the message of a channel to send next, and when: the one with the earliest attempt due. An empty
	// id: none waits.
	Next(ctx context.Context, site, channel string) (id string, due, queued time.Time, attempts int, body []byte, err error)
	// Failed notes an attempt that failed and when the next is due.
	Failed(ctx context.Context, site, id string, next time.Time, failure string) error
	// Sent notes that the last attempt was taken, or that no more are made.
	Sent(ctx context.Context, site, id string, at time.Time, gaveUp bool) error
	// Done notes that the outcome stands in the log where it belongs there.
	Done(ctx context.Context, site, id string) error
	// Channels calls fn for every channel that has a message: when it last took one, how many wait since when, and
	// what the latest failure of those was.
	Channels(ctx context.Context, site string, fn func(channel string, delivered time.Time, waiting int, since time.Time, failure string) error) error
	// Forget drops what was done before a moment, but never the last message that a channel took.
	Forget(ctx context.Context, site string, before time.Time) error
}
