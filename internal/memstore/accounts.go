package memstore

import (
	"context"
	"errors"
	"sync"
	"time"
)

type accountKey struct{ a, b string }

type accountSecret struct {
	secret string
	at     time.Time
}

type accountSession struct {
	person, device, known string
	began, used, ends     time.Time
}

type accountCounter struct {
	recent, total      int
	first, last, until time.Time
}

// Accounts keeps credentials, sessions, counters and delivery grants in memory, for tests.
// Package access declares what it does.
type Accounts struct {
	mu       sync.Mutex
	secrets  map[accountKey]accountSecret // kind, owner
	sessions map[string]accountSession
	counters map[accountKey]accountCounter // subject, place
	grants   map[string]accountGrant       // by hash
}

// NewAccounts returns an empty store.
func NewAccounts() *Accounts {
	return &Accounts{
		secrets:  map[accountKey]accountSecret{},
		sessions: map[string]accountSession{},
		counters: map[accountKey]accountCounter{},
		grants:   map[string]accountGrant{},
	}
}

// accountTime keeps a time as every store of accounts does.
func accountTime(t time.Time) time.Time {
	if t.IsZero() {
		return time.Time{}
	}
	return t.UTC().Truncate(time.Millisecond)
}

// Credential finds a secret.
func (s *Accounts) Credential(_ context.Context, kind, owner string) (string, time.Time, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	c, ok := s.secrets[accountKey{kind, owner}]
	return c.secret, c.at, ok, nil
}

// SetCredential sets a secret.
func (s *Accounts) SetCredential(_ context.Context, kind, owner, secret string, at time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.secrets[accountKey{kind, owner}] = accountSecret{secret, accountTime(at)}
	return nil
}

// ReplaceCredential sets a secret where the present one is was.
func (s *Accounts) ReplaceCredential(_ context.Context, kind, owner, was, secret string, at time.Time) (bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	k := accountKey{kind, owner}
	if c, ok := s.secrets[k]; !ok || c.secret != was {
		return false, nil
	}
	s.secrets[k] = accountSecret{secret, accountTime(at)}
	return true, nil
}

// DropCredential forgets a secret where it is was, or any where was is empty.
func (s *Accounts) DropCredential(_ context.Context, kind, owner, was string) (bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	k := accountKey{kind, owner}
	if c, ok := s.secrets[k]; !ok || (was != "" && c.secret != was) {
		return false, nil
	}
	delete(s.secrets, k)
	return true, nil
}

// AddSession keeps a new session.
func (s *Accounts) AddSession(_ context.Context, hash, person, device, known string, began, ends time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, ok := s.sessions[hash]; ok {
		return errors.New("add session: this hash is there already")
	}
	began = accountTime(began)
	s.sessions[hash] = accountSession{person, device, known, began, began, accountTime(ends)}
	return nil
}

// Session finds a session.
func (s *Accounts) Session(_ context.Context, hash string) (person, device, known string, began, used, ends time.Time, found bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	x, ok := s.sessions[hash]
	return x.person, x.device, x.known, x.began, x.used, x.ends, ok, nil
}

// TouchSession moves the time of last use forward.
func (s *Accounts) TouchSession(_ context.Context, hash string, used time.Time) (bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	x, ok := s.sessions[hash]
	if !ok {
		return false, nil
	}
	if used = accountTime(used); used.After(x.used) {
		x.used = used
		s.sessions[hash] = x
	}
	return true, nil
}

// EndSession forgets a session.
func (s *Accounts) EndSession(_ context.Context, hash string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.sessions, hash)
	return nil
}

// EndSessions forgets the sessions of a person, a device, or both together.
func (s *Accounts) EndSessions(_ context.Context, person, device string) (int, error) {
	if person == "" && device == "" {
		return 0, errors.New("end sessions: neither person nor device given")
	}
	return s.endWhere(func(x accountSession) bool {
		return (person == "" || x.person == person) && (device == "" || x.device == device)
	}), nil
}

// SweepSessions forgets the sessions that are past their end.
func (s *Accounts) SweepSessions(_ context.Context, at time.Time) (int, error) {
	at = accountTime(at)
	return s.endWhere(func(x accountSession) bool { return !x.ends.After(at) }), nil
}

func (s *Accounts) endWhere(gone func(accountSession) bool) int {
	s.mu.Lock()
	defer s.mu.Unlock()
	n := 0
	for hash, x := range s.sessions {
		if gone(x) {
			delete(s.sessions, hash)
			n++
		}
	}
	return n
}

// Counter gives the counts of a subject from a place.
func (s *Accounts) Counter(_ context.Context, subject, place string) (recent, total int, first, last, until time.Time, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	c := s.counters[accountKey{subject, place}]
	return c.recent, c.total, c.first, c.last, c.until, nil
}

// SetCounter keeps the counts of a subject from a place.
func (s *Accounts) SetCounter(_ context.Context, subject, place string, recent, total int, first, last, until time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.counters[accountKey{subject, place}] = accountCounter{recent, total, accountTime(first), accountTime(last), accountTime(until)}
	return nil
}

// DropCounters forgets the counts of a subject.
func (s *Accounts) DropCounters(_ context.Context, subject string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	for k := range s.counters {
		if k.a == subject {
			delete(s.counters, k)
		}
	}
	return nil
}

// SweepCounters forgets the counts that are long past.
func (s *Accounts) SweepCounters(_ context.Context, before time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	before = accountTime(before)
	for k, c := range s.counters {
		if c.last.Before(before) && c.until.Before(before) {
			delete(s.counters, k)
		}
	}
	return nil
}
