package haccp

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// Bounds of what one report may hold.
const (
	maxEntries = 24
	maxLots    = 50
	maxText    = 4000
	maxCode    = 80
)

// reading decides a bath test or any other check carried out at one place on one sample.
func (d *deciding) reading(findings []Finding) error {
	r, ok := d.cmd.Ask.(*Reading)
	if !ok {
		return wrongAsk(d.cmd)
	}
	if r.From != nil {
		return invalid("from", "computed-here", "from is written by an import only: leave it out")
	}
	e, err := d.judged(r, findings)
	if err != nil {
		return err
	}
	e.body.Forecast = d.forecast(e.body)
	return d.report(KindReading, e.body, e.findings, readingAbout(e.body)...)
}

func wrongAsk(c *Command) error {
	return invalid("body", "wrong-body", "the body does not belong to the command %s", c.Kind)
}

func readingAbout(r *Reading) []string {
	about := []string{"check:" + key(r.Check, r.Place)}
	for _, lot := range r.Lots {
		about = append(about, "lot:"+lot)
	}
	return about
}

type judged struct {
	body     *Reading
	findings []Finding
}

// judged checks a reading's form, computes its values and judges them by the plan in force at its time.
func (d *deciding) judged(r *Reading, findings []Finding) (*judged, error) {
	check, err := d.checkReading(r)
	if err != nil {
		return nil, err
	}
	body := *r
	body.Entries = append(make([]Entry, 0, len(r.Entries)+1), r.Entries...) // one more may be computed
	body.Verdicts, body.PlanVersion, body.Forecast = nil, 0, nil
	v := d.versionAt(d.cmd.At)
	if v != nil && v.checks[r.Check] != nil {
		check, body.PlanVersion = v.checks[r.Check], v.Version
	}
	if err := d.compute(&body, v); err != nil {
		return nil, err
	}
	values := measured(&body)
	if body.PlanVersion > 0 {
		values = withHOCl(&body, v, judgedValues(v.Plan, &body, values, d.cmd.At, d.cmd.Until))
		body.Verdicts = control.Judge(v.Plan, check, body.Place, values)
	}
	findings = append(findings, d.readingFindings(&body, check, v, values)...)
	return &judged{&body, findings}, nil
}

// checkReading refuses a reading for its form only.
func (d *deciding) checkReading(r *Reading) (*plan.Check, error) {
	check := d.everCheck(r.Check)
	if check == nil {
		return nil, invalid("check", "unknown-check", "no plan version of this site has a check %q", r.Check)
	}
	if !d.everCheckedAt(r.Check, r.Place) {
		return nil, invalid("place", "unknown-place", "the check %q was never planned at a place %q", r.Check, r.Place)
	}
	if r.Mode != "hand" && r.Mode != "device" {
		return nil, invalid("mode", "bad-mode", "mode is %q: write hand or device", r.Mode)
	}
	if n := len(r.Entries); n == 0 || n > maxEntries {
		return nil, invalid("entries", "bad-entries", "a reading has 1 to %d entries, this one %d", maxEntries, n)
	}
	if err := checkTexts(r); err != nil {
		return nil, err
	}
	if err := d.checkSpan(r); err != nil {
		return nil, err
	}
	for i := range r.Entries {
		if err := d.checkEntry(r.Check, &r.Entries[i], r.Entries[:i], entryField(i)); err != nil {
			return nil, err
		}
	}
	return check, nil
}

// checkSpan refuses a summary of a span that is malformed, or that does not say until when it lasted.
func (d *deciding) checkSpan(r *Reading) error {
	sp := r.Span
	if sp == nil {
		return nil
	}
	if d.cmd.Until.IsZero() || len(r.Entries) != 1 || sp.N < 1 {
		return invalid("span", "bad-span", "a span sums up at least one value of one quantity, and the report says until when it lasted: give until, one entry and n")
	}
	if d.cmd.Until.Sub(d.cmd.At) > control.MaxCover {
		return invalid("until", "bad-span", "one reading covers at most %d hours: send it in parts", int(control.MaxCover.Hours()))
	}
	q, err := quantity.Get(quantity.ID(r.Entries[0].Quantity))
	if err != nil {
		return invalid("entries[0].quantity", "unknown-quantity", "%v", err)
	}
	for _, part := range []struct {
		field string
		value quantity.Value
	}{{"span.last", sp.Last}, {"span.max", sp.Max}, {"span.median", sp.Median}, {"span.min", sp.Min}} {
		if err := q.Check(part.value); err != nil {
			return valueRefusal(part.field, err)
		}
	}
	return nil
}

func checkTexts(r *Reading) error {
	if err := short("note", r.Note); err != nil {
		return err
	}
	if r.Repeats != "" && len(r.Repeats) != 36 {
		return invalid("repeats", "bad-id", "repeats is not the id of a reading (36 characters)")
	}
	for _, x := range [][2]string{{"filling", r.Filling}, {"sample_point", r.SamplePoint}} {
		if x[1] == "" {
			continue
		}
		if err := checkCode(x[0], x[1]); err != nil {
			return err
		}
	}
	if len(r.Lots) > maxLots {
		return invalid("lots", "too-many", "a reading names at most %d lot codes, this one %d", maxLots, len(r.Lots))
	}
	for i, lot := range r.Lots {
		if err := checkCode(fmt.Sprintf("lots[%d]", i), lot); err != nil {
			return err
		}
		if slices.Contains(r.Lots[:i], lot) {
			return invalid(fmt.Sprintf("lots[%d]", i), "twice", "the lot code %q stands twice", lot)
		}
	}
	return nil
}

// goodCode reports whether a code is neither empty nor too long, and holds printable characters only.
func goodCode(code string) bool {
	if code == "" || len(code) > maxCode {
		return false
	}
	for i := range len(code) {
		if code[i] < ' ' || code[i] == 0x7f {
			return false
		}
	}
	return true
}

// checkCode refuses what is no good code.
func checkCode(field, code string) error {
	switch {
	case goodCode(code):
		return nil
	case code == "" || len(code) > maxCode:
		return invalid(field, "bad-code", "a code has 1 to %d characters, this one %d", maxCode, len(code))
	}
	return invalid(field, "bad-code", "a code holds printable characters only: take out tabs and line ends")
}

func (d *deciding) everCheckedAt(check, place string) bool {
	_, ok := slices.BinarySearch(d.memo.checkPlaces, key(check, place))
	return ok
}

// entryField names an entry, and a member of it, where something is refused.
type entryField int

func (n entryField) of(member string) string { return fmt.Sprintf("entries[%d].%s", int(n), member) }

func (d *deciding) checkEntry(check string, e *Entry, before []Entry, field entryField) error {
	q, err := quantity.Get(quantity.ID(e.Quantity))
	if err != nil {
		return invalid(field.of("quantity"), "unknown-quantity", "%v", err)
	}
	if !d.everMeasured(check, e.Quantity) {
		return invalid(field.of("quantity"), "not-measured", "the check %q does not measure %s", check, e.Quantity)
	}
	for i := range before {
		if before[i].Quantity == e.Quantity {
			return invalid(field.of("quantity"), "twice", "%s stands twice in this reading", e.Quantity)
		}
	}
	if e.Value != nil || e.Formula != "" {
		return invalid(field.of("value"), "computed-here", "value and formula are computed by the service: leave them out")
	}
	if err := q.Check(e.Read); err != nil {
		return valueRefusal(field.of("read"), err)
	}
	return checkDetails(e, field)
}

func checkDetails(e *Entry, field entryField) error {
	if dl := e.Dilution; dl != nil {
		if dl.Sample < 1 || dl.Total < dl.Sample || dl.Total > 10_000 {
			return invalid(field.of("dilution"), "bad-dilution", "a dilution is sample parts made up to total parts, such as 1 to 10")
		}
		if e.Read.Kind() == quantity.KindYesNo {
			return invalid(field.of("dilution"), "bad-dilution", "a yes or no has no dilution: leave it out")
		}
	}
	if e.As != "" && e.As != "Cl2" && e.As != "NaOCl" {
		return invalid(field.of("as"), "bad-basis", "as is %q: write Cl2 or NaOCl", e.As)
	}
	if e.As == "NaOCl" {
		return invalid(field.of("as"), "bad-basis", "readings as NaOCl are not judged yet: convert on the method's instruction and give mg/L as Cl2")
	}
	if e.Instrument != "" && !goodCode(e.Instrument) {
		return checkCode(field.of("instrument"), e.Instrument)
	}
	if e.Method != "" && !goodCode(e.Method) {
		return checkCode(field.of("method"), e.Method)
	}
	if e.Reagent != nil && !goodCode(e.Reagent.Lot) {
		return checkCode(field.of("reagent.lot"), e.Reagent.Lot)
	}
	return nil
}

func (d *deciding) everMeasured(check, q string) bool {
	for _, v := range d.memo.versions {
		if c := v.checks[check]; c != nil && slices.ContainsFunc(c.Measures, func(m plan.Measure) bool { return m.Quantity == q }) {
			return true
		}
	}
	return false
}

// valueRefusal turns an error of package quantity into a refusal that names the member.
func valueRefusal(field string, err error) error {
	var fe *quantity.FieldError
	if errors.As(err, &fe) && fe.Field != "" {
		field += "." + fe.Field
	}
	switch {
	case errors.Is(err, quantity.ErrUnit):
		return invalid(field, "unknown-unit", "%v", err)
	case errors.Is(err, quantity.ErrRange):
		return invalid(field, "outside-physical-range", "%v", err)
	case errors.Is(err, quantity.ErrKind):
		return invalid(field, "wrong-kind", "%v", err)
	}
	return invalid(field, "bad-value", "%v", err)
}

// compute fills in the values that follow from what was read: at present, undoing a dilution.
func (d *deciding) compute(r *Reading, v *version) error {
	for i := range r.Entries {
		e := &r.Entries[i]
		if e.Dilution == nil {
			continue
		}
		value, err := undilute(e.Read, *e.Dilution, decimalsFor(v, r, e))
		if err != nil {
			return invalid(fmt.Sprintf("entries[%d].read", i), "bad-dilution", "%v", err)
		}
		q, err := quantity.Get(quantity.ID(e.Quantity))
		if err != nil {
			return err
		}
		if err := q.Check(value); err != nil {
			return valueRefusal(fmt.Sprintf("entries[%d].read", i), err)
		}
		e.Value, e.Formula = &value, "dilution/1"
	}
	return nil
}

// decimalsFor is one decimal more than the most precise limit on the quantity states; without a limit, one
// more than was read.
func decimalsFor(v *version, r *Reading, e *Entry) int {
	n := -1
	if v != nil {
		for _, l := range v.limitsAt(r.Check, r.Place) {
			for _, a := range []*plan.Amount{l.Min, l.Max} {
				if a != nil && l.Quantity == e.Quantity {
					n = max(n, a.Value.Scale())
				}
			}
		}
	}
	if n < 0 {
		low, _ := e.Read.Ends()
		n = low.Scale()
	}
	return n + 1
}

// undilute multiplies a value by total/sample, rounded half-even to the decimals given. Formula "dilution",
// version 1: the concentration in the sample is that in the cell times the parts of the whole over the
// parts of sample (common practice of volumetric dilution).
func undilute(v quantity.Value, dl Dilution, places int) (quantity.Value, error) {
	low, high := v.Ends()
	l, err := low.Times(dl.Total, dl.Sample, places)
	if err != nil {
		return v, err
	}
	h, err := high.Times(dl.Total, dl.Sample, places)
	if err != nil {
		return v, err
	}
	switch v.Kind() {
	case quantity.KindBelow:
		return quantity.Below(l, v.Unit()), nil
	case quantity.KindAbove:
		return quantity.Above(l, v.Unit()), nil
	case quantity.KindBand:
		return quantity.Band(l, h, v.Unit()), nil
	}
	return quantity.Exact(l, v.Unit()), nil
}

// readingFindings notes what is odd about a reading beside its time.
func (d *deciding) readingFindings(r *Reading, check *plan.Check, v *version, values []control.Measured) []Finding {
	var out []Finding
	if v == nil {
		return nil
	}
	for _, q := range control.Plausible(check, values) {
		out = append(out, Finding{FindingImplausible, map[string]string{"quantity": q}})
	}
	for i := range r.Entries {
		e := &r.Entries[i]
		if e.Instrument != "" && !slices.ContainsFunc(v.Plan.Instruments, func(x plan.Instrument) bool { return x.ID == e.Instrument }) {
			out = append(out, Finding{FindingUnknownTool, map[string]string{"instrument": e.Instrument}})
		}
		out = append(out, d.toolFindings(v, e.Instrument)...)
		if e.Reagent != nil {
			if exp, ok := e.Reagent.Expiry.Time(); ok && !d.cmd.At.Before(time.Date(exp.Year(), exp.Month(), exp.Day()+1, 0, 0, 0, 0, v.zone)) {
				out = append(out, Finding{FindingReagentExpired, map[string]string{"lot": e.Reagent.Lot}})
			}
		}
	}
	out = append(out, floorFinding(r, v, values)...)
	return append(out, d.fillingFindings(r, v)...)
}

// fillingFindings notes a reading of a bath that names a filling not heard of, or was drawn while no
// filling is recorded, and a chlorine test to repeat with a diluted sample.
func (d *deciding) fillingFindings(r *Reading, v *version) []Finding {
	pl := v.places[r.Place]
	if pl == nil || pl.Kind != plan.Bath || d.cmd.AtKnown == AtImported {
		return nil
	}
	var log []BathAct
	var fillings []control.Filling
	if p, ok := d.places.get(r.Place); ok {
		log, fillings = p.Log, p.fillings()
	}
	var out []Finding
	if r.Filling != "" {
		if !slices.ContainsFunc(fillings, func(f control.Filling) bool { return f.ID == r.Filling }) {
			out = append(out, Finding{FindingUnknownFilling, map[string]string{"filling": r.Filling}})
		}
	} else if _, ok := fillingAt(fillings, d.cmd.At); !ok {
		out = append(out, Finding{Code: FindingNoFilling})
	}
	for i := range r.Entries {
		e := &r.Entries[i]
		if e.Quantity == string(quantity.FreeChlorine) && e.Dilution == nil && (d.nearZero(e, log) || d.farBelow(e, r, v)) {
			out = append(out, Finding{Code: FindingRetestDiluted})
		}
	}
	return out
}

// bleachWindow is how soon after an addition a chlorine reading near zero is taken for a bleached test:
// high chlorine bleaches DPD (common practice, no source; the method's own instructions decide).
const bleachWindow = 30 * time.Minute

// nearZero reports whether a chlorine value is at most 1 in its unit soon after an addition or a filling.
func (d *deciding) nearZero(e *Entry, log []BathAct) bool {
	low, _ := new(e.Result()).Ends()
	if e.Read.Kind() == quantity.KindAbove || low.Float64() > 1 {
		return false
	}
	return slices.ContainsFunc(log, func(a BathAct) bool {
		since := d.cmd.At.Sub(a.At)
		return (a.Kind == KindAdded || a.Kind == KindFilled) && since >= 0 && since <= bleachWindow
	})
}

// farShare is which share of its lowest limit a bath's chlorine must fall short of to be doubted, at any
// time (our choice, no source): a bath does not lose so much between two tests.
const farShare = 0.2

// farBelow reports whether a chlorine value lies far below what the bath should hold.
func (d *deciding) farBelow(e *Entry, r *Reading, v *version) bool {
	q, err := quantity.Get(quantity.ID(e.Quantity))
	if err != nil || e.Read.Kind() == quantity.KindAbove {
		return false
	}
	low, _ := new(e.Result()).Ends()
	return slices.ContainsFunc(v.limitsAt(r.Check, r.Place), func(l *plan.Limit) bool {
		if l.Kind == plan.Operating || l.Quantity != e.Quantity || l.Min == nil {
			return false
		}
		is := low
		if unit := quantity.Unit(l.Min.Unit); unit != e.Read.Unit() {
			var err error
			if is, err = q.Convert(low, e.Read.Unit(), unit, 6); err != nil {
				return false
			}
		}
		return is.Float64() < farShare*l.Min.Value.Float64()
	})
}

// limitsAt lists the limits that a check touches at a place.
func (v *version) limitsAt(check, place string) []*plan.Limit {
	return v.limits[checkAt{check, place}]
}
