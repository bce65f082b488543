package access

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"errors"
	"fmt"
	"strings"
	"time"
)

// codeLetters are the 32 signs of set-up codes and demo passwords: Crockford's
// base 32, without I, L, O and U, which are easily misread.
const codeLetters = "0123456789abcdefghjkmnpqrstvwxyz"

// codeSigns is the length of a set-up code: 16 signs of 5 bits.
const codeSigns = 16

// newCode draws a code, in groups of four.
func newCode() string {
	b := make([]byte, codeSigns)
	rand.Read(b) // never fails: crypto/rand stops the program instead
	var s strings.Builder
	for i, c := range b {
		if i > 0 && i%4 == 0 {
			s.WriteByte('-')
		}
		s.WriteByte(codeLetters[c&31])
	}
	return s.String()
}

// readCode undoes what people do to a code when they type it.
func readCode(typed string) string {
	s := strings.NewReplacer("-", "", " ", "", "o", "0", "i", "1", "l", "1").Replace(strings.ToLower(typed))
	return tokenHash("setup:" + s)
}

// IssueSetup gives a person a one-time code with which they, and nobody else,
// choose their first or next password. The old password and PIN stop working
// and all sessions end at once. The administrator passes the code on; it is
// good for Settings.SetupLife and is stored nowhere in the clear. The caller has
// seen to it that by may do so.
func (g *Gate) IssueSetup(ctx context.Context, by, person string, at time.Time) (string, error) {
	p, ok := g.Directory.Person(person)
	if !ok || p.Disabled {
		return "", fmt.Errorf("set-up code: %w", ErrUnknown)
	}
	err := g.mustReport(ctx, Happening{Kind: CredentialChanged, What: WhatSetup, Person: person, By: by, At: at})
	if err != nil {
		return "", err
	}
	for _, kind := range []string{kindPassword, kindPIN} {
		if _, err := g.Accounts.DropCredential(ctx, kind, person, ""); err != nil {
			return "", fmt.Errorf("drop %s: %w", kind, err)
		}
	}
	code := newCode()
	if err := g.Accounts.SetCredential(ctx, kindSetup, person, readCode(code), at); err != nil {
		return "", fmt.Errorf("keep set-up code: %w", err)
	}
	if err := g.EndPerson(ctx, person, at); err != nil {
		return "", err
	}
	return code, g.clearCounters(ctx, SignInName(p.SignIn))
}

// FinishSetup uses a set-up code to choose a password, and opens a session. It
// gives ErrSignIn alike for an unknown name and a wrong, used or outdated code,
// a [Weak] for a password that cannot be taken (the code stays good), or a
// [Wait].
func (g *Gate) FinishSetup(ctx context.Context, name, code, password string, from Source, at time.Time) (Opened, error) {
	name = SignInName(name)
	secret, err := prepare(password)
	if err != nil {
		return Opened{}, err
	}
	if err := g.set.checkPassword(secret, Person{SignIn: name}); err != nil {
		return Opened{}, err
	}
	dev, err := g.sourceDevice(ctx, from)
	if err != nil {
		return Opened{}, err
	}
	p, _ := g.Directory.ByName(name)
	var was string
	a := g.newAttempt(kindSetup, name, p.ID, dev, from, at)
	err = g.try(ctx, a, func() (ok bool, err error) {
		was, ok, err = g.codeIs(ctx, p, code, at)
		return ok, err
	})
	if err != nil {
		return Opened{}, err
	}
	if err := g.set.checkPassword(secret, p); err != nil {
		return Opened{}, err
	}
	if err := g.useCode(ctx, p, was, secret, at); err != nil {
		return Opened{}, err
	}
	return g.open(ctx, Session{Person: p.ID, Device: dev.ID, Known: KnownPassword}, at)
}

func (g *Gate) codeIs(ctx context.Context, p Person, code string, at time.Time) (string, bool, error) {
	stored, issued, found, err := g.Accounts.Credential(ctx, kindSetup, p.ID)
	if err != nil {
		return "", false, fmt.Errorf("read set-up code: %w", err)
	}
	return stored, found && same(stored, readCode(code)) && p.ID != "" && !p.Disabled && at.Before(issued.Add(g.set.SetupLife)), nil
}

func (g *Gate) useCode(ctx context.Context, p Person, was, secret string, at time.Time) error {
	hash, err := g.hash(ctx, secret)
	if err != nil {
		return err
	}
	err = g.mustReport(ctx, Happening{Kind: CredentialChanged, Person: p.ID, What: WhatPassword, At: at})
	if err != nil {
		return err
	}
	used, err := g.Accounts.DropCredential(ctx, kindSetup, p.ID, was)
	if err != nil {
		return fmt.Errorf("use set-up code: %w", err)
	}
	if !used {
		return ErrSignIn
	}
	if err := g.Accounts.SetCredential(ctx, kindPassword, p.ID, hash, at); err != nil {
		return fmt.Errorf("keep password (a new set-up code is needed): %w", err)
	}
	return g.EndPerson(ctx, p.ID, at)
}

// ChangePassword replaces a person's own password, given the present one, and
// ends all their sessions, this one too. Besides the errors of Reauthenticate
// it gives a [Weak], or ErrChanged where an administrator was quicker.
func (g *Gate) ChangePassword(ctx context.Context, person, present, next string, from Source, at time.Time) error {
	p, err := g.reauthenticate(ctx, person, present, from, at)
	if err != nil {
		return err
	}
	secret, err := prepare(next)
	if err != nil {
		return err
	}
	if err := g.set.checkPassword(secret, p); err != nil {
		return err
	}
	if old, perr := prepare(present); perr == nil && old == secret {
		return &Weak{Reason: WeakSame}
	}
	was, _, _, err := g.Accounts.Credential(ctx, kindPassword, person)
	if err != nil {
		return fmt.Errorf("read password: %w", err)
	}
	hash, err := g.hash(ctx, secret)
	if err != nil {
		return err
	}
	err = g.mustReport(ctx, Happening{Kind: CredentialChanged, Person: person, What: WhatPassword, At: at})
	if err != nil {
		return err
	}
	ok, err := g.Accounts.ReplaceCredential(ctx, kindPassword, person, was, hash, at)
	if err != nil {
		return fmt.Errorf("keep password: %w", err)
	}
	if !ok {
		return ErrChanged
	}
	return g.EndPerson(ctx, person, at)
}

// SetPIN gives a person a PIN for the tablets, given the password. Where there
// was a PIN before, all their sessions end.
func (g *Gate) SetPIN(ctx context.Context, person, password, pin string, from Source, at time.Time) error {
	if err := checkPIN(pin); err != nil {
		return err
	}
	if _, err := g.reauthenticate(ctx, person, password, from, at); err != nil {
		return err
	}
	hash, err := g.hash(ctx, pin)
	if err != nil {
		return err
	}
	err = g.mustReport(ctx, Happening{Kind: CredentialChanged, Person: person, What: WhatPIN, At: at})
	if err != nil {
		return err
	}
	had, err := g.HasPIN(ctx, person)
	if err != nil {
		return err
	}
	if err := g.Accounts.SetCredential(ctx, kindPIN, person, hash, at); err != nil {
		return fmt.Errorf("keep PIN: %w", err)
	}
	if !had {
		return nil
	}
	return g.EndPerson(ctx, person, at)
}

// HasPIN says whether a person has set a PIN.
func (g *Gate) HasPIN(ctx context.Context, person string) (bool, error) {
	return g.has(ctx, person, kindPIN)
}

// has says whether a person has a credential of one of the kinds.
func (g *Gate) has(ctx context.Context, person string, kinds ...string) (bool, error) {
	for _, kind := range kinds {
		_, _, found, err := g.Accounts.Credential(ctx, kind, person)
		if err != nil {
			return false, fmt.Errorf("read %s: %w", kind, err)
		}
		if found {
			return true, nil
		}
	}
	return false, nil
}

// same compares what is kept of a secret, in the same time for every secret.
func same(stored, shown string) bool {
	return subtle.ConstantTimeCompare([]byte(stored), []byte(shown)) == 1
}

// DemoPasswords gives people of the demo plant a random password each, by id,
// for the caller to print. It refuses without Settings.Demo.
func (g *Gate) DemoPasswords(ctx context.Context, people []string, at time.Time) (map[string]string, error) {
	if !g.set.Demo {
		return nil, errors.New("demo passwords are only for a log founded as demo")
	}
	out := map[string]string{}
	for _, id := range people {
		password := newCode()
		hash, err := g.hash(ctx, password)
		if err != nil {
			return nil, err
		}
		if err := g.Accounts.SetCredential(ctx, kindPassword, id, hash, at); err != nil {
			return nil, fmt.Errorf("keep demo password: %w", err)
		}
		out[id] = password
	}
	return out, nil
}
