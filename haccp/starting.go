package haccp

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

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
	body.PreOp = slices.Clone(b.PreOp)
	for i := range body.PreOp {
		body.PreOp[i].At = body.PreOp[i].At.UTC().Truncate(time.Millisecond) // as records hold times
	}
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
			if !d.inUse(v, place, d.cmd.At) || d.startProved(v, line, t, place, d.cmd.At) {
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
			if pl == nil || !s.inUse(v, place, at) || s.startProved(v, line, t, place, at) {
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

// startProved reports whether a start test stands: taken within the plan's minutes or, after a stop shorter
// than the plan's retest_after_stop, the newest one of the water that is in the bath (RULES 3.2).
func (s *State) startProved(v *version, line string, t plan.StartTest, place string, at time.Time) bool {
	if s.startTested(t, place, at) {
		return true
	}
	t.Within = plan.Of(int64(Horizon/time.Hour), "h")
	return !s.needsInspection(v, line, at) && s.startTested(t, place, at)
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
