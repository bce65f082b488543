// Package turns says when one of several instances that write to one log lets the others go first.
package turns

import "time"

// Turns share a log out among instances that all write to it. Whoever has just written could write again
// before another instance has read that commit, and would keep it out for ever; and where each writes one commit and
// waits for the next one of the other, both stand still most of the time. So an instance under load writes some
// commits in a row, each of which says that more follows (record.Commit.More); who reads that lets it, follows and
// fills its own batch meanwhile. The last commit of a turn does not say so, and its writer lets others go first, for
// a few times as long as a commit takes. Whoever always loses cannot make itself known: on a shared store an instance
// under load therefore ends its turn every now and then, whether it knows of any other or not. Without load nobody
// ever waits. All this is courtesy: what is written when is up to the store, and an instance that keeps to none of
// it harms nobody but the others' speed.
// The zero value is for a store that one process owns, where nobody is ever waited for. It is for one goroutine.
type Turns struct {
	Shared bool          // other instances may write to the log
	other  time.Time     // when a commit of another instance was last read
	theirs bool          // that commit said that more follows
	since  time.Time     // since when they are let go first
	own    time.Time     // when the last commit of our own was written; zero: another one came after it
	began  time.Time     // when our turn began: its first commit
	ended  bool          // our last commit said that nothing follows,
	over   bool          // and that because our turn was over
	took   time.Duration // smoothed time from deciding to written
	batch  int           // commands in the last commit of our own
	lost   int           // conflicts since the last commit of our own
	asked  time.Time     // when others were let go first and nobody came
	every  time.Duration // after which they are let go first again
}

const (
	turnOf    = 25                    // a turn is so many times as long as a commit takes,
	turnLeast = 50 * time.Millisecond // within these bounds
	turnMost  = 400 * time.Millisecond

	otherFor    = time.Second             // how long another instance counts as at work
	askEvery    = 200 * time.Millisecond  // after which an instance alone at work lets others go first
	askMost     = 1600 * time.Millisecond // which is doubled up to this each time that nobody comes
	askFor      = 6                       // for so many times as long as a commit takes,
	askLongest  = 50 * time.Millisecond   // at most this
	waitFor     = 12                      // so many times as long as a commit takes one that is at work is waited for
	waitMost    = 250 * time.Millisecond  // without a commit of it, at most this
	longestTurn = time.Second             // after which somebody else's turn counts as over
	gatherMost  = 5 * time.Millisecond    // how long a batch is let grow
)

// More decides whether a commit about to be written says that more follows, from the commands in it and those that
// wait already. Between two large commits there is often a small one.
func (t *Turns) More(commands, waiting int) bool {
	now := time.Now()
	busy := commands+waiting > 1 || t.batch > 1 && now.Sub(t.own) < 2*t.took
	if t.batch = commands; t.own.IsZero() {
		t.began = now
	}
	t.over = now.Sub(t.began) > min(max(turnLeast, turnOf*t.took), turnMost)
	if now.Sub(t.other) > otherFor { // nobody is known of
		t.over = now.Sub(t.asked) > t.every
	}
	t.ended = !t.Shared || !busy || t.over
	return !t.ended
}

// Wrote notes a commit of our own that was begun at a time.
func (t *Turns) Wrote(began time.Time) {
	t.own, t.lost, t.since = time.Now(), 0, time.Time{}
	took := t.own.Sub(began)
	if t.took == 0 {
		t.took = took
	}
	t.took += (took - t.took) / 4
}

// Read notes a commit of another instance, and what it says of more.
func (t *Turns) Read(more bool) {
	t.other, t.own, t.every, t.theirs = time.Now(), time.Time{}, 0, more
}

// Nobody notes that nobody came.
func (t *Turns) Nobody() {
	t.began = time.Now()
	if !t.own.IsZero() {
		t.asked = t.began
		t.every = min(max(askEvery, 2*t.every), askMost)
	}
	t.other, t.theirs = time.Time{}, false
}

// Until is the moment up to which another instance is let go first, and when that began.
func (t *Turns) Until() (from, until time.Time) {
	now := time.Now()
	wait := min(waitFor*t.took, waitMost)
	switch {
	case !t.Shared:
		return from, until
	case t.own.IsZero() && t.theirs:
		if t.since.IsZero() {
			t.since = now
		}
		until = t.other.Add(wait)
		if last := t.since.Add(longestTurn); until.After(last) {
			until = last
		}
		return t.other, until
	case t.own.IsZero() || !t.ended:
		return from, until
	case now.Sub(t.other) <= otherFor && t.over:
		return t.own, t.own.Add(wait)
	case now.Sub(t.other) <= otherFor: // nothing more waited here: somebody else may have begun
		return t.own, t.own.Add(min(2*t.took, wait))
	case now.Sub(t.asked) < t.every:
		return from, until
	}
	return t.own, t.own.Add(min(askFor*t.took, askLongest))
}

// Lost counts one more conflict and gives those since the last commit of our own.
func (t *Turns) Lost() int {
	t.lost++
	return t.lost
}

// Next is when somebody who wrote or was read at a time may have written again, and how often to look from then on.
func (t *Turns) Next(from time.Time) (at time.Time, step time.Duration) {
	return from.Add(t.took / 2), max(t.took/3, 100*time.Microsecond)
}

// Grow gives the commands up to which the next batch is let grow, and until when; 0 where it is not.
func (t *Turns) Grow() (commands int, until time.Time) {
	if !t.Shared || t.own.IsZero() || time.Since(t.other) > otherFor {
		return 0, until
	}
	return t.batch * 3 / 4, t.own.Add(min(t.took/2, gatherMost))
}
