package alerts

import (
	"fmt"

	"github.com/prometheus/client_golang/prometheus"
)

// deskMetrics measures alerts and their delivery.
type deskMetrics struct {
	records  *prometheus.CounterVec
	attempts *prometheus.CounterVec
	open     *prometheus.GaugeVec
	waiting  *prometheus.GaugeVec
	oldest   *prometheus.GaugeVec
}

func newDeskMetrics(r prometheus.Registerer) (*deskMetrics, error) {
	m := &deskMetrics{
		records:  prometheus.NewCounterVec(prometheus.CounterOpts{Name: "alert_records_total", Help: "Records about alerts, by kind."}, []string{"kind"}),
		attempts: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "alert_attempts_total", Help: "Attempts to send a message, by channel and outcome."}, []string{"channel", "outcome"}),
		open:     prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "alerts_open", Help: "Open alerts, by severity."}, []string{"severity"}),
		waiting:  prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "alert_messages_waiting", Help: "Messages that wait in the outbox, by channel."}, []string{"channel"}),
		oldest:   prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "alert_message_oldest_seconds", Help: "For how long the oldest message waits in the outbox, by channel, as of the last minute; 0: none waits."}, []string{"channel"}),
	}
	if r == nil {
		return m, nil
	}
	for _, c := range []prometheus.Collector{m.records, m.attempts, m.open, m.waiting, m.oldest} {
		if err := r.Register(c); err != nil {
			return nil, fmt.Errorf("register alert metrics: %w", err)
		}
	}
	return m, nil
}
