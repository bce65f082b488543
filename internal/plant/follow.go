package plant

import (
	"context"
	"errors"
	"fmt"
	"time"
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
