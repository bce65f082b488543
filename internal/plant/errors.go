package plant

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"linewarden/internal/plant/codec"
)

// Why a site does not answer a command. Use errors.Is to tell them apart.
var (
	ErrBusy      = errors.New("busy, try again")
	ErrReplaying = errors.New("still reading the record log")
	ErrUnknown   = codec.ErrUnknown
	ErrStopped   = errors.New("the site has stopped writing")
	ErrClosed    = errors.New("the site is closed")
	ErrKey       = errors.New("the key is not the log's current one")
)

// BusyError refuses a command for now; its id makes sending it again harmless.
type BusyError struct {
	After   time.Duration // how soon it may be sent again
	Because string
	Err     error // what the store said, if it was the store
}

// Error says that and why the site is busy.
func (e *BusyError) Error() string {
	if e.Err != nil {
		return fmt.Sprintf("%s: %s: %s", ErrBusy, e.Because, e.Err)
	}
	return fmt.Sprintf("%s: %s", ErrBusy, e.Because)
}

// Unwrap gives ErrBusy and what the store said.
func (e *BusyError) Unwrap() []error {
	if e.Err == nil {
		return []error{ErrBusy}
	}
	return []error{ErrBusy, e.Err}
}

// RetryAfter gives how soon a command may be sent again; ok is false where the error does not say so.
func RetryAfter(err error) (after time.Duration, ok bool) {
	if busy, is := errors.AsType[*BusyError](err); is {
		return busy.After, true
	}
	return busyRetry, errors.Is(err, ErrReplaying)
}

// UnknownError names a record whose kind or version this program does not know.
type UnknownError = codec.UnknownError

// status is whether a site decides, and if not, why.
type status struct {
	mu          sync.RWMutex
	running     bool
	done, total int64
	broken      error // ErrUnknown or ErrStopped: reads go on
	failed      error // the replay failed
	doubtful    bool  // broken, because the outcome of a commit could not be read
}

func (t *status) ready() error {
	t.mu.RLock()
	defer t.mu.RUnlock()
	switch {
	case t.failed != nil:
		return t.failed
	case t.broken != nil:
		return t.broken
	case !t.running:
		return fmt.Errorf("%w: %d of %d records", ErrReplaying, t.done, t.total)
	}
	return nil
}

func (t *status) failure() error {
	t.mu.RLock()
	defer t.mu.RUnlock()
	return t.failed
}

func (t *status) progress(done, total int64) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.done, t.total = done, total
}

// end marks the end of the replay.
func (t *status) end(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.running = err == nil
	switch {
	case errors.Is(err, ErrUnknown):
		t.broken = err
	case err != nil:
		t.failed = err
	}
}

// doubt marks that the writer stops because the outcome of a commit could not be read.
func (t *status) doubt() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.doubtful = true
}

func (t *status) inDoubt() bool {
	t.mu.RLock()
	defer t.mu.RUnlock()
	return t.doubtful
}

// resume marks that the writer decides again after a stop in doubt: the log was read to its end.
func (t *status) resume() {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.doubtful {
		t.doubtful, t.broken = false, nil
	}
}

// stop marks that the writer decides no more.
func (t *status) stop(err error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if !errors.Is(err, ErrUnknown) {
		err = fmt.Errorf("%w: %w", ErrStopped, err)
	}
	t.broken = err
}
