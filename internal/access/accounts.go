package access

import (
	"context"
	"time"
)

// Accounts is the storage of this package. Every write is durable when it
// returns. Times are kept in UTC to the millisecond; a zero time stays zero.
// The contract is tested by accesstest.Accounts.
type Accounts interface {
	Credentials
	Sessions
	Counters
	Grants
}

// Grants keeps delivery grants by the hash of their token. None is ever
// forgotten: there is no end to when what it covers may be delivered.
type Grants interface {
	// AddGrant keeps a new grant of a session, by the hash of the session's
	// token, that covers from, to and what lies between. A hash that is there
	// already is an error.
	AddGrant(ctx context.Context, hash, session, person, device, known string, from, to time.Time) error
	// Grant finds a grant.
	Grant(ctx context.Context, hash string) (person, device, known string, from, to time.Time, found bool, err error)
	// LastGrant finds whose grant on a device began last, at or before a moment;
	// of several that began then, that of the greatest person.
	LastGrant(ctx context.Context, device string, at time.Time) (person string, found bool, err error)
	// EndGrants has the grants of a session, of a person or of a device cover
	// nothing after a moment: of those given, all must fit; none given is an
	// error. An end is only ever moved back, and not before the begin.
	EndGrants(ctx context.Context, session, person, device string, to time.Time) (ended int, err error)
}

// Credentials keeps one secret per kind and owner, hashed by the caller.
type Credentials interface {
	// Credential finds a secret and when it was set.
	Credential(ctx context.Context, kind, owner string) (secret string, at time.Time, found bool, err error)
	// SetCredential sets a secret, whatever was there.
	SetCredential(ctx context.Context, kind, owner, secret string, at time.Time) error
	// ReplaceCredential sets a secret only where the present one is was. The
	// time is that of the new one.
	ReplaceCredential(ctx context.Context, kind, owner, was, secret string, at time.Time) (replaced bool, err error)
	// DropCredential forgets a secret where it is was, or whatever it is where
	// was is empty. Of two callers that drop the same, one is told true.
	DropCredential(ctx context.Context, kind, owner, was string) (dropped bool, err error)
}

// Sessions keeps open sessions by the hash of their token.
type Sessions interface {
	// AddSession keeps a new session, last used when it began. A hash that is
	// there already is an error.
	AddSession(ctx context.Context, hash, person, device, known string, began, ends time.Time) error
	// Session finds a session.
	Session(ctx context.Context, hash string) (person, device, known string, began, used, ends time.Time, found bool, err error)
	// TouchSession moves the time of last use, never backwards, and says
	// whether the session is still there.
	TouchSession(ctx context.Context, hash string, used time.Time) (found bool, err error)
	// EndSession forgets one session; one that is not there is no error.
	EndSession(ctx context.Context, hash string) error
	// EndSessions forgets the sessions of a person, of a device, or of that
	// person on that device; both empty is an error.
	EndSessions(ctx context.Context, person, device string) (ended int, err error)
	// SweepSessions forgets the sessions with ends at or before at.
	SweepSessions(ctx context.Context, at time.Time) (ended int, err error)
}

// Counters keeps counts of failed attempts by subject (who or what is tried)
// and place (from where). The caller sees to it that one subject is not
// changed by two at once.
type Counters interface {
	// Counter gives all zeros for what was never counted.
	Counter(ctx context.Context, subject, place string) (recent, total int, first, last, until time.Time, err error)
	// SetCounter keeps the counts, whatever was there.
	SetCounter(ctx context.Context, subject, place string, recent, total int, first, last, until time.Time) error
	// DropCounters forgets a subject, from every place.
	DropCounters(ctx context.Context, subject string) error
	// SweepCounters forgets those whose last attempt and whose lock are both
	// before the given time.
	SweepCounters(ctx context.Context, before time.Time) error
}
