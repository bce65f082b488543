// Package accesstest is the contract that every store of accounts keeps.
package accesstest

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"linewarden/internal/access"
)

// t0 has more than milliseconds and a zone, both of which a store drops.
var t0 = time.Date(2026, 3, 4, 5, 6, 7, 123_456_789, time.FixedZone("", 3600))

func kept(t time.Time) time.Time { return t.UTC().Truncate(time.Millisecond) }

// Accounts runs the contract. fresh gives an empty store; reopen gives a second
// view of what the last fresh store holds, as after a restart, or nil where a
// store does not outlive the process.
func Accounts(t *testing.T, fresh func(*testing.T) access.Accounts, reopen func(*testing.T) access.Accounts) {
	t.Run("credentials", func(t *testing.T) { credentials(t, fresh(t)) })
	t.Run("credential dropped once", func(t *testing.T) { droppedOnce(t, fresh(t)) })
	t.Run("credential replaced once", func(t *testing.T) { replacedOnce(t, fresh(t)) })
	t.Run("sessions", func(t *testing.T) { sessions(t, fresh(t)) })
	t.Run("sessions of person and device", func(t *testing.T) { sessionGroups(t, fresh(t)) })
	t.Run("counters", func(t *testing.T) { counters(t, fresh(t)) })
	t.Run("grants", func(t *testing.T) { grants(t, fresh(t)) })
	t.Run("ends of grants", func(t *testing.T) { grantEnds(t, fresh(t)) })
	if reopen != nil {
		t.Run("survives a restart", func(t *testing.T) { restart(t, fresh, reopen) })
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func wantSecret(t *testing.T, s access.Credentials, kind, owner, want string, at time.Time) {
	t.Helper()
	secret, set, found, err := s.Credential(t.Context(), kind, owner)
	must(t, err)
	if secret != want || found != (want != "") || (found && !set.Equal(kept(at))) || set.Location() != time.UTC {
		t.Errorf("credential %s of %s: %q at %v, found %v; want %q at %v", kind, owner, secret, set, found, want, kept(at))
	}
}

func credentials(t *testing.T, s access.Accounts) {
	ctx := t.Context()
	later := t0.Add(time.Hour)
	wantSecret(t, s, "password", "ana", "", t0)
	must(t, s.SetCredential(ctx, "password", "ana", "one", t0))
	must(t, s.SetCredential(ctx, "pin", "ana", "two", t0))
	must(t, s.SetCredential(ctx, "password", "an", "three", t0))
	wantSecret(t, s, "password", "ana", "one", t0)
	must(t, s.SetCredential(ctx, "password", "ana", "four", later))
	wantSecret(t, s, "password", "ana", "four", later)
	wantSecret(t, s, "pin", "ana", "two", t0)
	wantSecret(t, s, "password", "an", "three", t0)

	for _, c := range []struct {
		owner, was string
		want       bool
	}{{"ana", "one", false}, {"nobody", "", false}, {"ana", "", false}, {"ana", "four", true}} {
		ok, err := s.ReplaceCredential(ctx, "password", c.owner, c.was, "five", later)
		must(t, err)
		if ok != c.want {
			t.Errorf("replace %q of %s: %v, want %v", c.was, c.owner, ok, c.want)
		}
	}
	wantSecret(t, s, "password", "nobody", "", t0)
	wantSecret(t, s, "password", "ana", "five", later)

	for _, c := range []struct {
		owner, was string
		want       bool
	}{{"ana", "four", false}, {"nobody", "", false}, {"ana", "five", true}, {"ana", "five", false}, {"an", "", true}} {
		ok, err := s.DropCredential(ctx, "password", c.owner, c.was)
		must(t, err)
		if ok != c.want {
			t.Errorf("drop %q of %s: %v, want %v", c.was, c.owner, ok, c.want)
		}
	}
	wantSecret(t, s, "password", "ana", "", t0)
	wantSecret(t, s, "pin", "ana", "two", t0)
}

// race runs f in many goroutines and counts how often it says true.
func race(t *testing.T, f func(i int) (bool, error)) int {
	t.Helper()
	var wg sync.WaitGroup
	var mu sync.Mutex
	won := 0
	for i := range 16 {
		wg.Go(func() {
			ok, err := f(i)
			mu.Lock()
			defer mu.Unlock()
			if err != nil {
				t.Error(err)
			}
			if ok {
				won++
			}
		})
	}
	wg.Wait()
	return won
}

func droppedOnce(t *testing.T, s access.Accounts) {
	ctx := t.Context()
	must(t, s.SetCredential(ctx, "setup", "ana", "code", t0))
	won := race(t, func(int) (bool, error) { return s.DropCredential(ctx, "setup", "ana", "code") })
	if won != 1 {
		t.Errorf("%d callers dropped the one credential, want 1", won)
	}
}

func replacedOnce(t *testing.T, s access.Accounts) {
	ctx := t.Context()
	must(t, s.SetCredential(ctx, "password", "ana", "old", t0))
	won := race(t, func(i int) (bool, error) {
		return s.ReplaceCredential(ctx, "password", "ana", "old", fmt.Sprint("new", i), t0)
	})
	if won != 1 {
		t.Errorf("%d callers replaced the one credential, want 1", won)
	}
}

func wantSession(t *testing.T, s access.Sessions, hash, want string, used time.Time) {
	t.Helper()
	person, device, known, began, u, ends, found, err := s.Session(t.Context(), hash)
	must(t, err)
	got := fmt.Sprint(person, "|", device, "|", known)
	if found != (want != "") || (found && got != want) {
		t.Fatalf("session %s: %s, found %v; want %q", hash, got, found, want)
	}
	if !found {
		return
	}
	if !began.Equal(kept(t0)) || !u.Equal(kept(used)) || !ends.Equal(kept(t0.Add(time.Hour))) || ends.Location() != time.UTC {
		t.Errorf("session %s: began %v, used %v, ends %v; want used %v", hash, began, u, ends, kept(used))
	}
}

func sessions(t *testing.T, s access.Accounts) {
	ctx := t.Context()
	wantSession(t, s, "h1", "", t0)
	must(t, s.AddSession(ctx, "h1", "ana", "", "password", t0, t0.Add(time.Hour)))
	must(t, s.AddSession(ctx, "h2", "ana", "tab", "PIN", t0, t0.Add(time.Hour)))
	if err := s.AddSession(ctx, "h1", "eve", "", "password", t0, t0.Add(time.Hour)); err == nil {
		t.Error("the same hash was added twice")
	}
	wantSession(t, s, "h1", "ana||password", t0)
	wantSession(t, s, "h2", "ana|tab|PIN", t0)

	for _, c := range []struct {
		hash string
		used time.Time
		want bool
	}{{"h1", t0.Add(time.Minute), true}, {"h1", t0, true}, {"h3", t0, false}} {
		found, err := s.TouchSession(ctx, c.hash, c.used)
		must(t, err)
		if found != c.want {
			t.Errorf("touch %s: %v, want %v", c.hash, found, c.want)
		}
	}
	wantSession(t, s, "h1", "ana||password", t0.Add(time.Minute))
	wantSession(t, s, "h3", "", t0)

	must(t, s.EndSession(ctx, "h1"))
	must(t, s.EndSession(ctx, "h1"))
	wantSession(t, s, "h1", "", t0)

	n, err := s.SweepSessions(ctx, t0.Add(time.Hour-time.Minute))
	must(t, err)
	wantSession(t, s, "h2", "ana|tab|PIN", t0)
	m, err := s.SweepSessions(ctx, t0.Add(time.Hour))
	must(t, err)
	if n != 0 || m != 1 {
		t.Errorf("swept %d, then %d; want 0, then 1", n, m)
	}
	wantSession(t, s, "h2", "", t0)
}

func sessionGroups(t *testing.T, s access.Accounts) {
	ctx := t.Context()
	for hash, pd := range map[string][2]string{
		"a": {"ana", ""}, "b": {"ana", "t1"}, "c": {"ana", "t2"}, "d": {"bo", "t1"}, "e": {"bo", ""}, "f": {"cy", "t2"},
	} {
		must(t, s.AddSession(ctx, hash, pd[0], pd[1], "PIN", t0, t0.Add(time.Hour)))
	}
	if n, err := s.EndSessions(ctx, "", ""); err == nil || n != 0 {
		t.Errorf("ended %d sessions of nobody, error %v; want an error", n, err)
	}
	for _, c := range []struct {
		person, device string
		ended          int
		left           string
	}{
		{"ana", "t1", 1, "acdef"},
		{"", "t1", 1, "acef"},
		{"ana", "", 2, "ef"},
		{"zoe", "", 0, "ef"},
	} {
		n, err := s.EndSessions(ctx, c.person, c.device)
		must(t, err)
		var left strings.Builder
		for _, hash := range []string{"a", "b", "c", "d", "e", "f"} {
			_, _, _, _, _, _, found, err := s.Session(ctx, hash)
			must(t, err)
			if found {
				left.WriteString(hash)
			}
		}
		if n != c.ended || left.String() != c.left {
			t.Errorf("end %q on %q: %d ended, %s left; want %d, %s", c.person, c.device, n, left.String(), c.ended, c.left)
		}
	}
}

func wantCounter(t *testing.T, s access.Counters, subject, place string, want string) {
	t.Helper()
	recent, total, first, last, until, err := s.Counter(t.Context(), subject, place)
	must(t, err)
	var got strings.Builder
	fmt.Fprint(&got, recent, total)
	for _, at := range []time.Time{first, last, until} {
		if at.IsZero() {
			got.WriteString(" -")
		} else {
			got.WriteString(" " + at.Sub(kept(t0)).String())
		}
	}
	if got.String() != want {
		t.Errorf("counter %s at %q: %s, want %s", subject, place, got.String(), want)
	}
}

func counters(t *testing.T, s access.Accounts) {
	ctx := t.Context()
	zero := time.Time{}
	wantCounter(t, s, "p", "", "0 0 - - -")
	must(t, s.SetCounter(ctx, "p", "", 2, 7, t0, t0.Add(time.Second), zero))
	must(t, s.SetCounter(ctx, "p", "t1", 1, 1, t0, t0, t0.Add(time.Hour)))
	must(t, s.SetCounter(ctx, "q", "", 1, 1, t0, t0, zero))
	wantCounter(t, s, "p", "", "2 7 0s 1s -")
	must(t, s.SetCounter(ctx, "p", "", 3, 8, t0, t0.Add(2*time.Second), zero))
	wantCounter(t, s, "p", "", "3 8 0s 2s -")
	wantCounter(t, s, "p", "t1", "1 1 0s 0s 1h0m0s")

	must(t, s.SweepCounters(ctx, t0.Add(2*time.Second)))
	wantCounter(t, s, "p", "", "3 8 0s 2s -")
	wantCounter(t, s, "p", "t1", "1 1 0s 0s 1h0m0s")
	wantCounter(t, s, "q", "", "0 0 - - -")

	must(t, s.SetCounter(ctx, "q", "", 1, 1, t0, t0, zero))
	must(t, s.DropCounters(ctx, "p"))
	must(t, s.DropCounters(ctx, "p"))
	wantCounter(t, s, "p", "", "0 0 - - -")
	wantCounter(t, s, "p", "t1", "0 0 - - -")
	wantCounter(t, s, "q", "", "1 1 0s 0s -")
}

func restart(t *testing.T, fresh, reopen func(*testing.T) access.Accounts) {
	s, ctx := fresh(t), t.Context()
	must(t, s.SetCredential(ctx, "password", "ana", "one", t0))
	must(t, s.AddSession(ctx, "h", "ana", "", "password", t0, t0.Add(time.Hour)))
	must(t, s.SetCounter(ctx, "p", "", 2, 7, t0, t0, t0))
	must(t, s.AddGrant(ctx, "g", "h", "ana", "t1", "PIN", t0, t0.Add(time.Hour)))
	again := reopen(t)
	wantGrant(t, again, "g", "ana|t1|PIN", t0.Add(time.Hour))
	wantSecret(t, again, "password", "ana", "one", t0)
	wantSession(t, again, "h", "ana||password", t0)
	wantCounter(t, again, "p", "", "2 7 0s 0s 0s")
}
