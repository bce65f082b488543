// Package haccp holds the rules of control of a plant: what was recorded becomes a state, and a command
// becomes records or a refusal.
//
// State is a fold of the record log. Decide looks at a state, the facts it asked for with Needs, a command
// and a time, and gives the records to append together with the state after them; it does no I/O, reads no
// clock and changes nothing it was given. Apply folds records that are already in the log. Both use the
// same code, so that replaying a log gives the state that deciding it gave.
//
// The state is bounded: it holds what is open, the readings of a horizon of seven days, people, plan
// versions and counts. What is older is asked for.
package haccp

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"linewarden/haccp/alarm"
	"linewarden/haccp/control"
	"linewarden/haccp/instrument"
	"linewarden/haccp/lot"
	"linewarden/haccp/lot/recall"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
	"linewarden/haccp/shift"
)

// FoldVersion changes whenever the same log would fold to another state; it makes older snapshots void.
const FoldVersion = 13

// Horizon is how far back of the newest reading of a point and place its readings stay in the state.
const Horizon = 7 * 24 * time.Hour

// slack is how much longer than Horizon readings may stay before they are trimmed, so that
// trimming is rare.
const slack = 24 * time.Hour

// FutureTolerance is how far after the server's clock a thing may have happened.
const FutureTolerance = 2 * time.Minute

// Zones gives the location of an IANA time zone name; the shell reads it from embedded data.
type Zones func(name string) (*time.Location, error)

// State is what a log says. It is changed only by Apply and by Decide on a fork of its own.
type State struct {
	Site         Founded
	Size         int64 // records folded; the next record has Size+1
	LastRecorded time.Time
	Plans        []plan.Signed // in the order of signing
	Opened       int64         // cases opened so far: the last running number
	Counts       Counts
	Reviews      []ReviewSpan // what signed reviews cover, joined
	// Planned is when the first plan was signed: nothing is due before somebody could have been told,
	// even where the plan's live_from lies further back.
	Planned time.Time
	// Timetable is whose turn it is to run the timetable; zero: the only instance there ever was.
	Timetable Turn

	planSeq    int64      // the record that signed the newest plan version
	recent     []ChangeAt // the newest changes of reports, in order
	reviews    []ReviewAt // the newest signed reviews, in order
	people     table[*Person]
	devices    table[*DeviceState]
	lines      table[*LineState]
	places     table[*PlaceState]
	series     table[*Series]     // "point@place"
	checks     table[*CheckState] // "check@place"
	deviations table[*Deviation]
	sites      table[*Member]      // of a group
	alerts     table[*alarm.Alert] // open ones, and cleared ones for a while
	silences   table[*alarm.Silence]
	alertKeys  table[string] // the open alert of a key; derived from alerts
	handovers  []shift.Handover
	product
	supplies
	exercises table[*recall.Exercise]

	zones     Zones
	memo      *memo  // derived from Plans; shared by forks
	importing string // the command of the last imported reading; commands are folded whole
	loose     loose  // what the group of records being folded left to trim
}

// Counts are totals since founding.
type Counts struct {
	Readings int64 `json:"readings"`
	Imported int64 `json:"imported"`
	Outside  int64 `json:"outside"`
	Missed   int64 `json:"missed"`
	Late     int64 `json:"received_late"`
	Amended  int64 `json:"amended"`
	Voided   int64 `json:"voided"`
}

// New returns the state of an empty log.
func New(zones Zones) *State {
	return &State{
		zones: zones, memo: newMemo(),
		people: newTable[*Person](), devices: newTable[*DeviceState](), lines: newTable[*LineState](),
		places: newTable[*PlaceState](), series: newTable[*Series](), checks: newTable[*CheckState](),
		deviations: newTable[*Deviation](), sites: newTable[*Member](),
		alerts: newTable[*alarm.Alert](), silences: newTable[*alarm.Silence](), alertKeys: newTable[string](),
		product: product{lots: lotsOf(newTable[*LotState]())}, supplies: newSupplies(),
		exercises: newTable[*recall.Exercise](),
	}
}

// Fork returns a state that may be changed without changing s. It costs the same whatever s holds.
func (s *State) Fork() *State {
	n := *s
	n.people, n.devices, n.lines = s.people.fork(), s.devices.fork(), s.lines.fork()
	n.places, n.series, n.checks = s.places.fork(), s.series.fork(), s.checks.fork()
	n.deviations, n.sites = s.deviations.fork(), s.sites.fork()
	n.lots, n.past, n.emptied, n.breaks = s.lots.fork(), s.past.Fork(), slices.Clip(s.emptied), slices.Clip(s.breaks)
	n.materials, n.tools, n.exercises = s.materials.fork(), s.tools.fork(), s.exercises.fork()
	n.alerts, n.silences, n.alertKeys = s.alerts.fork(), s.silences.fork(), s.alertKeys.fork()
	n.Plans, n.loose = slices.Clip(s.Plans), loose{}
	return &n
}

type snapshot struct {
	Site         Founded             `json:"site"`
	Size         int64               `json:"size"`
	LastRecorded time.Time           `json:"last_recorded"`
	Plans        []plan.Signed       `json:"plans"`
	Opened       int64               `json:"opened"`
	Counts       Counts              `json:"counts"`
	Reviews      []ReviewSpan        `json:"reviews,omitempty"`
	Planned      time.Time           `json:"planned,omitzero"`
	PlanSeq      int64               `json:"plan_seq,omitempty"`
	Recent       []ChangeAt          `json:"recent,omitempty"`
	ReviewList   []ReviewAt          `json:"review_list,omitempty"`
	Timetable    Turn                `json:"timetable,omitzero"`
	People       table[*Person]      `json:"people"`
	Devices      table[*DeviceState] `json:"devices"`
	Lines        table[*LineState]   `json:"lines"`
	Places       table[*PlaceState]  `json:"places"`
	Series       table[*Series]      `json:"series"`
	Checks       table[*CheckState]  `json:"checks"`
	Deviations   table[*Deviation]   `json:"deviations"`
	Sites        table[*Member]      `json:"sites,omitzero"`

	Alerts   table[*alarm.Alert]   `json:"alerts"`
	Silences table[*alarm.Silence] `json:"silences"`
	Lots     table[*LotState]      `json:"lots,omitzero"`
	Emptied  []EmptiedAt           `json:"emptied,omitempty"`
	Breaks   []BreakAt             `json:"breaks,omitempty"`
	LotsFrom time.Time             `json:"lots_from,omitzero"`

	Materials table[*material.Lot]    `json:"materials,omitzero"`
	Tools     table[*instrument.Tool] `json:"instruments,omitzero"`
	Past      lot.Archive             `json:"lots_past"`
	LotsLast  time.Time               `json:"lots_last,omitzero"`
	LotsSwept time.Time               `json:"lots_swept,omitzero"`
	Handovers []shift.Handover        `json:"handovers,omitempty"`
	Exercises table[*recall.Exercise] `json:"exercises,omitzero"`
}

// Snapshot returns the state as bytes; equal states give equal bytes.
func (s *State) Snapshot() ([]byte, error) {
	return json.Marshal(snapshot{s.Site, s.Size, s.LastRecorded, s.Plans, s.Opened, s.Counts, s.Reviews, s.Planned,
		s.planSeq, s.recent, s.reviews, s.Timetable, s.people, s.devices, s.lines, s.places, s.series, s.checks, s.deviations, s.sites, s.alerts, s.silences,
		s.lots.table, s.emptied, s.breaks, s.lotsFrom, s.materials, s.tools, s.past, s.lotsLast, s.lotsSwept, s.handovers, s.exercises})
}

// Restore returns the state of a snapshot made by the same FoldVersion.
func Restore(b []byte, zones Zones) (*State, error) {
	v := snapshot{People: newTable[*Person](), Devices: newTable[*DeviceState](), Lines: newTable[*LineState](),
		Places: newTable[*PlaceState](), Series: newTable[*Series](), Checks: newTable[*CheckState](),
		Deviations: newTable[*Deviation](), Sites: newTable[*Member](), Alerts: newTable[*alarm.Alert](), Silences: newTable[*alarm.Silence](), Lots: newTable[*LotState](),
		Materials: newTable[*material.Lot](), Tools: newTable[*instrument.Tool](), Exercises: newTable[*recall.Exercise]()}
	if err := json.Unmarshal(b, &v); err != nil {
		return nil, fmt.Errorf("read snapshot: %w", err)
	}
	m, err := indexPlans(v.Plans, zones)
	if err != nil {
		return nil, fmt.Errorf("read snapshot: %w", err)
	}
	for _, p := range v.Places.all() {
		p.water = fillingsOf(p.Log)
	}
	for _, l := range v.Lots.all() {
		l.Settle(m.way)
	}
	return &State{Site: v.Site, Size: v.Size, LastRecorded: v.LastRecorded, Plans: v.Plans, Opened: v.Opened,
		Counts: v.Counts, Reviews: v.Reviews, Planned: v.Planned, Timetable: v.Timetable, planSeq: v.PlanSeq, recent: v.Recent, reviews: v.ReviewList, people: v.People, devices: v.Devices, lines: v.Lines, places: v.Places,
		series: v.Series, checks: v.Checks, deviations: v.Deviations, sites: v.Sites,
		alerts: v.Alerts, silences: v.Silences, alertKeys: keysOf(v.Alerts), product: product{lots: lotsOf(v.Lots), past: v.Past, emptied: v.Emptied,
			breaks: v.Breaks, lotsFrom: v.LotsFrom, lotsLast: v.LotsLast, lotsSwept: v.LotsSwept},
		supplies: supplies{v.Materials, v.Tools}, handovers: v.Handovers, exercises: v.Exercises, zones: zones, memo: m}, nil
}

// Person is a person as the log knows them.
type Person struct {
	ID       string     `json:"id"`
	Name     string     `json:"name"`
	SignIn   string     `json:"sign_in"`
	Roles    []RoleSpan `json:"roles"`
	Added    time.Time  `json:"added"`
	Disabled []Gap      `json:"disabled,omitempty"`
}

// RoleSpan is the time in which a person held a role; zero To: still.
type RoleSpan struct {
	Role string    `json:"role"`
	From time.Time `json:"from"`
	To   time.Time `json:"to,omitzero"`
}

// Gap is a span of time; zero To: still.
type Gap struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to,omitzero"`
}

// DeviceState is an enrolled device.
type DeviceState struct {
	ID      string    `json:"id"`
	Name    string    `json:"name"`
	Since   time.Time `json:"since"`
	Revoked time.Time `json:"revoked,omitzero"`
}

// LineState holds the runs of a line inside the horizon, in the order of their starts.
type LineState struct {
	ID   string    `json:"id"`
	Acts []LineAct `json:"acts"` // starts and stops by at, then id
	// From is the moment from which Acts are complete, the run before it included; zero: from the beginning.
	From time.Time `json:"from,omitzero"`
}

// LineAct is a start or stop of a line.
type LineAct struct {
	ID      string    `json:"id"`
	At      time.Time `json:"at"`
	Start   bool      `json:"start"`
	Without bool      `json:"without_proof,omitempty"`
	Product []string  `json:"product,omitempty"` // stop: places that still hold product
	Reason  string    `json:"reason,omitempty"`
	By      string    `json:"by"`
}

// PlaceState holds the water of a bath and the service of a place.
type PlaceState struct {
	ID      string       `json:"id"`
	Service []ServiceAct `json:"service,omitempty"` // in and out of service, by at, then id
	Log     []BathAct    `json:"log,omitempty"`     // fillings, additions, drains, ... by at, then id
	// From is the moment from which Log is complete, the filling before it included; zero: from the beginning.
	From time.Time `json:"from,omitzero"`
	// Earlier counts the additions to the first filling of Log that were left out.
	Earlier int `json:"earlier,omitempty"`
	// Over are the readings above a ceiling of the plan for the water of the bath, by at.
	Over []OverAt `json:"over,omitempty"`
	// Levels are the readings of free chlorine of the last day, and Ahead the tests that forecasts want, by at.
	Levels chain[LevelAt] `json:"levels,omitzero"`
	Ahead  []AheadAt      `json:"ahead,omitempty"`
	// Forecast is what the newest reading foresaw; nil where it foresaw nothing.
	Forecast *ForecastAt `json:"forecast,omitempty"`

	water []control.Filling // derived from Log
}

// ServiceAct takes a place out of service, or back in.
type ServiceAct struct {
	ID  string    `json:"id"`
	At  time.Time `json:"at"`
	Out bool      `json:"out"`
}

// BathAct is one thing done to the water of a bath.
type BathAct struct {
	Kind string    `json:"kind"`
	ID   string    `json:"id"`
	At   time.Time `json:"at"`
	By   string    `json:"by"`
	Body *Bath     `json:"body,omitempty"`
}

// Series is one control point at one place: its readings of the horizon and what they say.
type Series struct {
	Point  string         `json:"point"`
	Place  string         `json:"place"`
	Window control.Window `json:"window"`
	Fixes  []FixAt        `json:"fixes,omitempty"`  // by at
	Recent []*LastReading `json:"recent,omitempty"` // the newest readings, the newest last
	// FirstLive is when the oldest reading was taken that was not imported.
	FirstLive time.Time `json:"first_live,omitzero"`
	// Cases lists the cases of this point and place that the state holds.
	Cases []string `json:"cases,omitempty"`

	// What the context follows from: it is made again when one of these has changed.
	ctx   *control.Context
	memo  *memo
	place *PlaceState
	line  *LineState
	floor time.Time // where the window began before it was extended for this group of records
}

// FixAt is an immediate fix at a point and place.
type FixAt struct {
	At        time.Time `json:"at"`
	ID        string    `json:"id"`
	By        string    `json:"by"`
	Name      string    `json:"name,omitempty"` // of the person
	Fix       string    `json:"fix,omitempty"`
	Note      string    `json:"note,omitempty"`
	Deviation string    `json:"deviation,omitempty"`
}

// LastReading is one of the newest readings that touched a point at a place, with its verdicts there.
type LastReading struct {
	ID       string            `json:"id"`
	At       time.Time         `json:"at"`
	By       string            `json:"by"`
	Filling  string            `json:"filling,omitempty"`
	Verdicts []control.Verdict `json:"verdicts"`
	// Unusable says that it shows no control: by another instrument than that of record, imported, or at a
	// typed time nobody accepted. Outside it counts all the same.
	Unusable bool `json:"unusable,omitempty"`
}

// CheckState is one check at one place: when it was carried out and when it was missed, inside the horizon.
type CheckState struct {
	Check  string         `json:"check"`
	Place  string         `json:"place"`
	Taken  chain[TakenAt] `json:"taken,omitzero"` // by at, then id; imported and voided readings are left out
	Misses []MissAt       `json:"misses,omitempty"`
	Swept  time.Time      `json:"swept,omitzero"` // dues whose window ended at or before this were judged
}

// TakenAt is a reading of a check.
type TakenAt struct {
	At     time.Time `json:"at"`
	ID     string    `json:"id"`
	Seq    int64     `json:"seq"`
	Worst  string    `json:"worst"`
	Proved bool      `json:"proved,omitempty"` // its time is a device's or the server's stamp
}

// MissAt is a recorded miss; it is never erased.
type MissAt struct {
	ID    string    `json:"id"`
	Due   time.Time `json:"due"`
	From  time.Time `json:"from"`
	Until time.Time `json:"until"`
	Row   string    `json:"row"`
}

// Span is a closed span of time; zero End: open.
type Span struct {
	Begin time.Time `json:"begin"`
	End   time.Time `json:"end,omitzero"`
}

// Covered is the span of one excursion that a case covers, and the water it lay in.
type Covered struct {
	Span
	Water string `json:"water,omitempty"`
}

// Deviation is a case: a deviation where a critical limit is touched, a nonconformity otherwise.
type Deviation struct {
	DeviationOpened
	Found     time.Time    `json:"found"` // recorded_at of its opening
	FoundBy   Actor        `json:"found_by"`
	At        time.Time    `json:"at"`
	OpenedSeq int64        `json:"opened_seq"`
	Imported  bool         `json:"imported,omitempty"` // opened by an imported reading
	Now       Span         `json:"now"`                // as the facts stand; zero Begin: dissolved
	Widest    Span         `json:"widest"`             // Begin and latest End it ever had
	Reach     time.Time    `json:"reach,omitzero"`     // the latest outside reading it ever covered
	Spans     []Covered    `json:"spans,omitempty"`    // the excursions that Now is the hull of
	First     *control.Ref `json:"first,omitempty"`
	WorstOff  float64      `json:"worst_off,omitempty"` // how far outside Worst was, as a share of the bound
	Worst     *control.Ref `json:"worst,omitempty"`
	Retest    *control.Ref `json:"retest,omitempty"`
	Fixes     []FixFacts   `json:"fixes,omitempty"`
	FixedBy   []string     `json:"fixed_by,omitempty"`
	Loggers   []string     `json:"loggers,omitempty"` // who logged its readings
	Lots      []string     `json:"lots,omitempty"`    // codes its readings named
	Parts     []SignedPart `json:"parts,omitempty"`
	Reopened  []time.Time  `json:"reopened,omitempty"`
	IsClosed  bool         `json:"is_closed,omitempty"`
	ClosedAt  time.Time    `json:"closed_at,omitzero"`
	EffectDue time.Time    `json:"effect_due,omitzero"`
	Touched   int64        `json:"touched"`              // seq of the last record about it
	Widened   int64        `json:"widened"`              // seq at which its span last widened
	TakenLate string       `json:"taken_late,omitempty"` // miss: the reading that was taken in time, received late
	// Outside lists the records of results that ever were outside under the case, sorted.
	Outside []string `json:"outside,omitempty"`
	// DueFrom is, of a miss, when the window of its due began: its span begins there where no reading shows
	// control before it.
	DueFrom time.Time `json:"due_from,omitzero"`
}

// Word returns "deviation" where a critical limit is touched, else "nonconformity".
func (d *Deviation) Word() string {
	if d.Critical {
		return "deviation"
	}
	return "nonconformity"
}

// SignedPart is a part as signed. A stale part was signed before the span widened and is to be signed again.
// One that covers a report amended, voided or accepted since stands, and is marked: Changed is the number of
// the newest record that changed it.
type SignedPart struct {
	Seq     int64            `json:"seq"`
	At      time.Time        `json:"at"`
	By      Actor            `json:"by"`
	Stale   bool             `json:"stale,omitempty"`
	Changed int64            `json:"changed,omitempty"`
	Body    *DeviationSigned `json:"body"`
}

// Part returns the standing signature of a part, nil where there is none.
func (d *Deviation) Part(name string) *SignedPart {
	for i := len(d.Parts) - 1; i >= 0; i-- {
		if d.Parts[i].Body.Part == name && !d.Parts[i].Stale {
			return &d.Parts[i]
		}
	}
	return nil
}

// ReviewSpan is a run of records that signed reviews cover.
type ReviewSpan struct {
	From int64 `json:"from"`
	To   int64 `json:"to"`
}

// joinReview returns the spans with one more, overlapping and adjacent ones joined, in order.
func joinReview(spans []ReviewSpan, r ReviewSpan) []ReviewSpan {
	all := append(slices.Clone(spans), r)
	slices.SortFunc(all, func(a, b ReviewSpan) int { return cmp.Compare(a.From, b.From) })
	out := all[:1]
	for _, x := range all[1:] {
		if last := &out[len(out)-1]; x.From <= last.To+1 {
			last.To = max(last.To, x.To)
		} else {
			out = append(out, x)
		}
	}
	return out
}
