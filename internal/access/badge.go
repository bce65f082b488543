package access

import (
	"context"
	"crypto/rand"
	"fmt"
	"strings"
	"time"
)

// KnownBadge is the word for a person known by a badge.
const KnownBadge = "badge"

// What a CredentialChanged about a badge is.
const (
	WhatBadge        = "badge"         // an administrator had one printed; one from before is worthless
	WhatBadgeRevoked = "badge revoked" // it is worthless
)

// The kinds of credential of a badge, as words of the store: of the person, the hash of the token; of that hash, the person.
const (
	kindBadge   = "badge"
	kindBadgeOf = "badge-of"
)

// A badge is badgeMark and badgeSigns signs of 5 bits. These are letters and digits only, which a scanner types alike on any
// keyboard, and which a QR code holds in its alphanumeric mode (ISO/IEC 18004).
const (
	badgeMark  = "LWB1"
	badgeSigns = 26
)

// IsBadge says whether a text has the form of a badge, as a scanner types it.
func IsBadge(text string) bool {
	_, ok := readBadge(text)
	return ok
}

// readBadge gives the badge in its one form.
func readBadge(text string) (string, bool) {
	s := strings.ToUpper(strings.TrimSpace(text))
	if len(s) != len(badgeMark)+badgeSigns || !strings.HasPrefix(s, badgeMark) {
		return "", false
	}
	for _, r := range s[len(badgeMark):] {
		if !strings.ContainsRune(strings.ToUpper(codeLetters), r) {
			return "", false
		}
	}
	return s, true
}

func newBadge() string {
	b := make([]byte, badgeSigns)
	rand.Read(b) // never fails: crypto/rand stops the program instead
	for i, c := range b {
		b[i] = codeLetters[c&31]
	}
	return badgeMark + strings.ToUpper(string(b))
}

// IssueBadge makes a badge for a person: a token of 130 random bits that is shown once and stored nowhere in the clear. One from
// before is worthless from then on. The caller has seen to it that by may do so.
func (g *Gate) IssueBadge(ctx context.Context, by, person string, at time.Time) (string, error) {
	p, ok := g.Directory.Person(person)
	if !ok || p.Disabled {
		return "", fmt.Errorf("badge: %w", ErrUnknown)
	}
	if err := g.mustReport(ctx, Happening{Kind: CredentialChanged, What: WhatBadge, Person: person, By: by, At: at}); err != nil {
		return "", err
	}
	if err := g.dropBadge(ctx, person, at); err != nil {
		return "", err
	}
	badge := newBadge()
	hash := tokenHash("badge:" + badge)
	if err := g.Accounts.SetCredential(ctx, kindBadgeOf, hash, person, at); err != nil {
		return "", fmt.Errorf("keep badge: %w", err)
	}
	if err := g.Accounts.SetCredential(ctx, kindBadge, person, hash, at); err != nil {
		return "", fmt.Errorf("keep badge: %w", err)
	}
	return badge, nil
}

// RevokeBadge makes a person's badge worthless and ends their sessions.
func (g *Gate) RevokeBadge(ctx context.Context, by, person string, at time.Time) error {
	if _, ok := g.Directory.Person(person); !ok {
		return fmt.Errorf("revoke badge: %w", ErrUnknown)
	}
	has, err := g.HasBadge(ctx, person)
	if err != nil || !has {
		return err
	}
	if err := g.mustReport(ctx, Happening{Kind: CredentialChanged, What: WhatBadgeRevoked, Person: person, By: by, At: at}); err != nil {
		return err
	}
	return g.dropBadge(ctx, person, at)
}

// dropBadge forgets a badge, and ends the sessions of the person where there was one.
func (g *Gate) dropBadge(ctx context.Context, person string, at time.Time) error {
	hash, _, found, err := g.Accounts.Credential(ctx, kindBadge, person)
	if err != nil {
		return fmt.Errorf("read badge: %w", err)
	}
	if !found {
		return nil
	}
	if _, err := g.Accounts.DropCredential(ctx, kindBadge, person, ""); err != nil {
		return fmt.Errorf("drop badge: %w", err)
	}
	if _, err := g.Accounts.DropCredential(ctx, kindBadgeOf, hash, ""); err != nil {
		return fmt.Errorf("drop badge: %w", err)
	}
	return g.EndPerson(ctx, person, at)
}

// HasBadge says whether a person has a badge.
func (g *Gate) HasBadge(ctx context.Context, person string) (bool, error) {
	return g.has(ctx, person, kindBadge)
}

// SignInBadge opens a session on an enrolled tablet for a badge. Without such a tablet it gives ErrDevice and looks at nothing.
// Attempts count as those with a PIN do: against the badge's person, or against nobody where there is none, and against the
// tablet.
func (g *Gate) SignInBadge(ctx context.Context, badge string, from Source, at time.Time) (Opened, error) {
	dev, err := g.tablet(ctx, from.DeviceToken)
	if err != nil {
		return Opened{}, err
	}
	badge, ok := readBadge(badge)
	var p Person
	var hash string
	if ok {
		hash = tokenHash("badge:" + badge)
		if p, err = g.badgeOf(ctx, hash); err != nil {
			return Opened{}, err
		}
	}
	a := g.newAttempt(kindBadge, SignInName(p.SignIn), p.ID, dev, from, at)
	err = g.try(ctx, a, func() (bool, error) { return g.badgeIs(ctx, p, hash) })
	g.metrics.signIn(KnownBadge, err)
	if err != nil {
		return Opened{}, err
	}
	return g.openWhile(ctx, Session{Person: p.ID, Device: dev.ID, Known: KnownBadge}, at, func() (bool, error) { return g.badgeIs(ctx, p, hash) })
}

// badgeOf gives whose badge has a hash; nobody where there is none.
func (g *Gate) badgeOf(ctx context.Context, hash string) (Person, error) {
	id, _, found, err := g.Accounts.Credential(ctx, kindBadgeOf, hash)
	if err != nil {
		return Person{}, fmt.Errorf("read badge: %w", err)
	}
	if !found {
		return Person{}, nil
	}
	p, _ := g.Directory.Person(id)
	return p, nil
}

// badgeIs says whether a hash is that of the person's badge now.
func (g *Gate) badgeIs(ctx context.Context, p Person, hash string) (bool, error) {
	if p.ID == "" || p.Disabled {
		return false, nil
	}
	stored, _, found, err := g.Accounts.Credential(ctx, kindBadge, p.ID)
	if err != nil {
		return false, fmt.Errorf("read badge: %w", err)
	}
	return found && same(stored, hash), nil
}
