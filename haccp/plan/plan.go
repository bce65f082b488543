// Package plan holds the control plan of a plant as plain types, and the checks that a plan must pass
// before it may be signed. It reads no file: package planfile turns YAML into these types and back to
// lines and columns.
//
// Every identifier (of a point, place, check, method, ...) keeps its meaning across versions of a plan.
package plan

import (
	"time"

	"linewarden/haccp/quantity"
)

// Class says what kind of control a point is.
type Class string

// The classes of control points.
const (
	CCP        Class = "ccp"        // critical control point: critical and operating limits
	OPRP       Class = "oprp"       // operational prerequisite programme: action criteria
	Sanitation Class = "sanitation" // sanitation control: action criteria
	Quality    Class = "quality"    // quality point: action criteria
)

// LimitKind says what leaving a limit means.
type LimitKind string

// The kinds of limits.
const (
	Critical  LimitKind = "critical"  // outside: a deviation
	Operating LimitKind = "operating" // outside: act before it becomes a deviation
	Action    LimitKind = "action"    // action criterion; outside: a nonconformity
)

// Plan is one version of a plant's plan. A version is inactive until it is signed.
type Plan struct {
	Site         string `yaml:"site" json:"site"`
	Name         string `yaml:"name" json:"name"`
	Demo         bool   `yaml:"demo" json:"demo,omitempty"` // for a site founded as demo; allows the basis "invented"
	Language     string `yaml:"language" json:"language,omitempty"`
	Jurisdiction string `yaml:"jurisdiction" json:"jurisdiction"`
	Authority    string `yaml:"authority" json:"authority"`
	Regime       string `yaml:"regime" json:"regime"`
	Zone         string `yaml:"zone" json:"zone"` // IANA time zone of the site
	// FirstProduction is the date the validation clock of 90 days counts from.
	FirstProduction Date `yaml:"first_production" json:"first_production,omitempty"`
	// LiveFrom is the moment from which checks fall due, misses are recorded and alerts are raised.
	LiveFrom      time.Time         `yaml:"live_from" json:"live_from,omitzero"`
	ProductionDay Clock             `yaml:"production_day" json:"production_day"` // local time at which a production day begins
	Shifts        []Shift           `yaml:"shifts" json:"shifts,omitempty"`
	Lines         []Line            `yaml:"lines" json:"lines,omitempty"`
	Places        []Place           `yaml:"places" json:"places"`
	Series        []Series          `yaml:"series" json:"series,omitempty"`
	Steps         []Step            `yaml:"steps" json:"steps,omitempty"`
	Hazards       []Hazard          `yaml:"hazards" json:"hazards,omitempty"`
	Decisions     []Decision        `yaml:"decisions" json:"decisions,omitempty"`
	Points        []Point           `yaml:"points" json:"points"`
	Classes       []ClassRule       `yaml:"classes" json:"classes,omitempty"`
	Methods       []Method          `yaml:"methods" json:"methods,omitempty"`
	Instruments   []Instrument      `yaml:"instruments" json:"instruments,omitempty"`
	Checks        []Check           `yaml:"checks" json:"checks"`
	Fixes         []Fix             `yaml:"fixes" json:"fixes,omitempty"`
	Chemicals     []Chemical        `yaml:"chemicals" json:"chemicals,omitempty"`
	Products      []Product         `yaml:"products" json:"products,omitempty"`
	Materials     []Material        `yaml:"materials" json:"materials,omitempty"`
	Dispositions  []DispositionRule `yaml:"dispositions" json:"dispositions,omitempty"`
	Recall        Recall            `yaml:"recall" json:"recall,omitzero"`
	Permissions   []Permission      `yaml:"permissions" json:"permissions,omitempty"`
	Tolerances    Tolerances        `yaml:"tolerances" json:"tolerances"`
	Alerts        Alerts            `yaml:"alerts" json:"alerts,omitzero"`
	Leaf          LeafGel           `yaml:"leaf_gel" json:"leaf_gel,omitzero"`
}

// LeafGel marks a plan that follows the leaf-gel template; its hazard analysis then wants decisions
// on the topics of RequiredDecisions.
type LeafGel struct {
	Template    bool   `yaml:"template" json:"template,omitempty"`
	Antioxidant string `yaml:"antioxidant" json:"antioxidant,omitempty"` // name of the antioxidant
	Sulphite    bool   `yaml:"sulphite" json:"sulphite,omitempty"`       // the antioxidant is a sulphite
}

// Shift is a named span of the local day; To before From means it runs past midnight.
type Shift struct {
	ID   string `yaml:"id" json:"id"`
	Name string `yaml:"name" json:"name"`
	From Clock  `yaml:"from" json:"from"`
	To   Clock  `yaml:"to" json:"to"`
}

// Line is a production line with the conditions of its start.
type Line struct {
	ID   string `yaml:"id" json:"id"`
	Name string `yaml:"name" json:"name"`
	// PreOp lists the pre-operational items in their order.
	PreOp []PreOpItem `yaml:"pre_op" json:"pre_op,omitempty"`
	// StartTests lists the checks that must stand in limits, of the present filling, at each of
	// their places in use, no longer before the start than Within.
	StartTests []StartTest `yaml:"start_tests" json:"start_tests,omitempty"`
	// RetestAfterStop is the length of stop after which a restart needs the tests of a start.
	RetestAfterStop Duration `yaml:"retest_after_stop" json:"retest_after_stop,omitzero"`
}

// PreOpItem is one item of the pre-operational inspection.
type PreOpItem struct {
	ID   string `yaml:"id" json:"id"`
	Name string `yaml:"name" json:"name"`
}

// StartTest names a check a start depends on.
type StartTest struct {
	Check  string   `yaml:"check" json:"check"`
	Within Duration `yaml:"within" json:"within"`
}

// PlaceKind says what a place is.
type PlaceKind string

// The kinds of places.
const (
	Bath    PlaceKind = "bath"
	OnLine  PlaceKind = "line"
	Table   PlaceKind = "table"
	Machine PlaceKind = "machine"
	Room    PlaceKind = "room"
)

// Place is where a limit holds and a check is done.
type Place struct {
	ID           string        `yaml:"id" json:"id"`
	Name         string        `yaml:"name" json:"name"`
	Line         string        `yaml:"line" json:"line,omitempty"`
	Kind         PlaceKind     `yaml:"kind" json:"kind"`
	Volume       *Amount       `yaml:"volume" json:"volume,omitempty"`
	SamplePoints []SamplePoint `yaml:"sample_points" json:"sample_points,omitempty"`
	// Mixing is how long after a filling, addition or fix the next test is due (baths).
	Mixing Duration `yaml:"mixing" json:"mixing,omitzero"`
	// PHFloor is the pH below which chlorine gas may come off: no limit on hypochlorous acid is judged there, and
	// the answer is a caution. It is never below that of the product's label.
	PHFloor    *Amount    `yaml:"ph_floor" json:"ph_floor,omitempty"`
	FillingEnd FillingEnd `yaml:"filling_end" json:"filling_end,omitzero"`
	// Carries says that product may stay behind between lots, as in the hopper of a shredder: unless it is recorded
	// empty, the lot before goes on into the next (RULES 6.1).
	Carries bool `yaml:"carries" json:"carries,omitempty"`
	// Dosing says from what an amount of a chlorine product for this bath is worked out; without it none is.
	Dosing *Dosing `yaml:"dosing" json:"dosing,omitempty"`
}

// SamplePoint is where in a place a sample is drawn.
type SamplePoint struct {
	ID   string `yaml:"id" json:"id"`
	Name string `yaml:"name" json:"name"`
}

// FillingEnd says when the water of a bath must be changed; each zero member sets no end.
type FillingEnd struct {
	After     Duration  `yaml:"after" json:"after,omitzero"`          // time since the bath was filled
	Additions int       `yaml:"additions" json:"additions,omitempty"` // number of additions
	Readings  []Ceiling `yaml:"readings" json:"readings,omitempty"`   // a reading above any of these
}

// Ceiling is a quantity and the amount above which water must be changed.
type Ceiling struct {
	Quantity string `yaml:"quantity" json:"quantity"`
	Above    Amount `yaml:"above" json:"above"`
}

// Step is a step of the process; Next lists the steps that may follow.
type Step struct {
	ID    string   `yaml:"id" json:"id"`
	Name  string   `yaml:"name" json:"name"`
	Place string   `yaml:"place" json:"place,omitempty"`
	Next  []string `yaml:"next" json:"next,omitempty"`
	// Places are further places where the step may be done, such as a second table.
	Places []string `yaml:"places" json:"places,omitempty"`
}

// Where returns every place at which the step may be done.
func (s *Step) Where() []string {
	if s.Place == "" {
		return s.Places
	}
	return append([]string{s.Place}, s.Places...)
}

// Hazard is one row of the hazard analysis.
type Hazard struct {
	ID            string   `yaml:"id" json:"id"`
	Step          string   `yaml:"step" json:"step"`
	Kind          string   `yaml:"kind" json:"kind"` // biological, chemical or physical
	Name          string   `yaml:"name" json:"name"`
	Significant   *bool    `yaml:"significant" json:"significant"`
	Justification string   `yaml:"justification" json:"justification"`
	Measures      string   `yaml:"measures" json:"measures,omitempty"`
	Points        []string `yaml:"points" json:"points,omitempty"` // control points that control it
}

// Decision is an answer, with its reason, to a question that the template puts.
type Decision struct {
	Topic    string `yaml:"topic" json:"topic"`
	Decision string `yaml:"decision" json:"decision"`
	Reason   string `yaml:"reason" json:"reason"`
}

// Point is a control point.
type Point struct {
	ID     string   `yaml:"id" json:"id"`
	Name   string   `yaml:"name" json:"name"`
	Class  Class    `yaml:"class" json:"class"`
	Step   string   `yaml:"step" json:"step,omitempty"`
	Places []string `yaml:"places" json:"places"`
	Limits []Limit  `yaml:"limits" json:"limits"`
	// Ends says which reading ends a span outside a critical limit or action criterion.
	Ends  Ending   `yaml:"ends" json:"ends,omitzero"`
	Fixes []string `yaml:"fixes" json:"fixes,omitempty"` // immediate fixes to offer, in order
	// Instructions tell what to do when a reading is outside or in the act band.
	Instructions string `yaml:"instructions" json:"instructions,omitempty"`
	// Clock, when set, says that the limits are on a time of lots, computed from the times of their steps. No check
	// measures it.
	Clock *Timer `yaml:"clock" json:"clock,omitempty"`
}

// Timer says which time of a lot the limits of a point are on. Quantity contact_time: the time in step From, which is
// also To: the minimum counts from the last part in to the first out, the maximum from the first in to the last out
// (RULES 3.4). Quantity elapsed: from the first part of the oldest gel coming to step From to the last part leaving
// step To (RULES 6.1).
type Timer struct {
	From string   `yaml:"from" json:"from"`
	To   string   `yaml:"to" json:"to"`
	Warn Duration `yaml:"warn" json:"warn,omitzero"` // how long before its maximum a running clock is flagged
}

// The outcomes of a disposition.
const (
	Release = "release"
	Rework  = "rework"
	Divert  = "divert"
	Destroy = "destroy"
)

// Outcomes lists what may become of a lot by a signed disposition.
func Outcomes() []string { return []string{Release, Rework, Divert, Destroy} }

// DispositionRule says who signs what becomes of a lot. Where the plan has none for an outcome, one manager does.
type DispositionRule struct {
	Outcome string   `yaml:"outcome" json:"outcome"`
	Roles   []string `yaml:"roles" json:"roles"`
	People  int      `yaml:"people" json:"people,omitempty"` // how many must sign, each another person; 0: one
}

// Disposition returns the rule for an outcome: one manager, where the plan has none.
func (p *Plan) Disposition(outcome string) DispositionRule {
	for _, r := range p.Dispositions {
		if r.Outcome == outcome {
			r.People = max(r.People, 1)
			return r
		}
	}
	return DispositionRule{Outcome: outcome, Roles: []string{"manager"}, People: 1}
}

// Ending says what completes the return to control (RULES 5.1).
type Ending struct {
	// InsideInRow, when above 0, is the number of usable inside readings in a row that ends a span.
	// When 0, the default holds: the first inside reading after a recorded immediate fix and the
	// place's mixing time.
	InsideInRow int `yaml:"inside_in_row" json:"inside_in_row,omitempty"`
}

// Limit is one limit of a control point on one quantity. Bounds are inclusive.
type Limit struct {
	ID       string    `yaml:"id" json:"id"`
	Kind     LimitKind `yaml:"kind" json:"kind"`
	Quantity string    `yaml:"quantity" json:"quantity"`
	Min      *Amount   `yaml:"min" json:"min,omitempty"`
	Max      *Amount   `yaml:"max" json:"max,omitempty"`
	YesNo    *bool     `yaml:"yes_no" json:"yes_no,omitempty"` // the answer that is inside, for a yes/no quantity
	Basis    Basis     `yaml:"basis" json:"basis,omitzero"`
	// Instrument is the monitoring instrument of record; empty: any.
	Instrument string `yaml:"instrument" json:"instrument,omitempty"`
	// GuardBand, when set, narrows each bound by the instrument's uncertainty (JCGM 106, ILAC-G8).
	GuardBand *Amount `yaml:"guard_band" json:"guard_band,omitempty"`
}

// Computed reports whether the limit is on a value computed from several entries of one sample.
func (l Limit) Computed() bool { return quantity.ID(l.Quantity) == quantity.HOCl }

// Basis says what a limit rests on.
type Basis struct {
	Source     string `yaml:"source" json:"source,omitempty"`         // published source
	Validation string `yaml:"validation" json:"validation,omitempty"` // the plant's validation reference
	// ValidationUntil is the date until which validation runs, at most 90 days after first production.
	ValidationUntil Date `yaml:"validation_until" json:"validation_until,omitempty"`
	// Invented marks a limit made up for a demo or test; only a site founded as demo accepts it.
	Invented bool `yaml:"invented" json:"invented,omitempty"`
}

// ClassRule says what a breach of a class opens, holds, and what closes it.
type ClassRule struct {
	Class Class `yaml:"class" json:"class"`
	// Holds says whether affected product is held.
	Holds bool `yaml:"holds" json:"holds,omitempty"`
	// Closing lists the parts that closing takes, each with the roles that may sign it.
	Closing []ClosingPart `yaml:"closing" json:"closing"`
	// OverdueAfter is how long a case may stay open before it is overdue.
	OverdueAfter Duration `yaml:"overdue_after" json:"overdue_after,omitzero"`
	// EffectivenessAfter is how long after the corrective action its effect is to be checked.
	EffectivenessAfter Duration `yaml:"effectiveness_after" json:"effectiveness_after,omitzero"`
}

// ClosingPart is a separately signed part of a deviation and the roles that may sign it.
type ClosingPart struct {
	Part  string   `yaml:"part" json:"part"`
	Roles []string `yaml:"roles" json:"roles"`
}

// The parts of a deviation that are signed separately (RULES 5.6).
const (
	ControlRestored  = "control-restored"
	ProductEvaluated = "product-evaluated"
	CauseAndAction   = "cause-and-action"
	Effectiveness    = "effectiveness"
	Closed           = "closed"
)

// Method is a way to measure a quantity.
type Method struct {
	ID       string            `yaml:"id" json:"id"`
	Name     string            `yaml:"name" json:"name"`
	Quantity string            `yaml:"quantity" json:"quantity"`
	Unit     string            `yaml:"unit" json:"unit"`
	Low      *quantity.Decimal `yaml:"low" json:"low,omitempty"`   // lower end of its range
	High     *quantity.Decimal `yaml:"high" json:"high,omitempty"` // upper end of its range
	Step     *quantity.Decimal `yaml:"step" json:"step,omitempty"` // smallest difference it shows
	// PPMMeans says what "ppm" on this method is; only "mg/L as Cl2" is accepted.
	PPMMeans string `yaml:"ppm_means" json:"ppm_means,omitempty"`
}

// Instrument is a measuring instrument.
type Instrument struct {
	ID      string   `yaml:"id" json:"id"`
	Name    string   `yaml:"name" json:"name"`
	Methods []string `yaml:"methods" json:"methods,omitempty"`
	Kind    string   `yaml:"kind" json:"kind,omitempty"` // such as pH meter, scale or burette
	// CheckEvery is how long after a check of the instrument the next one is due; not set: the plan asks for none.
	CheckEvery Duration `yaml:"check_every" json:"check_every,omitzero"`
	// Probe is set for an instrument that measures by itself; without it a device's reading outside counts at once.
	Probe *Probe `yaml:"probe" json:"probe,omitempty"`
}

// Probe says how the readings of a probe are averaged and how long they must be outside before they count
// (RULES 2.5).
type Probe struct {
	// Averaging is the time over which the probe averages. A reading that covers no more is judged by its
	// median; one that covers more by its lowest and its highest value.
	Averaging Duration `yaml:"averaging" json:"averaging"`
	// OutsideFor is how long its readings must be outside, with none inside between, before they count;
	// zero: at once.
	OutsideFor Duration `yaml:"outside_for" json:"outside_for,omitzero"`
	Basis      Basis    `yaml:"basis" json:"basis"`
}

// Probe returns what the plan says of an instrument as a probe, nil where it is none.
func (p *Plan) Probe(instrument string) *Probe {
	for i := range p.Instruments {
		if p.Instruments[i].ID == instrument {
			return p.Instruments[i].Probe
		}
	}
	return nil
}

// Check is a scheduled monitoring activity. It falls due at each of its places separately.
type Check struct {
	ID           string    `yaml:"id" json:"id"`
	Name         string    `yaml:"name" json:"name"`
	Places       []string  `yaml:"places" json:"places"`
	Points       []string  `yaml:"points" json:"points"` // control points it serves
	Measures     []Measure `yaml:"measures" json:"measures"`
	Schedule     Schedule  `yaml:"schedule" json:"schedule"`
	Grace        Duration  `yaml:"grace" json:"grace,omitzero"`
	Supported    Duration  `yaml:"supported" json:"supported,omitzero"` // longest time between checks that the validation supports
	Instructions string    `yaml:"instructions" json:"instructions,omitempty"`
	// MissIsNoDeviation is the plan's reason why a missed check of a critical limit opens no deviation.
	MissIsNoDeviation string `yaml:"miss_is_no_deviation" json:"miss_is_no_deviation,omitempty"`
}

// Measure is one quantity that a check measures.
type Measure struct {
	Quantity  string   `yaml:"quantity" json:"quantity"`
	Methods   []string `yaml:"methods" json:"methods,omitempty"`
	Unit      string   `yaml:"unit" json:"unit,omitempty"` // unit offered first
	Optional  bool     `yaml:"optional" json:"optional,omitempty"`
	Plausible *Range   `yaml:"plausible" json:"plausible,omitempty"` // outside: asked for again, still judged
	// Forecast asks for a forecast of when free chlorine crosses its lower limits, which may bring the next test
	// forward.
	Forecast bool `yaml:"forecast" json:"forecast,omitempty"`
}

// Range is a closed range of amounts.
type Range struct {
	Min *Amount `yaml:"min" json:"min,omitempty"`
	Max *Amount `yaml:"max" json:"max,omitempty"`
}

// Schedule says when a check falls due. Exactly one of Every, Cron and After is set,
// but After may stand beside Every.
type Schedule struct {
	Every   Duration `yaml:"every" json:"every,omitzero"`        // while the line of the place runs
	AtStart bool     `yaml:"at_start" json:"at_start,omitempty"` // first due at line start, not one interval later
	Cron    *Cron    `yaml:"cron" json:"cron,omitempty"`         // wall clock of the site
	After   []string `yaml:"after" json:"after,omitempty"`       // events: filled, added, part-replaced; due after the mixing time
}

// Cron is a wall-clock schedule in plain sets; Text is what the plan file says.
type Cron struct {
	Text     string `yaml:"text" json:"text"`
	Minutes  []int  `yaml:"minutes" json:"minutes"`   // 0-59
	Hours    []int  `yaml:"hours" json:"hours"`       // 0-23
	Days     []int  `yaml:"days" json:"days"`         // 1-31
	Months   []int  `yaml:"months" json:"months"`     // 1-12
	Weekdays []int  `yaml:"weekdays" json:"weekdays"` // 0-6, Sunday is 0
	// AnyDay and AnyWeekday say that the field was "*": with both restricted either may match (POSIX crontab).
	AnyDay     bool `yaml:"any_day" json:"any_day,omitempty"`
	AnyWeekday bool `yaml:"any_weekday" json:"any_weekday,omitempty"`
}

// Fix is an immediate fix offered at a control point.
type Fix struct {
	ID           string `yaml:"id" json:"id"`
	Name         string `yaml:"name" json:"name"`
	Instructions string `yaml:"instructions" json:"instructions,omitempty"`
}

// Chemical is a product that may be added to a bath.
type Chemical struct {
	ID       string `yaml:"id" json:"id"`
	Name     string `yaml:"name" json:"name"`
	Cautions string `yaml:"cautions" json:"cautions,omitempty"`
	// Chlorine is what the label of a chlorine product says.
	Chlorine *ChlorineProduct `yaml:"chlorine" json:"chlorine,omitempty"`
}

// Permission narrows who may do an act; it never widens what the product allows.
type Permission struct {
	Act   string   `yaml:"act" json:"act"`
	Roles []string `yaml:"roles" json:"roles"`
}

// Tolerances of time.
type Tolerances struct {
	// ReceivedLate is how long after it happened a thing may be recorded without being "received late". Default 15 min.
	ReceivedLate Duration `yaml:"received_late" json:"received_late,omitzero"`
}

// Late returns the tolerance, or its default where the plan states none.
func (t Tolerances) Late() time.Duration {
	if t.ReceivedLate.IsZero() {
		return 15 * time.Minute
	}
	return t.ReceivedLate.Std()
}

// Alerts says who is told of an alert, and when. Members that are not set have defaults (package alarm).
type Alerts struct {
	// Gather is how long later alerts of a group are gathered into one further message.
	Gather Duration `yaml:"gather" json:"gather,omitzero"`
	// Repeat is how often an alert that nobody has taken on is told again.
	Repeat Duration `yaml:"repeat" json:"repeat,omitzero"`
	// Retest is how long after it was acknowledged an alert that is not cured sounds again.
	Retest Duration `yaml:"retest" json:"retest,omitzero"`
	Ladder []Rung   `yaml:"ladder" json:"ladder,omitempty"`
}

// IsZero reports whether the plan says nothing about alerts.
func (a Alerts) IsZero() bool {
	return a.Gather.IsZero() && a.Repeat.IsZero() && a.Retest.IsZero() && len(a.Ladder) == 0
}

// Rung is one step of the ladder: the roles that are told when an alert has sounded for a time and nobody
// has taken it on.
type Rung struct {
	After      Duration `yaml:"after" json:"after,omitzero"`            // not set: at once
	Severities []string `yaml:"severities" json:"severities,omitempty"` // critical, warning, notice; empty: all
	Shifts     []string `yaml:"shifts" json:"shifts,omitempty"`         // ids of shifts; empty: at any time
	Roles      []string `yaml:"roles" json:"roles"`
}

// Signed is a plan version in force: the plan, its number and the moment from which it judges.
type Signed struct {
	Version int       `json:"version"` // from 1, in the order of signing
	From    time.Time `json:"from"`    // readings with at >= From are judged by it
	Plan    *Plan     `json:"plan"`
}
