package access

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"net/netip"
	"time"
)

// counterLife is how long counts are kept after the last attempt.
const counterLife = 30 * 24 * time.Hour

// longestHint is the largest retry hint given.
const longestHint = 24 * time.Hour

// forever is the end of a lock that only an administrator lifts.
var forever = time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)

// LockRules say when failed attempts lead to a wait or a lock.
type LockRules struct {
	Failures int           // failures in the window that lock
	Pauses   int           // from this failure on the next try has to wait 2 s, then 4, 8 … 60; 0: never
	Window   time.Duration // counted from the first of them
	For      time.Duration // length of the first lock; each further one without a success between is twice as long
	Longest  time.Duration // no lock is longer
	Final    int           // failures in a row after which only an administrator unlocks; 0: never
}

func (r LockRules) valid() bool {
	return r.Failures >= 3 && r.Window > 0 && r.For > 0 && r.Longest >= r.For && r.Final >= 0 && r.Pauses >= 0
}

// A tally counts the attempts on one subject from one place. An attempt is
// counted before its secret is looked at, so that many at once cannot slip by.
type tally struct {
	recent, total      int // in the window; since the last success
	first, last, until time.Time
}

// fresh drops a window that has run out.
func (r LockRules) fresh(t tally, at time.Time) tally {
	if at.Sub(t.first) >= r.Window {
		t.recent, t.first = 0, time.Time{}
	}
	return t
}

// wait is how long the next attempt has to wait; 0: it may be made.
func (r LockRules) wait(t tally, at time.Time) time.Duration {
	if t.until.After(at) {
		return min(t.until.Sub(at), longestHint)
	}
	t = r.fresh(t, at)
	if t.recent >= r.Failures {
		return min(t.first.Add(r.Window).Sub(at), r.Window)
	}
	if r.Pauses == 0 || t.recent < r.Pauses {
		return 0
	}
	pause := min(2*time.Second<<min(t.recent-r.Pauses, 5), time.Minute)
	return min(max(t.last.Add(pause).Sub(at), 0), pause)
}

// charge counts an attempt that is about to be made.
func (r LockRules) charge(t tally, at time.Time) tally {
	t = r.fresh(t, at)
	if t.recent == 0 {
		t.first = at
	}
	t.recent++
	t.total++
	t.last = at
	return t
}

// refund takes back an attempt that was not made, or, for a source, one that
// succeeded.
func (t tally) refund() tally {
	t.recent = max(t.recent-1, 0)
	t.total = max(t.total-1, 0)
	return t
}

// fail settles a counted attempt that failed and says whether it began a lock.
func (r LockRules) fail(t tally, at time.Time) (tally, bool) {
	if t.total == 0 { // dropped by a success or an unlock meanwhile
		t = r.charge(t, at)
	}
	final := r.Final > 0 && t.total >= r.Final
	if t.until.After(at) || (t.recent < r.Failures && !final) {
		return t, false
	}
	if final {
		t.until = forever
	} else {
		t.until = at.Add(r.lockFor(t.total))
	}
	t.recent, t.first = 0, time.Time{}
	return t, true
}

// lockFor is the length of a lock after so many failures in a row.
func (r LockRules) lockFor(total int) time.Duration {
	d := r.For
	for n := total / r.Failures; n > 1 && d < r.Longest; n-- {
		d *= 2
	}
	return min(d, r.Longest)
}

// A target is what one attempt is counted on.
type target struct {
	subject, place string
	rules          LockRules
}

// An attempt is one try of one secret.
type attempt struct {
	who    target // person and credential
	from   target // device or address; subject empty where neither is known
	person string // id, empty for an unknown name
	device string
	at     time.Time
}

func subjectOf(kind, signIn string) string {
	sum := sha256.Sum256([]byte(signIn))
	return kind + ":" + hex.EncodeToString(sum[:16])
}

// newAttempt counts attempts from an enrolled device apart from those from
// anywhere else, so that nobody off the device can lock the people at it.
func (g *Gate) newAttempt(kind, signIn, person string, dev Device, from Source, at time.Time) attempt {
	a := attempt{
		who:    target{subjectOf(kind, signIn), dev.ID, g.set.Lock},
		person: person,
		device: dev.ID,
		at:     at,
	}
	if dev.ID != "" {
		a.from = target{"device:" + dev.ID, "", g.set.SourceLock}
	} else if from.Address != "" {
		a.from = target{"address:" + network(from.Address), "", g.set.SourceLock}
	}
	return a
}

// network is the address that is counted: IPv4 in full, IPv6 by its /64, which
// one household or phone holds all of.
func network(address string) string {
	ip, err := netip.ParseAddr(address)
	if err != nil {
		if p, perr := netip.ParseAddrPort(address); perr == nil {
			ip = p.Addr()
		} else {
			return "unreadable"
		}
	}
	ip = ip.Unmap().WithZone("")
	if ip.Is4() {
		return ip.String()
	}
	p, err := ip.Prefix(64)
	if err != nil {
		return "unreadable"
	}
	return p.String()
}

// try makes one attempt: it counts, refuses while there is a wait or a lock,
// runs check, settles the counts, and reports a lock that begins. A check that
// gives an error was no attempt.
func (g *Gate) try(ctx context.Context, a attempt, check func() (bool, error)) error {
	after, err := g.charge(ctx, a)
	if err != nil {
		return err
	}
	if after > 0 {
		return &Wait{ErrLocked, after}
	}
	ok, err := check()
	settle := context.WithoutCancel(ctx)
	if err != nil {
		if rerr := g.giveBack(settle, a.who, a.from); rerr != nil {
			g.Log.Error("attempt not taken back", "error", rerr)
		}
		return err
	}
	if !ok {
		return g.failed(settle, a)
	}
	return g.succeeded(settle, a)
}

func (g *Gate) charge(ctx context.Context, a attempt) (time.Duration, error) {
	g.counting.Lock()
	defer g.counting.Unlock()
	who, err := g.load(ctx, a.who)
	if err != nil {
		return 0, err
	}
	from, err := g.load(ctx, a.from)
	if err != nil {
		return 0, err
	}
	after := a.who.rules.wait(who, a.at)
	if a.from.subject != "" {
		after = max(after, a.from.rules.wait(from, a.at))
	}
	if after > 0 {
		return after, nil
	}
	if err := g.save(ctx, a.who, a.who.rules.charge(who, a.at)); err != nil {
		return 0, err
	}
	return 0, g.save(ctx, a.from, a.from.rules.charge(from, a.at))
}

func (g *Gate) giveBack(ctx context.Context, of ...target) error {
	g.counting.Lock()
	defer g.counting.Unlock()
	for _, t := range of {
		n, err := g.load(ctx, t)
		if err != nil {
			return err
		}
		if err := g.save(ctx, t, n.refund()); err != nil {
			return err
		}
	}
	return nil
}

func (g *Gate) succeeded(ctx context.Context, a attempt) error {
	g.counting.Lock()
	err := g.save(ctx, a.who, tally{})
	g.counting.Unlock()
	if err != nil {
		return err
	}
	return g.giveBack(ctx, a.from)
}

func (g *Gate) failed(ctx context.Context, a attempt) error {
	who, began, err := g.settleFailure(ctx, a.who, a.at)
	if err != nil {
		return err
	}
	// A lock on a name that nobody has is kept out of the log: the names are
	// anybody's to invent, and so would be the length of the log.
	if began && a.person != "" {
		g.reportLock(ctx, Happening{Person: a.person, Device: a.device}, who, a.at)
	}
	from, began, err := g.settleFailure(ctx, a.from, a.at)
	if err != nil {
		return err
	}
	if began {
		h := Happening{Device: a.device}
		if a.device == "" {
			h.Address = a.from.subject[len("address:"):]
		}
		g.reportLock(ctx, h, from, a.at)
	}
	return ErrSignIn
}

func (g *Gate) settleFailure(ctx context.Context, t target, at time.Time) (tally, bool, error) {
	if t.subject == "" {
		return tally{}, false, nil
	}
	g.counting.Lock()
	defer g.counting.Unlock()
	n, err := g.load(ctx, t)
	if err != nil {
		return tally{}, false, err
	}
	n, began := t.rules.fail(n, at)
	return n, began, g.save(ctx, t, n)
}

func (g *Gate) reportLock(ctx context.Context, h Happening, t tally, at time.Time) {
	g.metrics.locks.Inc()
	h.Kind, h.At = SignInLocked, at
	if t.until.Before(forever) {
		h.Until = t.until
	}
	g.report(ctx, h)
}

func (g *Gate) load(ctx context.Context, of target) (tally, error) {
	if of.subject == "" {
		return tally{}, nil
	}
	var t tally
	var err error
	t.recent, t.total, t.first, t.last, t.until, err = g.Accounts.Counter(ctx, of.subject, of.place)
	if err != nil {
		return tally{}, fmt.Errorf("read failure counter: %w", err)
	}
	return t, nil
}

func (g *Gate) save(ctx context.Context, of target, t tally) error {
	if of.subject == "" {
		return nil
	}
	err := g.Accounts.SetCounter(ctx, of.subject, of.place, t.recent, t.total, t.first, t.last, t.until)
	if err != nil {
		return fmt.Errorf("write failure counter: %w", err)
	}
	return nil
}

// Unlock lets a locked person try again at once. The caller has seen to it that
// by may do so.
func (g *Gate) Unlock(ctx context.Context, by, person string, at time.Time) error {
	p, ok := g.Directory.Person(person)
	if !ok {
		return fmt.Errorf("unlock: %w", ErrUnknown)
	}
	if err := g.mustReport(ctx, Happening{Kind: CredentialChanged, What: WhatUnlock, Person: person, By: by, At: at}); err != nil {
		return err
	}
	return g.clearCounters(ctx, SignInName(p.SignIn))
}

func (g *Gate) clearCounters(ctx context.Context, signIn string) error {
	g.counting.Lock()
	defer g.counting.Unlock()
	for _, kind := range []string{kindPassword, kindPIN, kindSetup, kindBadge} {
		if err := g.Accounts.DropCounters(ctx, subjectOf(kind, signIn)); err != nil {
			return fmt.Errorf("clear failure counter: %w", err)
		}
	}
	return nil
}
