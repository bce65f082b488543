package alerts_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"linewarden/alerts"
	"linewarden/haccp/alarm"
	"linewarden/internal/memstore"
)

// Backups follow the newest there is, whoever made it: a start makes none before its time, a failure is tried again
// within the hour, a time asleep is caught up once, and an instance that does not run the timetable makes none.
func TestBackupsAreMadeInTheirTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		var mu sync.Mutex
		last, made, fails, mine := w.now().Add(-22*time.Hour), 0, 0, true
		set := func(change func()) {
			mu.Lock()
			defer mu.Unlock()
			change()
		}
		d, err := alerts.NewDesk(alerts.DeskOptions{Site: w.site, Outbox: memstore.NewOutbox(), Clock: w.now, Summaries: w.site, Timetable: w.table.Status,
			Turn: func() (int64, bool) {
				mu.Lock()
				defer mu.Unlock()
				return 0, mine
			},
			Backup: &alerts.Backups{Every: 24 * time.Hour, Last: func(context.Context) (time.Time, error) {
				mu.Lock()
				defer mu.Unlock()
				return last, nil
			},
				Make: func(context.Context) error {
					mu.Lock()
					defer mu.Unlock()
					if fails > 0 {
						fails--
						return errors.New("the disk is full")
					}
					last = w.now()
					made++
					return nil
				}}})
		check(t, err)
		d.Start()
		want := func(when string, n int, outcome string) {
			t.Helper()
			list := d.Jobs()
			mu.Lock()
			defer mu.Unlock()
			if j := list[len(list)-1]; j.Name != alerts.JobBackup || made != n || j.Outcome != outcome || !j.NextRun.After(w.now()) {
				t.Fatalf("%s: %d made, want %d: %+v", when, made, n, j)
			}
		}
		after(time.Hour)
		want("22 h after the last, started an hour ago", 0, "done")
		alert := func() *alarm.Alert {
			a, _ := w.site.View().AlertOf(alarm.Backup)
			return a
		}
		if alert() != nil {
			t.Fatal("an alert, and nothing failed")
		}
		set(func() { fails = 2 })
		after(70 * time.Minute)
		want("due, and no room", 0, "the disk is full")
		if a := alert(); a == nil || a.Severity != alarm.Warning || a.Data["what"] != "the disk is full" {
			t.Fatalf("a backup failed, and the alert is %+v", a)
		}
		first := alert().Since
		after(time.Hour)
		want("tried again, and still no room", 0, "the disk is full")
		if a := alert(); a == nil || !a.Since.Equal(first) {
			t.Fatalf("failed again: %+v, since %s", a, first)
		}
		after(time.Hour)
		want("tried once more", 1, "done")
		if a := alert(); a != nil {
			t.Fatalf("made, and the alert stands: %+v", a)
		}
		after(23 * time.Hour)
		want("not due", 1, "done")
		w.step(80 * time.Hour)
		after(10 * time.Minute)
		want("asleep for days", 2, "done")
		set(func() { mine = false })
		after(48 * time.Hour)
		set(func() {
			if made != 2 {
				t.Errorf("%d made, and another instance runs the timetable", made)
			}
			last, mine = w.now().Add(-time.Hour), true // that one made them meanwhile
		})
		after(10 * time.Minute)
		want("taken over", 2, "done")
		d.Stop()
		w.close()
	})
}
