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

	jobRan      *prometheus.GaugeVec
	jobFailures *prometheus.CounterVec

	looked    prometheus.Counter
	disagreed prometheus.Counter
}

func newDeskMetrics(r prometheus.Registerer) (*deskMetrics, error) {
	m := &deskMetrics{
		records:  prometheus.NewCounterVec(prometheus.CounterOpts{Name: "alert_records_total", Help: "Records about alerts, by kind."}, []string{"kind"}),
		attempts: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "alert_attempts_total", Help: "Attempts to send a message, by channel and outcome."}, []string{"channel", "outcome"}),
		open:     prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "alerts_open", Help: "Open alerts, by severity."}, []string{"severity"}),
		waiting:  prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "alert_messages_waiting", Help: "Messages that wait in the outbox, by channel."}, []string{"channel"}),

		jobRan:      prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "timetable_job_last_run_timestamp_seconds", Help: "When a job of the timetable last ran."}, []string{"job"}),
		jobFailures: prometheus.NewCounterVec(prometheus.CounterOpts{Name: "timetable_job_failures_total", Help: "Runs of a job of the timetable that failed."}, []string{"job"}),

		looked:    prometheus.NewCounter(prometheus.CounterOpts{Name: "alert_causes_looked_at_total", Help: "Checks and points at places that were looked at for causes of alerts."}),
		disagreed: prometheus.NewCounter(prometheus.CounterOpts{Name: "alert_disagreements_total", Help: "Hourly looks at every cause that found what looking at what had changed did not; 0 where all is well."}),
		oldest:    prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "alert_message_oldest_seconds", Help: "For how long the oldest message waits in the outbox, by channel, as of the last minute; 0: none waits."}, []string{"channel"}),
	}
	if r == nil {
		return m, nil
	}
	for _, c := range []prometheus.Collector{m.records, m.attempts, m.open, m.waiting, m.oldest, m.looked, m.disagreed, m.jobRan, m.jobFailures} {
		if err := r.Register(c); err != nil {
			return nil, fmt.Errorf("register alert metrics: %w", err)
		}
	}
	return m, nil
}
