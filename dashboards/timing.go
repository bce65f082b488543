package dashboards

import (
	"fmt"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/quantity"
)

// timingNames are the histograms.
var timingNames = []string{"contact_time_seconds", "clock_seconds", "alert_acknowledge_seconds", "deviation_close_seconds"}

// timing counts what took how long. Each thing is counted once, when a scrape first sees it complete; what was complete
// before the service began is not counted, but for the history of a site founded as demo. A time that is amended later
// is not counted again.
type timing struct {
	contact *prometheus.HistogramVec
	clock   *prometheus.HistogramVec
	taken   *prometheus.HistogramVec
	closed  *prometheus.HistogramVec

	own   *prometheus.Registry
	begun bool
	seen  map[string]bool // what the state held at the last scrape and was counted
}

// Buckets, in seconds: of contact times around a minute or two, of clocks around an hour, of answers from a minute to
// hours, of cases from an hour to weeks.
var (
	contactBuckets = []float64{15, 30, 45, 60, 75, 90, 105, 120, 150, 180, 240, 300, 600}
	clockBuckets   = []float64{600, 1200, 1800, 2100, 2400, 2700, 3000, 3300, 3600, 4500, 5400, 7200, 14400}
	answerBuckets  = []float64{60, 120, 300, 600, 900, 1800, 3600, 7200, 14400, 43200, 86400}
	closingBuckets = []float64{3600, 14400, 43200, 86400, 172800, 259200, 432000, 604800, 1209600, 2592000}
)

func newTiming(o Options) (*timing, error) {
	of := func(name, help string, buckets []float64, labels ...string) *prometheus.HistogramVec {
		return prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: o.Prefix + name, Help: help, Buckets: buckets, ConstLabels: prometheus.Labels{"site": o.ID},
			NativeHistogramBucketFactor: 1.1, NativeHistogramMaxBucketNumber: 100}, labels)
	}
	t := &timing{own: prometheus.NewRegistry(), seen: map[string]bool{},
		contact: of(timingNames[0], "Time of the product in contact with the wash, as timed or from the times of lots.", contactBuckets, "line", "place", "point"),
		clock:   of(timingNames[1], "Complete clocks of lots, such as from shredding to the last bag sealed.", clockBuckets, "line", "point"),
		taken:   of(timingNames[2], "From when an alert sounded until somebody took it on.", answerBuckets, "severity"),
		closed:  of(timingNames[3], "From when a deviation or nonconformity was found until it was closed.", closingBuckets, "kind"),
	}
	for _, severity := range alarm.Severities() { // shown before there is one
		t.taken.WithLabelValues(severity)
	}
	for _, word := range words {
		t.closed.WithLabelValues(word)
	}
	for _, h := range []*prometheus.HistogramVec{t.contact, t.clock, t.taken, t.closed} {
		if err := t.own.Register(h); err != nil {
			return nil, fmt.Errorf("register the times of a site: %w", err)
		}
	}
	return t, nil
}

// observe counts what is complete and was not counted yet.
func (t *timing) observe(s *haccp.State, l *layout, lots *lotFigures) {
	now := make(map[string]bool, len(t.seen))
	count := t.begun || s.Site.Demo
	note := func(key string, h prometheus.Observer, took time.Duration) {
		if now[key] = true; !t.seen[key] && count && took >= 0 {
			h.Observe(took.Seconds())
		}
	}
	for _, d := range s.HeldCases() {
		if d.IsClosed {
			note("case "+d.Deviation+" "+d.ClosedAt.String(), t.closed.WithLabelValues(d.Word()), d.ClosedAt.Sub(d.Found))
		}
	}
	for _, a := range s.Alerts() {
		if a.Ack != nil {
			note("alert "+a.Alert+" "+a.Sounded.String(), t.taken.WithLabelValues(a.Severity), a.Ack.At.Sub(a.Sounded))
		}
	}
	lines := map[string]string{}
	for _, pl := range l.plan.Places {
		lines[pl.ID] = pl.Line
	}
	for _, r := range l.clocks {
		for _, x := range lots.done {
			switch {
			case x.point != r.point.ID:
			case r.contact:
				note("lot "+x.lot+" "+x.point+" "+x.place, t.contact.WithLabelValues(r.line, x.place, x.point), x.took)
			default:
				note("lot "+x.lot+" "+x.point, t.clock.WithLabelValues(r.line, x.point), x.took)
			}
		}
	}
	for _, pt := range l.plan.Points {
		if !l.contact[pt.ID] {
			continue
		}
		for _, place := range pt.Places {
			h := t.contact.WithLabelValues(lines[place], place, pt.ID)
			for id, took := range contacts(s, pt.ID, place) {
				note("reading "+id, h, took)
			}
		}
	}
	t.begun, t.seen = true, now
}

// contacts gives the contact times that readings of a point at a place measured.
func contacts(s *haccp.State, point, place string) map[string]time.Duration {
	out := map[string]time.Duration{}
	for x := range s.Samples(point, place) {
		for i := range x.Marks {
			v, ok := quantity.ParseText(x.Marks[i].Value)
			if d, exact := v.Number(); ok && exact && v.Kind() == quantity.KindExact && !x.Imported {
				if sec, ok := seconds(d, v.Unit()); ok {
					out[x.ID] = sec
				}
			}
		}
	}
	return out
}
