package access

import (
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"
)

func TestLockRules(t *testing.T) {
	r := LockRules{Failures: 5, Pauses: 3, Window: 15 * time.Minute, For: 10 * time.Minute, Longest: 25 * time.Minute, Final: 18}
	type step struct {
		after  time.Duration // since the step before
		wait   time.Duration // how long the attempt would have to wait; 0: it is made, and fails
		locked time.Duration // a lock of this length begins
	}
	const s, m = time.Second, time.Minute
	for name, steps := range map[string][]step{
		"five in a row": {
			{}, {}, {}, {0, 2 * s, 0}, {s, s, 0}, {s, 0, 0}, {0, 4 * s, 0}, {4 * s, 0, 10 * m}, {0, 10 * m, 0}, {9*m + 59*s, s, 0}, {s, 0, 0},
		},
		"spread over more than a window": {
			{}, {4 * m, 0, 0}, {4 * m, 0, 0}, {4 * m, 0, 0}, {3 * m, 0, 0}, {4 * m, 0, 0}, {4 * m, 0, 0}, {4 * m, 0, 0},
		},
		"each lock twice as long, up to the longest, then for good": {
			{}, {}, {}, {2 * s, 0, 0}, {4 * s, 0, 10 * m},
			{10 * m, 0, 0}, {}, {}, {2 * s, 0, 0}, {4 * s, 0, 20 * m},
			{20 * m, 0, 0}, {}, {}, {2 * s, 0, 0}, {4 * s, 0, 25 * m},
			{25 * m, 0, 0}, {}, {0, 0, -1}, {1000 * time.Hour, 24 * time.Hour, 0},
		},
		"clock stepped back": {
			{}, {}, {}, {-time.Hour, 2 * s, 0}, {time.Hour + 2*s, 0, 0}, {4 * s, 0, 10 * m}, {-time.Hour, 70 * m, 0}, {70 * m, 0, 0},
		},
	} {
		t.Run(name, func(t *testing.T) {
			at, n := t0, tally{}
			for i, st := range steps {
				at = at.Add(st.after)
				if got := r.wait(n, at); got != st.wait {
					t.Fatalf("step %d: wait %v, want %v (%+v)", i, got, st.wait, n)
				}
				if st.wait > 0 {
					continue
				}
				var began bool
				n, began = r.fail(r.charge(n, at), at)
				want := at.Add(st.locked)
				if st.locked < 0 {
					want = forever
				}
				if began != (st.locked != 0) || (began && !n.until.Equal(want)) {
					t.Fatalf("step %d: lock %v until %v, want %v", i, began, n.until, st.locked)
				}
			}
		})
	}
}

func TestAttemptsUnderWayAreCounted(t *testing.T) {
	r := LockRules{Failures: 3, Window: 10 * time.Minute, For: time.Minute, Longest: time.Minute}
	var n tally
	for range 3 { // begun, none settled yet
		if w := r.wait(n, t0); w != 0 {
			t.Fatalf("wait %v before the third", w)
		}
		n = r.charge(n, t0)
	}
	if w := r.wait(n, t0.Add(time.Minute)); w != 9*time.Minute {
		t.Errorf("wait %v, want until the window ends", w)
	}
	if n, began := r.fail(tally{}, t0); began || n.recent != 1 || n.total != 1 || !n.first.Equal(t0) {
		t.Errorf("a failure settled after the count was cleared: %+v, lock %v; want it counted anew", n, began)
	}
	if n := (tally{}).refund(); n.recent != 0 || n.total != 0 {
		t.Errorf("taken back from nothing: %+v", n)
	}
}

// what an attempt answers, as the person sees it.
func answer(err error) string {
	if w, ok := errors.AsType[*Wait](err); ok {
		return fmt.Sprint(w.Err, " ", w.After)
	}
	return fmt.Sprint(err)
}

func TestLockTellsNothingOfTheName(t *testing.T) {
	s := ready(t)
	s.people.persons["p-cy"] = Person{ID: "p-cy", Name: "Cyan Oduya", SignIn: "cy"} // has no password
	s.people.disable("p-bo")
	var answers []string
	for i, name := range []string{"ana", "bo", "cy", "nobody"} {
		s.address.Address = fmt.Sprintf("192.0.2.%d", 10+i)
		var got string
		for n := range 12 {
			_, err := s.signIn(name, "wrong words all along", t0.Add(time.Duration(n)*2*time.Second))
			got += answer(err) + "; "
		}
		answers = append(answers, got)
	}
	for _, got := range answers[1:] {
		if got != answers[0] {
			t.Errorf("answers differ:\n%s\n%s", answers[0], got)
		}
	}
	if got := s.heard(); got != "signin.locked signin.locked signin.locked" {
		t.Errorf("reported %s; want one lock for each person there is", got)
	}
}

func TestLockedThenUnlocked(t *testing.T) {
	s := ready(t)
	at := t0
	for range 3 {
		_, err := s.signIn("ana", "wrong words all along", at)
		wantErr(t, "wrong password", err, ErrSignIn)
	}
	_, err := s.signIn("ana", anaPassword, at)
	wantErr(t, "at once after three", err, ErrLocked)
	at = at.Add(2 * time.Second)
	_, err = s.signIn("ana", "wrong words all along", at)
	wantErr(t, "wrong password", err, ErrSignIn)
	at = at.Add(4 * time.Second)
	_, err = s.signIn("ana", "wrong words all along", at)
	wantErr(t, "fifth", err, ErrSignIn)
	if len(s.told) != 1 || s.told[0].Person != "p-ana" || !s.told[0].Until.Equal(at.Add(15*time.Minute)) || s.told[0].ID == "" {
		t.Errorf("told %+v; want one lock of ana", s.told)
	}
	_, err = s.signIn("ana", anaPassword, at.Add(14*time.Minute))
	wantErr(t, "right password during the lock", err, ErrLocked)
	wantErr(t, "signature during the lock", s.Reauthenticate(t.Context(), "p-ana", anaPassword, s.address, at), ErrLocked)
	s.mustSignIn("bo", boPassword, at)

	wantErr(t, "unlock of nobody", s.Unlock(t.Context(), "p-admin", "p-none", at), ErrUnknown)
	if err := s.Unlock(t.Context(), "p-admin", "p-ana", at); err != nil {
		t.Fatal(err)
	}
	if h := s.told[len(s.told)-1]; h.Kind != CredentialChanged || h.What != WhatUnlock || h.By != "p-admin" || h.Person != "p-ana" {
		t.Errorf("unlocking was told as %+v", h)
	}
	s.mustSignIn("ana", anaPassword, at)
}

func TestSuccessClearsTheCountOfThePersonOnly(t *testing.T) {
	s := ready(t)
	for i := range 10 {
		for range 2 {
			_, err := s.signIn("ana", "wrong words all along", t0)
			wantErr(t, fmt.Sprint("wrong password in round ", i), err, ErrSignIn)
		}
		if i < 9 {
			s.mustSignIn("ana", anaPassword, t0)
		}
	}
	_, err := s.signIn("bo", boPassword, t0)
	wantErr(t, "after twenty failures from the address, whoever signed in between", err, ErrLocked)
}

// A person locked from outside still gets in at an enrolled tablet, and the
// other way round.
func TestLockFromOutsideLeavesTheTablet(t *testing.T) {
	s := ready(t)
	tab := Source{DeviceToken: s.tablet().Token}
	for _, wrong := range []Source{s.address, tab} {
		at := t0
		for range 5 {
			_, err := s.SignIn(t.Context(), "ana", "wrong words all along", wrong, at)
			wantErr(t, "wrong password", err, ErrSignIn)
			at = at.Add(10 * time.Second)
		}
		_, err := s.SignIn(t.Context(), "ana", anaPassword, wrong, at)
		wantErr(t, "locked side", err, ErrLocked)
		other := tab
		if wrong == tab {
			other = Source{Address: "203.0.113.9"}
			if err := s.Unlock(t.Context(), "p-admin", "p-ana", at); err != nil {
				t.Fatal(err)
			}
		}
		if _, err := s.SignIn(t.Context(), "ana", anaPassword, other, at); err != nil {
			t.Errorf("other side: %v", err)
		}
	}
	// A token that is no good is no device.
	_, err := s.SignIn(t.Context(), "ana", anaPassword, Source{DeviceToken: tab.DeviceToken + "x", Address: "192.0.2.99"}, t0)
	if err != nil {
		t.Errorf("with an altered device token and the right password: %v", err)
	}
}

func TestAddressIsLockedAcrossNames(t *testing.T) {
	s := ready(t)
	s.address.Address = "[2001:db8:1:2:aaaa::1]:4711"
	at := t0
	for i := range 20 {
		if h := s.heard(); h != "" {
			t.Errorf("told %s before the address is locked", h)
		}
		at = at.Add(30 * time.Second)
		_, err := s.signIn(fmt.Sprint("guess", i), "wrong words all along", at)
		wantErr(t, "guess", err, ErrSignIn)
	}
	if len(s.told) != 1 || s.told[0].Kind != SignInLocked || s.told[0].Person != "" || s.told[0].Address != "2001:db8:1:2::/64" {
		t.Errorf("told %+v; want one lock of the network", s.told)
	}
	s.address.Address = "2001:db8:1:2:bbbb::2" // a neighbour in the same network
	_, err := s.signIn("ana", anaPassword, at)
	wantErr(t, "same network", err, ErrLocked)
	s.address.Address = "2001:db8:1:3::1"
	s.mustSignIn("ana", anaPassword, at)
}

// Many guesses at one moment get no more tries than one after another.
func TestParallelGuessesAreCounted(t *testing.T) {
	s := ready(t)
	var wg sync.WaitGroup
	var mu sync.Mutex
	got := map[string]int{}
	for i := range 60 {
		wg.Go(func() {
			from := Source{Address: fmt.Sprintf("192.0.2.%d", i)}
			_, err := s.SignIn(t.Context(), "ana", "wrong words all along", from, t0)
			mu.Lock()
			defer mu.Unlock()
			switch {
			case errors.Is(err, ErrSignIn):
				got["tried"]++
			case errors.Is(err, ErrLocked):
				got["locked"]++
			default:
				got[fmt.Sprint(err)]++
			}
		})
	}
	wg.Wait()
	if got["tried"] != 3 || got["locked"] != 57 {
		t.Errorf("%v; want 3 tried, then the pause", got)
	}
}

func TestNetwork(t *testing.T) {
	for address, want := range map[string]string{
		"192.0.2.7": "192.0.2.7", "192.0.2.7:80": "192.0.2.7", "::ffff:192.0.2.7": "192.0.2.7",
		"2001:db8::1": "2001:db8::/64", "fe80::1%eth0": "fe80::/64", "nonsense": "unreadable",
	} {
		if got := network(address); got != want {
			t.Errorf("%s: %s, want %s", address, got, want)
		}
	}
}

func TestLockThatTheLogDoesNotTakeIsToldLater(t *testing.T) {
	s := ready(t)
	s.refuse = errors.New("log is full")
	at := t0
	for range 5 {
		_, err := s.signIn("ana", "wrong words all along", at)
		wantErr(t, "wrong password", err, ErrSignIn)
		at = at.Add(10 * time.Second)
	}
	_, err := s.signIn("ana", anaPassword, at)
	wantErr(t, "locked all the same", err, ErrLocked)
	if err := s.Sweep(t.Context(), at); err == nil || s.Unrecorded() != 1 {
		t.Errorf("sweep: %v, %d unrecorded; want an error and 1", err, s.Unrecorded())
	}
	s.refuse = nil
	if err := s.Sweep(t.Context(), at); err != nil || s.Unrecorded() != 0 {
		t.Errorf("sweep: %v, %d unrecorded; want none", err, s.Unrecorded())
	}
	if got := s.heard(); got != SignInLocked {
		t.Errorf("told %q, want the lock once", got)
	}
}
