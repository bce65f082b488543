package haccp

import (
	"fmt"
	"slices"
	"strings"

	"linewarden/haccp/plan"
)

// The meanings of signatures about lots; that on a disposition is "lot-" and its outcome.
const (
	MeaningLotEvaluated = "lot-evaluated"
	MeaningLotReviewed  = "lot-reviewed"
	MeaningLotPrefix    = "lot-"
)

// What an evaluation decides.
const (
	EvaluatedNoEffect = "no-effect" // the cause did not reach the lot in fact
	EvaluatedFit      = "fit"       // it did, and the lot is fit all the same
	EvaluatedUnfit    = "not-fit"
)

// signedLot finds the lot of a signature and refuses one given for an older state of it.
func (d *deciding) signedLot(code string, g *Signature, meaning string) (*LotState, error) {
	l := d.knownLot(code, d.facts)
	if l == nil {
		return nil, refuse(ErrNotFound, "lot", "unknown-lot", "there is no lot %q", code)
	}
	if err := d.checkSignature(g, meaning); err != nil {
		return nil, err
	}
	if l.Touched > g.Head.Size {
		return nil, refuse(ErrConflict, "signature.head", "changed-since", "this lot changed since you looked (record %d): look again before you sign", l.Touched)
	}
	return l, nil
}

// signedFor lists the records a signature about a lot relies on.
func (l *LotState) signedFor() []int64 { return l.Seqs[max(0, len(l.Seqs)-maxCovers):] }

// emitSigned records a signature about a lot.
func (d *deciding) emitSigned(kind string, body any, about ...string) error {
	return d.emit(&Event{Kind: kind, At: d.now, AtKnown: AtServer, About: append(aboutLots(body), about...), Body: body})
}

// lotHold decides a hold that a person puts on lots.
func (d *deciding) lotHold(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*LotHeld)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if len(ask.Lots) == 0 || len(ask.Lots) > maxLots {
		return invalid("lots", "bad-lots", "name 1 to %d lots", maxLots)
	}
	if err := wanted("reason", ask.Reason); err != nil {
		return err
	}
	b := &LotHeld{Reason: ask.Reason}
	for i := range ask.Lots {
		code := ask.Lots[i].Lot
		l := d.knownLot(code, d.facts)
		if l == nil {
			return refuse(ErrNotFound, fmt.Sprintf("lots[%d]", i), "unknown-lot", "there is no lot %q", code)
		}
		x := l.Disposed()
		b.Lots = append(b.Lots, HeldLot{Lot: code, How: "by a person", Released: x != nil && x.Body.Outcome == plan.Release})
	}
	slices.SortFunc(b.Lots, func(x, y HeldLot) int { return compareStrings(x.Lot, y.Lot) })
	b.Lots = slices.CompactFunc(b.Lots, func(x, y HeldLot) bool { return x.Lot == y.Lot })
	return d.emitSigned(KindLotHeld, b)
}

// lotEvaluate decides the signed evaluation of a lot under a case, of a gap in its evidence, or of what was odd
// about its reports.
func (d *deciding) lotEvaluate(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*LotEvaluated)
	if !ok {
		return wrongAsk(d.cmd)
	}
	l, err := d.signedLot(ask.Lot, &ask.Signature, MeaningLotEvaluated)
	if err != nil {
		return err
	}
	if err := d.checkRoleFor(d.evaluators(ask)); err != nil {
		return err
	}
	if err := wanted("facts", ask.Facts, "basis", ask.Basis); err != nil {
		return err
	}
	if !slices.Contains([]string{EvaluatedNoEffect, EvaluatedFit, EvaluatedUnfit}, ask.Decision) {
		return invalid("decision", "bad-decision", "the decision is no-effect, fit or not-fit")
	}
	if ask.Point != "" && d.everPoint(ask.Point) == nil {
		return invalid("point", "unknown-point", "no plan version of this site has a point %q", ask.Point)
	}
	body := *ask
	if body.Signature, err = d.covered(&ask.Signature, l.signedFor()); err != nil {
		return err
	}
	var about []string
	if body.Deviation != "" {
		if err := checkCode("deviation", body.Deviation); err != nil {
			return err
		}
		about = append(about, "deviation:"+body.Deviation)
	}
	return d.emitSigned(KindLotEvaluated, &body, about...)
}

// evaluators are the roles that may sign "product evaluated" of the case, a manager where there is none.
func (d *deciding) evaluators(ask *LotEvaluated) []string {
	if c, ok := d.deviations.get(ask.Deviation); ok {
		if v := d.numbered(c.PlanVersion); v != nil && v.classes[c.Class] != nil {
			for _, p := range v.classes[c.Class].Closing {
				if p.Part == plan.ProductEvaluated {
					return p.Roles
				}
			}
		}
	}
	return []string{RoleManager}
}

func (d *deciding) checkRoleFor(roles []string) error {
	if !slices.Contains(roles, d.cmd.By.Role) {
		return refuse(ErrForbidden, "", "role-may-not-sign", "this is signed by: %s", strings.Join(roles, ", "))
	}
	return nil
}

// lotReview decides the signed review of a lot's records, by somebody who reported none of them.
func (d *deciding) lotReview(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*LotReviewed)
	if !ok {
		return wrongAsk(d.cmd)
	}
	l, err := d.signedLot(ask.Lot, &ask.Signature, MeaningLotReviewed)
	if err != nil {
		return err
	}
	if slices.Contains(l.People, d.cmd.By.ID) {
		return refuse(ErrForbidden, "", "own-report", "nobody reviews records of their own: another person must")
	}
	if err := short("findings", ask.Findings); err != nil {
		return err
	}
	body := *ask
	if body.Signature, err = d.covered(&ask.Signature, l.signedFor()); err != nil {
		return err
	}
	return d.emitSigned(KindLotReviewed, &body)
}

// lotDispose decides one signature on what becomes of a lot.
func (d *deciding) lotDispose(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*LotDisposed)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if !slices.Contains(plan.Outcomes(), ask.Outcome) {
		return invalid("outcome", "bad-outcome", "the outcome is one of: %s", strings.Join(plan.Outcomes(), ", "))
	}
	l, err := d.signedLot(ask.Lot, &ask.Signature, MeaningLotPrefix+ask.Outcome)
	if err != nil {
		return err
	}
	if err := d.checkDispose(l, ask); err != nil {
		return err
	}
	body := *ask
	body.Covers = nil
	for _, t := range d.touches(l.Code) {
		body.Covers = append(body.Covers, CaseOver{Deviation: t.Cause, From: t.From, To: t.To})
	}
	for _, h := range l.Standing() { // held, and as the facts stand no longer affected
		if h.Deviation != "" && !slices.ContainsFunc(body.Covers, func(c CaseOver) bool { return c.Deviation == h.Deviation }) {
			body.Covers = append(body.Covers, CaseOver{Deviation: h.Deviation, From: h.From, To: h.To})
		}
	}
	slices.SortFunc(body.Covers, func(x, y CaseOver) int { return compareStrings(x.Deviation, y.Deviation) })
	if body.Signature, err = d.covered(&ask.Signature, l.signedFor()); err != nil {
		return err
	}
	return d.emitSigned(KindLotDisposed, &body)
}

func (d *deciding) checkDispose(l *LotState, ask *LotDisposed) error {
	p := &plan.Plan{}
	if v := d.versionAt(d.now); v != nil {
		p = v.Plan
	}
	if err := d.checkRoleFor(p.Disposition(ask.Outcome).Roles); err != nil {
		return err
	}
	x := l.Disposed()
	switch state := l.State(); {
	case state == LotShippedAs || x != nil && x.Body.Outcome != plan.Release:
		return refuse(ErrConflict, "", "disposed-already", "this lot is %s already", state)
	case x != nil && ask.Outcome == plan.Release && state == LotReleased:
		return refuse(ErrConflict, "", "disposed-already", "this lot is released already")
	}
	if n := len(l.Signed); n > 0 && !l.Signed[n-1].Effective && l.Signed[n-1].Body.Outcome == ask.Outcome && l.Signed[n-1].By.ID == d.cmd.By.ID {
		return refuse(ErrConflict, "", "signed-already", "you signed this already: another person must sign too")
	}
	if err := wanted("reason", ask.Reason); err != nil {
		return err
	}
	if err := checkMass("mass", ask.Mass); err != nil {
		return err
	}
	switch ask.Outcome {
	case plan.Rework:
		return checkCode("into", ask.Into)
	case plan.Divert, plan.Destroy:
		if ask.Mass == nil {
			return invalid("mass", "missing", "give the mass")
		}
		return wanted("where", ask.Where)
	}
	return d.checkRelease(l, ask)
}

// checkRelease refuses a release while anything is missing, item by item (RULES 6.2).
func (d *deciding) checkRelease(l *LotState, ask *LotDisposed) error {
	var missing []string
	for _, m := range d.Missing(l, d.facts, d.now) {
		missing = append(missing, m.String())
	}
	for _, c := range d.NotChecked(d.now) {
		if !slices.Contains(ask.Confirmed, c) {
			missing = append(missing, "not checked by the system, to be confirmed by signature: "+c)
		}
	}
	if len(missing) == 0 {
		return nil
	}
	r := refuse(ErrConflict, "", "release-lacks", "the lot may not be released yet: %s", strings.Join(missing, "; "))
	r.Items = missing
	return r
}

// lotShip decides the asking for leave to ship: only what is released and not on hold leaves.
func (d *deciding) lotShip(_ []Finding) error {
	b, ok := d.cmd.Ask.(*LotShipped)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := checkShipped(b); err != nil {
		return err
	}
	l := d.knownLot(b.Lot, d.facts)
	if l == nil {
		return refuse(ErrNotFound, "lot", "unknown-lot", "there is no lot %q", b.Lot)
	}
	if state := l.State(); state != LotReleased {
		return refuse(ErrConflict, "lot", "not-released", "this lot is %s: only a released lot may leave", state)
	}
	own := *b
	own.Asked = true
	return d.emitSigned(KindLotShipped, &own)
}

// lotShipped decides the report of a shipment that has taken place; without release it is the loudest finding.
func (d *deciding) lotShipped(findings []Finding) error {
	b, ok := d.cmd.Ask.(*LotShipped)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := checkShipped(b); err != nil {
		return err
	}
	if l := d.knownLot(b.Lot, d.facts); l == nil {
		findings = append(findings, Finding{FindingUnknownLot, map[string]string{"lot": b.Lot}})
	} else if l.State() != LotReleased {
		findings = append(findings, Finding{FindingNotReleased, map[string]string{"lot": b.Lot, "state": l.State()}})
	}
	own := *b
	own.Asked = false
	return d.report(KindLotShipped, &own, findings, aboutLots(b)...)
}

func checkShipped(b *LotShipped) error {
	if err := checkCode("lot", b.Lot); err != nil {
		return err
	}
	if err := wanted("consignee.name", b.Consignee.Name); err != nil {
		return err
	}
	if len(b.Boxes) == 0 && b.Mass == nil {
		return invalid("boxes", "missing", "name the boxes or the mass")
	}
	if err := checkBoxes(b.Boxes); err != nil {
		return err
	}
	if err := checkMass("mass", b.Mass); err != nil {
		return err
	}
	if err := checkDocument(b.Document); err != nil {
		return err
	}
	return short("carrier", b.Carrier, "note", b.Note, "consignee.address", b.Consignee.Address, "consignee.phone", b.Consignee.Phone)
}
