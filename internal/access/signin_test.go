package access

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"time"

	"linewarden/internal/memstore"
)

func TestSignIn(t *testing.T) {
	s := ready(t)
	for _, name := range []string{"ana", " ANA ", "ａｎａ"} {
		o := s.mustSignIn(name, anaPassword, t0)
		if o.Person != "p-ana" || o.Known != KnownPassword || o.Device != "" || !o.Ends.Equal(t0.Add(16*time.Hour)) {
			t.Errorf("%q: session %+v", name, o.Session)
		}
	}
	for name, password := range map[string]string{
		"":       anaPassword,
		"p-ana":  anaPassword,
		"nobody": anaPassword,
		"bo":     anaPassword,
		"ana":    anaPassword + " ",
	} {
		_, err := s.signIn(name, password, t0)
		wantErr(t, fmt.Sprintf("%q with %q", name, password), err, ErrSignIn)
	}
	s.people.disable("p-bo")
	_, err := s.signIn("bo", boPassword, t0)
	wantErr(t, "disabled", err, ErrSignIn)
	if got := s.heard(); got != "" {
		t.Errorf("told %s", got)
	}
}

// A name that nobody has must cost a hash like any other. With every hashing
// place taken, whoever needs one is turned away.
func TestUnknownNameCostsTheSame(t *testing.T) {
	set := cheap()
	set.Hashers, set.HashQueue = 1, 0
	s := newSite(t, memstore.NewAccounts(), set)
	s.setUp("p-ana", "ana", anaPassword)
	s.setUp("p-bo", "bo", boPassword)
	s.people.disable("p-bo")
	s.people.persons["p-cy"] = Person{ID: "p-cy", SignIn: "cy"}
	tab := Source{DeviceToken: s.tablet().Token}
	s.limit.places <- struct{}{}
	for _, name := range []string{"ana", "bo", "cy", "nobody", ""} {
		for range 10 { // a busy moment is no failed attempt
			_, err := s.signIn(name, anaPassword, t0)
			wantErr(t, name, err, ErrBusy)
			_, err = s.SignInPIN(t.Context(), name, "4071", tab, t0)
			wantErr(t, name+" by PIN", err, ErrBusy)
		}
	}
	var w *Wait
	if _, err := s.signIn("ana", anaPassword, t0); !errors.As(err, &w) || w.After <= 0 {
		t.Errorf("no retry hint in %v", err)
	}
	<-s.limit.places
	s.mustSignIn("ana", anaPassword, t0)
}

func TestLimiter(t *testing.T) {
	l := newLimiter(2, 1, 20*time.Millisecond)
	hold, held := make(chan struct{}), make(chan struct{}, 2)
	done := make(chan error, 2)
	for range 2 {
		go func() { done <- l.do(t.Context(), func() { held <- struct{}{}; <-hold }) }()
	}
	<-held
	<-held
	wantErr(t, "waits, then gives up", l.do(t.Context(), func() { t.Error("a third ran") }), ErrBusy)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	wantErr(t, "caller gone", l.do(ctx, func() { t.Error("a third ran") }), context.Canceled)
	l.waiting.Add(1)
	l.wait = time.Hour
	wantErr(t, "queue full", l.do(t.Context(), func() { t.Error("a third ran") }), ErrBusy)
	l.waiting.Add(-1)
	close(hold)
	for range 2 {
		if err := <-done; err != nil {
			t.Error(err)
		}
	}
	ran := false
	if err := l.do(t.Context(), func() { ran = true }); err != nil || !ran {
		t.Errorf("free again: %v, ran %v", err, ran)
	}
}

func TestHashIsRenewedAtSignIn(t *testing.T) {
	store := memstore.NewAccounts()
	old := newSite(t, store, cheap())
	first := old.setUp("p-ana", "ana", anaPassword)
	set := cheap()
	set.Params = Params{Memory: 16, Time: 2, Threads: 1}
	s := newSite(t, store, set)
	ctx := t.Context()
	if _, err := s.signIn("ana", "wrong words all along", t0); err == nil {
		t.Error("signed in")
	}
	before, setAt, _, _ := store.Credential(ctx, kindPassword, "p-ana")
	if h, err := parsePHC(before); err != nil || h.Params != cheap().Params {
		t.Errorf("a wrong password renewed the hash: %v, %v", h.Params, err)
	}
	s.mustSignIn("ana", anaPassword, t0.Add(time.Hour))
	after, at, _, _ := store.Credential(ctx, kindPassword, "p-ana")
	if h, err := parsePHC(after); err != nil || h.Params != set.Params || !at.Equal(setAt) {
		t.Errorf("after sign-in: costs %v set %v, %v; want %v set %v", h.Params, at, err, set.Params, setAt)
	}
	s.mustSignIn("ana", anaPassword, t0.Add(time.Hour))
	if !s.open(first.Token, t0) {
		t.Error("renewing a hash is no change of credential, but it ended a session")
	}
}

func TestSignature(t *testing.T) {
	s := ready(t)
	ctx := t.Context()
	tab := s.tablet()
	from := Source{DeviceToken: tab.Token}
	if err := s.SetPIN(ctx, "p-bo", boPassword, "4071", from, t0); err != nil {
		t.Fatal(err)
	}
	o, err := s.SignInPIN(ctx, "bo", "4071", from, t0)
	if err != nil {
		t.Fatal(err)
	}
	s.heard()
	for _, typed := range []string{"4071", o.Token, tab.Token} {
		wantErr(t, typed, s.Reauthenticate(ctx, "p-bo", typed, from, t0.Add(time.Minute)), ErrSignIn)
	}
	for _, h := range s.told {
		if h.Kind != SignatureFailed || h.Person != "p-bo" || h.Device != tab.ID {
			t.Errorf("told %+v; want a failed signature of bo on the tablet", h)
		}
	}
	if got := s.heard(); got != "signature.failed signature.failed signature.failed" {
		t.Errorf("told %s", got)
	}
	if err := s.Reauthenticate(ctx, "p-bo", boPassword, from, t0.Add(2*time.Minute)); err != nil {
		t.Errorf("right password: %v", err)
	}
	wantErr(t, "password of another", s.Reauthenticate(ctx, "p-bo", anaPassword, from, t0.Add(2*time.Minute)), ErrSignIn)
	s.heard()
	at := t0.Add(3 * time.Minute)
	for range 4 {
		wantErr(t, "guess", s.Reauthenticate(ctx, "p-bo", "wrong words all along", from, at), ErrSignIn)
		at = at.Add(time.Minute)
	}
	if got := s.heard(); got != "signature.failed signature.failed signature.failed signin.locked signature.failed" {
		t.Errorf("told %s; want the lock once", got)
	}
	wantErr(t, "locked", s.Reauthenticate(ctx, "p-bo", boPassword, from, at), ErrLocked)
	_, err = s.SignIn(ctx, "bo", boPassword, from, at)
	wantErr(t, "sign-in under the same lock", err, ErrLocked)
	if got := s.heard(); got != "" {
		t.Errorf("told %s during the lock", got)
	}
	wantErr(t, "nobody", s.Reauthenticate(ctx, "p-none", boPassword, from, at), ErrUnknown)
	s.people.disable("p-ana")
	wantErr(t, "disabled", s.Reauthenticate(ctx, "p-ana", anaPassword, from, at), ErrUnknown)
}

func TestPINOnlyOnATablet(t *testing.T) {
	s := ready(t)
	ctx := t.Context()
	tab := s.tablet()
	probe, err := s.EnrolDevice(ctx, "p-admin", "probe 1", DeviceProbe, t0)
	if err != nil {
		t.Fatal(err)
	}
	from := Source{DeviceToken: tab.Token, Address: "192.0.2.1"}
	if err := s.SetPIN(ctx, "p-ana", anaPassword, "4071", s.address, t0); err != nil {
		t.Fatal(err)
	}
	o, err := s.SignInPIN(ctx, "ana", "4071", from, t0)
	if err != nil || o.Known != KnownPIN || o.Device != tab.ID || o.Person != "p-ana" {
		t.Fatalf("session %+v, %v", o.Session, err)
	}
	for name, token := range map[string]string{
		"no device": "", "probe": probe.Token, "altered": tab.Token[:len(tab.Token)-1] + "_", "probe's as a tablet's": DeviceTablet + probe.Token[len(DeviceProbe):],
	} {
		_, err := s.SignInPIN(ctx, "ana", "4071", Source{DeviceToken: token}, t0)
		wantErr(t, name, err, ErrDevice)
	}
	for name, pin := range map[string]string{"ana": anaPassword, "bo": "4071", "nobody": "4071"} {
		_, err := s.SignInPIN(ctx, name, pin, from, t0)
		wantErr(t, name, err, ErrSignIn)
	}
	_, err = s.signIn("ana", "4071", t0)
	wantErr(t, "PIN as a password", err, ErrSignIn)

	// Knowing the PIN does not buy guesses at the password.
	at := t0.Add(time.Hour)
	for i := range 5 {
		if _, err := s.SignInPIN(ctx, "ana", "4071", from, at); err != nil {
			t.Fatal(err)
		}
		_, err := s.SignIn(ctx, "ana", fmt.Sprint("guessing again and again ", i), from, at)
		wantErr(t, "guess", err, ErrSignIn)
		at = at.Add(time.Minute)
	}
	_, err = s.SignIn(ctx, "ana", anaPassword, from, at)
	wantErr(t, "password after five guesses", err, ErrLocked)

	if err := s.RevokeDevice(ctx, "p-admin", tab.ID, at); err != nil {
		t.Fatal(err)
	}
	_, err = s.SignInPIN(ctx, "ana", "4071", from, at)
	wantErr(t, "revoked", err, ErrDevice)
	_, _, _, _, _, _, found, err := s.store.Session(ctx, tokenHash(o.Token))
	if found || err != nil {
		t.Errorf("a session outlived its tablet: %v, %v", found, err)
	}
}

// A session that was being opened while the credential was taken away must not
// stay.
func TestResetDuringSignIn(t *testing.T) {
	store := &meddler{Accounts: memstore.NewAccounts()}
	s := newSite(t, store, cheap())
	s.setUp("p-ana", "ana", anaPassword)
	var opened string
	store.onAdd = func(hash string) {
		opened = hash
		store.onAdd = nil
		if _, err := s.IssueSetup(t.Context(), "p-admin", "p-ana", t0); err != nil {
			t.Error(err)
		}
	}
	_, err := s.signIn("ana", anaPassword, t0)
	wantErr(t, "reset meanwhile", err, ErrSignIn)
	_, _, _, _, _, _, found, err := store.Session(t.Context(), opened)
	if opened == "" || found || err != nil {
		t.Errorf("session %q is there: %v, %v", opened, found, err)
	}
}

// A meddler is a store that counts, and that lets something happen before a
// session is added.
type meddler struct {
	Accounts
	onAdd          func(hash string)
	reads, touches int
}

func (m *meddler) AddSession(ctx context.Context, hash, person, device, known string, began, ends time.Time) error {
	if m.onAdd != nil {
		m.onAdd(hash)
	}
	return m.Accounts.AddSession(ctx, hash, person, device, known, began, ends)
}

func (m *meddler) Session(ctx context.Context, hash string) (string, string, string, time.Time, time.Time, time.Time, bool, error) {
	m.reads++
	return m.Accounts.Session(ctx, hash)
}

func (m *meddler) TouchSession(ctx context.Context, hash string, used time.Time) (bool, error) {
	m.touches++
	return m.Accounts.TouchSession(ctx, hash, used)
}
