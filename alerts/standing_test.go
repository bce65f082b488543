package alerts_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"linewarden/alerts"
	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/quantity"
	"linewarden/internal/memstore"
)

// A miss is cured by making the check, not by the next one falling due.
func TestAMissStandsWhileTheNextIsOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		w.begin()
		defer w.end()
		w.line(true)
		until(t, "2026-11-02T09:55:00Z") // due at 09:30, missed at 09:35; the next window opened at 09:45
		if a := w.open(); len(a) != 1 || a[0].Cause != alarm.Missed {
			t.Fatalf("open: %+v", a)
		}
		until(t, "2026-11-02T10:20:00Z") // missed again
		if a := w.open(); len(a) != 1 || a[0].Cause != alarm.Missed || w.count(haccp.KindMissed) != 2 {
			t.Fatalf("open: %+v", a)
		}
		w.knives()
		after(time.Second)
		if a := w.open(); len(a) != 0 {
			t.Fatalf("the check was made and stays: %+v", a)
		}
	})
}

// A thousand control points outside at once are a handful of messages.
func TestStormOfReadingsIsAHandfulOfMessages(t *testing.T) {
	const tables, n = 340, 3 * 340
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", stormPlan(tables), false)
		w.begin()
		defer w.end()
		w.line(true)
		for table := range tables {
			for _, check := range []string{"knife-check", "knife-check-2", "knife-check-3"} {
				w.do(haccp.KindReading, w.now(), technician(), &haccp.Reading{Check: check, Place: fmt.Sprintf("t%d", table), Mode: "hand",
					Entries: []haccp.Entry{{Quantity: "yes_no", Method: "look", Read: quantity.Answer(false)}}})
			}
			time.Sleep(3 * time.Millisecond)
		}
		after(10 * time.Minute)
		raised, got := w.count(haccp.KindAlertRaised), w.floor.said()
		if raised != n || len(got) == 0 || len(got) > 6 {
			t.Fatalf("%d alerts for %d control points outside, %d messages: %v", raised, n, len(got), got)
		}
		t.Logf("%d alerts, %d messages: %v", raised, len(got), got)
	})
}

// Every job says when it last ran, how that went and when it runs next; one that failed is tried again at its next time.
func TestJobsSayHowTheyWent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		signed := 0
		d, err := alerts.NewDesk(alerts.DeskOptions{Site: w.site, Outbox: memstore.NewOutbox(), Clock: w.now, Summaries: w.site, Timetable: w.table.Status,
			Verify: func(context.Context) error { return nil },
			Checkpoint: func(context.Context) error {
				if signed++; signed == 1 {
					return errors.New("the disk is full")
				}
				return nil
			}})
		check(t, err)
		w.table.Start()
		d.Start()
		job := func(name string) alerts.JobState {
			list := d.Jobs()
			return list[slices.IndexFunc(list, func(j alerts.JobState) bool { return j.Name == name })]
		}
		after(time.Second)
		if j := job(alerts.JobCheckpoint); !j.LastRun.IsZero() || !j.NextRun.After(w.now()) {
			t.Fatalf("at once: %+v", j)
		}
		after(3 * time.Minute)
		if j := job(alerts.JobCheckpoint); j.Outcome != "the disk is full" || j.LastRun.IsZero() {
			t.Fatalf("after three minutes: %+v", j)
		}
		if j := job(alerts.JobProof); j.Outcome != "done" || j.NextRun.Sub(j.LastRun) != 24*time.Hour {
			t.Fatalf("proof: %+v", j)
		}
		after(time.Hour)
		if j := job(alerts.JobCheckpoint); j.Outcome != "done" || signed != 2 {
			t.Fatalf("after an hour, signed %d times: %+v", signed, j)
		}
		w.step(5 * time.Hour) // asleep: caught up once
		after(2 * time.Minute)
		if signed != 3 {
			t.Fatalf("signed %d times", signed)
		}
		d.Stop()
		w.close()
	})
}
