package plant

import (
	"time"

	"linewarden/internal/record"
)

// giveWay lets another instance that is at work write its commits, and reads them.
func (w *writer) giveWay() {
	found := 0 // commits in a row
	for waited := false; ; waited = true {
		from, until := w.turns.Until()
		if !time.Now().Before(until) {
			if waited && !until.IsZero() {
				w.turns.Nobody()
			}
			return
		}
		// Who finds several commits at once is behind, and reads on.
		at, step := w.turns.Next(from)
		if found < 2 && !w.told.Sleep(w.ctx, max(time.Until(at), step)) {
			return
		}
		if !w.told.WorthAsking(w.head.Commit + 1) {
			found = 0
			continue
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
	commands, until := w.turns.Grow()
	for have+len(w.site.inbox) < commands && time.Now().Before(until) && sleep(w.ctx, 100*time.Microsecond) {
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

// readTold reads the commits that others told of, as far as they follow on what is known, while somebody looks at the
// site. What cannot be read now is read when it is asked for.
func (w *writer) readTold() {
	if !w.site.InUse() || w.site.status.ready() != nil {
		return
	}
	for w.told.Given(w.head.Commit + 1) {
		if _, err := w.readNext(); err != nil {
			return
		}
	}
}
