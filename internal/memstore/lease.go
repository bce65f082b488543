package memstore

import (
	"context"
	"sync"
)

type leaseKey struct {
	site  string
	epoch int64
}

type lease struct {
	holder   string
	released bool
}

// Leases keeps who runs the timetable of a site, for tests. Package alerts declares what it does.
type Leases struct {
	mu     sync.Mutex
	leases map[leaseKey]lease
	newest map[string]int64 // epoch by site
	beats  map[string]int64
}

// NewLeases returns an empty store of leases.
func NewLeases() *Leases {
	return &Leases{leases: map[leaseKey]lease{}, newest: map[string]int64{}, beats: map[string]int64{}}
}

// Leases calls fn with the newest lease of every site.
func (s *Leases) Leases(ctx context.Context, fn func(site string, epoch int64, holder string, released bool) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for site, epoch := range s.newest {
		l := s.leases[leaseKey{site, epoch}]
		if err := fn(site, epoch, l.holder, l.released); err != nil {
			return err
		}
	}
	return nil
}

// TakeLease adds the lease of an epoch; false where it is there already.
func (s *Leases) TakeLease(ctx context.Context, site string, epoch int64, holder string) (bool, error) {
	if err := ctx.Err(); err != nil {
		return false, err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	k := leaseKey{site, epoch}
	if _, there := s.leases[k]; there {
		return false, nil
	}
	s.leases[k] = lease{holder: holder}
	s.newest[site] = max(s.newest[site], epoch)
	return true, nil
}

// ReleaseLease marks the lease of an epoch as given up.
func (s *Leases) ReleaseLease(ctx context.Context, site string, epoch int64) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	k := leaseKey{site, epoch}
	if l, there := s.leases[k]; there {
		l.released = true
		s.leases[k] = l
	}
	return nil
}

// Beat keeps the latest beat of a holder.
func (s *Leases) Beat(ctx context.Context, holder string, beat int64) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.beats[holder] = beat
	return nil
}

// Beats calls fn with the latest beat of every holder.
func (s *Leases) Beats(ctx context.Context, fn func(holder string, beat int64) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	for holder, beat := range s.beats {
		if err := fn(holder, beat); err != nil {
			return err
		}
	}
	return nil
}

// Forget drops the beat of a holder that is gone.
func (s *Leases) Forget(ctx context.Context, holder string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.beats, holder)
	return nil
}
