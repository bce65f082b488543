package haccp

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"linewarden/haccp/laboratory"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// maxSampled bounds the units of a sample, and of a report of results.
const maxSampled = 300

// sample decides the report of a sample taken, handed over or received, or of results.
func (d *deciding) sample(findings []Finding) error {
	b, ok := d.cmd.Ask.(laboratory.Body)
	if !ok {
		return wrongAsk(d.cmd)
	}
	b, err := d.checkSample(b, d.cmd.Kind)
	if err != nil {
		return err
	}
	return d.report(d.cmd.Kind, b, append(findings, d.sampleFindings(b)...), aboutLots(b)...)
}

// checkSample refuses a report for its form, and gives its body with times as a record holds them.
func (d *deciding) checkSample(b laboratory.Body, kind string) (laboratory.Body, error) {
	if err := checkCode("lot", b.OfLot()); err != nil {
		return nil, err
	}
	if err := checkCode("sample", b.OfSample()); err != nil {
		return nil, err
	}
	switch b := b.(type) {
	case *laboratory.Sampled:
		if kind == KindLotSampled {
			return b, d.checkSampled(b)
		}
	case *laboratory.Passed:
		if kind == KindSamplePassed {
			return b, firstOf(wanted("to", b.To), checkMeasure("temperature", b.Temperature, quantity.Temperature),
				short("condition", b.Condition, "note", b.Note, "seal", b.Seal))
		}
	case *laboratory.Received:
		if kind == KindSampleReceived {
			return b, firstOf(wanted("laboratory", b.Laboratory), checkMeasure("temperature", b.Temperature, quantity.Temperature),
				short("condition", b.Condition, "note", b.Note, "seal", b.Seal, "unfit", b.Unfit))
		}
	case *laboratory.Reported:
		if kind == KindResult {
			own := *b
			own.Finished = b.Finished.UTC().Truncate(time.Millisecond)
			return &own, d.checkReported(&own)
		}
	}
	return nil, wrongAsk(d.cmd)
}

// firstOf gives the first of several faults.
func firstOf(errs ...error) error {
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}

func (d *deciding) checkSampled(b *laboratory.Sampled) error {
	if b.Units < 1 || b.Units > maxSampled {
		return invalid("units", "bad-units", "a sample has 1 to %d units", maxSampled)
	}
	if b.Product != "" && ever(d.State, func(v *version) *plan.Product { return v.Plan.Product(b.Product) }) == nil {
		return invalid("product", "unknown-product", "no plan version of this site has a product %q", b.Product)
	}
	for i, id := range b.Tests {
		field := fmt.Sprintf("tests[%d]", i)
		if d.everTest(id) == nil {
			return invalid(field, "unknown-test", "no plan version of this site has a test %q", id)
		}
		if slices.Index(b.Tests, id) < i {
			return invalid(field, "test-twice", "the test %q stands here twice", id)
		}
	}
	return firstOf(d.checkWhere("", b.Place), checkMeasure("each", b.Each, quantity.Mass, quantity.Volume),
		short("note", b.Note, "taken_by", b.TakenBy, "where", b.Where))
}

func (d *deciding) checkReported(b *laboratory.Reported) error {
	t := d.everTest(b.Test)
	switch {
	case t == nil:
		return invalid("test", "unknown-test", "no plan version of this site has a test %q", b.Test)
	case b.Finished.IsZero():
		return invalid("finished", "missing", "when was the test finished?")
	case b.Finished.After(d.now.Add(FutureTolerance)):
		return invalid("finished", "in-future", "the test cannot have been finished after now (%s): correct the time", d.now.Format(time.RFC3339))
	case b.Presumptive && !t.Pathogen:
		return invalid("presumptive", "not-a-pathogen", "only a test for a pathogen has presumptive results: %q is none", b.Test)
	case len(b.Units) == 0 || len(b.Units) > maxSampled:
		return invalid("units", "bad-units", "give the results of 1 to %d units", maxSampled)
	}
	seen := map[int64]bool{}
	for i := range b.Units {
		u, field := &b.Units[i], fmt.Sprintf("units[%d]", i)
		if u.Unit < 1 || u.Unit > maxSampled || seen[u.Unit] {
			return invalid(field+".unit", "bad-unit", "units are numbered from 1 to %d, each once", maxSampled)
		}
		seen[u.Unit] = true
		if err := checkUnit(field, t, u); err != nil {
			return err
		}
	}
	if x := b.Attached; x != nil {
		if len(x.Hash) != 64 || strings.Trim(x.Hash, "0123456789abcdef") != "" {
			return invalid("attached.hash", "bad-hash", "the hash must be 64 hexadecimal digits (SHA-256)")
		}
		if err := firstOf(wanted("attached.name", x.Name), short("attached.number", x.Number)); err != nil {
			return err
		}
	}
	return firstOf(wanted("method", b.Method, "laboratory", b.Laboratory), short("analyst", b.Analyst, "note", b.Note, "retest", b.Retest))
}

// checkUnit refuses a result that the quantity of its test cannot have.
func checkUnit(field string, t *plan.ProductTest, u *laboratory.Unit) error {
	if u.Value.IsZero() {
		return invalid(field+".value", "missing", "give the result of unit %d", u.Unit)
	}
	if t.AbsentIn == nil {
		if u.In != nil {
			return invalid(field+".in", "amount-not-asked", "the amount examined is given only where something is found or not")
		}
		return checkMeasure(field+".value", &u.Value, quantity.ID(t.Quantity))
	}
	return firstOf(checkMeasure(field+".value", &u.Value, quantity.YesNo), checkMeasure(field+".in", u.In, quantity.Mass, quantity.Volume))
}

// everTest finds a test in any product of any plan version, in the newest that has it.
func (s *State) everTest(id string) *plan.ProductTest {
	return ever(s, func(v *version) *plan.ProductTest {
		for i := range v.Plan.Products {
			if t := v.Plan.Products[i].Test(id); t != nil {
				return t
			}
		}
		return nil
	})
}

// sampleFindings notes what is odd about a report on a sample.
func (d *deciding) sampleFindings(b laboratory.Body) []Finding {
	data := map[string]string{"lot": b.OfLot(), "sample": b.OfSample()}
	l := d.knownLot(b.OfLot(), d.facts)
	if l == nil {
		out := []Finding{{FindingUnknownLot, map[string]string{"lot": b.OfLot()}}}
		if _, first := b.(*laboratory.Sampled); !first {
			out = append(out, Finding{FindingUnknownSample, data})
		}
		return out
	}
	x, _ := l.Laboratory.Sample(b.OfSample())
	switch b := b.(type) {
	case *laboratory.Sampled:
		if x.Taken != nil {
			return []Finding{{FindingSampleThere, data}}
		}
		return nil
	case *laboratory.Reported:
		return d.resultFindings(l, &x, b, data)
	}
	if x.Taken == nil {
		return []Finding{{FindingUnknownSample, data}}
	}
	return nil
}

// resultFindings notes what is odd about results: where they come from, when, and that units were tested before.
func (d *deciding) resultFindings(l *LotState, x *laboratory.Sample, b *laboratory.Reported, data map[string]string) []Finding {
	var out []Finding
	switch {
	case x.Taken == nil:
		out = append(out, Finding{FindingUnknownSample, data})
	case b.Finished.Before(x.Taken.At):
		out = append(out, Finding{FindingBeforeSample, data})
	}
	if !x.Arrived() {
		out = append(out, Finding{FindingSampleNotThere, data})
	}
	var t *plan.ProductTest
	if p, _ := d.Specification(l, d.now); p != nil {
		t = p.Test(b.Test)
	}
	switch {
	case t == nil:
		out = append(out, Finding{FindingNotInSpec, map[string]string{"test": b.Test}})
	case t.Method != b.Method:
		out = append(out, Finding{FindingOtherMethod, map[string]string{"method": b.Method, "wanted": t.Method}})
	}
	if t != nil && t.Laboratory != "" && t.Laboratory != b.Laboratory {
		out = append(out, Finding{FindingOtherLaboratory, map[string]string{"laboratory": b.Laboratory, "wanted": t.Laboratory}})
	}
	if strings.TrimSpace(b.Retest) == "" && x.Has(b) {
		out = append(out, Finding{FindingNoRetestReason, data})
	}
	return out
}

// amendedSample checks the new body of a report on a sample.
func (d *deciding) amendedSample(t *target, body laboratory.Body) (*amended, error) {
	old, ok := t.body.(laboratory.Body)
	if !ok || old.OfLot() != body.OfLot() || old.OfSample() != body.OfSample() {
		return nil, otherKeys()
	}
	if r, ok := body.(*laboratory.Reported); ok {
		if o, same := old.(*laboratory.Reported); !same || o.Test != r.Test {
			return nil, otherKeys()
		}
	}
	next, err := d.checkSample(body, t.event.Kind)
	if err != nil {
		return nil, err
	}
	return &amended{body: next, better: laboratory.Better(old, next, d.everTest)}, nil
}
