package haccp

import (
	"cmp"
	"slices"
	"strconv"
	"strings"
	"time"

	"linewarden/haccp/alarm"
)

// AlertChange is what the timetable found about alerts. What no longer fits the state, such as an alert raised
// twice, is left out and not refused, so that the same thing asked twice is recorded once.
type AlertChange struct {
	Epoch     int64             `json:"epoch,omitempty"` // of the instance that runs the timetable
	Clear     []alarm.Cleared   `json:"clear,omitempty"`
	Raise     []alarm.Raised    `json:"raise,omitempty"` // without id
	Renew     []alarm.Renewed   `json:"renew,omitempty"`
	Escalate  []alarm.Escalated `json:"escalate,omitempty"`
	Delivered []alarm.Delivered `json:"delivered,omitempty"`
	GivenUp   []alarm.GivenUp   `json:"given_up,omitempty"`
}

func (d *deciding) alertChange(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*AlertChange)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if ask.Epoch != d.Timetable.Epoch {
		return d.stale(ask.Epoch)
	}
	var err error
	put := func(kind string, ids []string, body any) {
		if err == nil && len(ids) > 0 {
			err = d.emitAlert(kind, ids, body)
		}
	}
	for _, b := range ask.Clear {
		b.Alerts = d.alertsWhere(b.Alerts, (*alarm.Alert).Open)
		put(KindAlertCleared, b.Alerts, &b)
	}
	for _, b := range ask.Raise {
		if _, open := d.alertKeys.get(b.Key); !open {
			b.Alert = uuid5("alert", d.Site.Site, b.Key, strconv.FormatInt(d.Size+1, 10))
			put(KindAlertRaised, []string{b.Alert}, &b)
		}
	}
	for _, b := range ask.Renew {
		put(KindAlertRenewed, d.alertsWhere([]string{b.Alert}, func(a *alarm.Alert) bool {
			return a.Open() && (a.Ack != nil || a.Severity != b.Severity)
		}), &b)
	}
	for _, b := range ask.Escalate {
		b.Alerts = d.alertsWhere(b.Alerts, func(a *alarm.Alert) bool { return a.Open() && a.Ack == nil && a.Reached < b.After })
		put(KindAlertEscalated, b.Alerts, &b)
	}
	for _, b := range ask.Delivered {
		b.Alerts = d.alertsWhere(b.Alerts, func(a *alarm.Alert) bool { return a.ToldBy(b.Channel) == nil })
		put(KindAlertDelivered, b.Alerts, &b)
	}
	for _, b := range ask.GivenUp {
		b.Alerts = d.alertsWhere(b.Alerts, func(a *alarm.Alert) bool { return a.ToldBy(b.Channel) == nil })
		put(KindAlertGivenUp, b.Alerts, &b)
	}
	return err
}

// alertsWhere keeps the ids of alerts that are known and fit, once each.
func (d *deciding) alertsWhere(ids []string, fits func(*alarm.Alert) bool) []string {
	var out []string
	for _, id := range ids {
		if a, ok := d.alerts.get(id); ok && fits(a) && !slices.Contains(out, id) {
			out = append(out, id)
		}
	}
	return out
}

func (d *deciding) emitAlert(kind string, ids []string, body any) error {
	about := make([]string, len(ids))
	for i, id := range ids {
		about[i] = "alert:" + id
	}
	return d.emit(&Event{Kind: kind, At: d.now, AtKnown: AtServer, About: about, Body: body})
}

// openAlerts checks the alerts that a person names and gives those still open; that some have cleared
// meanwhile stops nobody.
func (d *deciding) openAlerts(ids []string) ([]string, error) {
	if len(ids) == 0 || len(ids) > alarm.MaxNamed {
		return nil, invalid("alerts", "bad-alerts", "name 1 to %d alerts", alarm.MaxNamed)
	}
	for _, id := range ids {
		if _, ok := d.alerts.get(id); !ok {
			return nil, refuse(ErrNotFound, "alerts", "unknown-alert", "there is no alert %q that stands or was cleared of late", id)
		}
	}
	open := d.alertsWhere(ids, (*alarm.Alert).Open)
	if len(open) == 0 {
		return nil, refuse(ErrConflict, "alerts", "alert-cleared", "the alert has cleared: its cause no longer stands")
	}
	return open, nil
}

// acknowledge takes alerts on. It cures nothing: they stand until their causes are gone.
func (d *deciding) acknowledge(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*alarm.Acknowledged)
	if !ok {
		return wrongAsk(d.cmd)
	}
	open, err := d.openAlerts(ask.Alerts)
	if err != nil {
		return err
	}
	if err := wanted("doing", ask.Doing); err != nil {
		return err
	}
	return d.emitAlert(KindAlertAcknowledged, open, &alarm.Acknowledged{Alerts: open, Doing: strings.TrimSpace(ask.Doing)})
}

// handOver gives alerts that were taken on to somebody else, by name.
func (d *deciding) handOver(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*alarm.HandedOver)
	if !ok {
		return wrongAsk(d.cmd)
	}
	open, err := d.openAlerts(ask.Alerts)
	if err != nil {
		return err
	}
	if err := short("note", ask.Note); err != nil {
		return err
	}
	p, ok := d.people.get(ask.To)
	if !ok || p.DisabledNow() {
		return refuse(ErrNotFound, "to", "unknown-person", "there is nobody %q here who could take it on", ask.To)
	}
	if !slices.ContainsFunc(p.RolesNow(), func(r string) bool { return d.May(r, AskAcknowledge, d.now) }) {
		return refuse(ErrConflict, "to", "cannot-take-on", "%s has no role that may take alerts on", p.Name)
	}
	held := d.alertsWhere(open, func(a *alarm.Alert) bool { return a.Ack != nil })
	if len(held) == 0 {
		return refuse(ErrConflict, "alerts", "not-acknowledged", "nobody has taken this on yet: acknowledge it instead")
	}
	return d.emitAlert(KindAlertHandedOver, held, &alarm.HandedOver{Alerts: held, Note: ask.Note, To: p.ID, ToName: p.Name})
}

// silence stops the telling of alerts for a reason and a time. They are recorded all the same.
func (d *deciding) silence(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*alarm.Silenced)
	if !ok {
		return wrongAsk(d.cmd)
	}
	b := *ask
	b.Until = b.Until.UTC().Truncate(time.Millisecond)
	if err := wanted("reason", b.Reason); err != nil {
		return err
	}
	switch {
	case !b.Silences():
		return invalid("alerts", "silence-of-all", "say what is to be silent: alerts, a cause, a line, a place or a control point")
	case !b.Until.After(d.now):
		return invalid("until", "silence-past", "the end of a silence lies ahead")
	case b.Until.Sub(d.now) > alarm.MaxSilence:
		return invalid("until", "silence-long", "a silence lasts %s at most: look at it again then", alarm.MaxSilence)
	case b.Cause == alarm.Tamper || b.Cause != "" && !slices.Contains(alarm.Causes(), b.Cause):
		return invalid("cause", "silence-cause", "the cause %q cannot be silenced", b.Cause)
	}
	if len(b.Alerts) > 0 {
		open, err := d.openAlerts(b.Alerts)
		if err != nil {
			return err
		}
		b.Alerts = open
	}
	if err := short("line", b.Line, "place", b.Place, "point", b.Point); err != nil {
		return err
	}
	b.Silence = uuid5("silence", d.Site.Site, d.cmd.ID)
	return d.emit(&Event{Kind: KindAlertSilenced, At: d.now, AtKnown: AtServer, About: []string{"silence:" + b.Silence}, Body: &b})
}

func (d *deciding) unsilence(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*alarm.Unsilenced)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if s, ok := d.silences.get(ask.Silence); !ok || !s.Until.After(d.now) {
		return refuse(ErrNotFound, "silence", "unknown-silence", "there is no such silence, or it has ended")
	}
	if err := wanted("reason", ask.Reason); err != nil {
		return err
	}
	b := *ask
	return d.emit(&Event{Kind: KindAlertUnsilenced, At: d.now, AtKnown: AtServer, About: []string{"silence:" + b.Silence}, Body: &b})
}

// foldAlert folds what concerns alerts; a body of another kind changes nothing.
func (s *State) foldAlert(e *Event) error {
	switch b := e.Body.(type) {
	case *alarm.Raised:
		s.alerts.set(b.Alert, alarm.NewAlert(b, e.At, e.Seq))
		s.alertKeys.set(b.Key, b.Alert)
	case *alarm.Renewed:
		s.eachAlert([]string{b.Alert}, func(a *alarm.Alert) *alarm.Alert { return a.Renew(b, e.At) })
	case *alarm.Acknowledged:
		s.eachAlert(b.Alerts, func(a *alarm.Alert) *alarm.Alert { return a.Acknowledge(e.By.ID, e.By.Name, b.Doing, e.At) })
	case *alarm.HandedOver:
		s.eachAlert(b.Alerts, func(a *alarm.Alert) *alarm.Alert { return a.HandOver(b) })
	case *alarm.Escalated:
		s.eachAlert(b.Alerts, func(a *alarm.Alert) *alarm.Alert { return a.Escalate(b) })
	case *alarm.Delivered:
		s.eachAlert(b.Alerts, func(a *alarm.Alert) *alarm.Alert { return a.Tell(alarm.Told{Channel: b.Channel, At: b.Sent}) })
	case *alarm.GivenUp:
		s.eachAlert(b.Alerts, func(a *alarm.Alert) *alarm.Alert {
			return a.Tell(alarm.Told{Channel: b.Channel, At: b.Last, GaveUp: true})
		})
	case *alarm.Cleared:
		s.eachAlert(b.Alerts, func(a *alarm.Alert) *alarm.Alert {
			if id, ok := s.alertKeys.get(a.Key); ok && id == a.Alert {
				s.alertKeys.delete(a.Key)
			}
			return a.End(e.At)
		})
		s.forgetAlerts(e.At)
	case *alarm.Silenced:
		s.silences.set(b.Silence, &alarm.Silence{Silenced: *b, From: e.At, By: e.By.Name})
		s.forgetSilences(e.At)
	case *alarm.Unsilenced:
		s.silences.delete(b.Silence)
	}
	return nil
}

// eachAlert replaces the alerts that the state holds.
func (s *State) eachAlert(ids []string, next func(*alarm.Alert) *alarm.Alert) {
	for _, id := range ids {
		if a, ok := s.alerts.get(id); ok {
			s.alerts.set(id, next(a))
		}
	}
}

// forgetAlerts drops what was cleared so long ago that everybody told of it was told of that too.
func (s *State) forgetAlerts(now time.Time) {
	var gone []string
	for id, a := range s.alerts.all() {
		if !a.Open() && now.Sub(a.Ended) > alarm.Keep {
			gone = append(gone, id)
		}
	}
	for _, id := range gone {
		s.alerts.delete(id)
	}
}

func (s *State) forgetSilences(now time.Time) {
	var gone []string
	for id, x := range s.silences.all() {
		if now.Sub(x.Until) > alarm.Keep {
			gone = append(gone, id)
		}
	}
	for _, id := range gone {
		s.silences.delete(id)
	}
}

func keysOf(alerts table[*alarm.Alert]) table[string] {
	keys := newTable[string]()
	for id, a := range alerts.all() {
		if a.Open() {
			keys.set(a.Key, id)
		}
	}
	return keys
}

// Alerts returns the alerts the state holds, open ones and those cleared of late, in the order of their raising.
func (s *State) Alerts() []*alarm.Alert {
	var out []*alarm.Alert
	for _, a := range s.alerts.all() {
		out = append(out, a)
	}
	slices.SortFunc(out, func(a, b *alarm.Alert) int { return cmp.Compare(a.Seq, b.Seq) })
	return out
}

// AlertOf returns the open alert of a key.
func (s *State) AlertOf(key string) (*alarm.Alert, bool) {
	id, ok := s.alertKeys.get(key)
	if !ok {
		return nil, false
	}
	return s.alerts.get(id)
}

// AlertByID returns an alert the state holds.
func (s *State) AlertByID(id string) (*alarm.Alert, bool) { return s.alerts.get(id) }

// SilencesAt returns the silences that hold at a moment, in the order of their ids.
func (s *State) SilencesAt(now time.Time) []*alarm.Silence {
	var out []*alarm.Silence
	for _, x := range s.silences.all() {
		if now.Before(x.Until) {
			out = append(out, x)
		}
	}
	return out
}

// AlertTerms returns the terms of telling of the plan in force at a moment.
func (s *State) AlertTerms(now time.Time) alarm.Terms {
	if v := s.versionAt(now); v != nil {
		return alarm.TermsOf(v.Plan, v.zone)
	}
	return alarm.TermsOf(nil, s.Zone())
}
