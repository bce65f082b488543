package haccp

import (
	"fmt"
	"slices"
	"strings"
	"time"

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
	out = append(out, d.dosesAgainst(v, b)...)
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
