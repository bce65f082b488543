package recordtest

import (
	"context"
	"errors"
	"sync"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/record"
)

// Fault is one way in which Append can go wrong.
type Fault int

// The faults.
const (
	Works               Fault = iota // nothing goes wrong
	WrittenUncertain                 // written, then reported as uncertain
	NotWrittenUncertain              // not written, reported as uncertain
	NotWritten                       // not written, reported as failed
	Conflicts                        // Rival writes first; reported as conflict
	RivalUncertain                   // Rival writes first; reported as uncertain
	Hangs                            // waits for the end of the context, not written
)

// ErrBroken is the cause that the faulty log reports.
var ErrBroken = errors.New("store is broken on command")

// Faulty wraps a log and fails on command.
type Faulty struct {
	record.Log
	// Rival writes the commit of another instance; it is called by Conflicts and
	// RivalUncertain before they answer.
	Rival func(ctx context.Context, log record.Log) error

	mu         sync.Mutex
	plan       []Fault
	unreadable bool
	delay      time.Duration
	appends    int
}

// Plan sets what the next calls of Append do, one after the other; after them
// Append works again.
func (f *Faulty) Plan(faults ...Fault) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.plan = faults
}

// Unreadable makes every read fail, or work again.
func (f *Faulty) Unreadable(yes bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.unreadable = yes
}

// Slow makes every call wait first.
func (f *Faulty) Slow(delay time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.delay = delay
}

// Appends is the number of calls of Append so far.
func (f *Faulty) Appends() int {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.appends
}

func (f *Faulty) next() (Fault, time.Duration) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.appends++
	if len(f.plan) == 0 {
		return Works, f.delay
	}
	fault := f.plan[0]
	f.plan = f.plan[1:]
	return fault, f.delay
}

func wait(ctx context.Context, delay time.Duration) error {
	if delay == 0 {
		return ctx.Err()
	}
	timer := time.NewTimer(delay)
	defer timer.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-timer.C:
		return nil
	}
}

// Append implements record.Log with the planned fault.
func (f *Faulty) Append(ctx context.Context, expected int64, c record.Commit, lookups []record.Lookup) error {
	fault, delay := f.next()
	if err := wait(ctx, delay); err != nil {
		return err
	}
	switch fault {
	case WrittenUncertain:
		if err := f.Log.Append(ctx, expected, c, lookups); err != nil {
			return err
		}
		return errors.Join(record.ErrUncertain, ErrBroken)
	case NotWrittenUncertain:
		return errors.Join(record.ErrUncertain, ErrBroken)
	case NotWritten:
		return ErrBroken
	case Conflicts, RivalUncertain:
		if f.Rival != nil {
			if err := f.Rival(ctx, f.Log); err != nil {
				return err
			}
		}
		if fault == Conflicts {
			return record.ErrConflict
		}
		return errors.Join(record.ErrUncertain, ErrBroken)
	case Hangs:
		<-ctx.Done()
		return ctx.Err()
	default:
		return f.Log.Append(ctx, expected, c, lookups)
	}
}

func (f *Faulty) readable(ctx context.Context) error {
	f.mu.Lock()
	unreadable, delay := f.unreadable, f.delay
	f.mu.Unlock()
	if unreadable {
		return ErrBroken
	}
	return wait(ctx, delay)
}

// Head implements record.Log.
func (f *Faulty) Head(ctx context.Context) (record.Head, error) {
	if err := f.readable(ctx); err != nil {
		return record.Head{}, err
	}
	return f.Log.Head(ctx)
}

// ReadCommit implements record.Log.
func (f *Faulty) ReadCommit(ctx context.Context, number int64) (record.Commit, error) {
	if err := f.readable(ctx); err != nil {
		return record.Commit{}, err
	}
	return f.Log.ReadCommit(ctx, number)
}

// Scan implements record.Log.
func (f *Faulty) Scan(ctx context.Context, from, to int64, fn func(seq int64, rec string) error) error {
	if err := f.readable(ctx); err != nil {
		return err
	}
	return f.Log.Scan(ctx, from, to, fn)
}

// Find implements record.Log.
func (f *Faulty) Find(ctx context.Context, q record.Query) ([]record.Stored, record.Cursor, error) {
	if err := f.readable(ctx); err != nil {
		return nil, record.Cursor{}, err
	}
	return f.Log.Find(ctx, q)
}

// Commands implements record.Log.
func (f *Faulty) Commands(ctx context.Context, ids []record.UUID) (map[record.UUID][]record.Stored, error) {
	if err := f.readable(ctx); err != nil {
		return nil, err
	}
	return f.Log.Commands(ctx, ids)
}

// ByID implements record.Log.
func (f *Faulty) ByID(ctx context.Context, ids []record.UUID) (map[record.UUID]record.Stored, error) {
	if err := f.readable(ctx); err != nil {
		return nil, err
	}
	return f.Log.ByID(ctx, ids)
}

// Hashes implements record.Log.
func (f *Faulty) Hashes(ctx context.Context, indexes []int64) ([]tlog.Hash, error) {
	if err := f.readable(ctx); err != nil {
		return nil, err
	}
	return f.Log.Hashes(ctx, indexes)
}
