package alerts

import (
	"context"
	"errors"
	"time"

	"linewarden/alerts/notify"
)

// errLater says that a job could not be done yet and is tried at the next tick.
var errLater = errors.New("not yet")

// The jobs that the desk does by the clock alone, beside the sweep.
const (
	JobStanding   = "standing"   // what stands is posted again, and the heartbeat
	JobSummaries  = "summaries"  // of shift and day
	JobProof      = "proof"      // that the record log verifies
	JobCheckpoint = "checkpoint" // the head of the log is signed
	JobClearing   = "clearing"   // of messages that were sent long ago
)

// How often a job runs. One whose time passed while the service was stopped or asleep runs once after that.
var jobEvery = map[string]time.Duration{JobStanding: fullEvery, JobSummaries: fullEvery, JobProof: verifyEvery, JobCheckpoint: time.Hour, JobClearing: time.Hour}

// JobState is what a job did last and when it runs next.
type JobState struct {
	Name    string
	LastRun time.Time // zero: not since the start
	Outcome string    // "done", or why it failed
	NextRun time.Time
}

// Jobs gives how every job stands, in the order in which they are done; that of backups has its own time.
func (d *Desk) Jobs() []JobState {
	d.mu.Lock()
	defer d.mu.Unlock()
	var out []JobState
	names := d.jobNames()
	if d.opt.Backup != nil {
		names = append(names, JobBackup)
	}
	for _, name := range names {
		j := d.jobs[name]
		j.Name = name
		if j.NextRun.IsZero() {
			j.NextRun = d.firstRun(name)
		}
		out = append(out, j)
	}
	return out
}

// jobNames lists what minutely does.
func (d *Desk) jobNames() []string {
	names := []string{JobStanding, JobSummaries, JobClearing}
	if d.opt.Verify != nil {
		names = append(names, JobProof)
	}
	if d.opt.Checkpoint != nil {
		names = append(names, JobCheckpoint)
	}
	return names
}

// firstRun is when a job runs first after a start: when what needs the machine at once is done.
func (d *Desk) firstRun(name string) time.Time {
	if name == JobProof || name == JobCheckpoint || name == JobBackup {
		return d.born.Add(firstProof)
	}
	return d.born
}

// minutely does what is due by the clock alone, where this instance does it.
func (d *Desk) minutely(ctx context.Context) {
	work := map[string]func(context.Context) error{JobStanding: d.stand, JobSummaries: d.summaries, JobProof: d.prove, JobCheckpoint: d.opt.Checkpoint,
		JobClearing: func(ctx context.Context) error {
			return d.opt.Outbox.Forget(ctx, d.site, d.opt.Clock().Add(-keepSent))
		}}
	tick := time.NewTicker(fullEvery)
	defer tick.Stop()
	for {
		if d.active() {
			for _, name := range d.jobNames() {
				if d.jobDue(name) && ctx.Err() == nil {
					d.jobDone(ctx, name, work[name](ctx))
				}
			}
			if _, err := d.Channels(ctx); err != nil && ctx.Err() == nil { // for the metrics
				d.opt.Logger.Warn("the outbox cannot be read", "error", err)
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

// jobDue reports whether a job is to be done now; after a clock that stepped back it is.
func (d *Desk) jobDue(name string) bool {
	now := d.opt.Clock()
	d.mu.Lock()
	defer d.mu.Unlock()
	j := d.jobs[name]
	if j.LastRun.IsZero() {
		return !now.Before(d.firstRun(name))
	}
	passed := now.Sub(j.LastRun)
	return passed >= d.every(name, j.Outcome)-time.Second || passed < 0 // a tick may come a little early
}

func (d *Desk) jobDone(ctx context.Context, name string, err error) {
	if ctx.Err() != nil || errors.Is(err, errLater) {
		return
	}
	now := d.opt.Clock()
	j := JobState{LastRun: now, Outcome: "done"}
	if err != nil {
		j.Outcome = notify.Failure(err)
		d.metrics.jobFailures.WithLabelValues(name).Inc()
		d.opt.Logger.Warn("a job of the timetable failed; it is tried again at its next time", "job", name, "why", j.Outcome)
	}
	j.NextRun = now.Add(d.every(name, j.Outcome))
	d.metrics.jobRan.WithLabelValues(name).Set(float64(now.Unix()))
	d.mu.Lock()
	defer d.mu.Unlock()
	d.jobs[name] = j
	switch {
	case name != JobBackup:
	case err == nil:
		d.noBackup = time.Time{}
	case d.noBackup.IsZero():
		d.noBackup = now
	}
}
