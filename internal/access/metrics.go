package access

import (
	"errors"
	"fmt"

	"github.com/prometheus/client_golang/prometheus"
)

type metrics struct {
	signIns    *prometheus.CounterVec
	locks      prometheus.Counter
	signatures prometheus.Counter
	busy       prometheus.Counter
	lost       prometheus.Counter
}

// newMetrics registers the measures of this package; without a registerer they
// are counted and shown nowhere.
func newMetrics(r prometheus.Registerer) (*metrics, error) {
	count := func(name, help string) prometheus.Counter {
		return prometheus.NewCounter(prometheus.CounterOpts{Name: name, Help: help})
	}
	m := &metrics{
		signIns: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "access_sign_ins_total", Help: "Sign-in attempts by credential and result.",
		}, []string{"by", "result"}),
		locks:      count("access_locks_total", "Locks that began after failed attempts."),
		signatures: count("access_signature_failures_total", "Wrong passwords at a signature."),
		busy:       count("access_hash_busy_total", "Attempts turned away because all hashing places were taken."),
		lost:       count("access_happenings_lost_total", "Happenings that could not be put into the record log."),
	}
	if r == nil {
		return m, nil
	}
	for _, c := range []prometheus.Collector{m.signIns, m.locks, m.signatures, m.busy, m.lost} {
		if err := r.Register(c); err != nil {
			return nil, fmt.Errorf("register access metrics: %w", err)
		}
	}
	return m, nil
}

func (m *metrics) signIn(by string, err error) {
	result := "error"
	switch {
	case err == nil:
		result = "ok"
	case errors.Is(err, ErrSignIn):
		result = "wrong"
	case errors.Is(err, ErrLocked):
		result = "locked"
	case errors.Is(err, ErrBusy):
		result = "busy"
	}
	m.signIns.WithLabelValues(by, result).Inc()
}

func (m *metrics) countBusy(err error) {
	if errors.Is(err, ErrBusy) {
		m.busy.Inc()
	}
}
