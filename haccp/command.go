package haccp

import (
	"time"

	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// The kinds of commands that are not reports. A report's command kind is the kind of its record.
const (
	AskFound      = "site.found"        // only from the console, for a new log
	AskPerson     = "person.change"     // *PersonChange
	AskDevice     = "device.change"     // *DeviceChange
	AskSecurity   = "security.happened" // *SecurityHappened, written by the service itself
	AskSignPlan   = "plan.sign"         // *SignPlan
	AskStart      = "line.start"        // *LineStarted: leave to start the line
	AskSignPart   = "deviation.sign"    // *SignPart
	AskAmend      = "report.amend"      // *Amend
	AskVoid       = "report.void"       // *Void
	AskAcceptTime = "time.accept"       // *AcceptTime
	AskReview     = "records.review"    // *Review
	AskSweep      = "timetable.sweep"   // *Sweep
	AskTimetable  = "timetable.take"    // *TakeTimetable
	AskGroupSite  = "group.site"        // *GroupSiteChange, in the log of a group
	AskSiteRole   = "group.role"        // *SiteRoleChange, in the log of a group
	AskImport     = "readings.import"   // *Import
	AskRestore    = "site.restore"      // *RestoreLog, only from the console

	AskAlerts       = "alerts.change"     // *AlertChange, by the timetable
	AskAcknowledge  = "alert.acknowledge" // *alarm.Acknowledged
	AskHandOver     = "alert.hand-over"   // *alarm.HandedOver
	AskSilence      = "alert.silence"     // *alarm.Silenced
	AskEndOfSilence = "alert.unsilence"   // *alarm.Unsilenced
)

// Command is what a client reports or asks for.
type Command struct {
	ID         string // UUID made by the client
	Kind       string
	At         time.Time // when the thing happened; decisions: when it is asked
	AtKnown    string
	Until      time.Time
	LateReason string
	Device     *Device
	By         Actor
	Ask        any // pointer to the type that belongs to the kind
}

// PersonChange adds a person or changes a role or standing.
type PersonChange struct {
	Change string `json:"change"` // added, role-given, role-taken, disabled, enabled
	PersonBody
}

// DeviceChange enrols or revokes a device.
type DeviceChange struct {
	Change string `json:"change"` // enrolled, revoked
	DeviceBody
}

// SecurityHappened is a happening of sign-in that belongs in the log.
type SecurityHappened struct {
	Kind string `json:"kind"` // credential.changed, signin.locked, signature.failed
	PersonBody
}

// SignPlan puts a plan version in force. The plan was checked by its reader before.
type SignPlan struct {
	From      time.Time  `json:"from"` // zero: now
	Plan      *plan.Plan `json:"plan"`
	Reason    string     `json:"reason"`
	Source    string     `json:"source"`
	Signature Signature  `json:"signature"`
}

// SignPart signs one part of a case.
type SignPart struct {
	DeviationSigned
}

// Amend replaces the body of one report.
type Amend struct {
	New       any        `json:"new"`
	Reason    string     `json:"reason"`
	Signature *Signature `json:"signature,omitempty"`
	Target    string     `json:"target"`
}

// Void withdraws a report, with an optional new report in its place.
type Void struct {
	New       *Command   `json:"new,omitempty"` // Kind, At, AtKnown, Until, LateReason and Ask are used
	Reason    string     `json:"reason"`
	Signature *Signature `json:"signature,omitempty"`
	Target    string     `json:"target"`
}

// AcceptTime accepts the typed time of a reading.
type AcceptTime struct {
	Reason    string    `json:"reason"`
	Signature Signature `json:"signature"`
	Target    string    `json:"target"`
}

// Review is a signed review of the records From to To.
type Review struct {
	Reviewed
}

// Sweep lets the timetable record what has come due: missed checks.
type Sweep struct {
	Epoch int64 // under which the timetable runs; 0: nobody ever took it over
	// What is looked at: checks at places ("check@place"), and running clocks of lots. Neither: everything.
	Checks []string
	Clocks bool
}

// GroupSiteChange adds a site to a group, or retires it.
type GroupSiteChange struct {
	Change string `json:"change"` // added, retired
	GroupSite
}

// SiteRoleChange gives or takes a role at one site of a group.
type SiteRoleChange struct {
	Change string `json:"change"` // given, taken
	SiteRole
}

// TakeTimetable lets an instance of the service take over the timetable.
type TakeTimetable struct {
	TimetableTaken
}

// Import brings readings from a file, at most MaxImportRows in one command.
type Import struct {
	Check string      `json:"check"`
	File  string      `json:"file"` // SHA-256 of the file, hex
	Place string      `json:"place"`
	Rows  []ImportRow `json:"rows"`
}

// RestoreLog says that the log was put back from a backup.
type RestoreLog struct {
	Restored
}

// MaxRecords is how many records one command may lead to.
const MaxRecords = 200

// MaxImportRows bounds one import command, so that its records and the cases they open stay within
// the 200 records a command may hold.
const MaxImportRows = 90

// ImportRow is one row of an imported file.
type ImportRow struct {
	At         time.Time     `json:"at"`
	Occurrence int64         `json:"occurrence"` // among identical rows, from 1
	Row        int64         `json:"row"`
	Values     []ImportValue `json:"values"`
}

// ImportValue is one value of an imported row.
type ImportValue struct {
	Method   string         `json:"method,omitempty"`
	Quantity string         `json:"quantity"`
	Value    quantity.Value `json:"value"`
}

// Range names the records about a key with From <= at < To. A zero From means from the beginning.
type Range struct {
	About    string
	From, To time.Time
}

// Need is what a command or a group of records wants to know beyond the state.
type Need struct {
	Ranges []Range
	IDs    []string // records by id
	Leaves []int64  // leaf hashes by seq
	Roots  []int64  // roots of the log at these sizes
	// Reporters asks who reported the records of these runs.
	Reporters []ReviewSpan
}

// Empty reports whether nothing more is wanted.
func (n Need) Empty() bool {
	return len(n.Ranges) == 0 && len(n.IDs) == 0 && len(n.Leaves) == 0 && len(n.Roots) == 0 && len(n.Reporters) == 0
}

// Facts answer needs. Events in a range come in the order of seq.
type Facts struct {
	Ranges map[Range][]*Event
	ByID   map[string]*Event // nil: looked for and not there
	Leaves map[int64]string  // base64
	Roots  map[int64]string  // base64; "": no such size
	// Reporters lists, for each run of records asked for, which of them each person reported (Reported).
	Reporters map[ReviewSpan]map[string][]int64
}

// Outcome is what a decision gives: the records to append, and the state after them.
type Outcome struct {
	Events []*Event
	Next   *State
}
