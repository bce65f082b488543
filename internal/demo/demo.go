// Package demo writes the history of an invented plant: some weeks of two baths, fillings, additions, tests
// and what went wrong, up to a given moment.
//
// Plant, people, lots and figures are made up. Everything is written through the same commands as live
// data, with a clock and a timetable that are stepped through the weeks; the misses are the timetable's
// own. Only a log founded as demo takes a stepped clock. Nothing is sent anywhere. The same moment and
// the same chance number give the same history.
package demo

import (
	"context"
	_ "embed"
	"errors"
	"fmt"
	"slices"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
)

// Site is the site id of the invented plant.
const Site = "vallequince-demo"

// The length of a history.
const (
	DefaultDays = 21
	MinDays     = 3 // so that every story finds its place
	MaxDays     = 60
)

//go:embed plan.yaml
var source string

// Plan gives the plan of the invented plant and the file it stands in.
func Plan() (p *plan.Plan, file string, err error) {
	r := planfile.Check("plan.yaml", []byte(source), plan.Options{})
	if r.Plan == nil {
		return nil, "", fmt.Errorf("plan of the demo: %w", r.Errors)
	}
	return r.Plan, source, nil
}

// Options says what history is written.
type Options struct {
	// Plant is what the site works with: an empty log, a signer for Site, zones. Its clock is not used.
	Plant plant.Options
	// Now is the end of the history: nothing in it is later.
	Now time.Time
	// Days is how long the history is, MinDays to MaxDays; 0: DefaultDays.
	Days int
	// Chance picks one of many histories; 0: 1.
	Chance uint64
	// Progress is called now and then, from one goroutine, with the steps done and to do.
	Progress func(done, total int)
}

// History is what was written.
type History struct {
	People  []Person
	Records int64 // in the log
	From    time.Time
}

// Write founds the site in an empty log and writes its history. The site is closed again when Write
// returns, with a snapshot and a checkpoint; open it to serve it. A log that holds records already is
// haccp.ErrConflict.
func Write(ctx context.Context, o Options) (History, error) {
	if o.Days == 0 {
		o.Days = DefaultDays
	}
	if o.Chance == 0 {
		o.Chance = 1
	}
	if o.Days < MinDays || o.Days > MaxDays || o.Now.IsZero() || o.Plant.Zones == nil {
		return History{}, fmt.Errorf("demo: %w: a history of %d to %d days up to a moment is wanted, and time zones", haccp.ErrInvalid, MinDays, MaxDays)
	}
	h, err := write(ctx, o)
	if err != nil {
		return History{}, fmt.Errorf("demo: %w", err)
	}
	return h, nil
}

func write(ctx context.Context, o Options) (h History, err error) {
	p, file, err := Plan()
	if err != nil {
		return h, err
	}
	zone, err := o.Plant.Zones(p.Zone)
	if err != nil {
		return h, fmt.Errorf("time zone of the plan: %w", err)
	}
	w := newWriter(o, p, zone)
	h.People, h.From = people(), w.from
	o.Plant.Clock = func() time.Time { return w.from }
	if err := plant.Found(ctx, o.Plant, plant.Founding{Site: p.Site, Name: p.Name, Demo: true}); err != nil {
		return h, err
	}
	site, err := plant.Open(ctx, o.Plant)
	if err != nil {
		return h, err
	}
	defer func() { err = errors.Join(err, site.Close(context.WithoutCancel(ctx))) }()
	w.history(p, file)
	slices.SortStableFunc(w.steps, func(a, b step) int { return a.clock.Compare(b.clock) })
	player := &player{site: site, now: w.now, progress: o.Progress}
	if err := player.play(ctx, w.steps); err != nil {
		return h, err
	}
	h.Records = site.Head().Size
	return h, nil
}
