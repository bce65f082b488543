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

// The meanings of signatures that are not parts of a case.
const (
	MeaningPlan     = "plan-approved"
	MeaningAmend    = "amendment-approved"
	MeaningVoid     = "void-approved"
	MeaningTime     = "typed-time-accepted"
	MeaningReviewed = "records-reviewed"
)

// checkSignature refuses a signature that was not given with the password, does not say what it means, or
// was given for another state of the log than it says. Only the console of a demo site signs without.
func (d *deciding) checkSignature(g *Signature, meaning string) error {
	by := d.cmd.By
	console := by.Known == KnownConsole && d.Site.Demo
	switch {
	case by.Known != KnownPassword && !console:
		return refuse(ErrForbidden, "signature", "password-wanted", "a signature wants the password again, never a PIN, badge or token")
	case g.Meaning != meaning:
		return invalid("signature.meaning", "wrong-meaning", "the signature means %q, this act wants %q", g.Meaning, meaning)
	case strings.TrimSpace(g.Statement) == "" || len(g.Statement) > 4*maxText:
		return invalid("signature.statement", "missing", "the statement that was shown is missing")
	case g.Language != "en" && g.Language != "es":
		return invalid("signature.language", "bad-language", "the language of the statement is %q: en or es", g.Language)
	case g.Head.Size < 1 || g.Head.Size > d.Size:
		return invalid("signature.head.size", "bad-head", "the log has %d records, not %d", d.Size, g.Head.Size)
	case d.facts.Roots[g.Head.Size] != g.Head.Root:
		return invalid("signature.head.root", "bad-head", "the root does not belong to the log at size %d", g.Head.Size)
	}
	return nil
}

// covered fills in the records relied on, as far as the signer saw them.
func (d *deciding) covered(g *Signature, seqs []int64) (Signature, error) {
	out := *g
	out.Covers = nil
	for _, seq := range seqs {
		if seq < 1 || seq > g.Head.Size {
			continue
		}
		leaf, ok := d.facts.Leaves[seq]
		if !ok {
			return out, fmt.Errorf("the leaf of record %d is missing among the facts", seq)
		}
		out.Covers = append(out.Covers, Cover{Leaf: leaf, Seq: seq})
	}
	return out, nil
}

// relied lists the records a signature about the case relies on, at most maxCovers.
func (d *Deviation) relied() []int64 {
	seqs := []int64{d.OpenedSeq}
	if d.First != nil {
		seqs = append(seqs, d.First.Seq)
	}
	if d.Worst != nil {
		seqs = append(seqs, d.Worst.Seq)
	}
	if d.Retest != nil {
		seqs = append(seqs, d.Retest.Seq)
	}
	for _, p := range d.Parts {
		if !p.Stale {
			seqs = append(seqs, p.Seq)
		}
	}
	slices.Sort(seqs)
	seqs = slices.Compact(seqs)
	return seqs[:min(len(seqs), maxCovers)]
}

// reliedFor adds to what every part relies on the reading that proves a missed check taken in time.
func (s *State) reliedFor(c *Deviation, part string) []int64 {
	seqs := c.relied()
	if part == PartTakenInTime {
		if t, ok := s.takenInTime(c); ok {
			seqs = append(seqs, t.Seq)
			slices.Sort(seqs)
			seqs = slices.Compact(seqs)
		}
	}
	return seqs
}

const maxCovers = 50

// signPart decides a signed part of a case (RULES 5.6, 5.7).
func (d *deciding) signPart(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*SignPart)
	if !ok {
		return wrongAsk(d.cmd)
	}
	c, ok := d.deviations.get(ask.Deviation)
	if !ok {
		return refuse(ErrNotFound, "deviation", "unknown-case", "there is no open case %q", ask.Deviation)
	}
	if err := d.checkSignature(&ask.Signature, ask.Part); err != nil {
		return err
	}
	if c.Touched > ask.Signature.Head.Size {
		return refuse(ErrConflict, "signature.head", "changed-since", "this case changed since you looked (record %d): look again before you sign", c.Touched)
	}
	v := d.numbered(c.PlanVersion)
	if err := d.checkPart(c, ask, v); err != nil {
		return err
	}
	sig, err := d.covered(&ask.Signature, d.reliedFor(c, ask.Part))
	if err != nil {
		return err
	}
	body := ask.DeviationSigned
	body.Signature, body.Case, body.EffectDue = sig, nil, time.Time{}
	d.complete(c, &body, v)
	err = d.emit(&Event{Kind: KindDeviationSigned, About: []string{"deviation:" + c.Deviation}, Body: &body, At: d.now, AtKnown: AtServer})
	if err != nil || body.Effective == nil || *body.Effective || !c.IsClosed {
		return err
	}
	return d.emit(&Event{Kind: KindDeviationReopened, At: d.now, AtKnown: AtServer, About: []string{"deviation:" + c.Deviation},
		Body: &DeviationReopened{Because: BecauseNotEffective, Deviation: c.Deviation}})
}

// complete fills in what the service itself knows about a signed part.
func (d *deciding) complete(c *Deviation, b *DeviationSigned, v *version) {
	switch b.Part {
	case plan.CauseAndAction:
		after := defaultEffectiveness
		if r := v.classes[c.Class]; r != nil && !r.EffectivenessAfter.IsZero() {
			after = r.EffectivenessAfter.Std()
		}
		b.EffectDue = d.now.Add(after)
	case plan.Closed, PartTakenInTime:
		b.Case = &CaseFacts{Begin: c.Now.Begin, End: c.Now.End, WidestBegin: c.Widest.Begin, WidestEnd: c.Widest.End,
			First: factsOf(c.First), Worst: factsOf(c.Worst), Retest: factsOf(c.Retest), Fixes: c.Fixes, FixedBy: c.FixedBy, Loggers: c.Loggers, Lots: c.Lots}
	}
}

// defaultEffectiveness is when the effect of a corrective action is checked if the plan does not say.
const defaultEffectiveness = 30 * 24 * time.Hour

// closingParts are what closing needs, if the plan does not say otherwise (RULES 5.6).
var closingParts = []string{plan.ControlRestored, plan.ProductEvaluated, plan.CauseAndAction}

// checkPart refuses a part signed by the wrong role, twice, too early or without its content.
func (d *deciding) checkPart(c *Deviation, ask *SignPart, v *version) error {
	if c.IsClosed && ask.Part != plan.Effectiveness {
		return refuse(ErrConflict, "", "closed-already", "this case is closed")
	}
	if err := d.checkPartRole(c, ask.Part, v); err != nil {
		return err
	}
	if c.Part(ask.Part) != nil {
		return refuse(ErrConflict, "part", "signed-already", "this part is signed already")
	}
	switch ask.Part {
	case plan.ControlRestored:
		return checkRestored(c, ask)
	case plan.ProductEvaluated:
		if err := checkProduct(ask.Product); err != nil {
			return err
		}
		return d.checkCure(c, ask.Product.CuredBy, v)
	case plan.CauseAndAction:
		return wanted("cause", ask.Cause, "action", ask.Action)
	case plan.Effectiveness:
		return checkEffect(c, ask)
	case PartFixOnly:
		return checkFixOnly(c, ask)
	case PartTakenInTime:
		return d.checkTakenInTime(c)
	case plan.Closed:
		return d.checkClosing(c, v)
	}
	return invalid("part", "unknown-part", "a case has no part %q", ask.Part)
}

func (d *deciding) checkPartRole(c *Deviation, part string, v *version) error {
	roles := []string{RoleManager}
	if r := v.classes[c.Class]; r != nil {
		for _, p := range r.Closing {
			if p.Part == part {
				roles = p.Roles
			}
		}
	}
	if !slices.Contains(roles, d.cmd.By.Role) {
		return refuse(ErrForbidden, "part", "role-may-not-sign", "this part is signed by: %s", strings.Join(roles, ", "))
	}
	return nil
}

// wanted refuses empty texts; pairs are field and text.
func wanted(pairs ...string) error {
	for i := 0; i < len(pairs); i += 2 {
		if strings.TrimSpace(pairs[i+1]) == "" {
			return invalid(pairs[i], "missing", "%s must be filled in", pairs[i])
		}
		if len(pairs[i+1]) > maxText {
			return invalid(pairs[i], "too-long", "%s is longer than %d characters", pairs[i], maxText)
		}
	}
	return nil
}

func checkRestored(c *Deviation, ask *SignPart) error {
	if c.Point != "" && c.open() {
		return stillOutside()
	}
	return wanted("restored", ask.Restored)
}

func stillOutside() error {
	return refuse(ErrConflict, "part", "still-outside", "no reading shows control restored yet: carry out the fix, wait the mixing time and test again")
}

func checkProduct(p *Product) error {
	if p == nil {
		return invalid("product", "missing", "say which product was affected, or that none was exposed and what shows it")
	}
	if p.Mass != nil {
		if err := checkMeasure("product.mass", p.Mass, quantity.Mass); err != nil {
			return err
		}
	}
	if !p.Exposed {
		return wanted("product.evidence", p.Evidence)
	}
	if len(p.Codes) == 0 && strings.TrimSpace(p.Description) == "" {
		return invalid("product.codes", "missing", "name the product: codes or a description")
	}
	if p.Mass == nil {
		return invalid("product.mass", "missing", "give the mass affected")
	}
	return wanted("product.held_where", p.HeldWhere, "product.evaluation", p.Evaluation, "product.outcome", p.Outcome)
}

// checkCure refuses a later bath as ground of an evaluation unless the plan says, with its basis, that it makes
// good what this one lacked, and its readings show it inside all the while and after (RULES 3.4).
func (d *deciding) checkCure(c *Deviation, later string, v *version) error {
	const field = "product.cured_by"
	switch {
	case later == "":
		return nil
	case v.Plan.Cures(c.Point, c.Place, later) == nil:
		return refuse(ErrConflict, field, "no-cure", "the plan does not say that %s makes good what %s lacked: a later bath never cures an earlier one without its basis in the plan", later, c.Place)
	}
	ser, ok := d.series.get(key(c.Point, later))
	if !ok || c.open() || c.Widest.Begin.Before(ser.Window.From) {
		return unprovedCure(later)
	}
	_, before := ser.Window.LastInside(c.Widest.Begin)
	after, then := ser.Window.NextInside(c.Widest.End)
	touches := func(x control.Excursion) bool { return x.Touches(c.Widest.Begin, after.At) }
	if !before || !then || slices.ContainsFunc(ser.Window.Excursions(*d.context(ser, coming{}, Facts{})), touches) {
		return unprovedCure(later)
	}
	return nil
}

func unprovedCure(later string) error {
	return refuse(ErrConflict, "product.cured_by", "cure-unproved", "the readings do not show %s inside its limits before, during and after the span: it makes nothing good", later)
}

func checkEffect(c *Deviation, ask *SignPart) error {
	if c.Part(plan.CauseAndAction) == nil {
		return refuse(ErrConflict, "part", "too-early", "the effect is checked after the corrective action is signed")
	}
	if ask.Effective == nil {
		return invalid("effective", "missing", "was the corrective action effective: true or false?")
	}
	return wanted("reason", ask.Reason)
}

func checkFixOnly(c *Deviation, ask *SignPart) error {
	if c.Critical {
		return refuse(ErrConflict, "part", "critical-wants-action", "a critical limit was touched: a corrective action is needed, the immediate fix alone does not close it")
	}
	return wanted("reason", ask.Reason)
}

// checkTakenInTime allows one signature to close a missed check that was in fact taken in time.
func (d *deciding) checkTakenInTime(c *Deviation) error {
	if c.Ground != GroundMiss {
		return refuse(ErrConflict, "part", "not-a-miss", "this case was not opened by a missed check")
	}
	if err := d.checkApart(c); err != nil {
		return err
	}
	if _, ok := d.takenInTime(c); !ok {
		return refuse(ErrConflict, "part", "not-taken-in-time", "no reading proves by a device's stamp that the check was taken in time and inside its limits")
	}
	return nil
}

// takenInTime finds the reading that proves, by stamp, that a missed check was taken in its window and inside.
func (s *State) takenInTime(c *Deviation) (TakenAt, bool) {
	for _, cs := range s.checks.all() {
		if cs.Place != c.Place {
			continue
		}
		for _, m := range cs.Misses {
			if m.ID != c.OpenedBy {
				continue
			}
			for t := range cs.Taken.all() {
				if t.Proved && !t.At.Before(m.From) && !t.At.After(m.Until) && (t.Worst == "inside" || t.Worst == "act") {
					return *t, true
				}
			}
		}
	}
	return TakenAt{}, false
}

// checkClosing refuses closing while a part is missing, or by somebody who logged one of its readings or
// carried out a fix.
func (d *deciding) checkClosing(c *Deviation, v *version) error {
	if missing := c.Missing(v.Plan); len(missing) > 0 {
		r := refuse(ErrConflict, "part", "parts-missing", "before closing these parts want a signature: %s", strings.Join(missing, ", "))
		r.Items = missing
		return r
	}
	if c.Point != "" && c.open() {
		return stillOutside()
	}
	return d.checkApart(c)
}

// checkApart refuses closing by whoever logged one of the case's readings or carried out a fix.
func (d *deciding) checkApart(c *Deviation) error {
	by := d.cmd.By.ID
	if slices.Contains(c.Loggers, by) {
		return refuse(ErrForbidden, "", "logged-reading", "whoever logged one of its readings does not close the case")
	}
	if slices.Contains(c.FixedBy, by) {
		return refuse(ErrForbidden, "", "did-fix", "whoever carried out the fix does not close the case")
	}
	return nil
}

// Missing lists the parts that closing still wants, by the plan that judged the case.
func (d *Deviation) Missing(p *plan.Plan) []string {
	var out []string
	for _, part := range d.wants(p) {
		if d.Part(part) != nil || (part == plan.CauseAndAction && !d.Critical && d.Part(PartFixOnly) != nil) {
			continue
		}
		out = append(out, part)
	}
	return out
}

func (d *Deviation) wants(p *plan.Plan) []string {
	if d.Critical || p == nil {
		return closingParts
	}
	for _, r := range p.Classes {
		if r.Class != d.Class {
			continue
		}
		var out []string
		for _, c := range r.Closing {
			if slices.Contains(closingParts, c.Part) {
				out = append(out, c.Part)
			}
		}
		return out
	}
	return closingParts
}

// signPlan puts a plan version in force.
func (d *deciding) signPlan(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*SignPlan)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if ask.Plan == nil {
		return invalid("plan", "missing", "the plan is missing")
	}
	if err := d.checkSignature(&ask.Signature, MeaningPlan); err != nil {
		return err
	}
	if err := wanted("reason", ask.Reason); err != nil {
		return err
	}
	from := ask.From.UTC().Truncate(time.Millisecond)
	if ask.From.IsZero() {
		from = d.now
	}
	first := len(d.Plans) == 0
	switch {
	case ask.Plan.Site != d.Site.Site:
		return invalid("plan.site", "wrong-site", "the plan is for the site %q, this log for %q", ask.Plan.Site, d.Site.Site)
	case ask.Plan.Demo && !d.Site.Demo:
		return invalid("plan.demo", "demo-plan", "a plan with invented limits is accepted only by a site founded as demo")
	case d.planSeq > ask.Signature.Head.Size:
		return refuse(ErrConflict, "signature.head", "changed-since", "another plan version was signed since you looked (record %d): look again before you sign", d.planSeq)
	case !first && from.Before(d.now):
		return invalid("from", "in-past", "only a site's first plan may start in the past: this one takes effect now or later")
	}
	if _, err := d.zones(ask.Plan.Zone); err != nil {
		return invalid("plan.zone", "unknown-zone", "%q is no time zone of the IANA data base", ask.Plan.Zone)
	}
	sig, err := d.covered(&ask.Signature, nil)
	if err != nil {
		return err
	}
	return d.emit(&Event{Kind: KindPlanSigned, About: []string{"plan"}, At: d.now, AtKnown: AtServer,
		Body: &PlanSigned{From: from, Plan: ask.Plan, Reason: ask.Reason, Signature: sig, Source: ask.Source, Version: len(d.Plans) + 1}})
}

// review decides a signed review of records.
func (d *deciding) review(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*Review)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := d.checkSignature(&ask.Signature, MeaningReviewed); err != nil {
		return err
	}
	if ask.To-ask.From >= maxReviewed {
		return invalid("to", "review-too-long", "one review covers at most %d records: review them in parts", maxReviewed)
	}
	if ask.From < 1 || ask.To < ask.From || ask.To > ask.Signature.Head.Size {
		return invalid("to", "bad-range", "a review covers records that you were shown: from 1 or later up to the head")
	}
	if d.changedAfter(ReviewSpan{ask.From, ask.To}, ask.Signature.Head.Size) {
		return refuse(ErrConflict, "signature.head", "changed-since", "a record under review was changed after the head you were shown: look again before you sign")
	}
	if err := d.checkReviewer(ReviewSpan{ask.From, ask.To}); err != nil {
		return err
	}
	if len(ask.Findings) > maxText {
		return invalid("findings", "too-long", "the findings are longer than %d characters", maxText)
	}
	body := ask.Reviewed
	sig, err := d.covered(&ask.Signature, []int64{ask.From, ask.To})
	if err != nil {
		return err
	}
	body.Signature = sig
	return d.emit(&Event{Kind: KindReviewed, About: []string{"review"}, At: d.now, AtKnown: AtServer, Body: &body})
}

// acceptTime decides the manager's signature for a typed time.
func (d *deciding) acceptTime(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*AcceptTime)
	if !ok {
		return wrongAsk(d.cmd)
	}
	t := targetOf(ask.Target, d.facts)
	if t == nil || t.event.Kind != KindReading {
		return refuse(ErrNotFound, "target", "unknown-report", "there is no reading %q", ask.Target)
	}
	if err := d.checkSignature(&ask.Signature, MeaningTime); err != nil {
		return err
	}
	switch {
	case t.voided:
		return refuse(ErrConflict, "target", "voided", "this reading is void")
	case t.event.AtKnown != AtTyped:
		return refuse(ErrConflict, "target", "not-typed", "the time of this reading was not typed")
	case t.accepted:
		return refuse(ErrConflict, "target", "accepted-already", "the time of this reading is accepted already")
	case t.event.By.ID == d.cmd.By.ID:
		return refuse(ErrForbidden, "", "own-report", "nobody accepts the time of a reading of their own")
	case d.lastChange(t) > ask.Signature.Head.Size:
		return refuse(ErrConflict, "signature.head", "changed-since", "this reading was recorded or changed after the head you were shown: look again before you sign")
	}
	if err := wanted("reason", ask.Reason); err != nil {
		return err
	}
	sig, err := d.covered(&ask.Signature, []int64{t.event.Seq})
	if err != nil {
		return err
	}
	return d.emit(&Event{Kind: KindTimeAccepted, About: slices.Clone(t.event.About), At: t.event.At, AtKnown: t.event.AtKnown,
		Amends: ask.Target, Body: &TimeAccepted{Reason: ask.Reason, Signature: sig, Target: ask.Target}})
}
