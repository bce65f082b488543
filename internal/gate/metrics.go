package gate

import (
	"fmt"
	"strconv"
	"time"

	"github.com/prometheus/client_golang/prometheus"
)

// metrics measures requests. Its names get the common prefix from the registerer that app passes in.
type metrics struct {
	requests *prometheus.CounterVec
	seconds  *prometheus.HistogramVec
}

func newMetrics(r prometheus.Registerer) (*metrics, error) {
	m := &metrics{
		requests: prometheus.NewCounterVec(prometheus.CounterOpts{
			Name: "http_requests_total", Help: "Requests answered, by method, route and status.",
		}, []string{"method", "route", "status"}),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{
			Name: "http_request_seconds", Help: "Time from the request's header to its answer, by route.",
			Buckets: prometheus.ExponentialBuckets(0.0005, 2.5, 12),
		}, []string{"route"}),
	}
	if r == nil {
		return m, nil
	}
	for _, c := range []prometheus.Collector{m.requests, m.seconds} {
		if err := r.Register(c); err != nil {
			return nil, fmt.Errorf("register gate metrics: %w", err)
		}
	}
	return m, nil
}

func (m *metrics) observe(method, route string, status int, took time.Duration) {
	m.requests.WithLabelValues(method, route, strconv.Itoa(status)).Inc()
	m.seconds.WithLabelValues(route).Observe(took.Seconds())
}
