package access

import (
	"encoding/base64"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"linewarden/internal/memstore"
	"linewarden/internal/sqlitestore"
)

func TestTamperedToken(t *testing.T) {
	s := ready(t)
	o := s.mustSignIn("ana", anaPassword, t0)
	if !s.open(o.Token, t0) {
		t.Fatal("the token opens nothing")
	}
	raw, err := base64.RawURLEncoding.DecodeString(o.Token)
	if err != nil || len(raw) != 32 {
		t.Fatalf("token of %d bytes, %v; want 32", len(raw), err)
	}
	for i := range raw {
		raw[i] ^= 1
		if s.open(base64.RawURLEncoding.EncodeToString(raw), t0) {
			t.Errorf("opened with byte %d changed", i)
		}
		raw[i] ^= 1
	}
	hash := tokenHash(o.Token)
	for _, token := range []string{"", o.Token[1:], o.Token + "=", " " + o.Token, hash, hash[:43]} {
		if s.open(token, t0) {
			t.Errorf("opened with %q", token)
		}
	}
	if other := s.mustSignIn("ana", anaPassword, t0); other.Token == o.Token {
		t.Error("two sessions have one token")
	}
}

func TestSessionLimits(t *testing.T) {
	type use struct {
		after time.Duration
		open  bool
	}
	const m, h = time.Minute, time.Hour
	every := func(step, until time.Duration) []use {
		var out []use
		for at := step; at < until; at += step {
			out = append(out, use{at, true})
		}
		return out
	}
	for name, c := range map[string]struct {
		person string
		tablet bool
		uses   []use
	}{
		"idle":                            {"ana", false, []use{{29 * m, true}, {58 * m, true}, {88 * m, false}, {88 * m, false}}},
		"idle to the moment":              {"ana", false, []use{{30*m - 1, true}, {60*m - 1, false}}},
		"clock stepped back":              {"ana", false, []use{{20 * m, true}, {-h, true}, {49 * m, true}}},
		"longest":                         {"ana", false, append(every(10*m, 16*h), use{16 * h, false})},
		"technician on a tablet":          {"ana", true, []use{{11 * h, true}, {15 * h, true}, {16*h - 1, true}, {16 * h, false}}},
		"technician idle on a tablet":     {"ana", true, []use{{12 * h, false}}},
		"manager on a tablet, short idle": {"bo", true, []use{{29 * m, true}, {59 * m, false}}},
	} {
		t.Run(name, func(t *testing.T) {
			s := ready(t)
			from := s.address
			if c.tablet {
				from = Source{DeviceToken: s.tablet().Token}
			}
			o, err := s.SignIn(t.Context(), c.person, map[string]string{"ana": anaPassword, "bo": boPassword}[c.person], from, t0)
			if err != nil {
				t.Fatal(err)
			}
			for _, u := range c.uses {
				if got := s.open(o.Token, t0.Add(u.after)); got != u.open {
					t.Fatalf("after %v: open %v, want %v", u.after, got, u.open)
				}
			}
		})
	}
}

func TestSessionEnds(t *testing.T) {
	for name, end := range map[string]func(s *site, o Opened) error{
		"sign-out":  func(s *site, o Opened) error { return s.SignOut(s.t.Context(), o.Token, t0) },
		"disabled":  func(s *site, _ Opened) error { s.people.disable("p-ana"); return nil },
		"all ended": func(s *site, _ Opened) error { return s.EndPerson(s.t.Context(), "p-ana", t0) },
		"password changed": func(s *site, _ Opened) error {
			return s.ChangePassword(s.t.Context(), "p-ana", anaPassword, "nine dry boots by the door", s.address, t0)
		},
		"reset": func(s *site, _ Opened) error {
			_, err := s.IssueSetup(s.t.Context(), "p-admin", "p-ana", t0)
			return err
		},
		"PIN changed": func(s *site, _ Opened) error {
			return s.SetPIN(s.t.Context(), "p-ana", anaPassword, "9150", s.address, t0)
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := ready(t)
			if err := s.SetPIN(t.Context(), "p-ana", anaPassword, "4071", s.address, t0); err != nil {
				t.Fatal(err)
			}
			o, other := s.mustSignIn("ana", anaPassword, t0), s.mustSignIn("bo", boPassword, t0)
			if !s.open(o.Token, t0) || !s.open(other.Token, t0) {
				t.Fatal("not open before")
			}
			if err := end(s, o); err != nil {
				t.Fatal(err)
			}
			if s.open(o.Token, t0) {
				t.Error("still open")
			}
			_, _, _, _, _, _, found, err := s.store.Session(t.Context(), tokenHash(o.Token))
			if found || err != nil {
				t.Errorf("still in the store: %v, %v", found, err)
			}
			if !s.open(other.Token, t0) {
				t.Error("the session of another ended too")
			}
		})
	}
}

// A device revoked in the log counts as revoked though its token is still kept.
func TestRevokedInTheLog(t *testing.T) {
	s := ready(t)
	tab := s.tablet()
	o, err := s.SignIn(t.Context(), "ana", anaPassword, Source{DeviceToken: tab.Token}, t0)
	if err != nil || o.Device != tab.ID || !s.open(o.Token, t0) {
		t.Fatalf("session %+v, %v", o.Session, err)
	}
	s.people.devices[tab.ID] = Device{ID: tab.ID, Revoked: true}
	if s.open(o.Token, t0) {
		t.Error("still open")
	}
	_, err = s.DeviceByToken(t.Context(), tab.Token)
	wantErr(t, "token", err, ErrDevice)
	s.people.devices = map[string]Device{}
	_, err = s.DeviceByToken(t.Context(), tab.Token)
	wantErr(t, "token of a device the log does not know", err, ErrDevice)
}

func TestCheckIsCheap(t *testing.T) {
	store := &meddler{Accounts: memstore.NewAccounts()}
	s := newSite(t, store, cheap())
	o := s.setUp("p-ana", "ana", anaPassword)
	store.reads, store.touches = 0, 0
	for i := range 600 {
		if !s.open(o.Token, t0.Add(time.Duration(i)*time.Second)) {
			t.Fatal("not open")
		}
	}
	if store.reads != 1 || store.touches != 9 {
		t.Errorf("600 checks in 10 minutes: %d reads and %d writes of last use; want 1 and 9", store.reads, store.touches)
	}
	// Another instance on the same store ends it: noticed within a minute of use.
	if err := store.EndSession(t.Context(), tokenHash(o.Token)); err != nil {
		t.Fatal(err)
	}
	if s.open(o.Token, t0.Add(11*time.Minute)) {
		t.Error("open a minute after it ended elsewhere")
	}
}

func TestSessionSurvivesARestart(t *testing.T) {
	dir := t.TempDir()
	start := func() (*site, *sqlitestore.Accounts) {
		store, err := sqlitestore.OpenAccounts(dir)
		if err != nil {
			t.Fatal(err)
		}
		return newSite(t, store, cheap()), store
	}
	s, store := start()
	o, gone := s.setUp("p-ana", "ana", anaPassword), s.mustSignIn("ana", anaPassword, t0)
	if !s.open(o.Token, t0.Add(25*time.Minute)) {
		t.Error("not open before")
	}
	if err := s.SignOut(t.Context(), gone.Token, t0); err != nil {
		t.Fatal(err)
	}
	if err := store.Close(); err != nil {
		t.Fatal(err)
	}
	s, store = start()
	defer store.Close()
	if !s.open(o.Token, t0.Add(50*time.Minute)) { // idle since 25, known only if the last use was written
		t.Error("not open after a restart")
	}
	if s.open(gone.Token, t0) {
		t.Error("signed out before the restart, open after it")
	}
	if err := s.Sweep(t.Context(), t0.Add(16*time.Hour)); err != nil {
		t.Fatal(err)
	}
	_, _, _, _, _, _, found, err := store.Session(t.Context(), tokenHash(o.Token))
	if found || err != nil || len(s.sessions.held) != 0 {
		t.Errorf("after its end and a sweep: in the store %v, %d in memory, %v", found, len(s.sessions.held), err)
	}
}

// Once SignOut has returned, no check may find the session, however many were
// under way.
func TestSignOutUnderLoad(t *testing.T) {
	s := ready(t)
	for range 20 {
		o := s.mustSignIn("ana", anaPassword, t0)
		var out atomic.Bool
		var wg sync.WaitGroup
		for i := range 8 {
			wg.Go(func() {
				for n := range 50 {
					after := out.Load()
					_, _, err := s.Check(t.Context(), o.Token, t0.Add(time.Duration(i+n)*time.Second))
					if after && err == nil {
						t.Error("open after sign-out")
					}
				}
			})
		}
		wg.Go(func() {
			if err := s.SignOut(t.Context(), o.Token, t0); err != nil {
				t.Error(err)
			}
			out.Store(true)
		})
		wg.Wait()
		if s.open(o.Token, t0) {
			t.Error("open after sign-out")
		}
	}
}

func TestFormToken(t *testing.T) {
	s := ready(t)
	a, b := s.mustSignIn("ana", anaPassword, t0), s.mustSignIn("ana", anaPassword, t0)
	form := FormToken(a.Token)
	if !FormTokenMatches(a.Token, form) {
		t.Error("a form of this session is refused")
	}
	for name, ok := range map[string]bool{
		"of another session": FormTokenMatches(b.Token, form),
		"altered":            FormTokenMatches(a.Token, "A"+form[1:]) && form[0] != 'A',
		"cut":                FormTokenMatches(a.Token, form[1:]),
		"empty":              FormTokenMatches(a.Token, ""),
		"no session":         FormTokenMatches("", FormToken("")),
		"the token itself":   FormTokenMatches(a.Token, a.Token),
		"the stored hash":    FormTokenMatches(a.Token, FormToken(tokenHash(a.Token))),
	} {
		if ok {
			t.Errorf("%s: taken", name)
		}
	}
}

func BenchmarkCheck(b *testing.B) {
	s := newSite(b, memstore.NewAccounts(), cheap())
	o, err := s.Gate.open(b.Context(), Session{Person: "p-ana", Known: KnownPassword}, t0)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, _, err := s.Check(b.Context(), o.Token, t0); err != nil {
			b.Fatal(err)
		}
	}
}
