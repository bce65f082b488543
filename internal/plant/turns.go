package plant

import (
	"time"

	"linewarden/internal/record"
)

// turns shares a log out among instances that all write to it. Whoever has just written could write again
// before another instance has read that commit, and would keep it out for ever; and where each writes one commit and
// waits for the next one of the other, both stand still most of the time. So an instance under load writes some
// commits in a row, each of which says that more follows (record.Commit.More); who reads that lets it, follows and
// fills its own batch meanwhile. The last commit of a turn does not say so, and its writer lets others go first, for
// a few times as long as a commit takes. Whoever always loses cannot make itself known: on a shared store an instance
// under load therefore ends its turn every now and then, whether it knows of any other or not. Without load nobody
// ever waits. All this is courtesy: what is written when is up to the store, and an instance that keeps to none of
// it harms nobody but the others' speed.
type turns struct {
	shared bool
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

// more decides whether a commit about to be written says that more follows, from the commands in it and those that
// wait already. Between two large commits there is often a small one.
func (t *turns) more(commands, waiting int) bool {
	now := time.Now()
	busy := commands+waiting > 1 || t.batch > 1 && now.Sub(t.own) < 2*t.took
	if t.batch = commands; t.own.IsZero() {
		t.began = now
	}
	t.over = now.Sub(t.began) > min(max(turnLeast, turnOf*t.took), turnMost)
	if now.Sub(t.other) > otherFor { // nobody is known of
		t.over = now.Sub(t.asked) > t.every
	}
	t.ended = !t.shared || !busy || t.over
	return !t.ended
}

func (t *turns) wrote(began time.Time) {
	t.own, t.lost, t.since = time.Now(), 0, time.Time{}
	took := t.own.Sub(began)
	if t.took == 0 {
		t.took = took
	}
	t.took += (took - t.took) / 4
}

func (t *turns) read(more bool) {
	t.other, t.own, t.every, t.theirs = time.Now(), time.Time{}, 0, more
}

// nobody notes that nobody came.
func (t *turns) nobody() {
	t.began = time.Now()
	if !t.own.IsZero() {
		t.asked = t.began
		t.every = min(max(askEvery, 2*t.every), askMost)
	}
	t.other, t.theirs = time.Time{}, false
}

// until is the moment up to which another instance is let go first, and when that began.
func (t *turns) until() (from, until time.Time) {
	now := time.Now()
	wait := min(waitFor*t.took, waitMost)
	switch {
	case !t.shared:
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

// giveWay lets another instance that is at work write its commits, and reads them.
func (w *writer) giveWay() {
	step := max(w.turns.took/3, 100*time.Microsecond)
	found := 0 // commits in a row
	for waited := false; ; waited = true {
		from, until := w.turns.until()
		if !time.Now().Before(until) {
			if waited && !until.IsZero() {
				w.turns.nobody()
			}
			return
		}
		// The next commit comes after as long as one takes; who finds several at once is behind, and reads on.
		if pause := max(time.Until(from.Add(w.turns.took/2)), step); found < 2 && !sleep(w.ctx, pause) {
			return
		}
		more, err := w.readNext()
		if err != nil {
			return // it shows again where the batch is appended
		}
		if found++; !more {
			found = 0
		}
	}
}

// swell lets the batch of an instance that has the turn grow to most of the one before: whoever was answered then is
// about to come again, and each commit has to be read by all others.
func (w *writer) swell(have int) {
	t := &w.turns
	if !t.shared || t.own.IsZero() || time.Since(t.other) > otherFor {
		return
	}
	until := t.own.Add(min(t.took/2, gatherMost))
	for have+len(w.site.inbox) < t.batch*3/4 && time.Now().Before(until) && sleep(w.ctx, 100*time.Microsecond) {
	}
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
