package access

import (
	"context"
	"errors"
	"fmt"
	"time"
)

// The kinds of credential, as words of the store.
const (
	kindPassword = "password"
	kindPIN      = "pin"
	kindSetup    = "setup"
	kindDevice   = "device"
)

// SignIn opens a session for a name and password. It gives ErrSignIn alike for
// an unknown name, a wrong password and a disabled person, after the same work;
// or a [Wait].
func (g *Gate) SignIn(ctx context.Context, name, password string, from Source, at time.Time) (Opened, error) {
	dev, err := g.sourceDevice(ctx, from)
	if err != nil {
		return Opened{}, err
	}
	name = SignInName(name)
	p, _ := g.Directory.ByName(name)
	a := g.newAttempt(kindPassword, name, p.ID, dev, from, at)
	return g.enter(ctx, a, kindPassword, p, password, KnownPassword)
}

// SignInPIN opens a session on an enrolled tablet for a name and PIN. Without
// such a tablet it gives ErrDevice and looks at nothing.
func (g *Gate) SignInPIN(ctx context.Context, name, pin string, from Source, at time.Time) (Opened, error) {
	dev, err := g.tablet(ctx, from.DeviceToken)
	if err != nil {
		return Opened{}, err
	}
	name = SignInName(name)
	p, _ := g.Directory.ByName(name)
	a := g.newAttempt(kindPIN, name, p.ID, dev, from, at)
	return g.enter(ctx, a, kindPIN, p, pin, KnownPIN)
}

// enter makes the attempt and opens the session.
func (g *Gate) enter(ctx context.Context, a attempt, kind string, p Person, secret, known string) (Opened, error) {
	var set time.Time
	err := g.try(ctx, a, func() (ok bool, err error) {
		set, ok, err = g.secretIs(ctx, kind, p, secret)
		return ok, err
	})
	g.metrics.signIn(known, err)
	if err != nil {
		return Opened{}, err
	}
	return g.openWhile(ctx, Session{Person: p.ID, Device: a.device, Known: known}, a.at, func() (bool, error) {
		_, now, found, err := g.Accounts.Credential(ctx, kind, p.ID)
		return found && now.Equal(set), err
	})
}

// openWhile opens a session for a credential that still is good. One that was changed, reset or revoked while the session
// was being opened closes it again: whoever changed it may have ended the sessions before this one was there.
func (g *Gate) openWhile(ctx context.Context, session Session, at time.Time, good func() (bool, error)) (Opened, error) {
	o, err := g.open(ctx, session, at)
	if err != nil {
		return Opened{}, err
	}
	still, err := good()
	if err == nil && still {
		return o, nil
	}
	if err == nil {
		err = ErrSignIn
	}
	return Opened{}, errors.Join(err, g.SignOut(context.WithoutCancel(ctx), o.Token, at))
}

// Reauthenticate checks the password of a person who is about to sign, whatever
// session they are in. A wrong one counts as a failed sign-in does and is
// reported as SignatureFailed. During a lock or a busy moment the password is
// not looked at, and nothing is reported.
func (g *Gate) Reauthenticate(ctx context.Context, person, password string, from Source, at time.Time) error {
	_, err := g.reauthenticate(ctx, person, password, from, at)
	if errors.Is(err, ErrSignIn) {
		g.metrics.signatures.Inc()
		dev, derr := g.sourceDevice(ctx, from)
		if derr != nil {
			g.Log.Error("device of a failed signature not read", "error", derr)
		}
		g.report(ctx, Happening{Kind: SignatureFailed, Person: person, Device: dev.ID, At: at})
	}
	return err
}

func (g *Gate) reauthenticate(ctx context.Context, person, password string, from Source, at time.Time) (Person, error) {
	p, ok := g.Directory.Person(person)
	if !ok || p.Disabled {
		return Person{}, ErrUnknown
	}
	dev, err := g.sourceDevice(ctx, from)
	if err != nil {
		return Person{}, err
	}
	a := g.newAttempt(kindPassword, SignInName(p.SignIn), p.ID, dev, from, at)
	err = g.try(ctx, a, func() (bool, error) {
		_, ok, err := g.secretIs(ctx, kindPassword, p, password)
		return ok, err
	})
	return p, err
}

// sourceDevice is the enrolled device an attempt comes from, or none: a token
// that is no good only means that the attempt is not from a device.
func (g *Gate) sourceDevice(ctx context.Context, from Source) (Device, error) {
	if from.DeviceToken == "" {
		return Device{}, nil
	}
	d, err := g.DeviceByToken(ctx, from.DeviceToken)
	if errors.Is(err, ErrDevice) {
		return Device{}, nil
	}
	return d, err
}

// secretIs compares a typed secret with the one stored for a person, and says
// when that was set. For nobody (a zero Person), for a person without one and
// for a disabled one it does the same work and says no.
func (g *Gate) secretIs(ctx context.Context, kind string, p Person, typed string) (time.Time, bool, error) {
	stored, set, found, err := g.Accounts.Credential(ctx, kind, p.ID)
	if err != nil {
		return time.Time{}, false, fmt.Errorf("read credential: %w", err)
	}
	secret, perr := prepare(typed)
	usable := found && perr == nil && p.ID != "" && !p.Disabled
	h, err := parsePHC(stored)
	if err != nil {
		if found {
			g.Log.Error("stored hash is damaged; the person needs a new set-up code", "credential", kind)
		}
		usable, h = false, g.dummy
	}
	var same bool
	if err := g.limit.do(ctx, func() { same = h.matches(secret) }); err != nil {
		g.metrics.countBusy(err)
		return time.Time{}, false, err
	}
	if !same || !usable {
		return time.Time{}, false, nil
	}
	if h.Params != g.set.Params {
		g.upgrade(ctx, kind, p.ID, stored, secret, set)
	}
	return set, true, nil
}

// upgrade writes a hash with the present costs; it is still the credential set
// then. Nothing depends on it: what stands in its way is logged, and the next
// sign-in tries again.
func (g *Gate) upgrade(ctx context.Context, kind, owner, was, secret string, set time.Time) {
	now, err := g.hash(ctx, secret)
	if err == nil {
		_, err = g.Accounts.ReplaceCredential(ctx, kind, owner, was, now, set)
	}
	if err != nil {
		g.Log.Warn("hash kept its old costs", "credential", kind, "error", err)
	}
}

// hash computes a new hash in a place of the limiter.
func (g *Gate) hash(ctx context.Context, secret string) (string, error) {
	var out string
	var herr error
	err := g.limit.do(ctx, func() { out, herr = g.set.Params.hash(secret) })
	g.metrics.countBusy(err)
	return out, errors.Join(err, herr)
}
