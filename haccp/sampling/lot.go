package sampling

import (
	"fmt"

	"linewarden/haccp/quantity"
)

// A Sign says how a result stands to its number.
type Sign string

// The signs.
const (
	Exact Sign = ""  // the number itself
	Below Sign = "<" // somewhere below the number: below what the method reads
	Above Sign = ">" // somewhere above it: over the method's range
)

// A Result is one sample unit's, in the unit of its limits.
type Result struct {
	Sign  Sign
	Value quantity.Decimal
}

// A Criterion is a plan with its limits. A value equal to m is acceptable, one
// equal to M marginal: only more is worse (Codex and ICMSF wording, "exceeds").
type Criterion struct {
	Plan
	ThreeClass bool
	Limit      quantity.Decimal // Limit is m.
	Most       quantity.Decimal // Most is M, only with ThreeClass; above m.
}

// A Verdict is the decision on a lot under one criterion.
type Verdict string

// The verdicts.
const (
	Accept    Verdict = "accepted under the plan"
	Reject    Verdict = "rejected under the plan"
	NoVerdict Verdict = "no verdict"
)

// A Decision is a verdict with what it rests on. Counts are of results that are
// certainly in the class; Open of those that censoring leaves undecided.
type Decision struct {
	Verdict  Verdict
	Results  int
	Missing  int // Missing is how many of the plan's n have no result.
	Marginal int // Marginal is above m: with two classes, the defective ones.
	Bad      int // Bad is above M, only with three classes.
	Open     int
	Why      string
}

// class is how bad a value is.
type class int

const (
	good class = iota
	marginal
	worst
)

// Decide judges a lot by results of its n sample units. With fewer results, or
// with one that may lie on either side of a limit, the verdict is [NoVerdict],
// unless those there are already reject the lot whatever the others say, or the
// open ones do not matter. More results than n are refused: which of them count
// is not for arithmetic to choose.
func Decide(c Criterion, results []Result) (Decision, error) {
	return decide(c, results, "above m")
}

// decide words what is counted against c.
func decide(c Criterion, results []Result, what string) (Decision, error) {
	if err := c.check(results); err != nil {
		return Decision{}, err
	}
	d := Decision{Results: len(results), Missing: c.N - len(results)}
	var atLeast, atMost [worst + 1]int // results at least, at most this bad, by class
	for _, r := range results {
		low, high := c.between(r)
		atLeast[low]++
		atMost[high]++
		if low != high {
			d.Open++
		}
		if low == high && low == marginal {
			d.Marginal++
		}
	}
	d.Bad = atLeast[worst]
	if !c.ThreeClass {
		d.Marginal, d.Bad = atLeast[marginal], 0
	}
	certain := atLeast[marginal] + atLeast[worst]
	possible := atMost[marginal] + atMost[worst] + d.Missing
	switch {
	case c.ThreeClass && atLeast[worst] > 0:
		d.Verdict, d.Why = Reject, fmt.Sprintf("%d above M", atLeast[worst])
	case certain > c.C:
		d.Verdict, d.Why = Reject, fmt.Sprintf("%d %s, more than c = %d", certain, what, c.C)
	case d.Missing > 0:
		d.Verdict, d.Why = NoVerdict, fmt.Sprintf("%d of %d results are missing", d.Missing, c.N)
	case possible > c.C || c.ThreeClass && atMost[worst] > 0:
		d.Verdict, d.Why = NoVerdict, fmt.Sprintf("%d results may lie on either side of a limit; repeat at another dilution", d.Open)
	default:
		d.Verdict, d.Why = Accept, fmt.Sprintf("%d %s, at most c = %d", certain, what, c.C)
		if d.Open > 0 {
			d.Why = fmt.Sprintf("at most %d above m, at most c = %d", possible, c.C)
		}
	}
	return d, nil
}

// DecideDetected judges a lot by a two-class plan on presence: each unit has the
// organism detected or not.
func DecideDetected(p Plan, detected []bool) (Decision, error) {
	c := Criterion{Plan: p}
	one, zero := quantity.MustDecimal("1"), quantity.MustDecimal("0")
	results := make([]Result, len(detected))
	for i, yes := range detected {
		results[i].Value = zero
		if yes {
			results[i].Value = one
		}
	}
	return decide(c, results, "detected")
}

func (c *Criterion) check(results []Result) error {
	if err := c.Plan.check(); err != nil {
		return err
	}
	if c.ThreeClass && c.Most.Cmp(c.Limit) <= 0 {
		return bad("m %v and M %v; m below M is wanted", c.Limit, c.Most)
	}
	if len(results) > c.N {
		return bad("%d results for a plan of n %d; name the %d that count", len(results), c.N, c.N)
	}
	for i, r := range results {
		if r.Sign != Exact && r.Sign != Below && r.Sign != Above {
			return bad("result %d has the sign %q; %q, %q or none", i+1, r.Sign, Below, Above)
		}
		if r.Value.Sign() < 0 {
			return bad("result %d is %v; 0 or more is wanted", i+1, r.Value)
		}
	}
	return nil
}

// between returns the best and the worst class a result may be in.
func (c *Criterion) between(r Result) (low, high class) {
	at := c.class(r.Value)
	switch r.Sign {
	case Below:
		// "Less than x" with x equal to a limit lies inside it.
		return good, at
	case Above:
		// "More than x" with x equal to a limit lies outside it.
		if r.Value.Cmp(c.Limit) < 0 {
			return good, c.top()
		}
		if c.ThreeClass && r.Value.Cmp(c.Most) < 0 {
			return marginal, worst
		}
		return c.top(), c.top()
	}
	return at, at
}

// top is the worst class there is.
func (c *Criterion) top() class {
	if c.ThreeClass {
		return worst
	}
	return marginal
}

func (c *Criterion) class(v quantity.Decimal) class {
	switch {
	case v.Cmp(c.Limit) <= 0:
		return good
	case !c.ThreeClass || v.Cmp(c.Most) <= 0:
		return marginal
	}
	return worst
}
