package haccp

import (
	"time"

	"linewarden/haccp/chemistry"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// The kinds of records. A kind is never renamed and never reused.
const (
	KindFounded           = "site.founded"
	KindKeyChanged        = "key.changed"
	KindPersonAdded       = "person.added"
	KindRoleGiven         = "person.role-given"
	KindRoleTaken         = "person.role-taken"
	KindPersonDisabled    = "person.disabled"
	KindPersonEnabled     = "person.enabled"
	KindCredentialChanged = "credential.changed"
	KindSignInLocked      = "signin.locked"
	KindSignatureFailed   = "signature.failed"
	KindDeviceEnrolled    = "device.enrolled"
	KindDeviceRevoked     = "device.revoked"
	KindPlanSigned        = "plan.signed"
	KindReading           = "reading"
	KindFilled            = "bath.filled"
	KindAdded             = "bath.added"
	KindPartReplaced      = "bath.part-replaced"
	KindDrained           = "bath.drained"
	KindCleaned           = "bath.cleaned"
	KindInService         = "place.in-service"
	KindOutOfService      = "place.out-of-service"
	KindCleanBreak        = "clean-break"
	KindLineStarted       = "line.started"
	KindLineStopped       = "line.stopped"
	KindFixDone           = "fix.done"
	KindMissed            = "check.missed"
	KindDeviationOpened   = "deviation.opened"
	KindDeviationReopened = "deviation.reopened"
	KindDeviationSigned   = "deviation.signed"
	KindAmended           = "report.amended"
	KindVoided            = "report.voided"
	KindTimeAccepted      = "time.accepted"
	KindReviewed          = "records.reviewed"
	KindNote              = "note"
	KindAlertRaised       = "alert.raised"
	KindAlertRenewed      = "alert.renewed"
	KindAlertAcknowledged = "alert.acknowledged"
	KindAlertHandedOver   = "alert.handed-over"
	KindAlertEscalated    = "alert.escalated"
	KindAlertCleared      = "alert.cleared"
	KindAlertSilenced     = "alert.silenced"
	KindAlertUnsilenced   = "alert.unsilenced"
	KindAlertDelivered    = "alert.delivered"
	KindAlertGivenUp      = "alert.given-up"
	KindTimetableTaken    = "timetable.taken"
	KindSiteAdded         = "group.site-added"
	KindSiteRetired       = "group.site-retired"
	KindSiteRoleGiven     = "group.role-given"
	KindSiteRoleTaken     = "group.role-taken"
	KindRestored          = "site.restored"
)

// How a person or machine was known (the word is shown as it stands).
const (
	KnownPassword    = "password"
	KnownPIN         = "PIN"
	KnownBadge       = "badge"
	KnownPINUnproved = "PIN unverified"
	KnownDeviceToken = "device token"
	KnownTimetable   = "timetable"
	KnownImport      = "import"
	KnownProbe       = "probe"
	KnownConsole     = "console"
	KnownGroup       = "group" // recorded in the log of the group the site belongs to
)

// How the time of a thing was known.
const (
	AtDevice   = "device"
	AtTyped    = "typed"
	AtImported = "imported"
	AtServer   = "server"
)

// The roles of people. RoleTimetable, RoleConsole and RoleGroup are held by no person.
const (
	RoleTechnician    = "technician"
	RoleLineLead      = "line_lead"
	RoleLaboratory    = "laboratory"
	RoleManager       = "manager"
	RoleAuditor       = "auditor"
	RoleAdministrator = "administrator"
	RoleDevice        = "device"
	RoleTimetable     = "timetable"
	RoleConsole       = "console"
	RoleGroup         = "group"
)

// Actor is who did a thing, as known when it was done.
type Actor struct {
	ID    string `json:"id"`
	Name  string `json:"name"`
	Role  string `json:"role"`
	Known string `json:"known"`
}

// Device is the device a thing came from, with its clock as it stood and the offset measured.
type Device struct {
	ID       string    `json:"id"`
	Clock    time.Time `json:"clock,omitzero"`
	OffsetMS int64     `json:"offset_ms,omitempty"`
}

// Finding is something noticed about a record that did not stop it from being recorded.
type Finding struct {
	Code string            `json:"code"`
	Data map[string]string `json:"data,omitempty"`
}

// Event is one record as the rules see it: the envelope's facts and a decoded body.
type Event struct {
	Kind        string
	V           int
	Seq         int64
	ID          string
	Command     string
	At          time.Time
	AtKnown     string
	Until       time.Time // zero: none
	RecordedAt  time.Time
	ServerClock time.Time // zero: the same as RecordedAt
	LateReason  string
	Device      *Device
	By          Actor
	About       []string // sorted
	Amends      string   // id of the record that this one changes
	Findings    []Finding
	Body        any // pointer to the body type of the kind
}

// Founded is the body of record 1 of a site. Its bytes are those of package record.
type Founded struct {
	Demo   bool   `json:"demo"`
	Format int    `json:"format"`
	Key    string `json:"key"`
	LogID  string `json:"log_id"`
	Name   string `json:"name"`
	Site   string `json:"site"`
}

// PersonBody is the body of the kinds about a person.
type PersonBody struct {
	Name   string `json:"name,omitempty"`
	Person string `json:"person"`
	Role   string `json:"role,omitempty"`
	SignIn string `json:"sign_in,omitempty"` // name typed at sign-in
	What   string `json:"what,omitempty"`    // credential changed: "password" or "PIN"; signature failed: what was to be signed
	Reason string `json:"reason,omitempty"`
}

// DeviceBody is the body of the kinds about a device.
type DeviceBody struct {
	Device string `json:"device"`
	Name   string `json:"name,omitempty"`
	Reason string `json:"reason,omitempty"`
}

// Head is the size and root of the log that a signer was shown.
type Head struct {
	Root string `json:"root"` // base64
	Size int64  `json:"size"`
}

// Cover names a record relied on.
type Cover struct {
	Leaf string `json:"leaf"` // base64 of its leaf hash
	Seq  int64  `json:"seq"`
}

// Signature is what a person signed with password (RULES 7); person, printed name, role, time and how
// known stand in the envelope.
type Signature struct {
	Covers    []Cover `json:"covers,omitempty"`
	Head      Head    `json:"head"`
	Language  string  `json:"language"`
	Meaning   string  `json:"meaning"`
	Statement string  `json:"statement"` // the exact text shown
}

// PlanSigned is the body of a signed plan version.
type PlanSigned struct {
	From      time.Time  `json:"from"` // judges what happened at or after this moment
	Plan      *plan.Plan `json:"plan"`
	Reason    string     `json:"reason"`
	Signature Signature  `json:"signature"`
	Source    string     `json:"source"` // the plan file as it was read
	Version   int        `json:"version"`
}

// Entry is one quantity measured in a reading.
type Entry struct {
	As         string          `json:"as,omitempty"` // chlorine: "Cl2" or "NaOCl"
	Dilution   *Dilution       `json:"dilution,omitempty"`
	Formula    string          `json:"formula,omitempty"` // "dilution/1": id and version of the formula that gave Value
	Instrument string          `json:"instrument,omitempty"`
	Method     string          `json:"method,omitempty"`
	Quantity   string          `json:"quantity"`
	Read       quantity.Value  `json:"read,omitzero"` // as read on the instrument; none: computed from other entries
	Reagent    *Reagent        `json:"reagent,omitempty"`
	Value      *quantity.Value `json:"value,omitempty"` // computed; nil: Read is the value
}

// Result returns the value that is judged.
func (e *Entry) Result() quantity.Value {
	if e.Value != nil {
		return *e.Value
	}
	return e.Read
}

// Dilution is a dilution as parts: Sample parts of sample made up to Total parts.
type Dilution struct {
	Sample int64 `json:"sample"`
	Total  int64 `json:"total"`
}

// Reagent is the reagent lot used and its expiry date.
type Reagent struct {
	Expiry plan.Date `json:"expiry,omitempty"`
	Lot    string    `json:"lot"`
}

// ReadingSpan summarises a span of device readings; the envelope's until is its end.
type ReadingSpan struct {
	Last   quantity.Value `json:"last"`
	Max    quantity.Value `json:"max"`
	Median quantity.Value `json:"median"`
	Min    quantity.Value `json:"min"`
	N      int64          `json:"n"`
}

// ImportedFrom says where an imported reading stood.
type ImportedFrom struct {
	File       string `json:"file"` // SHA-256 of the file, hex
	Occurrence int64  `json:"occurrence"`
	Row        int64  `json:"row"` // line in the file, from 1
}

// Reading is the body of one check carried out at one place on one sample.
type Reading struct {
	Check   string  `json:"check"`
	Entries []Entry `json:"entries"`
	Filling string  `json:"filling,omitempty"`
	// Forecast is what the readings since the last addition say about the time to come, where the plan asks.
	Forecast    *chemistry.Forecast `json:"forecast,omitempty"`
	From        *ImportedFrom       `json:"from,omitempty"`
	Lots        []string            `json:"lots,omitempty"`
	Mode        string              `json:"mode"` // "hand" or "device"
	Note        string              `json:"note,omitempty"`
	Place       string              `json:"place"`
	PlanVersion int                 `json:"plan_version,omitempty"` // version that judged; 0: none was in force
	Repeats     string              `json:"repeats,omitempty"`      // the reading asked for again
	SamplePoint string              `json:"sample_point,omitempty"`
	Span        *ReadingSpan        `json:"span,omitempty"`
	Verdicts    []control.Verdict   `json:"verdicts,omitempty"`
}

// Bath is the body of the kinds that change the water of a bath.
type Bath struct {
	Amount      *quantity.Value `json:"amount,omitempty"`   // added: amount actually added
	Chemical    string          `json:"chemical,omitempty"` // added: product, as named in the plan
	First       []BathDose      `json:"first,omitempty"`    // filled: salt and first chemicals
	Level       *quantity.Value `json:"level,omitempty"`    // measured water level
	Measure     string          `json:"measure,omitempty"`  // by which measure the amount was taken
	Note        string          `json:"note,omitempty"`
	Place       string          `json:"place"`
	Reason      string          `json:"reason,omitempty"`
	MaterialLot string          `json:"material_lot,omitempty"`
	Volume      *quantity.Value `json:"volume,omitempty"`
	Water       string          `json:"water,omitempty"` // filled, part-replaced: source water
	Filling     string          `json:"filling,omitempty"`
}

// BathDose is one chemical put in at filling.
type BathDose struct {
	Amount      quantity.Value `json:"amount"`
	Chemical    string         `json:"chemical"`
	MaterialLot string         `json:"material_lot,omitempty"`
}

// CleanBreak is the body of a clean break: line and bath cleaned, sanitised and inspected.
type CleanBreak struct {
	Line   string   `json:"line"`
	Note   string   `json:"note,omitempty"`
	Places []string `json:"places"`
}

// PreOp is one result of a pre-operational item; failures are kept beside the re-inspection.
type PreOp struct {
	At   time.Time `json:"at"`
	By   string    `json:"by,omitempty"`
	Item string    `json:"item"`
	Note string    `json:"note,omitempty"`
	OK   bool      `json:"ok"`
}

// LineStarted is the body of a line start.
type LineStarted struct {
	Asked        bool     `json:"asked"`             // leave was asked first (decision), not reported afterwards
	Lacking      []string `json:"lacking,omitempty"` // what the start lacked, item by item
	Line         string   `json:"line"`
	PreOp        []PreOp  `json:"pre_op,omitempty"`
	WithoutProof bool     `json:"without_proof,omitempty"`
	Note         string   `json:"note,omitempty"`
}

// LineStopped is the body of a line stop.
type LineStopped struct {
	Line           string   `json:"line"`
	ProductInBaths []string `json:"product_in_baths,omitempty"` // places that still hold product
	Reason         string   `json:"reason"`
}

// FixDone is the body of an immediate fix at a control point.
type FixDone struct {
	Deviation string `json:"deviation,omitempty"`
	Fix       string `json:"fix"` // as named in the plan, or "other" with a note
	Note      string `json:"note,omitempty"`
	Place     string `json:"place"`
	Point     string `json:"point"`
}

// Missed is the body of a missed check, written by the timetable.
type Missed struct {
	Check       string    `json:"check"`
	Due         time.Time `json:"due"`
	From        time.Time `json:"from"`
	Place       string    `json:"place"`
	PlanVersion int       `json:"plan_version"`
	Row         string    `json:"row"` // interval, cron or event
	Until       time.Time `json:"until"`
	// NoDeviation is the plan's reason why this miss opens no deviation.
	NoDeviation string `json:"no_deviation,omitempty"`
}

// The grounds a deviation is opened on.
const (
	GroundExcursion    = "excursion"
	GroundMiss         = "missed check"
	GroundWithoutProof = "start without proof"
	GroundClock        = "time of a lot" // its clock or contact time was outside
)

// DeviationOpened is the body of a case: a deviation, or a nonconformity.
type DeviationOpened struct {
	Begin       time.Time  `json:"begin"` // span as computed when opened
	Class       plan.Class `json:"class"`
	Critical    bool       `json:"critical"` // a critical limit is touched: the word is "deviation"
	Deviation   string     `json:"deviation"`
	End         time.Time  `json:"end,omitzero"`
	Filling     string     `json:"filling,omitempty"`
	Ground      string     `json:"ground"`
	Limits      []string   `json:"limits,omitempty"`
	Lot         string     `json:"lot,omitempty"` // whose time was outside
	Number      int64      `json:"number"`        // running number, without gaps
	OpenedBy    string     `json:"opened_by"`     // record that opened it
	Place       string     `json:"place"`
	PlanVersion int        `json:"plan_version"`
	Point       string     `json:"point"`
	Lacking     []string   `json:"lacking,omitempty"`
	Value       string     `json:"value,omitempty"` // time of a lot: as computed when opened, such as "95 min"
	// Result says which results of the lot were outside its specification.
	Result *ResultCase `json:"result,omitempty"`
}

// DeviationReopened is the body written when a closed case grows, or its effectiveness check fails.
type DeviationReopened struct {
	Because   string    `json:"because"` // "grew" or "not effective"
	Begin     time.Time `json:"begin,omitzero"`
	Deviation string    `json:"deviation"`
	End       time.Time `json:"end,omitzero"`
}

// Product is the manager's statement on the product affected (RULES 5.6).
type Product struct {
	Exposed     bool            `json:"exposed"`
	Codes       []string        `json:"codes,omitempty"`
	CuredBy     string          `json:"cured_by,omitempty"` // the later bath that made it good, where the plan says so
	Description string          `json:"description,omitempty"`
	Mass        *quantity.Value `json:"mass,omitempty"`
	HeldWhere   string          `json:"held_where,omitempty"`
	Evaluation  string          `json:"evaluation,omitempty"`
	Outcome     string          `json:"outcome,omitempty"`  // what became of it
	Evidence    string          `json:"evidence,omitempty"` // where no product was exposed
}

// Parts of a case that are not in the plan's closing list.
const (
	PartFixOnly     = "fix-only"      // immediate fix only, no corrective action needed
	PartTakenInTime = "taken-in-time" // the missed check was taken in time, received late
)

// DeviationSigned is the body of one signed part of a case.
type DeviationSigned struct {
	Cause     string     `json:"cause,omitempty"`
	Action    string     `json:"action,omitempty"` // corrective action against recurrence
	Deviation string     `json:"deviation"`
	Effective *bool      `json:"effective,omitempty"`
	EffectDue time.Time  `json:"effect_due,omitzero"` // when effectiveness is to be checked
	InError   bool       `json:"in_error,omitempty"`  // cause: the reading was in error
	Part      string     `json:"part"`
	Product   *Product   `json:"product,omitempty"`
	Reason    string     `json:"reason,omitempty"`
	Restored  string     `json:"restored,omitempty"` // how control was restored
	Signature Signature  `json:"signature"`
	Case      *CaseFacts `json:"case,omitempty"` // closed: the case as it stood
}

// CaseFacts freezes the facts of a case in the record that closes it.
type CaseFacts struct {
	Begin       time.Time    `json:"begin"`
	End         time.Time    `json:"end,omitzero"`
	WidestBegin time.Time    `json:"widest_begin"`
	WidestEnd   time.Time    `json:"widest_end,omitzero"`
	Worst       *SampleFacts `json:"worst,omitempty"`
	First       *SampleFacts `json:"first,omitempty"`
	Retest      *SampleFacts `json:"retest,omitempty"`
	Fixes       []FixFacts   `json:"fixes,omitempty"`
	FixedBy     []string     `json:"fixed_by,omitempty"` // ids of those who carried them out
	Loggers     []string     `json:"loggers,omitempty"`
	Lots        []string     `json:"lots,omitempty"`
}

// SampleFacts names a reading and what it said.
type SampleFacts struct {
	At      time.Time `json:"at"`
	By      string    `json:"by,omitempty"`
	Limit   string    `json:"limit,omitempty"`
	Reading string    `json:"reading"`
	Seq     int64     `json:"seq"`
	Value   string    `json:"value,omitempty"`
}

// FixFacts names an immediate fix.
type FixFacts struct {
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Fix  string    `json:"fix"`
	Note string    `json:"note,omitempty"`
}

// Amended is the body of an amendment. Its record carries at and about of the report it amends,
// so that both are found together; recorded_at says when it was made.
type Amended struct {
	New        any        `json:"new"` // the new body: *Reading, *Bath, ...
	Reason     string     `json:"reason"`
	Signature  *Signature `json:"signature,omitempty"`
	Target     string     `json:"target"` // id of the report
	TargetKind string     `json:"target_kind"`
}

// Voided is the body of a void. Its record carries at and about of the report it voids.
type Voided struct {
	ReplacedBy string     `json:"replaced_by,omitempty"` // the new report in the same command
	Reason     string     `json:"reason"`
	Signature  *Signature `json:"signature,omitempty"`
	Target     string     `json:"target"`
	TargetKind string     `json:"target_kind"`
}

// TimeAccepted is the manager's signature for a typed time: the reading may then bound a span.
// Its record carries at and about of the reading.
type TimeAccepted struct {
	Reason    string    `json:"reason"`
	Signature Signature `json:"signature"`
	Target    string    `json:"target"`
}

// Reviewed is the signed review of records.
type Reviewed struct {
	Findings  string    `json:"findings,omitempty"`
	From      int64     `json:"from"` // first seq
	Signature Signature `json:"signature"`
	To        int64     `json:"to"` // last seq
}

// Note is a free note.
type Note struct {
	Place string `json:"place,omitempty"`
	Text  string `json:"text"`
}

// TimetableTaken is the body written when an instance of the service takes over the timetable of a site.
type TimetableTaken struct {
	Epoch  int64  `json:"epoch"`  // grows with every takeover; commands of an earlier one are refused
	Holder string `json:"holder"` // names the instance
}

// GroupSite is the body of the kinds about a site of a group, in the group's log.
type GroupSite struct {
	Key    string `json:"key,omitempty"`    // added: that of the site's founding
	LogID  string `json:"log_id,omitempty"` // added: of the site's log
	Name   string `json:"name,omitempty"`
	Reason string `json:"reason,omitempty"`
	Site   string `json:"site"`
}

// SiteRole is the body of the kinds about a role that a person holds at one site of a group, in the group's log.
type SiteRole struct {
	Person string `json:"person"`
	Reason string `json:"reason,omitempty"`
	Role   string `json:"role"`
	Site   string `json:"site"`
}

// Restored is the body written when the log of a site was put back from a backup. What was recorded after
// the backup was made is not in the log, unless it comes in again from the devices.
type Restored struct {
	Backup   string    `json:"backup"`           // name of the backup as the operator gave it
	Made     time.Time `json:"made"`             // when the backup was made
	Operator string    `json:"operator"`         // printed name of who put it back
	Reason   string    `json:"reason,omitempty"` // why
	Root     string    `json:"root"`             // root of the log put back, base64
	Size     int64     `json:"size"`             // records put back
}
