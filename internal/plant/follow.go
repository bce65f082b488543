package plant

import (
	"context"
	"errors"
	"fmt"
	"time"

	"linewarden/internal/record"
)

// ErrBehind says that the log, as far as this instance can read it, ends before the commit asked for.
var ErrBehind = errors.New("this instance has not seen that commit yet")

// look asks the writer to read what other instances wrote.
type look struct{ done chan error }

// CatchUp has the site read what other instances of the service wrote to its log, until its state holds the
// commit; where it does already it costs nothing. ErrBehind where the log has no such commit, else the
// errors of Ready or of the store. A site that stopped because the outcome of a commit could not be read
// goes on once the log can be read again.
func (s *Site) CatchUp(ctx context.Context, commit int64) error {
	if s.view.Load().head.Commit >= commit {
		return nil
	}
	if err := s.status.ready(); errors.Is(err, ErrReplaying) {
		return err
	}
	l := &look{done: make(chan error, 1)}
	select {
	case s.looks <- l:
	case <-s.written:
		return ErrClosed
	case <-ctx.Done():
		return fmt.Errorf("catch up with commit %d: %w", commit, ctx.Err())
	}
	select {
	case err := <-l.done:
		if err != nil {
			return err
		}
	case <-s.written:
		return ErrClosed
	case <-ctx.Done():
		return fmt.Errorf("catch up with commit %d: %w", commit, ctx.Err())
	}
	if have := s.view.Load().head.Commit; have < commit {
		return fmt.Errorf("%w: commit %d, the log ends with %d", ErrBehind, commit, have)
	}
	return nil
}

// FreshFor is how long a state that is known to be the whole log counts as fresh.
const FreshFor = time.Second

// Followed notes that the state was the whole log at a time.
func (s *Site) Followed(at time.Time) { s.seen.Store(at.UnixNano()) }

// InUse reports whether somebody asked for a fresh state lately, so that the site is worth following.
func (s *Site) InUse() bool { return time.Since(time.Unix(0, s.used.Load())) < 10*time.Second }

// Refresh has the site read what other instances wrote, unless its state was the whole log a moment ago. On a
// store that nobody else writes to it does nothing.
func (s *Site) Refresh(ctx context.Context) error {
	if !s.opt.Shared {
		return nil
	}
	now := time.Now()
	s.used.Store(now.UnixNano())
	if now.Sub(time.Unix(0, s.seen.Load())) < FreshFor {
		return nil
	}
	err := s.CatchUp(ctx, s.view.Load().head.Commit+1)
	if errors.Is(err, ErrBehind) {
		return nil
	}
	return err
}

// look answers everybody who asks by one reading.
func (w *writer) look(first *look) {
	asked := []*look{first}
	for more := true; more; {
		select {
		case l := <-w.site.looks:
			asked = append(asked, l)
		default:
			more = false
		}
	}
	err := w.site.status.ready()
	if err == nil || w.site.status.inDoubt() {
		if err = w.catchUp(); err == nil {
			w.site.status.resume()
		}
	}
	for _, l := range asked {
		l.done <- err
	}
}

// turns shares a log out among instances that all write to it. Whoever has just written could write again
// before another instance has read that commit, and would keep it out for ever. So an instance that knows of
// another one lets it go first, for a few times as long as a commit takes at most, and fills its own batch
// meanwhile. Whoever always loses cannot make itself known: on a shared store an instance under load therefore
// lets others go first every now and then, whether it knows of any or not. Without load nobody ever waits.
type turns struct {
	shared bool
	other  time.Time     // when a commit of another instance was last read
	own    time.Time     // when the last commit of our own was written; zero: another one came after it
	took   time.Duration // smoothed time from deciding to written
	lost   int           // conflicts since the last commit of our own
	asked  time.Time     // when others were let go first and nobody came
	every  time.Duration // after which they are let go first again
}

const (
	otherFor   = time.Second            // how long another instance counts as at work
	askEvery   = 200 * time.Millisecond // after which an instance alone at work lets others go first
	askMost    = 800 * time.Millisecond // which is doubled up to this each time that nobody comes
	longestWay = 100 * time.Millisecond // nobody is let go first for longer
)

func (t *turns) wrote(began time.Time) {
	t.own, t.lost = time.Now(), 0
	took := t.own.Sub(began)
	if t.took == 0 {
		t.took = took
	}
	t.took += (took - t.took) / 4
}

func (t *turns) read() { t.other, t.own, t.every = time.Now(), time.Time{}, 0 }

// nobody notes that nobody came.
func (t *turns) nobody() {
	t.other, t.asked = time.Time{}, time.Now()
	t.every = min(max(askEvery, 2*t.every), askMost)
}

// until is the moment up to which another instance is let go first.
func (t *turns) until() time.Time {
	switch {
	case !t.shared || t.own.IsZero():
		return time.Time{}
	case time.Since(t.other) > otherFor && time.Since(t.asked) < t.every:
		return time.Time{}
	}
	return t.own.Add(min(4*t.took, longestWay))
}

// giveWay lets another instance that is at work write its commit, and reads it.
func (w *writer) giveWay() {
	until := w.turns.until()
	if until.IsZero() || !time.Now().Before(until) {
		return
	}
	step := max(w.turns.took/4, 100*time.Microsecond)
	wait := time.Until(w.turns.own.Add(w.turns.took / 2))
	for sleep(w.ctx, max(wait, step)) {
		if found, err := w.readNext(); err != nil || found {
			return // an error shows again where the batch is appended
		}
		if wait = step; !time.Now().Before(until) {
			break
		}
	}
	w.turns.nobody()
}

// more adds what came meanwhile to jobs that were taken, up to a commit's limit.
func (w *writer) more(jobs []*job) []*job {
	for len(jobs) < record.MaxCommitRecords {
		select {
		case j, open := <-w.site.inbox:
			if !open {
				return jobs
			}
			jobs = append(jobs, j)
		default:
			return jobs
		}
	}
	return jobs
}
