// Package alarm holds the life of an alert as plain values: the bodies of its records, how they fold into
// what stands open, and when the plan's ladder wants the next step. It reads no clock and sends nothing.
//
// An alert has a key that names its cause; while one is open, none with the same key is raised. Acknowledged
// is not cured: an alert ends only when the facts no longer give its cause, and one that was acknowledged
// sounds again when that has not happened in time.
package alarm

import (
	"slices"
	"time"
)

// How grave an alert is.
const (
	Critical = "critical" // a critical limit, or proof that the log was altered: now
	Warning  = "warning"  // to be dealt with before it becomes one
	Notice   = "notice"   // to be known
)

// Severities lists how grave alerts may be, the gravest first.
func Severities() []string { return []string{Critical, Warning, Notice} }

// AtLeast reports whether a severity is as grave as another.
func AtLeast(severity, least string) bool {
	all := Severities()
	at, bound := slices.Index(all, severity), slices.Index(all, least)
	return bound < 0 || at >= 0 && at <= bound
}

// What raises an alert.
const (
	Outside       = "outside"        // outside a critical limit or action criterion, control not shown since
	Act           = "act"            // outside an operating limit
	Missed        = "missed"         // a check was missed and not made since
	Late          = "late"           // a check is late
	Forecast      = "forecast"       // a limit is expected to be crossed before the scheduled check
	WithoutProof  = "without-proof"  // a line runs that was started without proof
	Overdue       = "overdue"        // a case is open past the plan's time
	LotClock      = "lot-clock"      // the clock of a lot runs and is near or over its limit
	LotReleased   = "lot-released"   // a lot that had been released or shipped is affected by a case
	Result        = "result"         // a result of the laboratory is out of specification
	DeviceSilent  = "device-silent"  // a device that measured says nothing
	Instrument    = "instrument"     // an instrument in service failed its last check
	Backup        = "backup"         // the last try to make a backup failed
	TimetableLate = "timetable-late" // nobody looks for missed checks
	ClockBack     = "clock-back"     // the server's clock stands before what was recorded
	Tamper        = "tamper"         // the record log does not verify
)

// Causes lists what may raise an alert.
func Causes() []string {
	return []string{Outside, Act, Missed, Late, Forecast, WithoutProof, Overdue, LotClock, LotReleased, Result, DeviceSilent, Instrument, Backup, TimetableLate, ClockBack, Tamper}
}

// Raised is the body of alert.raised.
type Raised struct {
	Alert       string            `json:"alert"` // id of the alert, a UUID
	Cause       string            `json:"cause"`
	Check       string            `json:"check,omitempty"`
	Data        map[string]string `json:"data,omitempty"` // what the message names, by word
	Deviation   string            `json:"deviation,omitempty"`
	Device      string            `json:"device,omitempty"`
	Group       string            `json:"group"` // alerts of one group are told in one message
	Key         string            `json:"key"`   // names the cause; one alert of a key is open at a time
	Line        string            `json:"line,omitempty"`
	Lot         string            `json:"lot,omitempty"`
	Mark        string            `json:"mark,omitempty"` // newest fact behind it: a record, or a due time
	Place       string            `json:"place,omitempty"`
	PlanVersion int               `json:"plan_version,omitempty"`
	Point       string            `json:"point,omitempty"`
	Roles       []string          `json:"roles,omitempty"` // told first, by the plan's ladder
	Severity    string            `json:"severity"`
	Since       time.Time         `json:"since"` // when the cause began
}

// Why an alert sounds again.
const (
	BecauseUncured = "not-cured" // acknowledged, and not cured in the plan's time
	BecauseAgain   = "again"     // acknowledged, and its cause has happened once more
	BecauseWorse   = "worse"     // its cause became graver
)

// Renewed is the body of alert.renewed: the alert sounds again, and its ladder begins anew.
type Renewed struct {
	Alert    string   `json:"alert"`
	Because  string   `json:"because"`
	Mark     string   `json:"mark,omitempty"`
	Roles    []string `json:"roles,omitempty"`
	Severity string   `json:"severity"`
}

// Acknowledged is the body of alert.acknowledged; who did it stands in the envelope.
type Acknowledged struct {
	Alerts []string `json:"alerts"`
	Doing  string   `json:"doing"` // what they are doing about it
}

// HandedOver is the body of alert.handed-over.
type HandedOver struct {
	Alerts []string `json:"alerts"`
	Note   string   `json:"note,omitempty"`
	To     string   `json:"to"`                // id of the person
	ToName string   `json:"to_name,omitempty"` // printed name, as known then
}

// Cleared is the body of alert.cleared: the facts no longer give the cause.
type Cleared struct {
	Alerts []string `json:"alerts"`
}

// Escalated is the body of alert.escalated: a step of the plan's ladder was reached.
type Escalated struct {
	After  int64    `json:"after"` // of the step, in seconds since the alert sounded
	Alerts []string `json:"alerts"`
	Roles  []string `json:"roles"`
}

// Silenced is the body of alert.silenced: what matches is recorded and not told until the end. Members that
// are empty match everything; Alerts, where given, are the only ones that match.
type Silenced struct {
	Alerts  []string  `json:"alerts,omitempty"`
	Cause   string    `json:"cause,omitempty"`
	Line    string    `json:"line,omitempty"`
	Place   string    `json:"place,omitempty"`
	Point   string    `json:"point,omitempty"`
	Reason  string    `json:"reason"`
	Silence string    `json:"silence"` // its id
	Until   time.Time `json:"until"`
}

// Unsilenced is the body of alert.unsilenced: a silence ends before its time.
type Unsilenced struct {
	Reason  string `json:"reason"`
	Silence string `json:"silence"`
}

// Delivered is the body of alert.delivered: the first message about the alerts that a channel took.
type Delivered struct {
	Alerts   []string  `json:"alerts"`
	Attempts int       `json:"attempts"`
	Channel  string    `json:"channel"` // name of the channel in the service's settings
	Message  string    `json:"message"` // id of the message
	Sent     time.Time `json:"sent"`
}

// GivenUp is the body of alert.given-up: a channel never took the message about the alerts.
type GivenUp struct {
	Alerts   []string  `json:"alerts"`
	Attempts int       `json:"attempts"`
	Channel  string    `json:"channel"`
	Failure  string    `json:"failure"` // what the last attempt said, without addresses or secrets
	Last     time.Time `json:"last"`
	Message  string    `json:"message"`
}
