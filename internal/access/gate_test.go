package access

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"linewarden/internal/memstore"
)

var t0 = time.Date(2026, 3, 4, 6, 0, 0, 0, time.UTC)

const (
	anaPassword = "seven wet gloves on a hook"
	boPassword  = "the shredder hums at dawn"
)

// people is a Directory that a test changes.
type people struct {
	mu      sync.Mutex
	persons map[string]Person
	devices map[string]Device
}

func (d *people) Person(id string) (Person, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	p, ok := d.persons[id]
	return p, ok
}

func (d *people) ByName(signIn string) (Person, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for _, p := range d.persons {
		if p.SignIn == signIn {
			return p, true
		}
	}
	return Person{}, false
}

func (d *people) Device(id string) (Device, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	x, ok := d.devices[id]
	return x, ok
}

func (d *people) disable(id string) {
	d.mu.Lock()
	defer d.mu.Unlock()
	p := d.persons[id]
	p.Disabled = true
	d.persons[id] = p
}

// A site is a gate with everything around it in memory.
type site struct {
	*Gate
	t       testing.TB
	people  *people
	mu      sync.Mutex
	told    []Happening
	refuse  error // what the log answers
	logged  *bytes.Buffer
	store   Accounts
	address Source
}

// cheap are settings whose hashes take next to no time.
func cheap() Settings {
	s := Defaults()
	s.Params = Params{Memory: 8, Time: 1, Threads: 1}
	s.WeakHashes, s.Demo = true, true
	s.Words = []string{"Sierra Gel Works"}
	return s
}

func newSite(t testing.TB, store Accounts, set Settings) *site {
	t.Helper()
	s := &site{t: t, store: store, logged: &bytes.Buffer{}, address: Source{Address: "192.0.2.7"}, people: &people{
		persons: map[string]Person{
			"p-ana": {ID: "p-ana", Name: "Ana Sotomayor", SignIn: "ana", Roles: []Role{Technician}},
			"p-bo":  {ID: "p-bo", Name: "Bo Lindqvist", SignIn: "bo", Roles: []Role{Manager, LineLead}},
		},
		devices: map[string]Device{},
	}}
	var err error
	s.Gate, err = New(Parts{
		Accounts: store, Directory: s.people, Report: s.hear,
		Log:     slog.New(slog.NewTextHandler(&locked{w: s.logged}, nil)),
		Metrics: prometheus.NewRegistry(),
	}, set)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

type locked struct {
	mu sync.Mutex
	w  *bytes.Buffer
}

func (l *locked) Write(b []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.w.Write(b)
}

// hear is the record log: it takes a happening, and devices with it.
func (s *site) hear(_ context.Context, h Happening) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.refuse != nil {
		return s.refuse
	}
	s.told = append(s.told, h)
	s.people.mu.Lock()
	defer s.people.mu.Unlock()
	switch h.Kind {
	case DeviceEnrolled:
		s.people.devices[h.Device] = Device{ID: h.Device, Name: h.DeviceName}
	case DeviceRevoked:
		d := s.people.devices[h.Device]
		d.Revoked = true
		s.people.devices[h.Device] = d
	}
	return nil
}

// heard lists the kinds told since the last call.
func (s *site) heard() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	var kinds []string
	for _, h := range s.told {
		kinds = append(kinds, h.Kind)
	}
	s.told = nil
	return strings.Join(kinds, " ")
}

// ready is a site in memory where ana and bo have passwords.
func ready(t *testing.T) *site {
	t.Helper()
	s := newSite(t, memstore.NewAccounts(), cheap())
	s.setUp("p-ana", "ana", anaPassword)
	s.setUp("p-bo", "bo", boPassword)
	s.heard()
	return s
}

func (s *site) setUp(person, name, password string) Opened {
	s.t.Helper()
	code, err := s.IssueSetup(s.t.Context(), "p-admin", person, t0)
	if err != nil {
		s.t.Fatal(err)
	}
	o, err := s.FinishSetup(s.t.Context(), name, code, password, s.address, t0)
	if err != nil {
		s.t.Fatal(err)
	}
	return o
}

func (s *site) signIn(name, password string, at time.Time) (Opened, error) {
	return s.SignIn(s.t.Context(), name, password, s.address, at)
}

func (s *site) mustSignIn(name, password string, at time.Time) Opened {
	s.t.Helper()
	o, err := s.signIn(name, password, at)
	if err != nil {
		s.t.Fatal(err)
	}
	return o
}

func (s *site) open(token string, at time.Time) bool {
	s.t.Helper()
	_, _, err := s.Check(s.t.Context(), token, at)
	if err != nil && !errors.Is(err, ErrSession) {
		s.t.Fatal(err)
	}
	return err == nil
}

func (s *site) tablet() Enrolled {
	s.t.Helper()
	e, err := s.EnrolDevice(s.t.Context(), "p-admin", "bath 1", DeviceTablet, t0)
	if err != nil {
		s.t.Fatal(err)
	}
	return e
}

func wantErr(t *testing.T, what string, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Errorf("%s: error %v, want %v", what, err, want)
	}
}

func wantWeak(t *testing.T, what string, err error, reason string) {
	t.Helper()
	var w *Weak
	if !errors.As(err, &w) || w.Reason != reason {
		t.Errorf("%s: error %v, want %s", what, err, reason)
	}
}

func TestSettings(t *testing.T) {
	if err := Defaults().Check(); err != nil {
		t.Errorf("defaults: %v", err)
	}
	for name, change := range map[string]func(*Settings){
		"weak memory":    func(s *Settings) { s.Params.Memory-- },
		"weak time":      func(s *Settings) { s.Params.Time-- },
		"huge memory":    func(s *Settings) { s.Params.Memory = 1 << 21 },
		"no hashers":     func(s *Settings) { s.Hashers = 0 },
		"short password": func(s *Settings) { s.MinPassword = 7 },
		"no lock":        func(s *Settings) { s.Lock.Failures = 0 },
		"no source lock": func(s *Settings) { s.SourceLock.For = 0 },
		"idle too long":  func(s *Settings) { s.DeviceIdle = s.Longest + 1 },
		"no setup":       func(s *Settings) { s.SetupLife = 0 },
	} {
		s := Defaults()
		change(&s)
		if s.Check() == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	if _, err := New(Parts{}, Defaults()); err == nil {
		t.Error("a gate without parts was made")
	}
}

// Nothing that was typed, no token and no name may reach the log of the
// service, and no secret the record log.
func TestNothingLeaks(t *testing.T) {
	s := ready(t)
	ctx := t.Context()
	tab := s.tablet()
	from := Source{DeviceToken: tab.Token}
	if err := s.SetPIN(ctx, "p-ana", anaPassword, "4071", from, t0); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"ana", "nobody-here"} {
		for range 6 {
			if _, err := s.signIn(name, "wrong words all along", t0); err == nil {
				t.Error("signed in")
			}
		}
	}
	if err := s.Reauthenticate(ctx, "p-bo", "not the right words", s.address, t0); err == nil {
		t.Error("signed")
	}
	s.refuse = errors.New("log is full")
	if err := s.Reauthenticate(ctx, "p-bo", "not the right words", s.address, t0); err == nil {
		t.Error("signed")
	}
	if err := s.store.SetCredential(ctx, kindPassword, "p-bo", "damaged", t0); err != nil {
		t.Fatal(err)
	}
	if _, err := s.signIn("bo", boPassword, t0.Add(time.Hour)); err == nil {
		t.Error("signed in on a damaged hash")
	}
	if s.logged.Len() == 0 {
		t.Error("nothing was logged, so nothing is proved")
	}
	all := s.logged.String()
	for _, h := range s.told {
		all += h.What + h.DeviceName + h.Address + h.Person
	}
	for _, secret := range []string{anaPassword, boPassword, "4071", tab.Token, "wrong words", "not the right", "Sotomayor", "Lindqvist", "nobody-here"} {
		if strings.Contains(all, secret) {
			t.Errorf("%q stands in a log", secret)
		}
	}
}
