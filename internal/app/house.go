package app

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/gofiber/fiber/v2"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/valyala/fasthttp"

	"linewarden/alerts"
	"linewarden/dashboards"
	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/plant"
	"linewarden/internal/plant/live"
)

// house is one site at work with everything that serves it.
type house struct {
	id        string
	root      string // what its addresses begin with; "" where the service serves nothing else
	site      *plant.Site
	door      *access.Gate
	gate      *gate.Gate
	timetable *alerts.Timetable
	ticking   atomic.Pointer[alerts.Timetable] // the timetable, for the writer
	live      *live.Hub
	watched   atomic.Pointer[live.Hub] // the same, for the writer
	desk      atomic.Pointer[alerts.Desk]
	figures   *dashboards.Collector
	fiber     *fiber.App
	handler   fasthttp.RequestHandler // of fiber
}

// close ends the site: its timetable, what sign-in has to record, and the log.
func (h *house) close(ctx context.Context, now time.Time) error {
	var errs []error
	h.desk.Load().Stop()
	if err := h.timetable.Stop(ctx); err != nil {
		errs = append(errs, fmt.Errorf("stop: %w", err))
	}
	if err := h.door.Sweep(ctx, now); err != nil {
		errs = append(errs, fmt.Errorf("record what sign-in noticed: %w", err))
	}
	if err := h.site.Close(ctx); err != nil {
		errs = append(errs, fmt.Errorf("close the site: %w", err))
	}
	return errors.Join(errs...)
}

// openHouse opens a site. The record log is read in the background. Metrics go to reg.
func (a *App) openHouse(ctx context.Context, id, root string, reg prometheus.Registerer, door func(*plant.Site) (*access.Gate, error)) (*house, error) {
	o, err := a.home.Options(ctx, id)
	if err != nil {
		return nil, err
	}
	o.Clock, o.Logger, o.Registerer, o.SnapshotEvery = a.parts.Clock, a.logger, reg, a.cfg.SnapshotEvery
	h := &house{id: id, root: root}
	o.Progress, o.Shared, o.Committed = a.parts.Progress, a.shared != nil, h.noticed
	if h.site, err = plant.Begin(ctx, o); err != nil {
		return nil, err
	}
	h.live = live.NewHub(h.site, a.parts.Clock)
	h.watched.Store(h.live)
	h.door, err = door(h.site)
	if err == nil {
		h.timetable, err = alerts.New(alerts.Options{Site: h.site, Clock: a.parts.Clock, Logger: a.logger, Registerer: reg, Rota: a.rota})
		h.ticking.Store(h.timetable)
	}
	if err == nil {
		err = a.openDesk(h, reg)
	}
	if err == nil {
		err = a.mount(h, reg)
	}
	if err == nil && id != haccp.GroupID {
		err = a.measure(h)
	}
	if err != nil {
		return nil, closeAfter(h.site, err)
	}
	return h, nil
}

// measure shows the state of the site as metrics.
func (a *App) measure(h *house) error {
	var err error
	if h.figures, err = dashboards.New(dashboards.Options{Site: h.site, ID: h.id, Prefix: MetricsPrefix, Clock: a.parts.Clock}); err != nil {
		return err
	}
	a.figures.Add(h.figures)
	return nil
}

func closeAfter(site *plant.Site, err error) error {
	if cerr := site.Close(context.Background()); cerr != nil {
		return fmt.Errorf("%w (and %w)", err, cerr)
	}
	return err
}

// settings gives the numbers of sign-in.
func (a *App) settings() access.Settings {
	set := access.Defaults()
	if a.parts.Access != nil {
		set = *a.parts.Access
	}
	set.Hashers = a.cfg.Hashers
	return set
}

// begin waits for the record log and then starts the timetable.
func (h *house) begin(a *App) {
	ctx, cancel := a.life()
	defer cancel()
	if err := h.site.Wait(ctx); err != nil {
		if ctx.Err() == nil {
			a.logger.Error("the record log cannot be read; only what needs no state is served", "site", h.id, "error", err)
		}
		return
	}
	if ctx.Err() == nil {
		a.chores.Go(func() {
			life, end := a.life()
			defer end()
			h.live.Run(life)
		})
		h.timetable.Start()
		h.desk.Load().Start()
	}
}
