// Package follow keeps sites up to date with what other instances of the service write to their logs.
package follow

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"linewarden/internal/plant"
	"linewarden/internal/record"
)

const (
	every = plant.FreshFor / 2
	wait  = 5 * time.Second // for the store
)

// A Follower keeps sites up to date with what other instances write. It asks about all of them in one
// question, and only for those that somebody looks at.
type Follower struct {
	News  record.News
	Sites func() []*plant.Site
	// Needed says that a site is to be followed whether somebody looks at it or not; nil: none is.
	Needed func(site string) bool
	Logger *slog.Logger
}

// Run follows until ctx ends.
func (f *Follower) Run(ctx context.Context) {
	tick := time.NewTicker(every)
	defer tick.Stop()
	for away := false; ; {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		err := f.Round(ctx)
		if err != nil && !away && ctx.Err() == nil {
			f.Logger.Warn("what other instances wrote cannot be read", "error", err)
		}
		away = err != nil
	}
}

// Round asks once and has the sites that are behind read on.
func (f *Follower) Round(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	began := time.Now()
	sites, known := map[string]*plant.Site{}, map[string]int64{}
	for _, s := range f.Sites() {
		if id, _ := s.Name(); s.InUse() || f.Needed != nil && f.Needed(id) {
			sites[id], known[id] = s, s.Head().Commit
		}
	}
	if len(known) == 0 {
		return nil
	}
	news, err := f.News.News(ctx, known)
	if err != nil {
		return fmt.Errorf("heads of %d sites: %w", len(known), err)
	}
	for id, s := range sites {
		switch {
		case news[id] > known[id]:
			if err := s.CatchUp(ctx, news[id]); err != nil {
				return fmt.Errorf("site %s: %w", id, err)
			}
		case errors.Is(s.Ready(), plant.ErrStopped):
			// A site that stopped in doubt goes on where the log can be read again.
			if err := s.CatchUp(ctx, known[id]+1); errors.Is(err, plant.ErrBehind) {
				f.Logger.Info("the site goes on", "site", id)
			}
		default:
			s.Followed(began)
		}
	}
	return nil
}
