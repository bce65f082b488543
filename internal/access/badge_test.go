package access

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"linewarden/internal/memstore"
)

func TestBadge(t *testing.T) {
	s := ready(t)
	tab := s.tablet()
	from := Source{DeviceToken: tab.Token}
	ctx := t.Context()
	badge, err := s.IssueBadge(ctx, "p-ana", "p-bo", t0)
	if err != nil || !IsBadge(badge) || len(badge) != 30 {
		t.Fatalf("%q %v", badge, err)
	}
	// A scanner may type in small letters and send blanks with it.
	for _, typed := range []string{badge, strings.ToLower(badge), " " + badge + "\r\n"} {
		o, err := s.SignInBadge(ctx, typed, from, t0)
		if err != nil || o.Person != "p-bo" || o.Known != KnownBadge || o.Device != tab.ID {
			t.Errorf("%q: %v %+v", typed, err, o.Session)
		}
	}
	_, err = s.SignInBadge(ctx, badge, Source{Address: "192.0.2.7"}, t0)
	wantErr(t, "off a tablet", err, ErrDevice)
	_, err = s.signIn("bo", badge, t0)
	wantErr(t, "a badge as a password", err, ErrSignIn)
	err = s.Reauthenticate(ctx, "p-bo", badge, from, t0)
	wantErr(t, "a badge at a signature", err, ErrSignIn)
	for _, other := range []string{"", "4071", badge[:29], badge + "0", badge[:29] + "u", "LWB1" + strings.Repeat("0", 26)} {
		_, err := s.SignInBadge(ctx, other, from, t0.Add(time.Hour))
		if !errors.Is(err, ErrSignIn) && !errors.Is(err, ErrLocked) {
			t.Errorf("%q: %v", other, err)
		}
	}

	// Printed anew, the first is worthless, and so are the sessions that it opened.
	old, err := s.SignInBadge(ctx, badge, from, t0.Add(2*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	second, err := s.IssueBadge(ctx, "p-ana", "p-bo", t0.Add(2*time.Hour))
	if err != nil || second == badge {
		t.Fatal(second, err)
	}
	if _, _, err := s.Check(ctx, old.Token, t0.Add(2*time.Hour)); !errors.Is(err, ErrSession) {
		t.Errorf("the session of the badge from before: %v", err)
	}
	_, err = s.SignInBadge(ctx, badge, from, t0.Add(3*time.Hour))
	wantErr(t, "the badge from before", err, ErrSignIn)
	if _, err := s.SignInBadge(ctx, second, from, t0.Add(3*time.Hour)); err != nil {
		t.Error(err)
	}
	s.people.disable("p-bo")
	_, err = s.SignInBadge(ctx, second, from, t0.Add(3*time.Hour))
	wantErr(t, "of somebody disabled", err, ErrSignIn)
	_, err = s.IssueBadge(ctx, "p-ana", "p-bo", t0)
	wantErr(t, "for somebody disabled", err, ErrUnknown)

	third, err := s.IssueBadge(ctx, "p-ana", "p-ana", t0)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.RevokeBadge(ctx, "p-ana", "p-ana", t0); err != nil {
		t.Fatal(err)
	}
	if has, err := s.HasBadge(ctx, "p-ana"); has || err != nil {
		t.Error("a revoked badge is there", err)
	}
	_, err = s.SignInBadge(ctx, third, from, t0.Add(4*time.Hour))
	wantErr(t, "revoked", err, ErrSignIn)
	if heard := s.heard(); strings.Contains(heard, badge) || strings.Contains(heard, second) || !strings.Contains(heard, CredentialChanged) {
		t.Errorf("told %s", heard)
	}
}

// The store holds no badge in the clear.
func TestBadgeIsHashed(t *testing.T) {
	accounts := &spied{Accounts: memstore.NewAccounts()}
	s := newSite(t, accounts, cheap())
	s.setUp("p-ana", "ana", anaPassword)
	badge, err := s.IssueBadge(t.Context(), "p-ana", "p-ana", t0)
	if err != nil {
		t.Fatal(err)
	}
	if len(accounts.kept) == 0 {
		t.Fatal("nothing was kept")
	}
	for _, x := range accounts.kept {
		if strings.Contains(strings.ToUpper(x), badge[4:]) {
			t.Errorf("the store holds %q", x)
		}
	}
}

type spied struct {
	Accounts
	kept []string
}

func (s *spied) SetCredential(ctx context.Context, kind, owner, secret string, at time.Time) error {
	s.kept = append(s.kept, owner, secret)
	return s.Accounts.SetCredential(ctx, kind, owner, secret, at)
}

// Guesses at badges lock like guesses at PINs: nobody's badge after a few, and the tablet after more.
func TestBadgeGuesses(t *testing.T) {
	s := ready(t)
	from := Source{DeviceToken: s.tablet().Token}
	at, locked := t0, 0
	for range 40 {
		at = at.Add(time.Second)
		_, err := s.SignInBadge(t.Context(), newBadge(), from, at)
		switch {
		case errors.Is(err, ErrLocked):
			locked++
		case !errors.Is(err, ErrSignIn):
			t.Fatal(err)
		}
	}
	if locked < 30 {
		t.Errorf("%d of 40 guesses were not looked at", locked)
	}
}
