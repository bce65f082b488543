package laboratory

import (
	"slices"

	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/haccp/sampling"
)

// What the results of a test say by the rule of the specification.
const (
	Conforms     = "conforms"
	DoesNot      = "does not conform"
	NotEvaluated = "not evaluated"
)

// Why results are not evaluated.
const (
	WhyNone    = "no results"       // none is recorded
	WhyMissing = "units missing"    // fewer units than the plan wants
	WhyOpen    = "undecided"        // a result may lie on either side of a limit
	WhyUnit    = "other unit"       // a unit that does not convert into that of the limit
	WhyAmount  = "amount too small" // nothing found in less than the amount the rule names
	WhyUnfit   = "sample not fit"   // the laboratory received it unfit to be tested
	WhyNoTest  = "not in the specification"
)

// Decision is what the results of one test of one sample say. Counts are of units.
type Decision struct {
	Sample   string `json:"sample"`
	Test     string `json:"test"`
	Verdict  string `json:"verdict"`
	Why      string `json:"why,omitempty"`
	N        int    `json:"n"`
	C        int    `json:"c"`
	Results  int    `json:"results"`            // units with a result
	Missing  int    `json:"missing,omitempty"`  // of the n, those without
	Marginal int    `json:"marginal,omitempty"` // certainly above m; with two classes, outside
	Bad      int    `json:"bad,omitempty"`      // certainly above M
	Open     int    `json:"open,omitempty"`     // on either side of a limit, for all that is known
	Retested int    `json:"retested,omitempty"` // units with more than one result
	// Positive says that a unit is certainly outside: of a pathogen, found. Presumptive, that no report says it is
	// confirmed.
	Positive    bool `json:"positive,omitempty"`
	Presumptive bool `json:"presumptive,omitempty"`
	// Outside lists the ids of the records with a result outside.
	Outside []string `json:"outside,omitempty"`
}

// class is how bad a unit is, from Codex and ICMSF: up to m, above m up to M, above M.
type class int

const (
	good class = iota
	marginal
	worst
)

// between is the best and the worst that a result may be.
type between struct {
	low, high class
	why       string // where low is not high
}

// Judge decides on one test of one sample from all its results. A nil test is one that the specification does not have.
//
// Where a unit has several results all stand: it counts as the worst of those that are certain, and one that could not
// be decided is settled by one that could. So a further result never makes a unit better that was outside, whatever
// the order in which they came. Units beyond n count too, with the same c.
func Judge(t *plan.ProductTest, test string, s *Sample) Decision {
	d := Decision{Sample: s.ID, Test: test, Verdict: NotEvaluated, Why: WhyNoTest}
	if t == nil {
		return d
	}
	d.N, d.C, d.Why = t.Units(), t.C, ""
	units, numbers := d.gather(t, s)
	d.Results, d.N = len(numbers), max(d.N, len(numbers))
	values := make([]sampling.Result, 0, len(numbers))
	for _, n := range numbers {
		values = append(values, units[n].coded(t.Most != nil))
	}
	c := sampling.Criterion{Plan: sampling.Plan{N: d.N, C: d.C}, ThreeClass: t.Most != nil, Limit: codedLimit, Most: codedMost}
	got, err := sampling.Decide(c, values)
	if err != nil { // a plan that plan.Check lets through has no such fault
		d.Why = WhyNoTest
		return d
	}
	d.Missing, d.Marginal, d.Bad, d.Open = got.Missing, got.Marginal, got.Bad, got.Open
	d.conclude(got.Verdict, s)
	if d.Verdict == NotEvaluated && d.Why == "" {
		d.Why = whyOpen(units, numbers)
	}
	return d
}

// conclude turns a verdict on the units into one on the test.
func (d *Decision) conclude(v sampling.Verdict, s *Sample) {
	switch {
	case v == sampling.Reject:
		d.Verdict = DoesNot
	case s.Unfit() != "":
		d.Why = WhyUnfit
	case v == sampling.Accept:
		d.Verdict = Conforms
	case d.Results == 0:
		d.Why = WhyNone
	case d.Missing > 0:
		d.Why = WhyMissing
	}
}

// whyOpen is the reason of the first unit that is open.
func whyOpen(units map[int64]between, numbers []int64) string {
	for _, n := range numbers {
		if units[n].low != units[n].high {
			return units[n].why
		}
	}
	return WhyOpen
}

// gather combines the results of each unit, and lists the units in order.
func (d *Decision) gather(t *plan.ProductTest, s *Sample) (units map[int64]between, numbers []int64) {
	units = map[int64]between{}
	d.Presumptive = true
	for i := range s.Reports {
		r := s.Reports[i].Reported
		if r.Test != d.Test {
			continue
		}
		outside := false
		for _, u := range r.Units {
			x := sideOf(t, &u)
			outside = outside || x.low > good
			old, seen := units[u.Unit]
			if !seen {
				units[u.Unit], numbers = x, append(numbers, u.Unit)
				continue
			}
			d.Retested++
			units[u.Unit] = old.with(x)
		}
		if outside {
			d.Outside, d.Positive = append(d.Outside, s.Reports[i].ID), true
			d.Presumptive = d.Presumptive && r.Presumptive
		}
	}
	d.Presumptive = d.Presumptive && d.Positive
	slices.Sort(numbers)
	slices.Sort(d.Outside)
	return units, numbers
}

// with is what two results say together: neither can be better than its own best, and what one leaves open the other
// may settle.
func (a between) with(b between) between {
	out := between{low: max(a.low, b.low), high: min(a.high, b.high), why: a.why}
	if b.high < a.high {
		out.why = b.why
	}
	out.high = max(out.low, out.high)
	return out
}

// The classes as numbers that package sampling decides on: up to 1 good, up to 2 marginal, above worst.
var (
	codedLimit, codedMost = quantity.MustDecimal("1"), quantity.MustDecimal("2")
	codedClass            = [...]quantity.Decimal{quantity.MustDecimal("0.5"), quantity.MustDecimal("1.5"), quantity.MustDecimal("3")}
)

// coded writes a unit as a result against these numbers.
func (a between) coded(three bool) sampling.Result {
	switch {
	case a.low == a.high:
		return sampling.Result{Value: codedClass[a.low]}
	case a.low == good && (a.high == worst || !three):
		return sampling.Result{Sign: sampling.Below, Value: codedClass[worst]}
	case a.low == good:
		return sampling.Result{Sign: sampling.Below, Value: codedClass[marginal]}
	}
	return sampling.Result{Sign: sampling.Above, Value: codedClass[marginal]}
}

// Side says of one result how it stands to the rule: inside, outside, or not evaluated with the reason.
func Side(t *plan.ProductTest, u *Unit) (verdict, why string) {
	x := sideOf(t, u)
	switch {
	case x.low > good:
		return DoesNot, ""
	case x.high > good:
		return NotEvaluated, x.why
	}
	return Conforms, ""
}

// sideOf holds one result against the rule of its test.
func sideOf(t *plan.ProductTest, u *Unit) between {
	switch {
	case t.AbsentIn != nil:
		return found(t.AbsentIn, u)
	case t.YesNo != nil:
		if yes, ok := u.Value.Yes(); ok {
			return sure(yes == *t.YesNo)
		}
		return between{good, marginal, WhyUnit}
	case t.Limit != nil:
		x := upTo(t.Quantity, u.Value, t.Limit)
		if t.Most != nil && x.high > good {
			x.high = marginal
			y := upTo(t.Quantity, u.Value, t.Most)
			if y.low > good {
				return between{low: worst, high: worst}
			}
			if y.high > good {
				x.high, x.why = worst, y.why
			}
		}
		return x
	}
	return within(t, u.Value)
}

func sure(inside bool) between {
	if inside {
		return between{}
	}
	return between{low: marginal, high: marginal}
}

// found holds a yes or no against the amount it was looked for in. What was found was found, in however little;
// that nothing was found shows nothing for a larger amount.
func found(want *plan.Amount, u *Unit) between {
	yes, ok := u.Value.Yes()
	switch {
	case !ok:
		return between{good, marginal, WhyUnit}
	case yes:
		return sure(false)
	case u.In == nil:
		return between{good, marginal, WhyAmount}
	}
	n, ok := u.In.Number()
	for _, id := range []quantity.ID{quantity.Mass, quantity.Volume} {
		q, err := quantity.Get(id)
		if err != nil || !ok {
			continue
		}
		if order, err := q.Compare(n, u.In.Unit(), want.Value, quantity.Unit(want.Unit)); err == nil {
			if order < 0 {
				return between{good, marginal, WhyAmount}
			}
			return sure(true)
		}
	}
	return between{good, marginal, WhyUnit}
}

// upTo holds a value against the highest that is inside. "Less than x" with x at the limit lies inside it, "more than
// x" outside it.
func upTo(id string, v quantity.Value, most *plan.Amount) between { return heldTo(id, v, most, false) }

// downTo holds a value against the lowest that is inside: upTo in a mirror.
func downTo(id string, v quantity.Value, least *plan.Amount) between {
	return heldTo(id, v, least, true)
}

func heldTo(id string, v quantity.Value, bound *plan.Amount, mirrored bool) between {
	low, high := v.Ends()
	near, err := compare(id, low, v.Unit(), bound)
	far, also := compare(id, high, v.Unit(), bound)
	below, above := quantity.KindBelow, quantity.KindAbove
	if mirrored {
		near, far, below, above = -far, -near, above, below
	}
	kind := v.Kind()
	switch {
	case err != nil || also != nil:
		return between{good, marginal, WhyUnit}
	case kind != above && far <= 0:
		return sure(true)
	case kind == above && near >= 0, kind != below && near > 0:
		return sure(false)
	}
	return between{good, marginal, WhyOpen}
}

// within holds a value against both bounds.
func within(t *plan.ProductTest, v quantity.Value) between {
	out := between{}
	if t.Max != nil {
		out = upTo(t.Quantity, v, t.Max)
	}
	if t.Min != nil {
		x := downTo(t.Quantity, v, t.Min)
		if x.high > out.high {
			out.why = x.why
		}
		out.low, out.high = max(out.low, x.low), max(out.high, x.high)
	}
	return out
}

func compare(id string, v quantity.Decimal, unit quantity.Unit, bound *plan.Amount) (int, error) {
	q, err := quantity.Get(quantity.ID(id))
	if err != nil {
		return 0, err
	}
	return q.Compare(v, unit, bound.Value, quantity.Unit(bound.Unit))
}
