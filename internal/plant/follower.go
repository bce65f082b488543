package plant

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"linewarden/internal/record"
)

const (
	followEvery = 500 * time.Millisecond
	freshFor    = 2 * followEvery  // a state known to be the whole log so lately is fresh
	usedFor     = 10 * time.Second // a site is followed for so long after a request
	followWait  = 5 * time.Second  // for the store
)

// A Follower keeps sites up to date with what other instances write. It asks about all of them in one
// question, and only for those that somebody looks at.
type Follower struct {
	News  record.News
	Sites func() []*Site
	// Needed says that a site is to be followed whether somebody looks at it or not; nil: none is.
	Needed func(site string) bool
	Logger *slog.Logger
}

// Run follows until ctx ends.
func (f *Follower) Run(ctx context.Context) {
	tick := time.NewTicker(followEvery)
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
	ctx, cancel := context.WithTimeout(ctx, followWait)
	defer cancel()
	began := time.Now()
	sites, known := map[string]*Site{}, map[string]int64{}
	for _, s := range f.Sites() {
		lately := began.Sub(time.Unix(0, s.used.Load())) < usedFor
		if lately || f.Needed != nil && f.Needed(s.site) {
			sites[s.site], known[s.site] = s, s.view.Load().head.Commit
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
		case s.status.inDoubt():
			// A site that stopped in doubt goes on where the log can be read again.
			if err := s.CatchUp(ctx, known[id]+1); errors.Is(err, ErrBehind) {
				f.Logger.Info("the site goes on", "site", id)
			}
		default:
			s.atEnd(began)
		}
	}
	return nil
}
