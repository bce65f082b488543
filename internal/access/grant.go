package access

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"time"
)

// GrantCover is the longest time after sign-in whose reports a delivery grant
// covers.
const GrantCover = 72 * time.Hour

// A Grant is leave to deliver reports of one person from one device: those that
// happened from sign-in to sign-out, and GrantCover after sign-in at the latest.
// It is good for nothing else, and there is no end to when they may be delivered.
// It outlives the session, a lock and a change of person.
type Grant struct {
	Person   string // id
	Device   string // id of the enrolled device
	Known    string // how the person was known at sign-in
	From, To time.Time
}

// A Granted is a new grant with its token, which the device keeps and which is
// stored nowhere else.
type Granted struct {
	Token string
	Grant
}

// ErrNotCovered is the refusal to deliver a report that happened outside the
// time that its grant covers.
var ErrNotCovered = errors.New("the grant does not cover that time")

// ErrGrant is the refusal of a grant that is not known here.
var ErrGrant = errors.New("delivery grant is not known")

// Covers says whether a moment lies in the time of the grant.
func (g Grant) Covers(at time.Time) bool { return !at.Before(g.From) && !at.After(g.To) }

// HandOut gives the grant of the session that a token opens. It gives ErrDevice
// for a session that is not bound to an enrolled tablet: only those keep reports.
func (g *Gate) HandOut(ctx context.Context, token string, at time.Time) (Granted, error) {
	s, _, err := g.Check(ctx, token, at)
	if err != nil {
		return Granted{}, err
	}
	if s.Device == "" {
		return Granted{}, ErrDevice
	}
	out := Granted{randomText(tokenBytes), Grant{Person: s.Person, Device: s.Device, Known: s.Known, From: s.Began, To: s.Began.Add(GrantCover)}}
	err = g.Accounts.AddGrant(ctx, tokenHash(out.Token), tokenHash(token), s.Person, s.Device, s.Known, out.From, out.To)
	if err != nil {
		return Granted{}, fmt.Errorf("keep delivery grant: %w", err)
	}
	// A sign-out that ran between the two found no grant to end.
	if _, _, err := g.Check(ctx, token, at); err != nil {
		return Granted{}, errors.Join(err, g.endGrants(context.WithoutCancel(ctx), tokenHash(token), "", "", at))
	}
	return out, nil
}

// GrantByToken finds a grant. Whether it covers a report is for the caller to
// see; it gives ErrGrant for a token that is unknown or altered. A grant whose
// person is disabled or whose device is revoked is given all the same: reports
// of before are facts.
func (g *Gate) GrantByToken(ctx context.Context, token string) (Grant, error) {
	if len(token) != base64.RawURLEncoding.EncodedLen(tokenBytes) {
		return Grant{}, ErrGrant
	}
	var x Grant
	var found bool
	var err error
	x.Person, x.Device, x.Known, x.From, x.To, found, err = g.Accounts.Grant(ctx, tokenHash(token))
	if err != nil {
		return Grant{}, fmt.Errorf("read delivery grant: %w", err)
	}
	_, person := g.Directory.Person(x.Person)
	_, device := g.Directory.Device(x.Device)
	if !found || !person || !device { // unknown, or of another site to the same accounts
		return Grant{}, ErrGrant
	}
	return x, nil
}

// SignedInLast says whether nobody else signed in on the device of a grant after
// its person did and up to a moment.
func (g *Gate) SignedInLast(ctx context.Context, x Grant, at time.Time) (bool, error) {
	person, found, err := g.Accounts.LastGrant(ctx, x.Device, at)
	if err != nil {
		return false, fmt.Errorf("read delivery grants: %w", err)
	}
	return found && person == x.Person, nil
}

func (g *Gate) endGrants(ctx context.Context, session, person, device string, at time.Time) error {
	if _, err := g.Accounts.EndGrants(ctx, session, person, device, at); err != nil {
		return fmt.Errorf("end delivery grants: %w", err)
	}
	return nil
}
