package access

import (
	"context"
	"sync/atomic"
	"time"
)

// A limiter lets a fixed number of hashes run at one time, so that a flood of
// sign-ins cannot take all memory. A bounded number may wait, for a bounded
// time; the rest are turned away at once.
type limiter struct {
	places  chan struct{}
	waiting atomic.Int64
	queue   int64
	wait    time.Duration
}

func newLimiter(places, queue int, wait time.Duration) *limiter {
	return &limiter{places: make(chan struct{}, places), queue: int64(queue), wait: wait}
}

// do runs f in a place of its own, or returns a [Wait] with ErrBusy.
func (l *limiter) do(ctx context.Context, f func()) error {
	if err := l.enter(ctx); err != nil {
		return err
	}
	defer func() { <-l.places }()
	f()
	return nil
}

func (l *limiter) enter(ctx context.Context) error {
	select {
	case l.places <- struct{}{}:
		return nil
	default:
	}
	if l.waiting.Add(1) > l.queue {
		l.waiting.Add(-1)
		return &Wait{ErrBusy, l.wait}
	}
	defer l.waiting.Add(-1)
	t := time.NewTimer(l.wait)
	defer t.Stop()
	select {
	case l.places <- struct{}{}:
		return nil
	case <-t.C:
		return &Wait{ErrBusy, l.wait}
	case <-ctx.Done():
		return ctx.Err()
	}
}
