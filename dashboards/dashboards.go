// Package dashboards shows the published state of a site as metrics, and holds the dashboards that ask for them.
//
// A collector reads the immutable view of a site when it is asked and keeps nothing that a reading would have to
// update: a record pays nothing for being measured. What was worked out at one scrape is used again at the next while
// nothing was recorded that changes it. Labels name only what a plan bounds (control points, places, checks, lines,
// quantities) and a few fixed words; never a lot, a record or a person.
//
// A value that is not known has no sample; it is never shown as zero, and its state says "not known". Moments are
// given as seconds since 1970, so that an age goes on growing when nothing new comes in.
//
// The dashboards themselves are made by package board, as files in grafana/.
package dashboards

import (
	"context"
	"errors"
	"math"
	"sync"
	"time"

	dto "github.com/prometheus/client_model/go"

	"linewarden/haccp"
)

// The numbers of point_state, in the order of seriousness, so that the greatest is the worst.
const (
	NotInUse = 0
	Inside   = 1
	Act      = 2 // outside an operating limit
	NotKnown = 3 // no usable reading within the frequency: never good
	Outside  = 4
)

// The numbers of check_state.
const (
	Upcoming = 0
	Due      = 1
	Late     = 2
	Missed   = 3
)

// The words of the label span: the shift that runs, and the newest that has ended.
const (
	ThisShift = "shift"
	LastShift = "last_shift"
)

// Site is what the collector asks of a site at work.
type Site interface {
	Ready() error
	View() *haccp.State
	// Refresh reads what other instances wrote to the log.
	Refresh(ctx context.Context) error
}

// refreshWithin is how long a scrape waits for what other instances wrote.
const refreshWithin = time.Second

// Options says what a collector works with; all are required.
type Options struct {
	Site   Site
	ID     string // of the site: the label site of every metric
	Prefix string // of every name
	Clock  func() time.Time
}

// Collector gives the metrics of one site to a Gatherer.
type Collector struct {
	opt    Options
	timing *timing

	mu     sync.Mutex // held from Gather to done
	layout *layout
	lots   lotFigures
}

// New gives the collector of a site.
func New(o Options) (*Collector, error) {
	if o.Site == nil || o.Clock == nil || o.ID == "" {
		return nil, errors.New("dashboards: the collector wants a site, its id and a clock")
	}
	t, err := newTiming(o)
	if err != nil {
		return nil, err
	}
	return &Collector{opt: o, timing: t}, nil
}

// families gives the metrics as they stand. They may be used until the next call.
func (c *Collector) families() ([]*dto.MetricFamily, error) {
	ctx, cancel := context.WithTimeout(context.Background(), refreshWithin)
	defer cancel()
	stale := c.opt.Site.Refresh(ctx)
	now, state := c.opt.Clock(), c.opt.Site.View()
	out := newSink(c)
	out.put("ready", flag(c.opt.Site.Ready() == nil))
	out.put("fresh", flag(stale == nil))
	if stale != nil || state.Site.Site == "" { // behind, or being read: what it says would be out of date
		return out.families, nil
	}
	out.put("site_info", 1, state.Site.Name)
	c.counts(out, state)
	c.cases(out, state, now)
	signed, ok := state.PlanAt(now)
	if !ok {
		return out.families, nil
	}
	out.put("plan_version", float64(signed.Version))
	if c.layout == nil || c.layout.plan != signed.Plan {
		c.layout = c.lay(signed.Plan)
	}
	for _, x := range c.layout.fixed {
		out.add(x)
	}
	c.places(out, state, now)
	c.points(out, state, now)
	c.checks(out, state, now)
	c.product(out, state, now)
	c.timing.observe(state, c.layout, &c.lots)
	times, err := c.timing.own.Gather()
	return append(out.families, times...), err
}

func flag(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

// stamp gives a moment as seconds since 1970.
func stamp(t time.Time) float64 { return math.Round(float64(t.UnixMilli())) / 1000 }

// counts gives the totals of the log since its founding: they never start again.
func (c *Collector) counts(out *sink, s *haccp.State) {
	out.put("readings_total", float64(s.Counts.Readings))
	out.put("readings_outside_total", float64(s.Counts.Outside))
	out.put("reports_received_late_total", float64(s.Counts.Late))
	out.put("reports_amended_total", float64(s.Counts.Amended))
	out.put("reports_voided_total", float64(s.Counts.Voided))
	out.put("checks_missed_total", float64(s.Counts.Missed))
	out.put("deviations_opened_total", float64(s.Opened))
}
