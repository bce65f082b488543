package plant

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"linewarden/internal/record"
)

// How often and how soon a commit in doubt is tried again.
const (
	appendTries = 5
	readTries   = 3
	pause       = 20 * time.Millisecond // doubled each time
	storeWait   = 10 * time.Second      // how long the store may take for one commit
)

// appender writes commits and finds out what became of those in doubt.
type appender struct {
	log     record.Log
	logger  *slog.Logger
	trouble func(at string) // counts; may be nil
}

// append writes the commit after head, or gives up after storeWait. Errors: record.ErrConflict, the log holds another commit of that
// number; record.ErrDuplicateID; ErrStopped, the outcome is unknown and the log cannot be read; any
// other: nothing was written, as far as the store knows.
func (a *appender) append(ctx context.Context, head record.Head, c *record.Commit, lookups []record.Lookup) error {
	ctx, cancel := context.WithTimeout(ctx, storeWait)
	defer cancel()
	doubt := false
	for try := 1; ; try++ {
		err := a.log.Append(ctx, head.Commit, *c, lookups)
		uncertain := errors.Is(err, record.ErrUncertain)
		doubt = doubt || uncertain
		if err == nil || !doubt {
			return err
		}
		a.note("append")
		a.logger.Warn("outcome of a commit is unknown, reading it back", "commit", c.Number, "error", err)
		switch written, readErr := a.readBack(ctx, c); {
		case readErr != nil:
			return fmt.Errorf("%w: commit %d may be written or not, and the log cannot be read: %w", ErrStopped, c.Number, errors.Join(err, readErr))
		case written == ours:
			return nil
		case written == others:
			return fmt.Errorf("%w: commit %d", record.ErrConflict, c.Number)
		case !uncertain || try == appendTries:
			return err
		}
		if !sleep(ctx, pause<<try) {
			return err
		}
	}
}

type written int

const (
	none written = iota
	ours
	others
)

// readBack asks the log for the number of a commit in doubt.
func (a *appender) readBack(ctx context.Context, c *record.Commit) (written, error) {
	for try := 1; ; try++ {
		got, err := a.log.ReadCommit(ctx, c.Number)
		switch {
		case errors.Is(err, record.ErrNotFound):
			return none, nil
		case err == nil && got.Root == c.Root && slices.Equal(got.Records, c.Records):
			return ours, nil
		case err == nil:
			return others, nil
		}
		a.note("read")
		if try == readTries || !sleep(ctx, pause<<try) {
			return none, err
		}
	}
}

func (a *appender) note(at string) {
	if a.trouble != nil {
		a.trouble(at)
	}
}

// sleep waits and tells whether the context still stands.
func sleep(ctx context.Context, d time.Duration) bool {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return true
	case <-ctx.Done():
		return false
	}
}
