package access

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"linewarden/internal/memstore"
)

func (s *site) code(person string, at time.Time) string {
	s.t.Helper()
	code, err := s.IssueSetup(s.t.Context(), "p-admin", person, at)
	if err != nil {
		s.t.Fatal(err)
	}
	return code
}

func TestSetupCode(t *testing.T) {
	s := ready(t)
	ctx := t.Context()
	if err := s.SetPIN(ctx, "p-ana", anaPassword, "4071", s.address, t0); err != nil {
		t.Fatal(err)
	}
	s.heard()
	code := s.code("p-ana", t0)
	if len(strings.ReplaceAll(code, "-", "")) != 16 {
		t.Errorf("code %q", code)
	}
	if h := s.told[0]; h.Kind != CredentialChanged || h.What != WhatSetup || h.By != "p-admin" || h.Person != "p-ana" {
		t.Errorf("told %+v", h)
	}
	_, err := s.signIn("ana", anaPassword, t0)
	wantErr(t, "old password after a reset", err, ErrSignIn)
	if has, err := s.HasPIN(ctx, "p-ana"); has || err != nil {
		t.Errorf("the PIN outlived the reset: %v, %v", has, err)
	}

	const next = "nine dry boots by the door"
	finish := func(name, code, password string, after time.Duration) error {
		_, err := s.FinishSetup(ctx, name, code, password, s.address, t0.Add(after))
		return err
	}
	wantWeak(t, "short", finish("ana", code, "short", 0), WeakShort)
	wantWeak(t, "sign-in name", finish("mariana", code, "mariana goes to market", 0), WeakName)
	wantErr(t, "another's code", finish("bo", code, next, 0), ErrSignIn)
	wantErr(t, "nobody", finish("nobody", code, next, 0), ErrSignIn)
	wantErr(t, "no code", finish("ana", "", next, 0), ErrSignIn)
	wantErr(t, "outdated", finish("ana", code, next, 24*time.Hour), ErrSignIn)
	wantWeak(t, "name of the person, told only with the right code", finish("ana", code, "sotomayor at the gate", 0), WeakName)
	wantErr(t, "the same without it", finish("ana", "x"+code[1:]+"x", "sotomayor at the gate", 0), ErrSignIn)
	if err := finish("ana", " "+strings.ToUpper(strings.ReplaceAll(code, "-", " ")), next, time.Hour); err != nil {
		t.Errorf("the code as a person types it: %v", err)
	}
	wantErr(t, "used", finish("ana", code, next, time.Hour), ErrSignIn)
	s.mustSignIn("ana", next, t0.Add(time.Hour))

	old := s.code("p-bo", t0)
	s.code("p-bo", t0)
	wantErr(t, "replaced code", finish("bo", old, next, 0), ErrSignIn)

	_, err = s.IssueSetup(ctx, "p-admin", "p-none", t0)
	wantErr(t, "code for nobody", err, ErrUnknown)
	s.people.disable("p-bo")
	_, err = s.IssueSetup(ctx, "p-admin", "p-bo", t0)
	wantErr(t, "code for a disabled person", err, ErrUnknown)
}

func TestSetupCodeIsUsedOnce(t *testing.T) {
	s := newSite(t, memstore.NewAccounts(), cheap())
	code := s.code("p-ana", t0)
	var wg sync.WaitGroup
	var mu sync.Mutex
	won := 0
	for range 8 {
		wg.Go(func() {
			_, err := s.FinishSetup(t.Context(), "ana", code, anaPassword, s.address, t0)
			mu.Lock()
			defer mu.Unlock()
			if err == nil {
				won++
			} else if !errors.Is(err, ErrSignIn) && !errors.Is(err, ErrLocked) {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if won != 1 {
		t.Errorf("the code was used %d times", won)
	}
}

func TestChangePassword(t *testing.T) {
	s := ready(t)
	ctx := t.Context()
	const next = "nine dry boots by the door"
	change := func(present, next string) error {
		return s.ChangePassword(ctx, "p-ana", present, next, s.address, t0)
	}
	wantErr(t, "wrong present", change("wrong words all along", next), ErrSignIn)
	wantWeak(t, "short", change(anaPassword, "short"), WeakShort)
	wantWeak(t, "name", change(anaPassword, "sotomayor at the gate"), WeakName)
	wantWeak(t, "same", change(anaPassword, anaPassword), WeakSame)
	if got := s.heard(); got != "" {
		t.Errorf("told %s", got)
	}
	s.refuse = errors.New("log is full")
	wantErr(t, "log does not take it", change(anaPassword, next), s.refuse)
	s.refuse = nil
	s.mustSignIn("ana", anaPassword, t0)
	if err := change(anaPassword, next); err != nil {
		t.Fatal(err)
	}
	if len(s.told) != 1 || s.told[0].What != WhatPassword || s.told[0].Person != "p-ana" || s.told[0].By != "" {
		t.Errorf("told %+v", s.told)
	}
	_, err := s.signIn("ana", anaPassword, t0)
	wantErr(t, "old password", err, ErrSignIn)
	s.mustSignIn("ana", next, t0)
}

// An administrator who resets while somebody changes their password wins.
func TestResetDuringChange(t *testing.T) {
	s := ready(t)
	var code string
	s.Report = func(_ context.Context, h Happening) error {
		if h.What == WhatPassword && code == "" {
			code = s.code("p-ana", t0)
		}
		return nil
	}
	const next = "nine dry boots by the door"
	wantErr(t, "change", s.ChangePassword(t.Context(), "p-ana", anaPassword, next, s.address, t0), ErrChanged)
	_, err := s.signIn("ana", next, t0)
	wantErr(t, "the password that lost", err, ErrSignIn)
	if _, err := s.FinishSetup(t.Context(), "ana", code, "four clean knives in salt", s.address, t0); err != nil {
		t.Errorf("the code that won: %v", err)
	}
}

func TestResetLiftsALock(t *testing.T) {
	s := ready(t)
	at := t0
	for range 5 {
		_, err := s.signIn("ana", "wrong words all along", at)
		wantErr(t, "guess", err, ErrSignIn)
		at = at.Add(10 * time.Second)
	}
	code := s.code("p-ana", at)
	if _, err := s.FinishSetup(t.Context(), "ana", code, anaPassword, s.address, at); err != nil {
		t.Fatal(err)
	}
	s.mustSignIn("ana", anaPassword, at)
}

func TestPINNeedsThePassword(t *testing.T) {
	s := ready(t)
	ctx := t.Context()
	wantErr(t, "wrong password", s.SetPIN(ctx, "p-ana", "wrong words all along", "4071", s.address, t0), ErrSignIn)
	wantWeak(t, "trivial", s.SetPIN(ctx, "p-ana", anaPassword, "1234", s.address, t0), WeakPIN)
	if has, err := s.HasPIN(ctx, "p-ana"); has || err != nil || len(s.told) != 0 {
		t.Errorf("a PIN was set: %v, %v, told %v", has, err, s.told)
	}
	o := s.mustSignIn("ana", anaPassword, t0)
	if err := s.SetPIN(ctx, "p-ana", anaPassword, "4071", s.address, t0); err != nil {
		t.Fatal(err)
	}
	if has, err := s.HasPIN(ctx, "p-ana"); !has || err != nil || s.told[0].What != WhatPIN {
		t.Errorf("has PIN %v, %v, told %+v", has, err, s.told)
	}
	if !s.open(o.Token, t0) {
		t.Error("a first PIN ended the session")
	}
}

func TestDemoPasswords(t *testing.T) {
	s := newSite(t, memstore.NewAccounts(), cheap())
	got, err := s.DemoPasswords(t.Context(), []string{"p-ana", "p-bo"}, t0)
	if err != nil || len(got) != 2 || got["p-ana"] == got["p-bo"] {
		t.Fatalf("%v, %v", got, err)
	}
	for id, name := range map[string]string{"p-ana": "ana", "p-bo": "bo"} {
		s.mustSignIn(name, got[id], t0)
		if err := s.set.checkPassword(got[id], s.people.persons[id]); err != nil {
			t.Errorf("demo password %q: %v", got[id], err)
		}
	}
	set := cheap()
	set.Demo = false
	if got, err := newSite(t, memstore.NewAccounts(), set).DemoPasswords(t.Context(), []string{"p-ana"}, t0); err == nil {
		t.Errorf("%v outside the demo", got)
	}
}

func TestEnrolment(t *testing.T) {
	s := ready(t)
	ctx := t.Context()
	probe, err := s.EnrolDevice(ctx, "p-admin", "probe 1", DeviceProbe, t0)
	if err != nil {
		t.Fatal(err)
	}
	if h := s.told[0]; h.Kind != DeviceEnrolled || h.Device != probe.ID || h.DeviceName != "probe 1" || h.DeviceKind != DeviceProbe || h.By != "p-admin" {
		t.Errorf("told %+v", h)
	}
	d, err := s.DeviceByToken(ctx, probe.Token)
	if err != nil || d.ID != probe.ID || d.Kind != DeviceProbe || d.Name != "probe 1" {
		t.Errorf("device %+v, %v", d, err)
	}
	tab := s.tablet()
	part := strings.Split(probe.Token, ".")
	for _, token := range []string{
		"", ".", "..", probe.ID, probe.Token + ".", probe.Token + "A", probe.Token[:len(probe.Token)-1],
		DeviceTablet + "." + part[1] + "." + part[2], DeviceProbe + "." + tab.ID + "." + part[2], strings.Repeat("a.", 5000),
	} {
		_, err := s.DeviceByToken(ctx, token)
		wantErr(t, token, err, ErrDevice)
	}
	if stored, _, _, err := s.store.Credential(ctx, kindDevice, probe.ID); err != nil || strings.Contains(stored, part[2]) {
		t.Errorf("stored %q, %v: the token is in it", stored, err)
	}

	s.refuse = errors.New("log is full")
	_, err = s.EnrolDevice(ctx, "p-admin", "probe 2", DeviceProbe, t0)
	wantErr(t, "log does not take it", err, s.refuse)
	wantErr(t, "revoking the same", s.RevokeDevice(ctx, "p-admin", probe.ID, t0), s.refuse)
	if _, err := s.DeviceByToken(ctx, probe.Token); err != nil {
		t.Errorf("not revoked, but: %v", err)
	}
	s.refuse = nil
	for name, kind := range map[string]string{"": DeviceTablet, " ": DeviceProbe, "x": "phone"} {
		if _, err := s.EnrolDevice(ctx, "p-admin", name, kind, t0); err == nil {
			t.Errorf("enrolled %q as %q", name, kind)
		}
	}
	s.heard()
	for range 2 {
		if err := s.RevokeDevice(ctx, "p-admin", probe.ID, t0); err != nil {
			t.Fatal(err)
		}
	}
	if got := s.heard(); got != DeviceRevoked {
		t.Errorf("told %q; want one revocation", got)
	}
	_, err = s.DeviceByToken(ctx, probe.Token)
	wantErr(t, "revoked", err, ErrDevice)
	wantErr(t, "revoking what is not there", s.RevokeDevice(ctx, "p-admin", "nothing", t0), ErrUnknown)
}
