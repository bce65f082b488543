package haccp

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// The codes of findings.
const (
	FindingLate           = "received-late"
	FindingLateNoReason   = "late-without-reason"
	FindingClockOff       = "device-clock-off"
	FindingDisabledSince  = "person-disabled-since"
	FindingBeforePlan     = "before-first-plan"
	FindingUnknownFilling = "unknown-filling"
	FindingNoFilling      = "no-filling-recorded"
	FindingUnknownTool    = "unknown-instrument"
	FindingImplausible    = "outside-plausible-range"
	FindingReagentExpired = "reagent-expired"
	FindingRetestDiluted  = "retest-diluted"
	FindingLineStopped    = "line-not-running"
	FindingLineRunning    = "line-running-already"
	FindingNoSuchCase     = "unknown-case"
	FindingPINUnproved    = "pin-unverified"
	FindingUnknownProduct = "unknown-chemical"
)

// deciding carries a command through its decision.
type deciding struct {
	*State  // a fork of the state before
	cmd     *Command
	facts   Facts
	now     time.Time // recorded_at of every record
	clock   time.Time // the server's clock, where it differs
	events  []*Event
	changes changes
	ordinal int
	// pending are the excursions that no case covered when they were last settled.
	pending map[string][]control.Excursion
	touched []string // series settled since their closed cases were looked at
}

// Decide gives the records that a command leads to and the state after them, or a *Refusal. It does not
// change s. Facts hold what Needs asked for.
func (s *State) Decide(c *Command, f Facts, now time.Time) (*Outcome, error) {
	d := s.Fork().deciding(c, f, now)
	if err := d.run(); err != nil {
		return nil, err
	}
	return &Outcome{Events: d.events, Next: d.State}, nil
}

// ErrSpoiled says that a command was refused after the state had been changed for it.
var ErrSpoiled = errors.New("the state was changed for a command that is refused")

// DecideOn is Decide on a state that nobody else holds. It saves a fork: the state after is s itself. A refusal
// leaves s as it was; after ErrSpoiled s must be dropped, and Decide on the state before tells why.
func (s *State) DecideOn(c *Command, f Facts, now time.Time) (*Outcome, error) {
	d := s.deciding(c, f, now)
	err := d.run()
	switch {
	case err == nil:
		return &Outcome{Events: d.events, Next: s}, nil
	case len(d.events) > 0:
		return nil, ErrSpoiled
	}
	s.loose = loose{}
	return nil, err
}

func (s *State) deciding(c *Command, f Facts, now time.Time) *deciding {
	own := *c
	d := &deciding{State: s, cmd: &own, facts: f, now: now.UTC().Truncate(time.Millisecond), changes: changes{}}
	if d.now.Before(s.LastRecorded) {
		d.now, d.clock = s.LastRecorded, d.now
	}
	return d
}

// run checks the command and calls what decides its kind.
func (d *deciding) run() error {
	decide, ok := deciders[d.cmd.Kind]
	if !ok {
		return invalid("kind", "unknown-kind", "there is no command %q", d.cmd.Kind)
	}
	if d.Site.Site == "" {
		return refuse(ErrConflict, "", "not-founded", "this log has not been founded")
	}
	if err := d.checkTime(); err != nil {
		return err
	}
	if decide.report {
		if err := d.checkEnvelope(); err != nil {
			return err
		}
	}
	findings, err := d.checkActor(d.cmd, decide.report, d.now)
	if err != nil {
		return err
	}
	if decide.report {
		findings = append(findings, d.timeFindings()...)
	}
	if err := decide.run(d, findings); err != nil {
		return err
	}
	if err := d.open(); err != nil {
		return err
	}
	if err := d.holdAffected(); err != nil {
		return err
	}
	d.finish()
	return nil
}

type decider struct {
	report bool
	run    func(*deciding, []Finding) error
}

var deciders map[string]decider

func init() { //nolint:gochecknoinits // the table names functions that use it (a void decides its new report)
	deciders = map[string]decider{
		KindReading:      {true, (*deciding).reading},
		KindFilled:       {true, (*deciding).bath},
		KindAdded:        {true, (*deciding).bath},
		KindPartReplaced: {true, (*deciding).bath},
		KindDrained:      {true, (*deciding).bath},
		KindCleaned:      {true, (*deciding).bath},
		KindInService:    {true, (*deciding).bath},
		KindOutOfService: {true, (*deciding).bath},
		KindCleanBreak:   {true, (*deciding).cleanBreak},
		KindLineStarted:  {true, (*deciding).started},
		KindLineStopped:  {true, (*deciding).stopped},
		KindFixDone:      {true, (*deciding).fixed},
		KindNote:         {true, (*deciding).note},
		KindLotReceived:  {true, (*deciding).lotReceived},
		KindLotEntered:   {true, (*deciding).lotMoved},
		KindLotLeft:      {true, (*deciding).lotMoved},
		KindLotFed:       {true, (*deciding).lotFed},
		KindLotRemoved:   {true, (*deciding).lotRemoved},
		KindPlaceEmptied: {true, (*deciding).placeEmptied},
		KindLotShipped:   {true, (*deciding).lotShipped},
		AskLotEnter:      {false, (*deciding).lotEnter},
		AskLotHold:       {false, (*deciding).lotHold},
		AskLotEvaluate:   {false, (*deciding).lotEvaluate},
		AskLotReview:     {false, (*deciding).lotReview},
		AskLotDispose:    {false, (*deciding).lotDispose},
		AskLotShip:       {false, (*deciding).lotShip},
		AskStart:         {false, (*deciding).start},
		AskAmend:         {false, (*deciding).amend},
		AskVoid:          {false, (*deciding).void},
		AskSignPart:      {false, (*deciding).signPart},
		AskSignPlan:      {false, (*deciding).signPlan},
		AskAcceptTime:    {false, (*deciding).acceptTime},
		AskReview:        {false, (*deciding).review},
		AskPerson:        {false, (*deciding).person},
		AskDevice:        {false, (*deciding).device},
		AskSecurity:      {false, (*deciding).security},
		AskSweep:         {false, (*deciding).sweep},
		AskTimetable:     {false, (*deciding).takeTimetable},
		AskGroupSite:     {false, (*deciding).groupSite},
		AskSiteRole:      {false, (*deciding).siteRole},
		AskImport:        {false, (*deciding).importRows},
		AskAlerts:        {false, (*deciding).alertChange},
		AskAcknowledge:   {false, (*deciding).acknowledge},
		AskHandOver:      {false, (*deciding).handOver},
		AskSilence:       {false, (*deciding).silence},
		AskEndOfSilence:  {false, (*deciding).unsilence},
		AskRestore:       {false, (*deciding).restore},
		AskShiftHandOver: {false, (*deciding).shiftHandOver},
		AskShiftAccept:   {false, (*deciding).shiftAccept},

		KindMaterialReceived:  {true, (*deciding).materialReceived},
		KindMaterialCounted:   {true, (*deciding).materialCounted},
		KindInstrumentChecked: {true, (*deciding).instrumentChecked},
		KindInstrumentOut:     {true, (*deciding).instrumentService},
		KindInstrumentBack:    {true, (*deciding).instrumentService},
		AskMaterialApprove:    {false, (*deciding).materialRuled},
		AskMaterialReject:     {false, (*deciding).materialRuled},

		AskExerciseStart:  {false, (*deciding).exerciseStart},
		AskExerciseFinish: {false, (*deciding).exerciseFinish},

		KindLotSampled:     {true, (*deciding).sample},
		KindSamplePassed:   {true, (*deciding).sample},
		KindSampleReceived: {true, (*deciding).sample},
		KindResult:         {true, (*deciding).sample},
	}
}

// checkTime refuses a command without a time or from the future (DESIGN, time).
func (d *deciding) checkTime() error {
	if d.cmd.ID == "" {
		return invalid("id", "no-id", "the command has no id: give a UUID")
	}
	if d.cmd.At.IsZero() {
		return invalid("at", "no-time", "at is missing: when did it happen? (RFC 3339, such as 2026-03-02T14:05:00Z)")
	}
	if d.cmd.At.After(d.now.Add(FutureTolerance)) {
		return invalid("at", "in-future", "%s lies more than 2 minutes after the server's clock (%s): correct the time",
			d.cmd.At.UTC().Format(time.RFC3339), d.now.Format(time.RFC3339))
	}
	if !d.cmd.Until.IsZero() && (d.cmd.Until.Before(d.cmd.At) || d.cmd.Until.After(d.now.Add(FutureTolerance))) {
		return invalid("until", "bad-until", "until must not be before at, nor in the future")
	}
	return nil
}

// checkEnvelope refuses what a client may not say about its report's time, reason and device.
func (d *deciding) checkEnvelope() error {
	switch d.cmd.AtKnown {
	case AtDevice, AtTyped, AtServer:
	default:
		return invalid("at_known", "bad-at-known", "at_known is %q: write device or typed", d.cmd.AtKnown)
	}
	if d.cmd.Device != nil {
		if err := checkCode("device.id", d.cmd.Device.ID); err != nil {
			return err
		}
	}
	return short("late_reason", d.cmd.LateReason)
}

// timeFindings notes what is odd about the time of a report.
func (d *deciding) timeFindings() []Finding {
	var out []Finding
	if d.versionAt(d.cmd.At) == nil {
		out = append(out, Finding{Code: FindingBeforePlan})
	}
	told := d.cmd.At
	if !d.cmd.Until.IsZero() && len(codesOf(d.cmd.Ask)) > 0 {
		told = d.cmd.Until // that a lot came or left can be told once the last of it has
	}
	if late := d.now.Sub(told); d.cmd.AtKnown != AtImported && late > d.lateAfter() {
		out = append(out, Finding{FindingLate, map[string]string{"by": late.Truncate(time.Second).String()}})
		if d.cmd.LateReason == "" {
			out = append(out, Finding{Code: FindingLateNoReason})
		}
	}
	if dev := d.cmd.Device; dev != nil {
		if off := time.Duration(dev.OffsetMS) * time.Millisecond; off.Abs() > FutureTolerance {
			out = append(out, Finding{FindingClockOff, map[string]string{"offset": off.String()}})
		}
	}
	if d.cmd.By.Known == KnownPINUnproved {
		out = append(out, Finding{Code: FindingPINUnproved})
	}
	return out
}

const defaultLate = 15 * time.Minute

func (d *deciding) lateAfter() time.Duration {
	if v := d.versionAt(d.cmd.At); v != nil && !v.Plan.Tolerances.ReceivedLate.IsZero() {
		return v.Plan.Tolerances.ReceivedLate.Std()
	}
	return defaultLate
}

// emit folds one record into the fork. What it settles later may open cases.
func (d *deciding) emit(e *Event) error {
	e.V, e.Seq, e.Command, e.RecordedAt, e.ServerClock = 1, d.Size+1, d.cmd.ID, d.now, d.clock
	if e.ID == "" {
		e.ID = RecordID(d.cmd.ID, d.ordinal)
	}
	d.ordinal++
	if e.By.ID == "" {
		e.By = d.cmd.By
	}
	if e.At.IsZero() {
		e.At = d.cmd.At
	}
	e.At = e.At.UTC().Truncate(time.Millisecond)
	e.About = append(e.About, aboutMaterials(e.Body)...)
	if e.AtKnown == "" {
		e.AtKnown = d.cmd.AtKnown
	}
	slices.Sort(e.About)
	e.About = slices.Compact(e.About)
	if len(e.Findings) > 0 {
		slices.SortStableFunc(e.Findings, func(a, b Finding) int { return compareStrings(a.Code, b.Code) })
	}
	d.events = append(d.events, e)
	if derived(e.Kind) {
		if err := d.settleNow(); err != nil {
			return err
		}
	}
	if err := d.fold(e, d.changes, d.facts); err != nil {
		return fmt.Errorf("decide %s: %w", d.cmd.Kind, err)
	}
	return nil
}

// AboutUnverified is the key of reports whose person was known by an unproved PIN only.
const AboutUnverified = "unverified"

// report emits the record of a report, with what the client told about its time and device.
func (d *deciding) report(kind string, body any, findings []Finding, about ...string) error {
	if d.cmd.By.Known == KnownPINUnproved {
		about = append(about, AboutUnverified)
	}
	return d.emit(&Event{Kind: kind, Until: d.cmd.Until, LateReason: d.cmd.LateReason, Device: d.cmd.Device,
		About: about, Findings: findings, Body: body})
}

// settleNow settles what changed, as Apply does before a record that follows from it.
func (d *deciding) settleNow() error {
	if len(d.changes) == 0 && !d.loose.times && len(d.loose.tested) == 0 {
		return nil
	}
	for k := range d.changes {
		d.touched = with(d.touched, k)
	}
	uncovered, err := d.settle(d.changes, d.facts)
	if err != nil {
		return err
	}
	if d.pending == nil && len(uncovered) > 0 {
		d.pending = map[string][]control.Excursion{}
	}
	maps.Copy(d.pending, uncovered)
	return nil
}

// open settles what changed, opens a case for every excursion that none covers, and re-opens closed cases
// that grew.
func (d *deciding) open() error {
	for range maxRounds {
		if err := d.settleNow(); err != nil {
			return err
		}
		if len(d.touched) == 0 && len(d.pending) == 0 {
			return nil
		}
		touched, pending := d.touched, d.pending
		d.touched, d.pending = nil, nil
		if err := d.reopenGrown(touched); err != nil {
			return err
		}
		for _, k := range slices.Sorted(maps.Keys(pending)) {
			for i := range pending[k] {
				if err := d.openExcursion(k, &pending[k][i]); err != nil {
					return err
				}
			}
		}
	}
	return fmt.Errorf("decide %s: cases do not come to rest", d.cmd.Kind)
}

// maxRounds bounds how often opening cases may change what is covered. Each round but the last opens a case for
// an excursion that has none, and that case covers it from then on.
const maxRounds = 50

// openExcursion opens a case for an excursion.
func (d *deciding) openExcursion(k string, x *control.Excursion) error {
	if err := d.settleNow(); err != nil {
		return err
	}
	if d.alreadyCovered(k, x) {
		return nil
	}
	point, place := splitKey(k)
	v := d.versionAt(x.First.At)
	if v == nil {
		v = d.numbered(1)
	}
	pt := v.points[point]
	if pt == nil {
		pt = d.everPoint(point)
	}
	critical := slices.ContainsFunc(pt.Limits, func(l plan.Limit) bool {
		return l.Kind == plan.Critical && slices.Contains(x.Limits, l.ID)
	})
	return d.openCase(&DeviationOpened{Begin: x.Begin, End: x.End, Class: pt.Class, Critical: critical,
		Filling: x.Filling, Ground: GroundExcursion, Limits: x.Limits, OpenedBy: x.First.ID, Place: place,
		PlanVersion: v.Version, Point: point}, x.First.At)
}

// alreadyCovered reports whether a case opened a moment ago in this command covers the excursion.
func (d *deciding) alreadyCovered(k string, x *control.Excursion) bool {
	ser, ok := d.series.get(k)
	if !ok {
		return false
	}
	span := Covered{Span{x.Begin, x.End}, x.Water}
	return slices.ContainsFunc(ser.Cases, func(id string) bool {
		c, ok := d.deviations.get(id)
		return ok && slices.Contains(c.Spans, span)
	})
}

// openCase emits the opening of a case. Its id follows from what opened it, so that it cannot be opened twice.
func (d *deciding) openCase(b *DeviationOpened, at time.Time) error {
	if b.Deviation == "" {
		b.Deviation = uuid5("deviation", d.Site.Site, b.Point, b.Place, b.OpenedBy)
	}
	if _, ok := d.deviations.get(b.Deviation); ok {
		return nil
	}
	b.Number = d.Opened + 1
	about := []string{"deviation:" + b.Deviation}
	switch {
	case b.Lot != "":
		about = append(about, aboutLots(b)...)
	case b.Point != "":
		about = append(about, "series:"+key(b.Point, b.Place))
	}
	return d.emit(&Event{Kind: KindDeviationOpened, ID: uuid5("opened", d.Site.Site, b.Deviation), At: at, AtKnown: AtServer,
		About: about, Body: b})
}

// reopenGrown re-opens the closed cases that grew since they were closed.
func (d *deciding) reopenGrown(keys []string) error {
	for _, k := range keys {
		ser, ok := d.series.get(k)
		if !ok {
			continue
		}
		for _, id := range ser.Cases {
			c, ok := d.deviations.get(id)
			if !ok || !c.IsClosed || c.Widened <= c.lastClosing() {
				continue
			}
			err := d.emit(&Event{Kind: KindDeviationReopened, AtKnown: AtServer, At: d.now,
				About: []string{"deviation:" + id, "series:" + k},
				Body:  &DeviationReopened{Because: BecauseGrew, Begin: c.Now.Begin, Deviation: id, End: c.Now.End}})
			if err != nil {
				return err
			}
		}
	}
	return nil
}

// lastClosing returns the seq of the record that closed the case last.
func (d *Deviation) lastClosing() int64 {
	for _, p := range slices.Backward(d.Parts) {
		if p.Body.Case != nil {
			return p.Seq
		}
	}
	return 0
}

func compareStrings(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
