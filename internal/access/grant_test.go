package access

import (
	"testing"
	"time"
)

// granted signs a person in by PIN on a tablet and gives the session and its grant.
func (s *site) granted(name, pin, tablet string, at time.Time) (Opened, Granted) {
	s.t.Helper()
	o, err := s.SignInPIN(s.t.Context(), name, pin, Source{DeviceToken: tablet}, at)
	if err != nil {
		s.t.Fatal(err)
	}
	g, err := s.HandOut(s.t.Context(), o.Token, at)
	if err != nil {
		s.t.Fatal(err)
	}
	return o, g
}

// pins gives Ana and Bo a PIN each.
func (s *site) pins() {
	s.t.Helper()
	for person, with := range map[string][2]string{"p-ana": {anaPassword, "4071"}, "p-bo": {boPassword, "5920"}} {
		if err := s.SetPIN(s.t.Context(), person, with[0], with[1], s.address, t0.Add(-time.Hour)); err != nil {
			s.t.Fatal(err)
		}
	}
}

// cover gives how long after t0 a grant covers reports.
func (s *site) cover(token string) time.Duration {
	s.t.Helper()
	g, err := s.GrantByToken(s.t.Context(), token)
	if err != nil {
		s.t.Fatal(err)
	}
	if !g.From.Equal(t0) || !g.Covers(t0) || !g.Covers(g.To) || g.Covers(t0.Add(-time.Millisecond)) || g.Covers(g.To.Add(time.Millisecond)) {
		s.t.Errorf("covers %v to %v", g.From, g.To)
	}
	return g.To.Sub(t0)
}

func TestGrantCoversSignInToSignOut(t *testing.T) {
	s := ready(t)
	s.pins()
	tab := s.tablet()
	o, g := s.granted("ana", "4071", tab.Token, t0)
	if g.Person != "p-ana" || g.Device != tab.ID || g.Known != KnownPIN {
		t.Errorf("grant %+v", g.Grant)
	}
	if got := s.cover(g.Token); got != GrantCover {
		t.Errorf("covers %v, want %v", got, GrantCover)
	}
	// A change of person ends neither.
	_, other := s.granted("bo", "5920", tab.Token, t0.Add(time.Hour))
	if got := s.cover(g.Token); got != GrantCover {
		t.Errorf("after a change of person it covers %v", got)
	}
	if err := s.SignOut(t.Context(), o.Token, t0.Add(2*time.Hour)); err != nil {
		t.Fatal(err)
	}
	if got := s.cover(g.Token); got != 2*time.Hour {
		t.Errorf("after sign-out it covers %v", got)
	}
	for at, want := range map[time.Duration]bool{30 * time.Minute: true, 90 * time.Minute: false} {
		if last, err := s.SignedInLast(t.Context(), g.Grant, t0.Add(at)); err != nil || last != want {
			t.Errorf("signed in last after %v: %v, %v; want %v", at, last, err, want)
		}
	}
	if last, err := s.SignedInLast(t.Context(), other.Grant, t0.Add(90*time.Minute)); err != nil || !last {
		t.Errorf("who came after does not count as the last: %v", err)
	}
	// A year later it still delivers, and nothing sweeps it away.
	if err := s.Sweep(t.Context(), t0.AddDate(1, 0, 0)); err != nil {
		t.Fatal(err)
	}
	if got := s.cover(g.Token); got != 2*time.Hour {
		t.Errorf("a year later it covers %v", got)
	}
}

func TestGrantEnds(t *testing.T) {
	for name, end := range map[string]func(s *site, tab Enrolled, at time.Time) error{
		"new password": func(s *site, _ Enrolled, at time.Time) error {
			return s.ChangePassword(s.t.Context(), "p-ana", anaPassword, "nine dry boots in a row", s.address, at)
		},
		"all ended": func(s *site, _ Enrolled, at time.Time) error { return s.EndPerson(s.t.Context(), "p-ana", at) },
		"device revoked": func(s *site, tab Enrolled, at time.Time) error {
			return s.RevokeDevice(s.t.Context(), "p-bo", tab.ID, at)
		},
	} {
		t.Run(name, func(t *testing.T) {
			s := ready(t)
			s.pins()
			tab := s.tablet()
			_, g := s.granted("ana", "4071", tab.Token, t0)
			if err := end(s, tab, t0.Add(3*time.Hour)); err != nil {
				t.Fatal(err)
			}
			if got := s.cover(g.Token); got != 3*time.Hour {
				t.Errorf("covers %v, want 3h", got)
			}
		})
	}
	t.Run("disabled", func(t *testing.T) {
		s := ready(t)
		s.pins()
		_, g := s.granted("ana", "4071", s.tablet().Token, t0)
		s.people.disable("p-ana")
		s.cover(g.Token) // what happened before is still delivered
	})
}

func TestGrantIsOnlyForTablets(t *testing.T) {
	s := ready(t)
	o := s.mustSignIn("ana", anaPassword, t0)
	_, err := s.HandOut(t.Context(), o.Token, t0)
	wantErr(t, "grant of a session anywhere", err, ErrDevice)
	s.pins()
	tab := s.tablet()
	in, g := s.granted("ana", "4071", tab.Token, t0)
	if err := s.SignOut(t.Context(), in.Token, t0); err != nil {
		t.Fatal(err)
	}
	_, err = s.HandOut(t.Context(), in.Token, t0)
	wantErr(t, "grant of an ended session", err, ErrSession)
	for _, token := range []string{"", g.Token[1:], g.Token[1:] + "A", in.Token, tokenHash(g.Token)} {
		_, err := s.GrantByToken(t.Context(), token)
		wantErr(t, "token "+token, err, ErrGrant)
	}
	// A grant opens no session and no device.
	if s.open(g.Token, t0) {
		t.Error("a grant opens a session")
	}
	_, err = s.DeviceByToken(t.Context(), g.Token)
	wantErr(t, "grant as a device token", err, ErrDevice)
}
