package alerts

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"maps"
	"sync"
	"time"
)

// Lease is where instances of the service agree on who runs the timetable of a site. It is no part of the
// record log, and losing it loses no fact: what counts is the epoch that the log holds. A store need not
// compare and set: a lease is only ever added, and who adds the next epoch first has it.
type Lease interface {
	// Leases calls fn with the newest lease of every site: its epoch, who holds it, and whether it was given up.
	Leases(ctx context.Context, fn func(site string, epoch int64, holder string, released bool) error) error
	// TakeLease adds the lease of an epoch; false where that epoch is there already.
	TakeLease(ctx context.Context, site string, epoch int64, holder string) (bool, error)
	// ReleaseLease marks the lease of an epoch as given up; one that is not there is no error.
	ReleaseLease(ctx context.Context, site string, epoch int64) error
	// Beat keeps the latest beat of a holder, which shows that it is alive.
	Beat(ctx context.Context, holder string, beat int64) error
	// Beats calls fn with the latest beat of every holder.
	Beats(ctx context.Context, fn func(holder string, beat int64) error) error
	// Forget drops the beat of a holder that is gone.
	Forget(ctx context.Context, holder string) error
}

// How long a holder may be silent. No clock is compared with another machine's: an instance measures by its own
// for how long it has seen the same beat.
const (
	beatEvery  = 3 * time.Second
	silentAt   = 12 * time.Second // a holder whose beat stood for so long may be followed
	unprovedAt = 8 * time.Second  // a holder whose own beats were not taken for so long stops by itself
)

// A Rota holds the leases of one instance: it shows that the instance is alive and takes over what nobody
// holds. Its methods may be called by several goroutines at once.
type Rota struct {
	lease  Lease
	holder string
	logger *slog.Logger

	mu      sync.Mutex
	tables  map[string]*Timetable
	held    map[string]int64 // epoch by site
	beat    int64
	proved  time.Time // when the store last took a beat
	sighted map[string]sighting
}

// sighting is the beat of another holder and since when it has stood, by our own clock.
type sighting struct {
	beat  int64
	since time.Time
}

// NewRota returns the leases of an instance; holder names it and no other, not even the same machine after a
// restart. It does nothing until Run.
func NewRota(l Lease, holder string, logger *slog.Logger) *Rota {
	if logger == nil {
		logger = slog.New(slog.DiscardHandler)
	}
	return &Rota{lease: l, holder: holder, logger: logger, tables: map[string]*Timetable{}, held: map[string]int64{},
		sighted: map[string]sighting{}}
}

// add lets the rota seek the lease of a timetable's site.
func (r *Rota) add(t *Timetable) {
	site, _ := t.opt.Site.Name()
	r.mu.Lock()
	defer r.mu.Unlock()
	r.tables[site] = t
}

// Holder names the instance.
func (r *Rota) Holder() string { return r.holder }

// Epoch gives the epoch under which this instance runs the timetable of a site; false where it does not.
func (r *Rota) Epoch(site string) (int64, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	epoch, ok := r.held[site]
	return epoch, ok && time.Since(r.proved) < unprovedAt
}

// Run keeps the leases until ctx ends, and then gives them up.
func (r *Rota) Run(ctx context.Context) {
	tick := time.NewTicker(beatEvery)
	defer tick.Stop()
	for {
		if err := r.Round(ctx); err != nil && ctx.Err() == nil {
			r.logger.Warn("leases of the timetable", "error", err)
		}
		select {
		case <-tick.C:
		case <-ctx.Done():
			r.release(context.WithoutCancel(ctx))
			return
		}
	}
}

// release gives up what is held, so that nobody waits for a silence.
func (r *Rota) release(ctx context.Context) {
	ctx, cancel := context.WithTimeout(ctx, beatEvery)
	defer cancel()
	r.mu.Lock()
	held := r.held
	r.held = map[string]int64{}
	r.mu.Unlock()
	for site, epoch := range held {
		if err := r.lease.ReleaseLease(ctx, site, epoch); err != nil {
			r.logger.Warn("lease not given up; others take over after a silence", "site", site, "error", err)
		}
	}
	if err := r.lease.Forget(ctx, r.holder); err != nil {
		r.logger.Warn("the beat of this instance stays behind", "error", err)
	}
}

type lease struct {
	epoch    int64
	holder   string
	released bool
}

// Round shows that this instance is alive, looks who else is, and takes over what nobody holds. It is what Run
// does every few seconds.
func (r *Rota) Round(ctx context.Context) error {
	r.mu.Lock()
	r.beat++
	beat, began := r.beat, time.Now()
	tables := maps.Clone(r.tables)
	r.mu.Unlock()
	if err := r.lease.Beat(ctx, r.holder, beat); err != nil {
		return fmt.Errorf("show that this instance is alive: %w", err)
	}
	r.mu.Lock()
	r.proved = began
	r.mu.Unlock()
	if err := r.sight(ctx); err != nil {
		return err
	}
	// The logs' epochs are read before the leases: a lease is there before its takeover is in the log.
	recorded := map[string]int64{}
	for site, t := range tables {
		recorded[site] = t.opt.Site.View().Timetable.Epoch
	}
	leases := map[string]lease{}
	err := r.lease.Leases(ctx, func(site string, epoch int64, holder string, released bool) error {
		leases[site] = lease{epoch, holder, released}
		return nil
	})
	if err != nil {
		return fmt.Errorf("read leases: %w", err)
	}
	var errs []error
	for site, t := range tables {
		errs = append(errs, r.settle(ctx, t, site, leases[site], recorded[site]))
	}
	return errors.Join(errs...)
}

// sight reads the beats of the others.
func (r *Rota) sight(ctx context.Context) error {
	now := time.Now()
	err := r.lease.Beats(ctx, func(holder string, beat int64) error {
		r.mu.Lock()
		defer r.mu.Unlock()
		if s, ok := r.sighted[holder]; !ok || s.beat != beat {
			r.sighted[holder] = sighting{beat, now}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("read who is alive: %w", err)
	}
	return nil
}

// settle keeps, takes or gives up the lease of one site.
func (r *Rota) settle(ctx context.Context, t *Timetable, site string, l lease, recorded int64) error {
	mine := l.holder == r.holder && !l.released && l.epoch >= recorded
	able := t.able()
	r.mu.Lock()
	_, holding := r.held[site]
	switch {
	case mine && able:
		r.held[site] = l.epoch
	case holding:
		delete(r.held, site)
	}
	r.mu.Unlock()
	switch {
	case mine && !able:
		r.logger.Warn("the timetable is given up: this instance cannot run it", "site", site, "epoch", l.epoch)
		return r.lease.ReleaseLease(ctx, site, l.epoch)
	case mine || !able || !r.free(l, recorded):
		return nil
	}
	epoch := max(l.epoch, recorded) + 1
	won, err := r.lease.TakeLease(ctx, site, epoch, r.holder)
	if err != nil {
		return fmt.Errorf("take the lease of site %s: %w", site, err)
	}
	if won {
		r.logger.Info("this instance runs the timetable from now on", "site", site, "epoch", epoch, "before", l.holder)
		r.mu.Lock()
		r.held[site] = epoch
		r.mu.Unlock()
		t.wakeUp()
		if l.holder != "" && l.holder != r.holder && !l.released {
			return r.lease.Forget(ctx, l.holder) // if it lives after all, it shows itself again
		}
	}
	return nil
}

// free tells whether a lease may be followed by the next one.
func (r *Rota) free(l lease, recorded int64) bool {
	if l.epoch == 0 || l.released || l.epoch < recorded {
		return true
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	s, ok := r.sighted[l.holder]
	if !ok { // never seen alive: from now on it has time to show itself
		r.sighted[l.holder] = sighting{-1, time.Now()}
		return false
	}
	return time.Since(s.since) >= silentAt
}
