package memstore

import (
	"context"
	"errors"
	"time"
)

type accountGrant struct {
	session, person, device, known string
	from, to                       time.Time
}

// AddGrant keeps a new grant.
func (s *Accounts) AddGrant(_ context.Context, hash, session, person, device, known string, from, to time.Time) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if _, ok := s.grants[hash]; ok {
		return errors.New("add grant: this hash is there already")
	}
	s.grants[hash] = accountGrant{session, person, device, known, accountTime(from), accountTime(to)}
	return nil
}

// Grant finds a grant.
func (s *Accounts) Grant(_ context.Context, hash string) (person, device, known string, from, to time.Time, found bool, err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	x, ok := s.grants[hash]
	return x.person, x.device, x.known, x.from, x.to, ok, nil
}

// LastGrant finds whose grant on a device began last.
func (s *Accounts) LastGrant(_ context.Context, device string, at time.Time) (string, bool, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	at = accountTime(at)
	var last accountGrant
	found := false
	for _, x := range s.grants {
		if x.device != device || x.from.After(at) {
			continue
		}
		if !found || x.from.After(last.from) || x.from.Equal(last.from) && x.person > last.person {
			last, found = x, true
		}
	}
	return last.person, found, nil
}

// EndGrants moves the end of grants back.
func (s *Accounts) EndGrants(_ context.Context, session, person, device string, to time.Time) (int, error) {
	if session+person+device == "" {
		return 0, errors.New("end grants: neither session nor person nor device given")
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	to = accountTime(to)
	n := 0
	for hash, x := range s.grants {
		if session != "" && x.session != session || person != "" && x.person != person || device != "" && x.device != device || !to.Before(x.to) {
			continue
		}
		x.to = to
		if to.Before(x.from) {
			x.to = x.from
		}
		s.grants[hash] = x
		n++
	}
	return n, nil
}
