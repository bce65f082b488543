package plant

import (
	"errors"
	"fmt"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"linewarden/haccp"
)

// metrics measures the writer. Its names get the common prefix from the registerer that app passes in.
type metrics struct {
	appendSeconds prometheus.Histogram
	batch         prometheus.Histogram
	commits       prometheus.Counter
	records       prometheus.Counter
	repeated      prometheus.Counter
	refusals      *prometheus.CounterVec
	waiting       prometheus.Gauge
	size          prometheus.Gauge
	storeErrors   *prometheus.CounterVec
	replayed      prometheus.Gauge
	replayTotal   prometheus.Gauge
	snapshots     *prometheus.CounterVec
	signedAt      prometheus.Gauge
	signed        prometheus.Gauge
}

// newMetrics registers the measures; without a registerer they are counted and shown nowhere.
func newMetrics(r prometheus.Registerer) (*metrics, error) {
	gauge := func(name, help string) prometheus.Gauge {
		return prometheus.NewGauge(prometheus.GaugeOpts{Name: name, Help: help})
	}
	count := func(name, help string) prometheus.Counter {
		return prometheus.NewCounter(prometheus.CounterOpts{Name: name, Help: help})
	}
	vec := func(name, help, label string) *prometheus.CounterVec {
		return prometheus.NewCounterVec(prometheus.CounterOpts{Name: name, Help: help}, []string{label})
	}
	m := &metrics{
		appendSeconds: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "plant_append_seconds", Help: "Time the store took for one commit.",
			Buckets: prometheus.ExponentialBuckets(0.0001, 2, 16), NativeHistogramBucketFactor: 1.1, NativeHistogramMaxBucketNumber: 100,
		}),
		batch: prometheus.NewHistogram(prometheus.HistogramOpts{
			Name: "plant_commit_records", Help: "Records in one commit.",
			Buckets: []float64{1, 2, 5, 10, 20, 50, 100, 200, 500},
		}),
		commits:     count("plant_commits_total", "Commits written."),
		records:     count("plant_records_total", "Records written."),
		repeated:    count("plant_repeated_total", "Commands that were in the log already and got their first answer again."),
		refusals:    vec("plant_refusals_total", "Commands not recorded, by kind.", "kind"),
		waiting:     gauge("plant_waiting_commands", "Commands that wait for the writer."),
		size:        gauge("plant_log_records", "Records in the log."),
		storeErrors: vec("plant_store_errors_total", "Trouble with the store, by what was asked of it.", "at"),
		replayed:    gauge("plant_replayed_records", "Records folded since start, snapshot included."),
		replayTotal: gauge("plant_replay_records", "Records to fold at start."),
		snapshots:   vec("plant_snapshots_total", "Snapshots of the state, by result.", "result"),
		signedAt: gauge("plant_checkpoint_timestamp_seconds",
			"When the newest checkpoint was signed; after a start, when the newest record under it was recorded; 0: there is none."),
		signed: gauge("plant_checkpoint_records", "Records under the newest signed checkpoint."),
	}
	for _, at := range []string{"append", "conflict", "read", "snapshot"} { // shown before there is any
		m.storeErrors.WithLabelValues(at)
	}
	if r == nil {
		return m, nil
	}
	for _, c := range []prometheus.Collector{m.appendSeconds, m.batch, m.commits, m.records, m.repeated, m.refusals,
		m.waiting, m.size, m.storeErrors, m.replayed, m.replayTotal, m.snapshots, m.signedAt, m.signed} {
		if err := r.Register(c); err != nil {
			return nil, fmt.Errorf("register plant metrics: %w", err)
		}
	}
	return m, nil
}

// refused counts a command that was not recorded.
func (m *metrics) refused(err error) {
	if err == nil {
		return
	}
	m.refusals.WithLabelValues(kindOf(err)).Inc()
}

func kindOf(err error) string {
	for _, k := range [...]struct {
		err  error
		word string
	}{
		{haccp.ErrInvalid, "invalid"}, {haccp.ErrNotFound, "not-found"}, {haccp.ErrConflict, "conflict"},
		{haccp.ErrForbidden, "forbidden"}, {ErrBusy, "busy"}, {ErrReplaying, "replaying"},
		{ErrUnknown, "stopped"}, {ErrStopped, "stopped"}, {ErrClosed, "closed"},
	} {
		if errors.Is(err, k.err) {
			return k.word
		}
	}
	return "error"
}

func (m *metrics) committed(records int) {
	m.commits.Inc()
	m.records.Add(float64(records))
	m.batch.Observe(float64(records))
}

// trouble counts what went wrong with the store: append, read, conflict, snapshot.
func (m *metrics) trouble(at string) { m.storeErrors.WithLabelValues(at).Inc() }

// checkpoint notes the newest checkpoint: its records, and when it was signed.
func (m *metrics) checkpoint(records int64, at time.Time) {
	m.signed.Set(float64(records))
	m.signedAt.Set(float64(at.Unix()))
}
