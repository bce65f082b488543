// Package tidings says when a log is worth asking for its next commit, where other instances tell of those they write.
package tidings

import (
	"context"
	"time"

	"linewarden/internal/record"
)

// Tidings are what other instances say of the commits they wrote. Of a log without such instances, and where nothing is
// said, the log is asked. It is for one goroutine.
type Tidings struct {
	log     teller
	Arrived <-chan struct{} // gives something when commits were told of; nil: nobody says anything
	last    time.Time       // when a commit that was told of was last there to be read
	asked   time.Time       // when the log was last asked for a commit that nobody told of
}

// teller is a log whose other writers may tell of commits.
type teller interface {
	// Read takes the look-up entries of the next commit that was read, so that they need not be worked out once more.
	Read(lookups []record.Lookup)
	// Arrived gives something when commits were told of.
	Arrived() <-chan struct{}
	// Given reports that reading a commit once will ask nobody.
	Given(number int64) bool
}

const (
	toldFor  = time.Second           // how long those who told of a commit are trusted to tell of the next
	askApart = 20 * time.Millisecond // while they are, the log is asked so long after it, and after they were heard
)

// Of gives those of a log.
func Of(log record.Log) Tidings {
	l, is := log.(teller)
	if !is {
		return Tidings{}
	}
	return Tidings{log: l, Arrived: l.Arrived()}
}

// Given reports that the commit of this number lies here to be read.
func (t *Tidings) Given(number int64) bool {
	is := t.log != nil && t.log.Given(number)
	if is {
		t.last = time.Now()
	}
	return is
}

// Read hands on the look-up entries of the commit that was read.
func (t *Tidings) Read(lookups []record.Lookup) {
	if t.log != nil {
		t.log.Read(lookups)
	}
}

// WorthAsking reports whether to read the next commit, which lies here or may stand in the log.
func (t *Tidings) WorthAsking(number int64) bool {
	if t.Given(number) {
		return true
	}
	now := time.Now()
	if now.Sub(t.last) < toldFor && (now.Sub(t.last) < askApart || now.Sub(t.asked) < askApart) {
		return false
	}
	t.asked = now
	return true
}

// Sleep waits until somebody tells something, at most for some time, and reports whether the context still stands.
func (t *Tidings) Sleep(ctx context.Context, d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-t.Arrived:
	case <-ctx.Done():
		return false
	}
	return true
}
