package haccp

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// bath decides a report on the water or the service of a place.
func (d *deciding) bath(findings []Finding) error {
	b, ok := d.cmd.Ask.(*Bath)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := d.checkBath(b, d.cmd.Kind); err != nil {
		return err
	}
	about := "bath:" + b.Place
	if d.cmd.Kind == KindInService || d.cmd.Kind == KindOutOfService {
		about = "place:" + b.Place
	}
	return d.report(d.cmd.Kind, b, append(findings, d.bathFindings(b)...), about)
}

func (d *deciding) checkBath(b *Bath, kind string) error {
	pl := d.everPlace(b.Place)
	if pl == nil {
		return invalid("place", "unknown-place", "no plan version of this site has a place %q", b.Place)
	}
	service := kind == KindInService || kind == KindOutOfService
	if !service && pl.Kind != plan.Bath {
		return invalid("place", "not-a-bath", "%s is no bath", b.Place)
	}
	if err := checkMeasure("level", b.Level, quantity.WaterLevel); err != nil {
		return err
	}
	if err := checkMeasure("volume", b.Volume, quantity.Volume); err != nil {
		return err
	}
	if err := checkMeasure("amount", b.Amount, quantity.Mass, quantity.Volume); err != nil {
		return err
	}
	if err := checkFirst(b.First); err != nil {
		return err
	}
	if err := short("note", b.Note, "reason", b.Reason, "water", b.Water, "measure", b.Measure,
		"material_lot", b.MaterialLot, "filling", b.Filling); err != nil {
		return err
	}
	return d.checkBathKind(b, kind)
}

// checkFirst refuses what is malformed among the chemicals put in at filling.
func checkFirst(doses []BathDose) error {
	if len(doses) > maxEntries {
		return invalid("first", "too-many", "a filling names at most %d chemicals", maxEntries)
	}
	for i := range doses {
		if err := checkMeasure(fmt.Sprintf("first[%d].amount", i), &doses[i].Amount, quantity.Mass, quantity.Volume); err != nil {
			return err
		}
		if err := checkCode(fmt.Sprintf("first[%d].chemical", i), doses[i].Chemical); err != nil {
			return err
		}
		if err := short(fmt.Sprintf("first[%d].material_lot", i), doses[i].MaterialLot); err != nil {
			return err
		}
	}
	return nil
}

// checkMeasure refuses a value that is none of the quantities given, or outside its physical range.
func checkMeasure(field string, v *quantity.Value, ids ...quantity.ID) error {
	if v == nil {
		return nil
	}
	var first error
	for _, id := range ids {
		q, err := quantity.Get(id)
		if err != nil {
			return err
		}
		if err = q.Check(*v); err == nil {
			return nil
		}
		if first == nil || q.HasUnit(v.Unit()) {
			first = err
		}
	}
	return valueRefusal(field, first)
}

func (d *deciding) checkBathKind(b *Bath, kind string) error {
	switch kind {
	case KindAdded:
		if b.Amount == nil {
			return invalid("amount", "missing", "how much was added? Give amount with unit (mass or volume)")
		}
		return checkCode("chemical", b.Chemical)
	case KindFilled, KindPartReplaced:
		if strings.TrimSpace(b.Water) == "" {
			return invalid("water", "missing", "from which source did the water come?")
		}
		if b.Level == nil && b.Volume == nil {
			return invalid("level", "missing", "give the measured level or the volume")
		}
	case KindOutOfService:
		if strings.TrimSpace(b.Reason) == "" {
			return invalid("reason", "missing", "why is it out of service?")
		}
	}
	return nil
}

func (d *deciding) bathFindings(b *Bath) []Finding {
	v := d.versionAt(d.cmd.At)
	if v == nil {
		return nil
	}
	var out []Finding
	known := func(name string) {
		if name != "" && !slices.ContainsFunc(v.Plan.Chemicals, func(c plan.Chemical) bool { return c.ID == name }) {
			out = append(out, Finding{FindingUnknownProduct, map[string]string{"chemical": name}})
		}
	}
	known(b.Chemical)
	for i := range b.First {
		known(b.First[i].Chemical)
	}
	if d.cmd.Kind == KindAdded || d.cmd.Kind == KindPartReplaced || d.cmd.Kind == KindDrained {
		if p, ok := d.places.get(b.Place); !ok {
			out = append(out, Finding{Code: FindingNoFilling})
		} else if _, in := fillingAt(p.fillings(), d.cmd.At); !in {
			out = append(out, Finding{Code: FindingNoFilling})
		}
	}
	return out
}

// cleanBreak decides a clean break.
func (d *deciding) cleanBreak(findings []Finding) error {
	b, ok := d.cmd.Ask.(*CleanBreak)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if d.everLine(b.Line) == nil {
		return invalid("line", "unknown-line", "no plan version of this site has a line %q", b.Line)
	}
	about := []string{"line:" + b.Line}
	for i, place := range b.Places {
		if d.everPlace(place) == nil {
			return invalid(fmt.Sprintf("places[%d]", i), "unknown-place", "no plan version of this site has a place %q", place)
		}
		about = append(about, "place:"+place)
	}
	if err := short("note", b.Note); err != nil {
		return err
	}
	return d.report(KindCleanBreak, b, findings, about...)
}

// note decides a free note.
func (d *deciding) note(findings []Finding) error {
	b, ok := d.cmd.Ask.(*Note)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := wanted("text", b.Text); err != nil {
		return err
	}
	if b.Place != "" && d.everPlace(b.Place) == nil {
		return invalid("place", "unknown-place", "no plan version of this site has a place %q", b.Place)
	}
	about := "site"
	if b.Place != "" {
		about = "place:" + b.Place
	}
	return d.report(KindNote, b, findings, about)
}

// fixed decides an immediate fix that was carried out.
func (d *deciding) fixed(findings []Finding) error {
	b, ok := d.cmd.Ask.(*FixDone)
	if !ok {
		return wrongAsk(d.cmd)
	}
	pt := d.everPoint(b.Point)
	if pt == nil {
		return invalid("point", "unknown-point", "no plan version of this site has a control point %q", b.Point)
	}
	if d.everPlace(b.Place) == nil || !slices.Contains(d.memo.seriesAt[b.Place], key(b.Point, b.Place)) {
		return invalid("place", "unknown-place", "the control point %q has no limits at a place %q", b.Point, b.Place)
	}
	if err := checkCode("fix", b.Fix); err != nil {
		return err
	}
	if b.Fix == "other" && strings.TrimSpace(b.Note) == "" {
		return invalid("note", "missing", "say in the note what was done")
	}
	if err := short("note", b.Note); err != nil {
		return err
	}
	about := []string{"series:" + key(b.Point, b.Place)}
	if b.Deviation == "" {
		return d.report(KindFixDone, b, findings, about...)
	}
	if err := checkCode("deviation", b.Deviation); err != nil {
		return err
	}
	c, ok := d.deviations.get(b.Deviation)
	if !ok || c.Point != b.Point || c.Place != b.Place {
		findings = append(findings, Finding{FindingNoSuchCase, map[string]string{"deviation": b.Deviation}})
	}
	if !ok || c.Point == b.Point && c.Place == b.Place { // a fix named for the case of another place is none of its own
		about = append(about, "deviation:"+b.Deviation)
	}
	return d.report(KindFixDone, b, findings, about...)
}

// short refuses texts that are too long; pairs are field and text.
func short(pairs ...string) error {
	for i := 0; i < len(pairs); i += 2 {
		if len(pairs[i+1]) > maxText {
			return invalid(pairs[i], "too-long", "%s is longer than %d characters: shorten it", pairs[i], maxText)
		}
	}
	return nil
}

// stopped decides a line stop that has taken place.
func (d *deciding) stopped(findings []Finding) error {
	b, ok := d.cmd.Ask.(*LineStopped)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if d.everLine(b.Line) == nil {
		return invalid("line", "unknown-line", "no plan version of this site has a line %q", b.Line)
	}
	if err := d.checkStop(b); err != nil {
		return err
	}
	if !d.runsAt(b.Line, d.cmd.At) {
		findings = append(findings, Finding{Code: FindingLineStopped})
	}
	return d.report(KindLineStopped, b, findings, "line:"+b.Line)
}

func (d *deciding) checkStop(b *LineStopped) error {
	for i, place := range b.ProductInBaths {
		if d.everPlace(place) == nil {
			return invalid(fmt.Sprintf("product_in_baths[%d]", i), "unknown-place", "no plan version of this site has a place %q", place)
		}
	}
	return wanted("reason", b.Reason)
}

func (d *deciding) runsAt(line string, at time.Time) bool {
	l, ok := d.lines.get(line)
	if !ok {
		return false
	}
	for _, r := range slices.Backward(runsOf(l.Acts)) {
		if !r.From.After(at) {
			return r.To.IsZero() || !at.After(r.To)
		}
	}
	return false
}

// maxPreOp bounds the pre-operational results of one start.
const maxPreOp = 500

// start decides the asking for leave to start a line: without its conditions it is refused, item by item,
// unless it is asked for knowingly without proof.
func (d *deciding) start(_ []Finding) error {
	b, ok := d.cmd.Ask.(*LineStarted)
	if !ok {
		return wrongAsk(d.cmd)
	}
	d.cmd.At, d.cmd.AtKnown = d.now, AtServer // leave is asked for now, not for an hour ago
	body, err := d.checkStart(b)
	if err != nil {
		return err
	}
	if d.runsAt(b.Line, d.cmd.At) {
		return refuse(ErrConflict, "line", "runs-already", "the line %s is running", b.Line)
	}
	if len(body.Lacking) > 0 && !b.WithoutProof {
		r := refuse(ErrConflict, "", "start-lacks", "the line may not start yet: %s", strings.Join(body.Lacking, "; "))
		r.Items = body.Lacking
		return r
	}
	body.Asked = true
	return d.emitStart(body, nil)
}

// started decides the report of a start that has taken place; it is never refused for what it lacked.
func (d *deciding) started(findings []Finding) error {
	b, ok := d.cmd.Ask.(*LineStarted)
	if !ok {
		return wrongAsk(d.cmd)
	}
	body, err := d.checkStart(b)
	if err != nil {
		return err
	}
	if d.runsAt(b.Line, d.cmd.At) {
		findings = append(findings, Finding{Code: FindingLineRunning})
	}
	body.Asked = false
	return d.emitStart(body, findings)
}

func (d *deciding) checkStart(b *LineStarted) (*LineStarted, error) {
	if d.everLine(b.Line) == nil {
		return nil, invalid("line", "unknown-line", "no plan version of this site has a line %q", b.Line)
	}
	if err := short("note", b.Note); err != nil {
		return nil, err
	}
	if len(b.PreOp) > maxPreOp {
		return nil, invalid("pre_op", "too-many", "a start holds at most %d pre-operational results", maxPreOp)
	}
	for i := range b.PreOp {
		field := fmt.Sprintf("pre_op[%d]", i)
		if err := checkCode(field+".item", b.PreOp[i].Item); err != nil {
			return nil, err
		}
		if err := short(field+".note", b.PreOp[i].Note, field+".by", b.PreOp[i].By); err != nil {
			return nil, err
		}
	}
	body := *b
	body.Lacking = d.StartConditions(b.Line, b.PreOp, d.cmd.At)
	body.WithoutProof = len(body.Lacking) > 0
	return &body, nil
}

// emitStart records the start and, where it lacked proof, opens a case from that moment at every critical
// point that was not shown to be in control, and at the line where the inspection lacked or no such point is
// known.
func (d *deciding) emitStart(b *LineStarted, findings []Finding) error {
	v := d.versionAt(d.cmd.At)
	atLine := v != nil && d.inspectionLacks(v, b, d.cmd.At)
	if err := d.report(KindLineStarted, b, findings, "line:"+b.Line); err != nil {
		return err
	}
	if !b.WithoutProof || v == nil {
		return nil
	}
	opener := d.events[len(d.events)-1]
	if err := d.open(); err != nil {
		return err
	}
	unproved := d.unproved(v, b.Line)
	for _, at := range unproved {
		if err := d.openUnproved(opener, v, at, b.Lacking); err != nil {
			return err
		}
	}
	if atLine || len(unproved) == 0 {
		return d.openUnproved(opener, v, pointAt{place: b.Line}, b.Lacking)
	}
	return nil
}

// openUnproved opens the case of a start without proof: at a point, or at the line itself.
func (d *deciding) openUnproved(start *Event, v *version, at pointAt, lacking []string) error {
	class, critical := plan.Sanitation, false
	if pt := v.points[at.point]; pt != nil {
		class, critical = pt.Class, hasCritical(pt)
	}
	return d.openCase(&DeviationOpened{Begin: start.At, Class: class, Critical: critical, Ground: GroundWithoutProof, OpenedBy: start.ID,
		Place: at.place, PlanVersion: v.Version, Point: at.point, Lacking: lacking}, start.At)
}

func hasCritical(p *plan.Point) bool {
	return slices.ContainsFunc(p.Limits, func(l plan.Limit) bool { return l.Kind == plan.Critical })
}

type pointAt struct{ point, place string }

// unproved lists the points with critical limits whose start test is lacking.
func (d *deciding) unproved(v *version, line string) []pointAt {
	l := v.lines[line]
	if l == nil {
		return nil
	}
	var out []pointAt
	for _, t := range l.StartTests {
		c := v.checks[t.Check]
		if c == nil {
			continue
		}
		for _, place := range c.Places {
			if !d.inUse(v, place, d.cmd.At) || d.startTested(t, place, d.cmd.At) {
				continue
			}
			for _, point := range c.Points {
				pt := v.points[point]
				if pt != nil && hasCritical(pt) && slices.Contains(pt.Places, place) {
					out = append(out, pointAt{point, place})
				}
			}
		}
	}
	return out
}

// inspectionLacks reports whether a start at a moment wants an inspection that its results do not show.
func (s *State) inspectionLacks(v *version, b *LineStarted, at time.Time) bool {
	l := v.lines[b.Line]
	return l != nil && s.needsInspection(v, b.Line, at) && len(preOpLacking(l, b.PreOp)) > 0
}

// StartConditions lists what a start of a line at a moment lacks: pre-operational items not done or not yet
// re-inspected as good, and start tests that do not stand in limits. Empty: the line may start.
func (s *State) StartConditions(line string, preOp []PreOp, at time.Time) []string {
	v := s.versionAt(at)
	if v == nil {
		return []string{"no plan is in force"}
	}
	l := v.lines[line]
	if l == nil {
		return []string{"the plan in force has no line " + line}
	}
	var out []string
	if s.needsInspection(v, line, at) {
		out = preOpLacking(l, preOp)
	}
	for _, t := range l.StartTests {
		c := v.checks[t.Check]
		if c == nil {
			continue
		}
		for _, place := range c.Places {
			pl := v.places[place]
			if pl == nil || !s.inUse(v, place, at) || s.startTested(t, place, at) {
				continue
			}
			out = append(out, fmt.Sprintf("%s at %s: no test inside limits of this filling within %s", c.Name, pl.Name, t.Within))
		}
	}
	return out
}

// needsInspection reports whether a start at a moment wants the whole of its conditions: at the first
// start and after a stop longer than the plan's retest_after_stop.
func (s *State) needsInspection(v *version, line string, at time.Time) bool {
	l, ok := s.lines.get(line)
	if !ok {
		return true
	}
	runs := runsOf(l.Acts)
	for _, r := range slices.Backward(runs) {
		if r.From.After(at) {
			continue
		}
		after := v.lines[line].RetestAfterStop
		return after.IsZero() || r.To.IsZero() || at.Sub(r.To) > after.Std()
	}
	return true
}

func preOpLacking(l *plan.Line, results []PreOp) []string {
	var out []string
	for _, item := range l.PreOp {
		var last *PreOp
		for i := range results {
			r := &results[i]
			if r.Item == item.ID && (last == nil || !r.At.Before(last.At)) {
				last = r
			}
		}
		switch {
		case last == nil:
			out = append(out, item.Name+": not inspected")
		case !last.OK:
			out = append(out, item.Name+": failed and not yet re-inspected as good")
		}
	}
	return out
}

// inUse reports whether a place is in service, and a bath filled, at a moment.
func (s *State) inUse(v *version, place string, at time.Time) bool {
	p, ok := s.places.get(place)
	pl := v.places[place]
	if !ok {
		return pl != nil && pl.Kind != plan.Bath
	}
	for _, g := range p.gaps() {
		if !at.Before(g.From) && (g.To.IsZero() || at.Before(g.To)) {
			return false
		}
	}
	if pl == nil || pl.Kind != plan.Bath {
		return true
	}
	_, in := fillingAt(p.fillings(), at)
	return in
}

// startTested reports whether the newest test of this filling, within the plan's minutes, is inside all its
// limits.
func (s *State) startTested(t plan.StartTest, place string, at time.Time) bool {
	cs, ok := s.checks.get(key(t.Check, place))
	if !ok {
		return false
	}
	var since time.Time
	if p, ok := s.places.get(place); ok {
		if f, in := fillingAt(p.fillings(), at); in {
			since = f.From
		}
	}
	for r := range cs.Taken.backward() {
		if r.At.After(at) {
			continue
		}
		return !r.At.Before(since) && at.Sub(r.At) <= t.Within.Std() && (r.Worst == control.Inside || r.Worst == control.Act)
	}
	return false
}
