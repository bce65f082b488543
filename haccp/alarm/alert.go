package alarm

import (
	"cmp"
	"slices"
	"strings"
	"time"
)

// Keep is how long a cleared alert stays known, so that everybody told of it can be told that it is over.
const Keep = 24 * time.Hour

// MaxNamed is how many alerts one record names at most.
const MaxNamed = 100

// MaxSilence is the longest time for which alerts may be silenced at once: a silence that nobody looks at for
// longer hides a fault.
const MaxSilence = 24 * time.Hour

// Alert is an alert as its records leave it. It is never changed: every fold gives a new one.
type Alert struct {
	Raised
	At      time.Time `json:"at"`      // when it was raised
	Seq     int64     `json:"seq"`     // of its raising
	Round   int       `json:"round"`   // how often it has sounded, from 1
	Sounded time.Time `json:"sounded"` // when this round began
	Reached int64     `json:"reached"` // seconds of the highest step of the ladder carried out in this round
	Ack     *Ack      `json:"ack,omitempty"`
	Ended   time.Time `json:"ended,omitzero"`
	Told    []Told    `json:"told,omitempty"`
}

// Ack says who has taken an alert on.
type Ack struct {
	By    string    `json:"by"` // id of the person
	Name  string    `json:"name"`
	At    time.Time `json:"at"` // of the acknowledgement; handing over does not move it
	Doing string    `json:"doing"`
	Note  string    `json:"note,omitempty"` // of the last handing over
}

// Told says that a channel took the first message about an alert, or never did.
type Told struct {
	Channel string    `json:"channel"`
	At      time.Time `json:"at"`
	GaveUp  bool      `json:"gave_up,omitempty"`
}

// Silence is a silence that has not ended.
type Silence struct {
	Silenced
	From time.Time `json:"from"`
	By   string    `json:"by"` // printed name
}

// Open reports whether the cause still stands.
func (a *Alert) Open() bool { return a.Ended.IsZero() }

// NewAlert gives the alert of a raised record.
func NewAlert(b *Raised, at time.Time, seq int64) *Alert {
	return &Alert{Raised: *b, At: at, Seq: seq, Round: 1, Sounded: at}
}

// Renew gives the alert in its next round; whoever had acknowledged it no longer answers for it.
func (a *Alert) Renew(b *Renewed, at time.Time) *Alert {
	n := *a
	n.Round, n.Sounded, n.Reached, n.Ack, n.Roles, n.Severity = a.Round+1, at, 0, nil, b.Roles, b.Severity
	if b.Mark != "" {
		n.Mark = b.Mark
	}
	return &n
}

// Acknowledge gives the alert as taken on.
func (a *Alert) Acknowledge(by, name, doing string, at time.Time) *Alert {
	n := *a
	n.Ack = &Ack{By: by, Name: name, At: at, Doing: doing}
	return &n
}

// HandOver gives the alert as taken on by somebody else. The time for its cure runs on.
func (a *Alert) HandOver(b *HandedOver) *Alert {
	if a.Ack == nil {
		return a
	}
	n, ack := *a, *a.Ack
	ack.By, ack.Name, ack.Note = b.To, b.ToName, b.Note
	n.Ack = &ack
	return &n
}

// End gives the alert as cleared.
func (a *Alert) End(at time.Time) *Alert {
	n := *a
	n.Ended = at
	return &n
}

// Escalate gives the alert after a step of the ladder.
func (a *Alert) Escalate(b *Escalated) *Alert {
	n := *a
	n.Reached = max(a.Reached, b.After)
	n.Roles = slices.Clone(a.Roles)
	for _, r := range b.Roles {
		if !slices.Contains(n.Roles, r) {
			n.Roles = append(n.Roles, r)
		}
	}
	return &n
}

// Tell gives the alert with what became of the first message about it on a channel.
func (a *Alert) Tell(t Told) *Alert {
	if a.ToldBy(t.Channel) != nil {
		return a
	}
	n := *a
	n.Told = append(slices.Clip(a.Told), t)
	return &n
}

// ToldBy gives what became of the first message on a channel; nil: nothing yet.
func (a *Alert) ToldBy(channel string) *Told {
	for i := range a.Told {
		if a.Told[i].Channel == channel {
			return &a.Told[i]
		}
	}
	return nil
}

// Covers reports whether a silence holds for an alert at a moment.
func (s *Silence) Covers(a *Alert, now time.Time) bool {
	if now.Before(s.From) || !now.Before(s.Until) {
		return false
	}
	if len(s.Alerts) > 0 && !slices.Contains(s.Alerts, a.Alert) {
		return false
	}
	return is(s.Cause, a.Cause) && is(s.Line, a.Line) && is(s.Place, a.Place) && is(s.Point, a.Point)
}

func is(want, have string) bool { return want == "" || want == have }

// Silences reports whether anything but its end and reason limits what a silence matches.
func (b *Silenced) Silences() bool {
	return len(b.Alerts) > 0 || b.Cause != "" || b.Line != "" || b.Place != "" || b.Point != ""
}

// OpenFirst gives the alerts of a state as people want to see them: the open ones before the cleared ones, the gravest and
// oldest first.
func OpenFirst(list []*Alert) []*Alert {
	rank := func(a *Alert) int {
		if !a.Open() {
			return len(Severities())
		}
		return slices.Index(Severities(), a.Severity)
	}
	slices.SortStableFunc(list, func(a, b *Alert) int {
		if !a.Open() && !b.Open() {
			return b.Ended.Compare(a.Ended)
		}
		return cmp.Or(rank(a)-rank(b), a.At.Compare(b.At), strings.Compare(a.Key, b.Key))
	})
	return list
}
