// Package alertstest holds the contract of an outbox, for every store that keeps one.
package alertstest

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"time"

	"linewarden/alerts"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// TestOutbox holds an outbox against its contract. open gives an empty one; reopen gives what is left of it
// after the process ended, or nil where it lives in memory.
func TestOutbox(t *testing.T, open func(t *testing.T) (box alerts.Outbox, reopen func() alerts.Outbox)) {
	for name, run := range map[string]func(*testing.T, alerts.Outbox, func() alerts.Outbox){
		"once by id": onceByID, "order and retry": orderAndRetry, "channels": channels, "forget": forget,
	} {
		t.Run(name, func(t *testing.T) {
			box, reopen := open(t)
			run(t, box, reopen)
		})
	}
}

func put(t *testing.T, b alerts.Outbox, site, id, channel string, queued time.Time, want bool) {
	t.Helper()
	is, err := b.Put(context.Background(), site, id, channel, queued, []byte("body of "+id))
	if err != nil || is != want {
		t.Fatalf("put %s %s: %v, %v", site, id, is, err)
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// all gives the messages that Each gives, as text.
func all(t *testing.T, b alerts.Outbox, site string, since time.Time) []string {
	t.Helper()
	var out []string
	must(t, b.Each(context.Background(), site, since, func(id, channel string, queued time.Time, attempts int, sent time.Time, gaveUp, done bool, body []byte) error {
		out = append(out, fmt.Sprintf("%s %s +%s %d sent=%v gave_up=%v done=%v %s", id, channel, queued.Sub(noon), attempts, !sent.IsZero(), gaveUp, done, body))
		return nil
	}))
	return out
}

func onceByID(t *testing.T, b alerts.Outbox, reopen func() alerts.Outbox) {
	ctx := context.Background()
	put(t, b, "one", "a", "mail", noon, true)
	put(t, b, "one", "a", "mail", noon.Add(time.Hour), false)
	put(t, b, "two", "a", "mail", noon, true)
	must(t, b.Sent(ctx, "one", "a", noon.Add(time.Second), false))
	must(t, b.Done(ctx, "one", "a"))
	put(t, b, "one", "a", "mail", noon, false) // even after it was sent
	if reopen != nil {
		b = reopen()
	}
	put(t, b, "one", "a", "mail", noon, false)
	if got := all(t, b, "one", noon.Add(time.Minute)); len(got) != 0 {
		t.Fatalf("done and old: %v", got)
	}
	want := []string{"a mail +0s 1 sent=true gave_up=false done=true body of a"}
	if got := all(t, b, "one", noon); !slices.Equal(got, want) {
		t.Fatalf("%q", got)
	}
	want = []string{"a mail +0s 0 sent=false gave_up=false done=false body of a"}
	if got := all(t, b, "two", noon.Add(time.Hour)); !slices.Equal(got, want) {
		t.Fatalf("%q", got)
	}
}

func orderAndRetry(t *testing.T, b alerts.Outbox, reopen func() alerts.Outbox) {
	ctx := context.Background()
	next := func(wantID string, wantDue time.Time, wantAttempts int) {
		t.Helper()
		id, due, _, attempts, body, err := b.Next(ctx, "one", "mail")
		if err != nil || id != wantID || !due.Equal(wantDue) || attempts != wantAttempts || id != "" && string(body) != "body of "+id {
			t.Fatalf("next is %q at %s after %d attempts: %q %v", id, due, attempts, body, err)
		}
	}
	next("", time.Time{}, 0)
	put(t, b, "one", "b", "mail", noon.Add(time.Second), true)
	put(t, b, "one", "a", "mail", noon, true)
	put(t, b, "one", "c", "hook", noon, true)
	next("a", noon, 0)
	must(t, b.Failed(ctx, "one", "a", noon.Add(5*time.Second), "connection refused"))
	next("b", noon.Add(time.Second), 0)
	must(t, b.Sent(ctx, "one", "b", noon.Add(2*time.Second), false))
	next("a", noon.Add(5*time.Second), 1)
	if reopen != nil {
		b = reopen()
		next("a", noon.Add(5*time.Second), 1)
	}
	must(t, b.Sent(ctx, "one", "a", noon.Add(time.Minute), true))
	must(t, b.Sent(ctx, "one", "a", noon.Add(time.Hour), false)) // the first outcome stands
	must(t, b.Failed(ctx, "one", "a", noon, "late"))
	next("", time.Time{}, 0)
	want := []string{"a mail +0s 1 sent=true gave_up=true done=false body of a", "c hook +0s 0 sent=false gave_up=false done=false body of c",
		"b mail +1s 1 sent=true gave_up=false done=false body of b"}
	if got := all(t, b, "one", noon.Add(time.Hour)); !slices.Equal(got, want) {
		t.Fatalf("%q", got)
	}
}

func channels(t *testing.T, b alerts.Outbox, _ func() alerts.Outbox) {
	ctx := context.Background()
	put(t, b, "one", "a", "mail", noon, true)
	put(t, b, "one", "b", "mail", noon.Add(time.Minute), true)
	put(t, b, "one", "c", "mail", noon.Add(2*time.Minute), true)
	put(t, b, "one", "d", "hook", noon, true)
	put(t, b, "two", "e", "mail", noon, true)
	must(t, b.Sent(ctx, "one", "a", noon.Add(time.Second), false))
	must(t, b.Failed(ctx, "one", "b", noon.Add(3*time.Minute), "first"))
	must(t, b.Failed(ctx, "one", "b", noon.Add(4*time.Minute), "connection refused"))
	must(t, b.Sent(ctx, "one", "d", noon.Add(time.Second), true))
	var got []string
	must(t, b.Channels(ctx, "one", func(channel string, delivered time.Time, waiting int, since time.Time, failure string) error {
		got = append(got, fmt.Sprint(channel, " ", !delivered.IsZero(), waiting, since.Sub(noon) == time.Minute, " ", failure))
		return nil
	}))
	if want := []string{"hook false 0 false ", "mail true 2 true connection refused"}; !slices.Equal(got, want) {
		t.Fatalf("%q", got)
	}
}

func forget(t *testing.T, b alerts.Outbox, _ func() alerts.Outbox) {
	ctx := context.Background()
	for i, id := range []string{"a", "b", "c", "d"} {
		put(t, b, "one", id, "mail", noon.Add(time.Duration(i)*time.Minute), true)
	}
	for _, id := range []string{"a", "b", "d"} {
		must(t, b.Sent(ctx, "one", id, noon.Add(time.Hour), false))
		must(t, b.Done(ctx, "one", id))
	}
	must(t, b.Sent(ctx, "one", "b", noon, false))
	must(t, b.Forget(ctx, "one", noon.Add(3*time.Minute)))
	var left []string
	must(t, b.Each(ctx, "one", noon, func(id, _ string, _ time.Time, _ int, _ time.Time, _, _ bool, _ []byte) error {
		left = append(left, id)
		return nil
	}))
	if !slices.Contains(left, "c") || !slices.Contains(left, "d") {
		t.Fatalf("what waits, and what is young, is kept: %v", left)
	}
	must(t, b.Sent(ctx, "one", "c", noon.Add(2*time.Hour), false))
	must(t, b.Done(ctx, "one", "c"))
	must(t, b.Forget(ctx, "one", noon.Add(time.Hour)))
	if got := all(t, b, "one", noon); len(got) != 1 {
		t.Fatalf("the last message a channel took is kept, and no other: %q", got)
	}
}
