package dashboards

import (
	"errors"
	"slices"
	"strings"
	"sync"

	"github.com/prometheus/client_golang/prometheus"
	dto "github.com/prometheus/client_model/go"
)

// Gatherer joins the metrics of the service with those of its sites. It is a prometheus.TransactionalGatherer: the
// samples of a site are made once and filled anew at every scrape, so two scrapes wait for one another.
type Gatherer struct {
	base prometheus.Gatherer

	mu    sync.Mutex
	sites []*Collector
}

// NewGatherer gives a gatherer of what base has; sites are added to it.
func NewGatherer(base prometheus.Gatherer) *Gatherer { return &Gatherer{base: base} }

// Add joins the metrics of a site.
func (g *Gatherer) Add(c *Collector) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.sites = append(slices.Clip(g.sites), c)
}

// Remove leaves the metrics of a site out from now on; nil is none.
func (g *Gatherer) Remove(c *Collector) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.sites = slices.DeleteFunc(slices.Clone(g.sites), func(x *Collector) bool { return x == c })
}

// Gather gives the metrics, by name. They may be used until done is called.
func (g *Gatherer) Gather() (families []*dto.MetricFamily, done func(), err error) {
	g.mu.Lock()
	sites := g.sites
	g.mu.Unlock()
	for _, c := range sites {
		c.mu.Lock()
	}
	done = func() {
		for _, c := range sites {
			c.mu.Unlock()
		}
	}
	all, err := g.base.Gather()
	byName := map[string]*dto.MetricFamily{}
	for _, f := range all {
		byName[f.GetName()] = f
	}
	for _, c := range sites {
		list, more := c.families()
		err = errors.Join(err, more)
		for _, f := range list {
			switch have := byName[f.GetName()]; {
			case len(f.Metric) == 0:
			case have == nil:
				byName[f.GetName()], all = f, append(all, f)
			default:
				have.Metric = append(have.Metric, f.Metric...)
			}
		}
	}
	slices.SortFunc(all, func(a, b *dto.MetricFamily) int { return strings.Compare(a.GetName(), b.GetName()) })
	return all, done, err
}
