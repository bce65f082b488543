package alerts

import (
	"fmt"

	"github.com/prometheus/client_golang/prometheus"
)

// metrics measures the timetable. Its names get the common prefix from the registerer that app passes in.
type metrics struct {
	runs      *prometheus.CounterVec
	missed    prometheus.Counter
	looked    prometheus.Counter
	disagreed prometheus.Counter
	lastRun   prometheus.Gauge
	lastGood  prometheus.Gauge
	seconds   prometheus.Histogram
	nextRun   prometheus.Gauge
	overdue   prometheus.Gauge
	clockBack prometheus.Gauge
}

// newMetrics registers the measures; without a registerer they are counted and shown nowhere.
func newMetrics(r prometheus.Registerer) (*metrics, error) {
	gauge := func(name, help string) prometheus.Gauge {
		return prometheus.NewGauge(prometheus.GaugeOpts{Name: name, Help: help})
	}
	m := &metrics{
		runs: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "timetable_runs_total", Help: "Sweeps for missed checks, by outcome.",
		}, []string{"outcome"}),
		missed: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "timetable_missed_checks_total", Help: "Missed checks recorded since the start.",
		}),
		looked: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "timetable_checks_looked_at_total", Help: "Checks at places that sweeps looked at: those that were due.",
		}),
		disagreed: prometheus.NewCounter(prometheus.CounterOpts{
			Name: "timetable_disagreements_total", Help: "Missed checks that the hourly look at everything found and the table of dues had passed over; 0 where all is well.",
		}),
		lastRun:  gauge("timetable_last_run_timestamp_seconds", "When the timetable last ran."),
		lastGood: gauge("timetable_last_success_timestamp_seconds", "When the timetable last ran to its end; 0: not since the start."),
		seconds: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "timetable_run_seconds", Help: "Time that a run of the timetable took.",
			Buckets: prometheus.ExponentialBuckets(0.001, 4, 8), NativeHistogramBucketFactor: 1.1, NativeHistogramMaxBucketNumber: 100}),
		nextRun:   gauge("timetable_next_run_timestamp_seconds", "When the timetable runs next."),
		overdue:   gauge("timetable_overdue_deviations", "Deviations past the plan's time, as of the last run."),
		clockBack: gauge("timetable_clock_back_seconds", "How far the clock stands behind what was recorded; 0: it does not."),
	}
	if r == nil {
		return m, nil
	}
	for _, c := range []prometheus.Collector{m.runs, m.missed, m.looked, m.disagreed, m.lastRun, m.lastGood, m.seconds, m.nextRun, m.overdue, m.clockBack} {
		if err := r.Register(c); err != nil {
			return nil, fmt.Errorf("register timetable metrics: %w", err)
		}
	}
	return m, nil
}
