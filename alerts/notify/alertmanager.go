package notify

import (
	"context"
	"encoding/json"
	"net/http"
	"net/url"
	"strings"
	"time"
)

// Alertmanager tells a Prometheus Alertmanager (API v2) what is open. It keeps alerts in memory only and ends by
// itself what is not posted again, so everything open is posted once a minute; the record log stays the record.
type Alertmanager struct {
	url    string
	client *http.Client
	clock  func() time.Time
}

// NewAlertmanager gives a channel to the Alertmanager at an address such as http://127.0.0.1:9093.
func NewAlertmanager(address string, clock func() time.Time) (*Alertmanager, error) {
	if err := checkAddress(address); err != nil {
		return nil, err
	}
	full, err := url.JoinPath(address, "api", "v2", "alerts")
	if err != nil {
		return nil, err
	}
	return &Alertmanager{full, newClient(), clock}, nil
}

// standFor is how long an alert holds that is not posted again: three rounds of one minute may be lost.
const standFor = 4 * time.Minute

// postable is an alert as the API of Alertmanager takes it.
type postable struct {
	Labels       map[string]string `json:"labels"`
	Annotations  map[string]string `json:"annotations,omitempty"`
	StartsAt     time.Time         `json:"startsAt"`
	EndsAt       time.Time         `json:"endsAt"`
	GeneratorURL string            `json:"generatorURL,omitempty"`
}

// alertName gives the name of a cause as Prometheus writes names of alerts.
func alertName(cause string) string {
	var b strings.Builder
	b.WriteString("Linewarden")
	for part := range strings.SplitSeq(cause, "-") {
		if part != "" {
			b.WriteString(strings.ToUpper(part[:1]) + part[1:])
		}
	}
	return b.String()
}

// postableOf gives an item with labels that do not change while it is open, so that posting again is the same alert.
func (a *Alertmanager) postableOf(site string, i *Item, now time.Time) postable {
	p := postable{StartsAt: i.Since, EndsAt: now.Add(standFor), GeneratorURL: i.Link,
		Labels:      map[string]string{"alertname": alertName(i.Cause), "site": site, "alert": i.Alert, "group": i.Group},
		Annotations: map[string]string{"summary": i.Text, "description": i.Do, "severity": i.Severity}}
	for name, value := range map[string]string{"severity": i.Severity, "point": i.Point, "place": i.Place, "line": i.Line, "check": i.Check} {
		if value != "" {
			p.Labels[name] = value
		}
	}
	if !i.Ended.IsZero() {
		p.EndsAt = i.Ended
	}
	return p
}

// Send posts the alerts of a message. A summary names none, and nothing is posted.
func (a *Alertmanager) Send(ctx context.Context, m Message) error {
	now := a.clock()
	var out []postable
	for i := range m.Items {
		out = append(out, a.postableOf(m.Site, &m.Items[i], now))
	}
	return a.post(ctx, out)
}

// Stand posts everything that is open, with an alert that always fires while Linewarden is at work.
func (a *Alertmanager) Stand(ctx context.Context, site string, open []Item, alive bool) error {
	now := a.clock()
	var out []postable
	for i := range open {
		out = append(out, a.postableOf(site, &open[i], now))
	}
	if alive {
		out = append(out, postable{Labels: map[string]string{"alertname": "LinewardenAlive", "site": site, "severity": "none"}, StartsAt: now, EndsAt: now.Add(standFor),
			Annotations: map[string]string{"summary": "Always firing while Linewarden is at work: its absence is the alarm."}})
	}
	return a.post(ctx, out)
}

func (a *Alertmanager) post(ctx context.Context, list []postable) error {
	if len(list) == 0 {
		return nil
	}
	body, err := json.Marshal(list)
	if err != nil {
		return err
	}
	return post(ctx, a.client, a.url, body, "Alertmanager", nil)
}
