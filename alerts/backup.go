package alerts

import (
	"context"
	"time"
)

// JobBackup is the job that keeps backups of the record log.
const JobBackup = "backup"

// backupAgain is how long after a failure a backup is tried again, where it is not due earlier.
const backupAgain = time.Hour

// Backups makes a backup every so often. Last tells when the newest one was made, by whichever instance and before
// whichever start, so that a restart makes none and a time that was missed is caught up once.
type Backups struct {
	Every time.Duration
	Last  func(ctx context.Context) (time.Time, error) // zero: never
	Make  func(ctx context.Context) error
}

// backups makes backups when they are due, where this instance runs the timetable. It has a goroutine of its own: a
// slow disk must not hold up the heartbeat.
func (d *Desk) backups(ctx context.Context) {
	tick := time.NewTicker(fullEvery)
	defer tick.Stop()
	for {
		if d.active() && d.jobDue(JobBackup) {
			d.jobDone(ctx, JobBackup, d.backUp(ctx))
		}
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
	}
}

func (d *Desk) backUp(ctx context.Context) error {
	last, err := d.opt.Backup.Last(ctx)
	if err != nil {
		return err
	}
	passed := d.opt.Clock().Sub(last)
	if last.IsZero() || passed < 0 || passed >= d.opt.Backup.Every-time.Second {
		return d.opt.Backup.Make(ctx)
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	j := d.jobs[JobBackup]
	if j.LastRun.Before(last) {
		j.LastRun, j.Outcome = last, "done"
	}
	j.NextRun = last.Add(d.opt.Backup.Every)
	d.jobs[JobBackup] = j
	return errLater
}

// every is how long after its last run a job runs again.
func (d *Desk) every(name, outcome string) time.Duration {
	if name != JobBackup {
		return jobEvery[name]
	}
	if outcome != "done" {
		return min(backupAgain, d.opt.Backup.Every)
	}
	return d.opt.Backup.Every
}
