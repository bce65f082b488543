// Package access decides who may come in and what they may do: sign-in by
// password or PIN, sessions, lockout, enrolled devices, credentials given again
// at a signature, and the table of roles and acts.
//
// Facts about people and devices (added, role given, disabled, enrolled,
// revoked) are in the record log. This package reads them through [Directory]
// and says through [Parts].Report what has to be recorded there. It keeps, in
// [Accounts], only what is no fact of the log: hashes of passwords, PINs,
// device tokens and set-up codes, sessions, and counters of failures. Losing
// those loses no fact.
//
// Time always comes in as an argument; only the wait for a free hashing place
// uses the real clock.
package access

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"
	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// Words for the member "known" of a record: how the person was known.
const (
	KnownPassword = "password"
	KnownPIN      = "PIN"
	KnownDevice   = "device token"
)

// The kinds of device that can be enrolled.
const (
	DeviceTablet = "tablet" // a shared screen on which people sign in by PIN
	DeviceProbe  = "probe"  // a machine that sends readings under the role device
)

// A Person is what this package needs to know of somebody, as folded from the
// record log.
type Person struct {
	ID       string
	Name     string // printed name
	SignIn   string // the name typed at sign-in, as [SignInName] writes it
	Roles    []Role
	Disabled bool
}

// A Device is an enrolled tablet or probe. ID, Name and Revoked are as folded
// from the record log; Kind goes with the token, and a Directory leaves it empty.
type Device struct {
	ID      string
	Name    string
	Kind    string // DeviceTablet or DeviceProbe
	Revoked bool
}

// Directory answers from the folded record log. It must be safe for use by
// several goroutines and must not block.
type Directory interface {
	// Person finds somebody by id.
	Person(id string) (Person, bool)
	// ByName finds somebody by sign-in name, as [SignInName] writes it.
	ByName(signIn string) (Person, bool)
	// Device finds a device by id.
	Device(id string) (Device, bool)
}

// What a [Happening] can be: kinds of the record log.
const (
	SignInLocked      = "signin.locked"      // too many failures; Until says how long
	SignatureFailed   = "signature.failed"   // wrong password at a signature
	CredentialChanged = "credential.changed" // What says which and how
	DeviceEnrolled    = "device.enrolled"
	DeviceRevoked     = "device.revoked"
)

// What a CredentialChanged is about.
const (
	WhatPassword = "password"    // the person chose it
	WhatPIN      = "PIN"         // the person chose it
	WhatSetup    = "set-up code" // an administrator asked for a new first password; the old one and the PIN are gone
	WhatUnlock   = "lock lifted" // an administrator let a locked person try again
)

// A Happening is something the record log has to hold. It never carries the
// value of a credential.
type Happening struct {
	ID         string // UUID; the same when it is reported again after a failure
	Kind       string
	Person     string // id of the person it is about; a lock on a device or address has none
	Device     string // id of the device it was seen on or is about, if any
	Address    string // network address, only where no person or device is known
	By         string // id of the administrator who did it; empty: the person, or the service
	What       string // for CredentialChanged
	DeviceName string // for DeviceEnrolled
	DeviceKind string // for DeviceEnrolled
	At         time.Time
	Until      time.Time // for SignInLocked; zero where only an administrator can unlock
}

// Errors a caller decides by. ErrSignIn says the same for an unknown name, a
// wrong secret and a disabled person.
var (
	ErrSignIn  = errors.New("name or password is not right")
	ErrSession = errors.New("not signed in, or signed out since")
	ErrDevice  = errors.New("device is not enrolled, or was revoked")
	ErrLocked  = errors.New("too many failed attempts")
	ErrBusy    = errors.New("too many sign-ins at this moment")
	ErrChanged = errors.New("credential was changed by somebody else meanwhile")
	ErrUnknown = errors.New("no such person or device, or disabled")
)

// Wait is the error for "not now": Err is ErrLocked (answer 429) or ErrBusy
// (answer 503), After is how long to wait. A lock only an administrator can
// lift has After at its largest, 24 hours.
type Wait struct {
	Err   error
	After time.Duration
}

func (w *Wait) Error() string {
	return fmt.Sprintf("%v: try again in %v", w.Err, max(w.After.Round(time.Second), time.Second))
}

// Unwrap returns the kind, for errors.Is.
func (w *Wait) Unwrap() error { return w.Err }

// A Source says where an attempt comes from. The token of an enrolled device
// is checked here; an address is that of the client, not of a proxy.
type Source struct {
	DeviceToken string
	Address     string
}

// Settings are the numbers an operator may change. Start from [Defaults].
type Settings struct {
	Params      Params        // cost of a password hash
	Hashers     int           // hashes computed at one time; each takes Params.Memory KiB
	HashQueue   int           // attempts that may wait for a place
	HashWait    time.Duration // longest wait for a place
	MinPassword int           // characters (Unicode code points)
	Words       []string      // words no password may lean on: plant, site, product
	Lock        LockRules     // per person and credential
	SourceLock  LockRules     // per device or address
	Idle        time.Duration // a session ends after this long without a request
	DeviceIdle  time.Duration // the same for technician and line lead on an enrolled device
	Longest     time.Duration // a session ends after this long in any case
	SetupLife   time.Duration // a set-up code is good for this long
	Demo        bool          // allows DemoPasswords
	WeakHashes  bool          // allows Params under the minimum; for tests
}

// Defaults are the settings of a plant that changes none. The 15 characters are
// NIST SP 800-63B-4 (2025) 3.1.1.2 for a password that is the only factor, which
// it is at a signature; lock figures are common practice, no source, under the
// 100 consecutive failures of its 3.2.2. A device or an address has no pauses:
// many people sign in at one tablet.
func Defaults() Settings {
	return Settings{
		Params:      DefaultParams,
		Hashers:     4,
		HashQueue:   64,
		HashWait:    3 * time.Second,
		MinPassword: 15,
		Lock:        LockRules{Failures: 5, Pauses: 3, Window: 15 * time.Minute, For: 15 * time.Minute, Longest: 24 * time.Hour, Final: 100},
		SourceLock:  LockRules{Failures: 20, Window: 15 * time.Minute, For: 15 * time.Minute, Longest: 15 * time.Minute},
		Idle:        30 * time.Minute,
		DeviceIdle:  12 * time.Hour,
		Longest:     16 * time.Hour,
		SetupLife:   24 * time.Hour,
	}
}

// Check says what is wrong with the settings, naming the member.
func (s Settings) Check() error {
	switch {
	case !s.WeakHashes && s.Params.under(DefaultParams):
		return fmt.Errorf("settings: Params %v are weaker than the minimum %v", s.Params, DefaultParams)
	case s.Params.Memory < 8 || s.Params.Time < 1 || s.Params.Threads < 1:
		return fmt.Errorf("settings: Params %v: memory from 8 KiB, time and threads from 1", s.Params)
	case s.Params.Memory > maxParams.Memory || s.Params.Time > maxParams.Time || s.Params.Threads > maxParams.Threads:
		return fmt.Errorf("settings: Params %v are above %v", s.Params, maxParams)
	case s.Hashers < 1 || s.HashQueue < 0 || s.HashWait <= 0:
		return errors.New("settings: Hashers must be at least 1, HashQueue not negative, HashWait positive")
	case s.MinPassword < 8 || s.MinPassword > maxPassword:
		return fmt.Errorf("settings: MinPassword is %d; from 8 to %d", s.MinPassword, maxPassword)
	case !s.Lock.valid():
		return errors.New("settings: Lock needs Failures of at least 3, Window and For positive, Longest not under For")
	case !s.SourceLock.valid():
		return errors.New("settings: SourceLock needs Failures of at least 3, Window and For positive, Longest not under For")
	case s.Idle <= 0 || s.DeviceIdle < s.Idle || s.Longest < s.DeviceIdle:
		return errors.New("settings: want 0 < Idle <= DeviceIdle <= Longest")
	case s.SetupLife <= 0:
		return errors.New("settings: SetupLife must be positive")
	}
	return nil
}

// Parts are what a Gate works with. Metrics may be nil.
type Parts struct {
	Accounts  Accounts
	Directory Directory
	// Report records a happening in the log. It is called from many
	// goroutines, and again with the same ID after an error.
	Report  func(context.Context, Happening) error
	Log     *slog.Logger
	Metrics prometheus.Registerer
}

// A Gate is the door of one site. Its methods may be called from any goroutine.
type Gate struct {
	Parts
	set      Settings
	limit    *limiter
	dummy    phc // a hash nobody knows the password of, for unknown names
	sessions *cache
	metrics  *metrics

	counting *sync.Mutex // held while counters are read and written

	pendingMu sync.Mutex
	pending   []Happening // not yet in the log
}

// New returns the gate. It fails on settings out of range or missing parts.
func New(p Parts, s Settings) (*Gate, error) {
	if err := s.Check(); err != nil {
		return nil, err
	}
	if p.Accounts == nil || p.Directory == nil || p.Report == nil || p.Log == nil {
		return nil, errors.New("access: Accounts, Directory, Report and Log are all needed")
	}
	hidden, err := s.Params.hash(randomText(tokenBytes))
	if err != nil {
		return nil, err
	}
	dummy, err := parsePHC(hidden)
	if err != nil {
		return nil, err
	}
	m, err := newMetrics(p.Metrics)
	if err != nil {
		return nil, err
	}
	return &Gate{
		Parts:    p,
		set:      s,
		limit:    newLimiter(s.Hashers, s.HashQueue, s.HashWait),
		dummy:    dummy,
		sessions: &cache{held: map[string]*cached{}},
		counting: new(sync.Mutex),
		metrics:  m,
	}, nil
}

// Beside returns the door of another site to the same accounts. The two share the places for hashing, the counts
// of failures and the sessions they remember; people, devices and the log are those of the other site.
func (g *Gate) Beside(d Directory, report func(context.Context, Happening) error) *Gate {
	p := g.Parts
	p.Directory, p.Report = d, report
	return &Gate{Parts: p, set: g.set, limit: g.limit, dummy: g.dummy, sessions: g.sessions, metrics: g.metrics, counting: g.counting}
}

var fold = cases.Fold()

// SignInName is the one way a sign-in name is written when it is compared:
// trimmed, NFKC, case folded. Two names that read the same become the same.
func SignInName(typed string) string {
	if strings.IndexFunc(typed, func(r rune) bool { return r <= ' ' || r >= utf8.RuneSelf || 'A' <= r && r <= 'Z' }) < 0 {
		return typed // it is written so already
	}
	return norm.NFKC.String(fold.String(norm.NFKC.String(strings.TrimSpace(typed))))
}

const pendingMax = 1000

// mustReport records a happening without which the act must not go on.
func (g *Gate) mustReport(ctx context.Context, h Happening) error {
	h.ID = uuid.NewString()
	if err := g.Report(ctx, h); err != nil {
		return fmt.Errorf("record %s: %w", h.Kind, err)
	}
	return nil
}

// report records a happening that has taken place anyway. Where the log does
// not take it, it is kept and tried again by Sweep.
func (g *Gate) report(ctx context.Context, h Happening) {
	h.ID = uuid.NewString()
	err := g.Report(context.WithoutCancel(ctx), h)
	if err == nil {
		return
	}
	g.Log.Error("happening not recorded yet", "kind", h.Kind, "error", err)
	g.keep(h)
}

func (g *Gate) keep(h Happening) {
	g.pendingMu.Lock()
	defer g.pendingMu.Unlock()
	if len(g.pending) >= pendingMax {
		g.Log.Error("happening dropped: too many wait to be recorded", "kind", h.Kind)
		g.metrics.lost.Inc()
		return
	}
	g.pending = append(g.pending, h)
}

// Sweep forgets what has run out, in memory and in the store, and reports again
// what the log did not take. The app calls it about once a minute.
func (g *Gate) Sweep(ctx context.Context, at time.Time) error {
	g.pendingMu.Lock()
	waiting := g.pending
	g.pending = nil
	g.pendingMu.Unlock()
	var errs []error
	for _, h := range waiting {
		if err := g.Report(ctx, h); err != nil {
			errs = append(errs, fmt.Errorf("record %s: %w", h.Kind, err))
			g.keep(h)
		}
	}
	g.sessions.sweep(at)
	if _, err := g.Accounts.SweepSessions(ctx, at); err != nil {
		errs = append(errs, fmt.Errorf("sweep sessions: %w", err))
	}
	g.counting.Lock()
	defer g.counting.Unlock()
	if err := g.Accounts.SweepCounters(ctx, at.Add(-counterLife)); err != nil {
		errs = append(errs, fmt.Errorf("sweep counters: %w", err))
	}
	return errors.Join(errs...)
}

// Unrecorded is the number of happenings that wait to be put into the log.
func (g *Gate) Unrecorded() int {
	g.pendingMu.Lock()
	defer g.pendingMu.Unlock()
	return len(g.pending)
}
