package app

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/gofiber/fiber/v2"
	"github.com/prometheus/client_golang/prometheus"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/app/staff"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
	"linewarden/internal/plant/overview"
	"linewarden/internal/record"
)

// group serves the sites of a group beside the group itself. Its log says which sites there are, who works
// in the group and which roles they hold where; every site has a log of its own, in which the roles at that site
// are recorded once more, so that it can be read and verified by itself.
type group struct {
	app   *App
	reg   prometheus.Registerer
	front *house

	mu     sync.RWMutex
	houses map[string]*house

	settling sync.Mutex
	opened   atomic.Bool // the sites listed at the start were opened, and read or found to be unreadable
}

const (
	sitesPath    = "/sites/"
	apiSitesPath = "/api/v1/sites/"
	settleEvery  = 5 * time.Second
)

// openGroup opens a group. Its sites are opened when its log is read.
func (a *App) openGroup(ctx context.Context, reg prometheus.Registerer) error {
	g := &group{app: a, reg: reg, houses: map[string]*house{}}
	a.group = g
	own := labelled(reg, haccp.GroupID)
	var err error
	a.front, err = a.openHouse(ctx, haccp.GroupID, "", own, func(site *plant.Site) (*access.Gate, error) {
		return Door(ctx, a.home, site, a.settings(), DoorOptions{Logger: a.logger, Registerer: own})
	})
	g.front = a.front
	return err
}

func labelled(reg prometheus.Registerer, site string) prometheus.Registerer {
	return prometheus.WrapRegistererWith(prometheus.Labels{"site": site}, reg)
}

// run opens the sites that the group's log lists, and keeps people and roles at them in step with it.
func (g *group) run() {
	ctx, cancel := g.app.life()
	defer cancel()
	if err := g.front.site.Wait(ctx); err != nil {
		return // house.begin says so
	}
	settle := func() {
		if err := g.Settle(ctx); err != nil && ctx.Err() == nil {
			g.app.logger.Warn("the sites are not all in step with the group", "error", err)
		}
	}
	settle() // opens the sites
	for _, h := range g.all() {
		_ = h.site.Wait(ctx) // begin says what is wrong with it
	}
	settle()
	g.opened.Store(true)
	tick := time.NewTicker(settleEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			settle()
		case <-ctx.Done():
			return
		}
	}
}

func (g *group) house(site string) *house {
	g.mu.RLock()
	defer g.mu.RUnlock()
	return g.houses[site]
}

func (g *group) all() []*house {
	g.mu.RLock()
	defer g.mu.RUnlock()
	var out []*house
	for _, id := range slices.Sorted(maps.Keys(g.houses)) {
		out = append(out, g.houses[id])
	}
	return out
}

// Settle opens and closes sites as the group's log says, and brings people and roles into their logs. What is
// done already is not done again, whoever did it.
func (g *group) Settle(ctx context.Context) error {
	g.settling.Lock()
	defer g.settling.Unlock()
	view := g.front.site.View()
	var errs []error
	for _, m := range view.Members() {
		h := g.house(m.Site)
		switch {
		case !m.Retired.IsZero():
			if h != nil {
				errs = append(errs, g.close(ctx, h))
			}
			continue
		case h == nil:
			opened, err := g.open(ctx, m)
			if err != nil {
				errs = append(errs, fmt.Errorf("site %s: %w", m.Site, err))
				continue
			}
			h = opened
		}
		if h.site.Ready() != nil {
			continue // the next round finds it
		}
		if err := staff.Settle(ctx, h.site, view, m); err != nil {
			errs = append(errs, fmt.Errorf("site %s: %w", m.Site, err))
		}
	}
	return errors.Join(errs...)
}

// open opens a site of the group and begins to serve it.
func (g *group) open(ctx context.Context, m *haccp.Member) (*house, error) {
	founding, err := g.app.home.Founding(ctx, m.Site)
	if err != nil {
		return nil, err
	}
	if founding.LogID != m.LogID {
		return nil, fmt.Errorf("%w: its log is %s, the group knows it by %s", record.ErrTampered, founding.LogID, m.LogID)
	}
	h, err := g.app.openHouse(ctx, m.Site, sitesPath+m.Site, labelled(g.reg, m.Site), func(site *plant.Site) (*access.Gate, error) {
		return g.front.door.Beside(staff.At(g.front.site, site)), nil
	})
	if err != nil {
		return nil, err
	}
	g.mu.Lock()
	g.houses[m.Site] = h
	g.mu.Unlock()
	g.app.chores.Go(func() { h.begin(g.app) })
	g.app.logger.Info("serving a site of the group", "site", m.Site)
	return h, nil
}

// close ends a site that was retired.
func (g *group) close(ctx context.Context, h *house) error {
	g.mu.Lock()
	delete(g.houses, h.id)
	g.mu.Unlock()
	g.app.figures.Remove(h.figures)
	g.app.logger.Info("a site was retired and is served no more", "site", h.id)
	return h.close(ctx, g.app.parts.Clock())
}

// Standings gives how the sites stand that a person may see: all of them for whoever holds a role in the group
// itself, else those at which the person holds one.
func (g *group) Standings(p access.Person) []overview.SiteStanding {
	var out []overview.SiteStanding
	now := g.app.parts.Clock()
	for _, h := range g.all() {
		if at, ok := h.door.Directory.Person(p.ID); len(p.Roles) > 0 || ok && len(at.Roles) > 0 {
			out = append(out, overview.Of(h.site, now))
		}
	}
	return out
}

// Founded reads the founding of a site that is to join the group.
func (g *group) Founded(ctx context.Context, site string) (record.Founding, error) {
	sites, err := g.app.home.Sites(ctx)
	if err != nil {
		return record.Founding{}, err
	}
	if site == haccp.GroupID || !slices.Contains(sites, site) {
		return record.Founding{}, &haccp.Refusal{Kind: haccp.ErrNotFound, Field: "site", Code: "unknown-site",
			Message: fmt.Sprintf("no site %q has been founded there: sign its first plan from the console", site)}
	}
	return g.app.home.Founding(ctx, site)
}

// dispatch hands a request for one site to what serves that site, under the address that it has there.
func (g *group) dispatch(c *fiber.Ctx) error {
	inner, site := "", ""
	path := c.Path()
	if rest, ok := strings.CutPrefix(path, apiSitesPath); ok {
		if site, rest, ok = strings.Cut(rest, "/"); !ok || rest == "" || rest == "retire" {
			return c.Next() // about the site, not at it
		}
		inner = "/api/v1/" + rest
	} else if rest, ok := strings.CutPrefix(path, sitesPath); ok {
		if site, rest, ok = strings.Cut(rest, "/"); !ok {
			return c.Redirect(path+"/", fiber.StatusSeeOther)
		}
		inner = "/" + rest
	} else {
		return c.Next()
	}
	h := g.house(site)
	if h == nil {
		return g.front.gate.Fail(c, &gate.Fault{Status: fiber.StatusNotFound, Code: "no-such-address", Message: "the group has no such site"})
	}
	ctx := c.Context()
	if query := string(ctx.URI().QueryString()); query != "" {
		inner += "?" + query
	}
	ctx.Request.SetRequestURI(inner)
	h.handler(ctx)
	return nil
}

// ready gives nil when the group and at least one of its sites record.
func (g *group) ready() error {
	if err := g.front.site.Ready(); err != nil {
		return err
	}
	if !g.opened.Load() {
		return fmt.Errorf("%w: the sites of the group are being opened", plant.ErrReplaying)
	}
	var errs []error
	all := g.all()
	for _, h := range all {
		if err := h.site.Ready(); err != nil {
			errs = append(errs, fmt.Errorf("site %s: %w", h.id, err))
		}
	}
	if len(all) > 0 && len(errs) == len(all) {
		return errors.Join(errs...)
	}
	return nil
}
