package api

import (
	"time"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/internal/access"
	"linewarden/internal/wording"
)

// AlertService is how the service does at telling people of alerts.
type AlertService struct {
	Channels  []ChannelState `json:"channels"`
	Timetable TimetableState `json:"timetable"`
	Jobs      []JobState     `json:"jobs" doc:"What else is done by the clock."`
	Alive     bool           `json:"alive" doc:"Commands are decided and the timetable runs: what the heartbeat tells the outside."`
}

// ChannelState is how one way to the outside stands.
type ChannelState struct {
	Name      string    `json:"name"`
	Delivered time.Time `json:"delivered,omitzero" doc:"When it last took a message."`
	Waiting   int       `json:"waiting" doc:"Messages that wait."`
	Since     time.Time `json:"since,omitzero" doc:"When the oldest of them was queued."`
	Failure   string    `json:"failure,omitempty" doc:"What the last attempt at one of them said, without addresses or secrets."`
}

// TimetableState is what the timetable did last and does next.
type TimetableState struct {
	LastRun  time.Time `json:"last_run,omitzero"`
	NextRun  time.Time `json:"next_run,omitzero"`
	Outcome  string    `json:"outcome,omitempty"`
	Error    string    `json:"error,omitempty"`
	ClockOff string    `json:"clock_off,omitempty" doc:"How far the clock stands behind what was recorded."`
}

// JobState is what a job of the timetable did last and when it runs next.
type JobState struct {
	Name    string    `json:"name" doc:"standing (what stands is posted again, and the heartbeat), summaries, clearing (of messages sent long ago), proof (that the record log verifies), checkpoint (the head of the log is signed)."`
	LastRun time.Time `json:"last_run,omitzero"`
	Outcome string    `json:"outcome,omitempty" doc:"done, or why it failed."`
	NextRun time.Time `json:"next_run,omitzero"`
}

// Alert is an alert as it stands.
type Alert struct {
	ID        string      `json:"id"`
	Cause     string      `json:"cause"`
	Severity  string      `json:"severity" enum:"critical,warning,notice"`
	Text      string      `json:"text" doc:"What it is, in the language asked for."`
	Do        string      `json:"do" doc:"What to do now, the plan's instructions first."`
	Point     string      `json:"point,omitempty"`
	Place     string      `json:"place,omitempty"`
	Line      string      `json:"line,omitempty"`
	Check     string      `json:"check,omitempty"`
	Deviation string      `json:"deviation,omitempty"`
	Device    string      `json:"device,omitempty"`
	Group     string      `json:"group" doc:"Alerts of one group are told in one message."`
	Since     time.Time   `json:"since" doc:"When its cause began."`
	RaisedAt  time.Time   `json:"raised_at"`
	Seq       int64       `json:"seq" doc:"Of the record that raised it."`
	Round     int         `json:"round" doc:"How often it has sounded."`
	Ack       *AlertAck   `json:"acknowledged,omitempty"`
	Roles     []string    `json:"roles" doc:"Told so far, by the plan's ladder."`
	Told      []AlertTold `json:"told" doc:"What became of the first message on each channel."`
	Silenced  bool        `json:"silenced" doc:"Recorded, and not told."`
	ClearedAt time.Time   `json:"cleared_at,omitzero" doc:"When the facts no longer gave its cause; left out while it is open."`
}

// AlertAck says who has taken an alert on.
type AlertAck struct {
	By    string    `json:"by"`
	Name  string    `json:"name"`
	At    time.Time `json:"at"`
	Doing string    `json:"doing"`
	Note  string    `json:"note,omitempty"`
}

// AlertTold says what became of the first message on a channel.
type AlertTold struct {
	Channel string    `json:"channel"`
	At      time.Time `json:"at"`
	GaveUp  bool      `json:"gave_up,omitempty"`
}

// AlertSilence is a silence that holds.
type AlertSilence struct {
	ID     string    `json:"id"`
	Alerts []string  `json:"alerts,omitempty"`
	Cause  string    `json:"cause,omitempty"`
	Line   string    `json:"line,omitempty"`
	Place  string    `json:"place,omitempty"`
	Point  string    `json:"point,omitempty"`
	Reason string    `json:"reason"`
	By     string    `json:"by"`
	From   time.Time `json:"from"`
	Until  time.Time `json:"until"`
}

// Alerts lists what is open, what was cleared of late, and how people are told.
type Alerts struct {
	Alerts   []Alert        `json:"alerts" doc:"Open ones first, the gravest and oldest first; then those cleared in the last 24 hours."`
	Silences []AlertSilence `json:"silences"`
	Service  *AlertService  `json:"service,omitempty"`
}

func (q *call) listAlerts() (Alerts, error) {
	s := q.api.Site.View()
	out := Alerts{Alerts: []Alert{}, Silences: []AlertSilence{}}
	silences := s.SilencesAt(q.now)
	for _, a := range alarm.OpenFirst(s.Alerts()) {
		out.Alerts = append(out.Alerts, q.alert(s, a, silences))
	}
	for _, x := range silences {
		out.Silences = append(out.Silences, AlertSilence{ID: x.Silence, Alerts: x.Alerts, Cause: x.Cause, Line: x.Line, Place: x.Place, Point: x.Point,
			Reason: x.Reason, By: x.By, From: x.From, Until: x.Until})
	}
	if q.api.Alerts == nil {
		return out, nil
	}
	service, err := q.api.Alerts(q.UserContext())
	if service.Jobs == nil {
		service.Jobs = []JobState{}
	}
	out.Service = &service
	return out, err
}

func (q *call) alert(s *haccp.State, a *alarm.Alert, silences []*alarm.Silence) Alert {
	text, do := wording.Language(q.lang()).Alert(s, a)
	out := Alert{ID: a.Alert, Cause: a.Cause, Severity: a.Severity, Text: text, Do: do, Point: a.Point, Place: a.Place, Line: a.Line, Check: a.Check,
		Deviation: a.Deviation, Device: a.Device, Group: a.Group, Since: a.Since, RaisedAt: a.At, Seq: a.Seq, Round: a.Round,
		Roles: append([]string{}, a.Roles...), Told: []AlertTold{}, ClearedAt: a.Ended}
	if a.Ack != nil {
		ack := AlertAck(*a.Ack)
		out.Ack = &ack
	}
	for _, t := range a.Told {
		out.Told = append(out.Told, AlertTold(t))
	}
	for _, x := range silences {
		out.Silenced = out.Silenced || a.Open() && x.Covers(a, q.now)
	}
	return out
}

// decideOn sends a decision about alerts.
func (q *call) decideOn(kind string, st *stamp, ask any) (Answer, error) {
	c, err := q.command(kind, st, ask)
	if err != nil {
		return Answer{}, err
	}
	return q.report(c)
}

type acknowledgeIn struct {
	stamp
	Alerts []string `json:"alerts" doc:"Ids of the alerts taken on."`
	Doing  string   `json:"doing" doc:"What you are doing about it. Taken on is not cured: it sounds again when it still stands after the plan's time."`
}

func (q *call) acknowledge(in *acknowledgeIn) (Answer, error) {
	return q.decideOn(haccp.AskAcknowledge, &in.stamp, &alarm.Acknowledged{Alerts: in.Alerts, Doing: in.Doing})
}

type handOverIn struct {
	stamp
	Alerts []string `json:"alerts" doc:"Ids of alerts that somebody has taken on."`
	To     string   `json:"to" doc:"Id of the person who takes them over."`
	Note   string   `json:"note,omitempty"`
}

func (q *call) handOver(in *handOverIn) (Answer, error) {
	return q.decideOn(haccp.AskHandOver, &in.stamp, &alarm.HandedOver{Alerts: in.Alerts, To: in.To, Note: in.Note})
}

type silenceIn struct {
	stamp
	Alerts []string  `json:"alerts,omitempty" doc:"Only these; else what the members below match."`
	Cause  string    `json:"cause,omitempty"`
	Line   string    `json:"line,omitempty"`
	Place  string    `json:"place,omitempty"`
	Point  string    `json:"point,omitempty"`
	Reason string    `json:"reason"`
	Until  time.Time `json:"until" doc:"Its end, at most 24 hours ahead."`
}

func (q *call) silence(in *silenceIn) (Answer, error) {
	return q.decideOn(haccp.AskSilence, &in.stamp, &alarm.Silenced{Alerts: in.Alerts, Cause: in.Cause, Line: in.Line, Place: in.Place, Point: in.Point,
		Reason: in.Reason, Until: in.Until})
}

type unsilenceIn struct {
	stamp
	Reason string `json:"reason"`
}

func (q *call) unsilence(in *unsilenceIn) (Answer, error) {
	return q.decideOn(haccp.AskEndOfSilence, &in.stamp, &alarm.Unsilenced{Silence: q.Params("silence"), Reason: in.Reason})
}

func (a *API) alertRoutes() []route {
	return []route{
		get("/alerts", "Alerts that are open or cleared of late, silences, and how people are told.", access.ReadRecords, (*call).listAlerts),
		post("/alerts/acknowledge", "Take alerts on.", (*call).acknowledge),
		post("/alerts/hand-over", "Hand alerts over to somebody else, by name.", (*call).handOver),
		post("/alerts/silences", "Silence alerts for a reason and a time.", (*call).silence),
		post("/alerts/silences/:silence/end", "End a silence before its time.", (*call).unsilence),
	}
}
