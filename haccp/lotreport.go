package haccp

import (
	"fmt"
	"slices"
	"strings"

	"linewarden/haccp/control"
	"linewarden/haccp/lot"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// The codes of findings about lots. None stops a report; all want a look before release.
const (
	FindingUnknownLot    = "unknown-lot"       // not heard of before
	FindingLotThere      = "lot-known-already" // received, but heard of before
	FindingLotDisposed   = "lot-disposed-already"
	FindingLotUsedUp     = "lot-used-up"
	FindingLotHeld       = "lot-on-hold"
	FindingNotReleased   = "lot-not-released" // shipped without release
	FindingNotWeighed    = "not-weighed"
	FindingPlaceNotOfIt  = "place-not-of-step"
	FindingPlaceNotInUse = "place-out-of-service"
	FindingFeedUneven    = "feed-uneven" // what was put in is not what was taken out
)

// The kinds of commands about lots that are not reports.
const (
	AskLotEnter    = "lot.enter"    // *LotMoved: leave to start a step
	AskLotHold     = "lot.hold"     // *LotHeld: by a person, with a reason
	AskLotEvaluate = "lot.evaluate" // *LotEvaluated
	AskLotReview   = "lot.review"   // *LotReviewed
	AskLotDispose  = "lot.dispose"  // *LotDisposed
	AskLotShip     = "lot.ship"     // *LotShipped: leave to ship
)

// maxParts bounds the lots on each side of a feed, the materials of a step and its runs of boxes.
const maxParts = 50

// massOf gives a mass as typed in micrograms; nil where none was typed. Reports with a mass that is no single
// number are refused.
func massOf(v *quantity.Value) *lot.Mass {
	if v == nil {
		return nil
	}
	m, err := lot.MassOf(*v)
	if err != nil {
		return nil
	}
	return &m
}

// checkMass refuses what is no mass, or a mass that cannot be added up.
func checkMass(field string, v *quantity.Value) error {
	if err := checkMeasure(field, v, quantity.Mass); err != nil || v == nil {
		return err
	}
	if v.Kind() != quantity.KindExact {
		return invalid(field, "mass-not-exact", "a mass must be one number, not below or above something, nor a band")
	}
	return nil
}

func (s *State) everStep(id string) *plan.Step {
	return ever(s, func(v *version) *plan.Step {
		for i := range v.Plan.Steps {
			if v.Plan.Steps[i].ID == id {
				return &v.Plan.Steps[i]
			}
		}
		return nil
	})
}

// checkWhere refuses a step or place that no plan version has had; an empty one is left out.
func (d *deciding) checkWhere(step, place string) error {
	if step != "" && d.everStep(step) == nil {
		return invalid("step", "unknown-step", "no plan version of this site has a step %q", step)
	}
	if place != "" && d.everPlace(place) == nil {
		return invalid("place", "unknown-place", "no plan version of this site has a place %q", place)
	}
	return nil
}

// lotReceived decides the receipt of a lot.
func (d *deciding) lotReceived(findings []Finding) error {
	b, ok := d.cmd.Ask.(*LotReceived)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := d.checkReceived(b); err != nil {
		return err
	}
	if l := d.knownLot(b.Lot, d.facts); l != nil {
		findings = append(findings, Finding{FindingLotThere, map[string]string{"lot": b.Lot}})
	}
	if b.Mass == nil {
		findings = append(findings, Finding{Code: FindingNotWeighed})
	}
	return d.report(KindLotReceived, b, findings, aboutLots(b)...)
}

func (d *deciding) checkReceived(b *LotReceived) error {
	if err := checkCode("lot", b.Lot); err != nil {
		return err
	}
	if b.Step == "" {
		return invalid("step", "missing", "at which step was it received?")
	}
	if err := d.checkWhere(b.Step, b.Place); err != nil {
		return err
	}
	if err := checkMass("mass", b.Mass); err != nil {
		return err
	}
	if err := checkMeasure("temperature", b.Temperature, quantity.Temperature); err != nil {
		return err
	}
	if b.Harvested.After(d.cmd.At) {
		return invalid("harvested", "harvested-after", "it cannot have been harvested after it was received")
	}
	if b.Source != nil {
		if err := wanted("source.name", b.Source.Name); err != nil {
			return err
		}
		if err := short("source.address", b.Source.Address, "source.field", b.Source.Field, "source.harvester", b.Source.Harvester,
			"source.lot", b.Source.Lot, "source.phone", b.Source.Phone); err != nil {
			return err
		}
	}
	if err := checkDocument(b.Document); err != nil {
		return err
	}
	return short("condition", b.Condition, "instrument", b.Instrument, "note", b.Note, "product", b.Product)
}

func checkDocument(x *Document) error {
	if x == nil {
		return nil
	}
	if x.Hash != "" && (len(x.Hash) != 64 || strings.Trim(x.Hash, "0123456789abcdef") != "") {
		return invalid("document.hash", "bad-hash", "the hash must be 64 hexadecimal digits (SHA-256)")
	}
	return wanted("document.kind", x.Kind, "document.number", x.Number)
}

// knownLot returns a lot as the state or the facts hold it, nil where it was never heard of.
func (s *State) knownLot(code string, f Facts) *LotState {
	if l, ok := s.lots.get(code); ok {
		return l
	}
	if len(f.Ranges[lotRange(code)]) > 0 {
		fork := s.Fork()
		fork.Size++ // every record of the facts counts
		return fork.revived(code, f)
	}
	return nil
}

// lotFindings notes what is odd about a report on a lot that should be known and still there.
func (d *deciding) lotFindings(code string) []Finding {
	data := map[string]string{"lot": code}
	l := d.knownLot(code, d.facts)
	if l == nil {
		return []Finding{{FindingUnknownLot, data}}
	}
	var out []Finding
	if x := l.Disposed(); x != nil && !x.At.After(d.cmd.At) {
		out = append(out, Finding{FindingLotDisposed, data})
	}
	if g := l.Gone(); !g.IsZero() && g.Before(d.cmd.At) && l.Disposed() == nil {
		out = append(out, Finding{FindingLotUsedUp, data})
	}
	return out
}

// lotMoved decides the report of a lot that came to a step or left it.
func (d *deciding) lotMoved(findings []Finding) error {
	b, ok := d.cmd.Ask.(*LotMoved)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := d.checkMoved(b, d.cmd.Kind); err != nil {
		return err
	}
	own := *b
	own.Asked = false
	return d.report(d.cmd.Kind, &own, append(findings, d.movedFindings(&own)...), append(aboutLots(b), "place:"+b.Place)...)
}

func (d *deciding) movedFindings(b *LotMoved) []Finding {
	out := d.lotFindings(b.Lot)
	v := d.versionAt(d.cmd.At)
	if v == nil {
		return out
	}
	out = append(out, d.suppliesFor(v, b)...)
	for i := range v.Plan.Steps {
		if s := &v.Plan.Steps[i]; s.ID == b.Step && len(s.Where()) > 0 && !slices.Contains(s.Where(), b.Place) {
			out = append(out, Finding{FindingPlaceNotOfIt, map[string]string{"step": b.Step, "place": b.Place}})
		}
	}
	if p, ok := d.places.get(b.Place); ok {
		for _, g := range p.gaps() {
			if !d.cmd.At.Before(g.From) && (g.To.IsZero() || d.cmd.At.Before(g.To)) {
				out = append(out, Finding{FindingPlaceNotInUse, map[string]string{"place": b.Place}})
			}
		}
		if b.Filling != "" && !slices.ContainsFunc(p.fillings(), func(f control.Filling) bool { return f.ID == b.Filling }) {
			out = append(out, Finding{FindingUnknownFilling, map[string]string{"filling": b.Filling}})
		}
	}
	if pl := v.places[b.Place]; pl != nil && pl.Line != "" && !d.runsAt(pl.Line, d.cmd.At) {
		out = append(out, Finding{FindingLineStopped, map[string]string{"line": pl.Line}})
	}
	return out
}

func (d *deciding) checkMoved(b *LotMoved, kind string) error {
	if err := checkCode("lot", b.Lot); err != nil {
		return err
	}
	if b.Step == "" || b.Place == "" {
		return invalid("step", "missing", "name the step and the place")
	}
	if err := d.checkWhere(b.Step, b.Place); err != nil {
		return err
	}
	if err := checkMass("mass", b.Mass); err != nil {
		return err
	}
	if err := checkMeasure("temperature", b.Temperature, quantity.Temperature); err != nil {
		return err
	}
	if b.Crew < 0 || b.Crew > 1000 {
		return invalid("crew", "bad-crew", "give the number of people, at most 1000")
	}
	if kind == KindLotEntered && len(b.Boxes) > 0 {
		return invalid("boxes", "boxes-on-entering", "boxes are named when the lot leaves the step")
	}
	if err := checkBoxes(b.Boxes); err != nil {
		return err
	}
	if len(b.Materials) > maxParts {
		return invalid("materials", "too-many", "a step names at most %d materials", maxParts)
	}
	for i := range b.Materials {
		m, field := &b.Materials[i], fmt.Sprintf("materials[%d]", i)
		if err := checkCode(field+".lot", m.Lot); err != nil {
			return err
		}
		if err := checkCode(field+".material", m.Material); err != nil {
			return err
		}
		if err := checkAmount(field+".amount", m.Amount); err != nil {
			return err
		}
	}
	return short("filling", b.Filling, "instrument", b.Instrument, "note", b.Note)
}

// maxBox is the highest number of a box.
const maxBox = 1_000_000_000

func checkBoxes(boxes []BoxRange) error {
	if len(boxes) > maxParts {
		return invalid("boxes", "too-many", "name at most %d runs of boxes", maxParts)
	}
	for i := range boxes {
		b, field := &boxes[i], fmt.Sprintf("boxes[%d]", i)
		if b.From < 0 || b.To < b.From || b.To > maxBox {
			return invalid(field, "bad-boxes", "boxes run from a number to the same or a higher one, at most %d", maxBox)
		}
		if b.Prefix != "" {
			if err := checkCode(field+".prefix", b.Prefix); err != nil {
				return err
			}
		}
		if err := checkMass(field+".mass", b.Mass); err != nil {
			return err
		}
	}
	return nil
}

// lotFed decides the report of product that went from lots into lots.
func (d *deciding) lotFed(findings []Finding) error {
	b, ok := d.cmd.Ask.(*LotFed)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := d.checkFed(b); err != nil {
		return err
	}
	for _, p := range b.From {
		findings = append(findings, slices.DeleteFunc(d.lotFindings(p.Lot), func(f Finding) bool {
			return f.Code == FindingLotDisposed && d.toRework(p.Lot) // that is what was decided
		})...)
		if l := d.knownLot(p.Lot, d.facts); l != nil && len(l.Standing()) > 0 {
			findings = append(findings, Finding{FindingLotHeld, map[string]string{"lot": p.Lot}})
		}
	}
	f := feedOf(&Event{}, b)
	if off, whole := f.Difference(); !whole {
		findings = append(findings, Finding{Code: FindingNotWeighed})
	} else if off != 0 {
		findings = append(findings, Finding{FindingFeedUneven, map[string]string{"kg": off.Decimal()}})
	}
	return d.report(KindLotFed, b, findings, aboutLots(b)...)
}

// toRework reports whether it was decided that a lot is reworked.
func (d *deciding) toRework(code string) bool {
	l := d.knownLot(code, d.facts)
	return l != nil && l.Disposed() != nil && l.Disposed().Body.Outcome == plan.Rework
}

func (d *deciding) checkFed(b *LotFed) error {
	if len(b.From) == 0 || len(b.To) == 0 || len(b.From) > 1 && len(b.To) > 1 {
		return invalid("from", "bad-feed", "product goes from one lot into some, or from some into one: report others one after the other")
	}
	if len(b.From) > maxParts || len(b.To) > maxParts {
		return invalid("from", "too-many", "a feed names at most %d lots on a side", maxParts)
	}
	if !slices.Contains([]string{FedSplit, FedMerged, FedToppedUp, FedHeel, FedReopened, FedReworked, FedFed}, b.How) {
		return invalid("how", "bad-how", "how did it go over: split, merged, topped-up, heel, re-opened, reworked or fed")
	}
	seen := map[string]bool{}
	for _, side := range []struct {
		name  string
		parts []LotPart
	}{{"from", b.From}, {"to", b.To}} {
		for i, p := range side.parts {
			field := fmt.Sprintf("%s[%d]", side.name, i)
			if err := checkCode(field+".lot", p.Lot); err != nil {
				return err
			}
			if err := checkMass(field+".mass", p.Mass); err != nil {
				return err
			}
			if side.name == "to" && p.All {
				return invalid(field+".all", "all-of-to", "that nothing is left is said of a lot that gave")
			}
			if seen[p.Lot] {
				return invalid(field+".lot", "lot-twice", "a feed names each lot once")
			}
			seen[p.Lot] = true
		}
	}
	if err := d.checkWhere(b.Step, b.Place); err != nil {
		return err
	}
	return short("note", b.Note)
}

// lotRemoved decides the report of mass that left a lot, or of its stock.
func (d *deciding) lotRemoved(findings []Finding) error {
	b, ok := d.cmd.Ask.(*LotRemoved)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if err := d.checkRemoved(b); err != nil {
		return err
	}
	return d.report(KindLotRemoved, b, append(findings, d.lotFindings(b.Lot)...), aboutLots(b)...)
}

func (d *deciding) checkRemoved(b *LotRemoved) error {
	if err := checkCode("lot", b.Lot); err != nil {
		return err
	}
	if !slices.Contains([]string{RemovedTrim, RemovedWaste, RemovedSample, RemovedStock}, b.What) {
		return invalid("what", "bad-what", "what was removed: trim, waste or sample; or stock, where it was counted")
	}
	if err := d.checkWhere(b.Step, ""); err != nil {
		return err
	}
	if err := checkMass("mass", b.Mass); err != nil {
		return err
	}
	return short("note", b.Note, "instrument", b.Instrument)
}

// placeEmptied decides the report of a place found empty.
func (d *deciding) placeEmptied(findings []Finding) error {
	b, ok := d.cmd.Ask.(*PlaceEmptied)
	if !ok {
		return wrongAsk(d.cmd)
	}
	pl := d.everPlace(b.Place)
	if pl == nil {
		return invalid("place", "unknown-place", "no plan version of this site has a place %q", b.Place)
	}
	if !pl.Carries {
		return invalid("place", "carries-nothing", "by the plan no product stays behind at %s", b.Place)
	}
	if err := short("note", b.Note); err != nil {
		return err
	}
	return d.report(KindPlaceEmptied, b, findings, "place:"+b.Place)
}

// lotEnter decides the asking for leave to start a step; what stands against it is listed.
func (d *deciding) lotEnter(_ []Finding) error {
	b, ok := d.cmd.Ask.(*LotMoved)
	if !ok {
		return wrongAsk(d.cmd)
	}
	d.cmd.At, d.cmd.AtKnown = d.now, AtServer
	if err := d.checkMoved(b, KindLotEntered); err != nil {
		return err
	}
	var against []string
	for _, a := range d.askedStep(b) {
		against = append(against, a.Code+": "+a.Subject)
	}
	if len(against) > 0 {
		r := refuse(ErrConflict, "", "step-lacks", "the step may not start: %s", strings.Join(against, "; "))
		r.Items = against
		return r
	}
	own := *b
	own.Asked = true
	return d.emit(&Event{Kind: KindLotEntered, At: d.now, AtKnown: AtServer, About: append(aboutLots(b), "place:"+b.Place), Body: &own})
}

// sameLots reports whether an amended report names what the old one named.
func sameLots(old, now any) bool {
	if !slices.Equal(codesOf(old), codesOf(now)) {
		return false
	}
	a, ok := old.(*LotMoved)
	b, also := now.(*LotMoved)
	return !ok || also && a.Step == b.Step && a.Place == b.Place
}

// amendedLot checks the new body of a report about lots.
func (d *deciding) amendedLot(t *target, body any) (*amended, error) {
	if !sameLots(t.body, body) {
		return nil, otherKeys()
	}
	var err error
	switch n := body.(type) {
	case *LotReceived:
		err = d.checkReceived(n)
	case *LotMoved:
		own := *n
		if old, ok := t.body.(*LotMoved); ok {
			own.Asked = old.Asked
		}
		body, err = &own, d.checkMoved(n, t.event.Kind)
	case *LotFed:
		err = d.checkFed(n)
	case *LotRemoved:
		err = d.checkRemoved(n)
	}
	return &amended{body: body}, err
}
