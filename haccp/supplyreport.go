package haccp

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"linewarden/haccp/instrument"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// The meanings of signatures about materials.
const (
	MeaningMaterialApproved = "material-approved"
	MeaningMaterialRejected = "material-rejected"
)

// Findings about materials and instruments that are about the report itself.
const (
	FindingNoAmount      = "amount-not-stated"
	FindingMaterialKnown = "material-lot-known-already"
)

// maxPoints bounds the points of a check of an instrument.
const maxPoints = 20

func (s *State) everMaterial(id string) *plan.Material {
	return ever(s, func(v *version) *plan.Material { return v.Plan.Material(id) })
}

func (s *State) everInstrument(id string) *plan.Instrument {
	return ever(s, func(v *version) *plan.Instrument { return v.Plan.Instrument(id) })
}

// checkAmount refuses what is no amount of a material.
func checkAmount(field string, v *quantity.Value) error {
	if v == nil {
		return nil
	}
	if _, err := material.AmountOf(*v); err != nil {
		return invalid(field, "bad-amount", "an amount is one number of kg, L or pieces, or another unit of mass or volume")
	}
	return nil
}

// materialReceived decides the report of a delivery.
func (d *deciding) materialReceived(findings []Finding) error {
	b, ok := d.cmd.Ask.(*material.Received)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := d.checkMaterial(b); err != nil {
		return err
	}
	if l, known := d.materials.get(b.Lot); known && len(l.Receipts) > 0 {
		findings = append(findings, Finding{FindingMaterialKnown, map[string]string{"material_lot": b.Lot}})
	}
	if b.Quantity == nil {
		findings = append(findings, Finding{Code: FindingNoAmount})
	}
	return d.report(KindMaterialReceived, b, findings)
}

func (d *deciding) checkMaterial(b *material.Received) error {
	if err := checkCode("lot", b.Lot); err != nil {
		return err
	}
	if d.everMaterial(b.Material) == nil {
		return invalid("material", "unknown-material", "no plan version of this site has a material %q", b.Material)
	}
	if err := wanted("supplier", b.Supplier); err != nil {
		return err
	}
	if err := checkAmount("quantity", b.Quantity); err != nil {
		return err
	}
	if err := checkDate("expiry", b.Expiry); err != nil {
		return err
	}
	if c := b.Certificate; c != nil {
		if err := checkHash("certificate.hash", c.Hash); err != nil {
			return err
		}
		if err := wanted("certificate.name", c.Name); err != nil {
			return err
		}
	}
	if x := b.Strength; x != nil {
		if _, err := x.Product(); err != nil {
			return invalid("strength", "bad-strength", "%v", err)
		}
		if err := checkDate("strength.on", x.On); err != nil {
			return err
		}
		if x.On == "" {
			return invalid("strength.on", "missing", "%s must be filled in", "strength.on")
		}
	}
	return short("note", b.Note, "supplier_lot", b.SupplierLot)
}

func checkDate(field string, x plan.Date) error {
	if _, ok := x.Time(); x != "" && !ok {
		return invalid(field, "bad-date", "%q is no date: write YYYY-MM-DD", string(x))
	}
	return nil
}

func checkHash(field, hash string) error {
	if len(hash) != 64 || strings.Trim(hash, "0123456789abcdef") != "" {
		return invalid(field, "bad-hash", "the hash must be 64 hexadecimal digits (SHA-256)")
	}
	return nil
}

// materialCounted decides the report of a stock as counted.
func (d *deciding) materialCounted(findings []Finding) error {
	b, ok := d.cmd.Ask.(*material.Counted)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := d.checkCounted(b); err != nil {
		return err
	}
	if l, known := d.materials.get(b.Lot); !known || len(l.Receipts) == 0 {
		findings = append(findings, Finding{material.Unknown, map[string]string{"material_lot": b.Lot}})
	}
	return d.report(KindMaterialCounted, b, findings)
}

func (d *deciding) checkCounted(b *material.Counted) error {
	if err := checkCode("lot", b.Lot); err != nil {
		return err
	}
	if err := checkAmount("quantity", &b.Quantity); err != nil {
		return err
	}
	return wanted("reason", b.Reason)
}

// materialRuled decides the signed approval or rejection of a lot of a material.
func (d *deciding) materialRuled(_ []Finding) error {
	ask, ok := d.cmd.Ask.(*MaterialRuled)
	if !ok {
		return wrongAsk(d.cmd)
	}
	l, known := d.materials.get(ask.Lot)
	if !known || len(l.Receipts) == 0 {
		return refuse(ErrNotFound, "lot", "unknown-material-lot", "no lot %q of a material was received", ask.Lot)
	}
	approve := d.cmd.Kind == AskMaterialApprove
	kind, meaning := KindMaterialRejected, MeaningMaterialRejected
	if approve {
		kind, meaning = KindMaterialApproved, MeaningMaterialApproved
	}
	if err := d.checkSignature(&ask.Signature, meaning); err != nil {
		return err
	}
	if l.Judged > ask.Signature.Head.Size {
		return refuse(ErrConflict, "signature.head", "changed-since", "this lot changed since you looked (record %d): look again before you sign", l.Judged)
	}
	m, err := d.ruledMaterial(l)
	if err != nil {
		return err
	}
	if err := d.checkRoleFor(m.Approvers()); err != nil {
		return err
	}
	if err := wanted("reason", ask.Reason); err != nil {
		return err
	}
	if err := d.checkRuling(l, m, approve); err != nil {
		return err
	}
	body := *ask
	body.Material = l.Material()
	if body.Signature, err = d.covered(&ask.Signature, rulingRests(l)); err != nil {
		return err
	}
	return d.emit(&Event{Kind: kind, At: d.now, AtKnown: AtServer, Body: &body})
}

// ruledMaterial is the material of a lot as the plan in force has it, or last had it.
func (d *deciding) ruledMaterial(l *material.Lot) (*plan.Material, error) {
	if v := d.versionAt(d.now); v != nil {
		if m := v.Plan.Material(l.Material()); m != nil {
			return m, nil
		}
	}
	if m := d.everMaterial(l.Material()); m != nil {
		return m, nil
	}
	return nil, refuse(ErrConflict, "lot", "unknown-material", "no plan version of this site has a material %q", l.Material())
}

// checkRuling refuses an approval that lacks what the plan asks for, and a ruling that holds already.
func (d *deciding) checkRuling(l *material.Lot, m *plan.Material, approve bool) error {
	last := len(l.Rulings) - 1
	if last >= 0 && l.Rulings[last].Approved == approve && l.Rulings[last].Seq == l.Judged {
		return refuse(ErrConflict, "lot", "ruled-already", "this was signed already, and nothing has changed since")
	}
	if !approve {
		return nil
	}
	switch x := l.Expiry(); {
	case m.Certificate && !l.Certified():
		return refuse(ErrConflict, "lot", "certificate-missing", "no certificate of analysis was received with this lot: report it with the delivery first")
	case m.Expires && x == "":
		return refuse(ErrConflict, "lot", "expiry-missing", "the last day on which this lot may be used is not known: report it with the delivery first")
	case x != "" && x < d.DayOf(d.now):
		return refuse(ErrConflict, "lot", "expired", "this lot expired on %s", string(x))
	}
	return nil
}

// rulingRests lists the records that a signature about a lot of a material relies on.
func rulingRests(l *material.Lot) []int64 {
	var out []int64
	for _, r := range l.Receipts {
		out = append(out, r.Seq)
	}
	return out[max(0, len(out)-maxCovers):]
}

// rulingNeeds asks for what a signature about a lot of a material is held against, and for the leaves it relies on.
func (s *State) rulingNeeds(ask *MaterialRuled, f Facts) Need {
	need := signatureNeeds(&ask.Signature, f)
	if l, ok := s.materials.get(ask.Lot); ok {
		need = merge(need, leafNeeds(rulingRests(l), ask.Signature.Head.Size, f))
	}
	return need
}

// DayOf is the day of a moment at the site, by the zone of the plan in force then.
func (s *State) DayOf(at time.Time) plan.Date {
	zone := s.Zone()
	if v := s.versionAt(at); v != nil {
		zone = v.zone
	}
	return plan.Date(at.In(zone).Format(time.DateOnly))
}

// instrumentChecked decides the report of a check of an instrument.
func (d *deciding) instrumentChecked(findings []Finding) error {
	b, ok := d.cmd.Ask.(*instrument.Checked)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := d.checkChecked(b); err != nil {
		return err
	}
	return d.report(KindInstrumentChecked, b, findings)
}

func (d *deciding) checkChecked(b *instrument.Checked) error {
	if d.everInstrument(b.Instrument) == nil {
		return unknownInstrument(b.Instrument)
	}
	if !slices.Contains(instrument.Results(), b.Result) {
		return invalid("result", "bad-result", "the result is pass, fail or adjusted")
	}
	if !b.NextDue.IsZero() && !b.NextDue.After(d.cmd.At) {
		return invalid("next_due", "bad-next-due", "the next check cannot be due before this one was made")
	}
	if len(b.Points) > maxPoints {
		return invalid("points", "too-many", "a check has at most %d points", maxPoints)
	}
	for i := range b.Points {
		p, field := &b.Points[i], fmt.Sprintf("points[%d]", i)
		q, err := quantity.Get(quantity.ID(p.Quantity))
		if err != nil {
			return invalid(field+".quantity", "unknown-quantity", "%v", err)
		}
		for _, x := range []struct {
			name  string
			value *quantity.Value
		}{{".found", &p.Found}, {".reference", &p.Reference}, {".left", p.Left}} {
			if x.value == nil {
				continue
			}
			if err := q.Check(*x.value); err != nil {
				return valueRefusal(field+x.name, err)
			}
		}
	}
	return short("note", b.Note, "standard", b.Standard)
}

func unknownInstrument(id string) error {
	return invalid("instrument", "unknown-instrument", "no plan version of this site has an instrument %q", id)
}

// instrumentService decides the report of an instrument taken out of service or put back.
func (d *deciding) instrumentService(findings []Finding) error {
	b, ok := d.cmd.Ask.(*instrument.Service)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if d.everInstrument(b.Instrument) == nil {
		return unknownInstrument(b.Instrument)
	}
	if d.cmd.Kind == KindInstrumentOut {
		if err := wanted("reason", b.Reason); err != nil {
			return err
		}
	}
	if err := short("note", b.Note, "reason", b.Reason); err != nil {
		return err
	}
	return d.report(d.cmd.Kind, b, findings)
}

// amendedSupply checks the new body of a report about a material or an instrument. A later expiry, and a check that
// failed and now passes, make things look better.
func (d *deciding) amendedSupply(t *target, body any) (*amended, error) {
	switch n := body.(type) {
	case *material.Received:
		old, ok := t.body.(*material.Received)
		if !ok || old.Material != n.Material {
			return nil, otherKeys()
		}
		return &amended{body: n, better: n.Expiry == "" && old.Expiry != "" || n.Expiry > old.Expiry && old.Expiry != ""}, d.checkMaterial(n)
	case *material.Counted:
		return &amended{body: n}, d.checkCounted(n)
	case *instrument.Checked:
		old, ok := t.body.(*instrument.Checked)
		if !ok {
			return nil, otherKeys()
		}
		return &amended{body: n, better: old.Result == instrument.Fail && n.Result != instrument.Fail || n.NextDue.After(old.NextDue)}, d.checkChecked(n)
	}
	return nil, otherKeys()
}
