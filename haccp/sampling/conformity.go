package sampling

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"linewarden/haccp/quantity"
)

// ErrNoUncertainty is a guarded verdict asked for of a result without a stated
// uncertainty.
var ErrNoUncertainty = errors.New("no uncertainty is stated: no guarded verdict can be given")

// Conformance returns the probability that the true value lies within the
// limits, given a measured y with standard uncertainty u above 0 and a normal
// law: Phi((upper-y)/u) - Phi((lower-y)/u). A limit that does not exist is an
// infinity. All in one unit. (JCGM 106:2012, clause 7.)
func Conformance(y, u, lower, upper float64) (float64, error) {
	if err := positive("standard uncertainty", u); err != nil {
		return 0, err
	}
	if math.IsNaN(y) || math.IsInf(y, 0) || !(lower < upper) {
		return 0, bad("measured %v, limits %v to %v; the lower one below the upper one is wanted", y, lower, upper)
	}
	low, high := (lower-y)/u, (upper-y)/u
	if low > 0 {
		return distuv.UnitNormal.Survival(low) - distuv.UnitNormal.Survival(high), nil
	}
	return distuv.UnitNormal.CDF(high) - distuv.UnitNormal.CDF(low), nil
}

// A Rule is a decision rule of ILAC-G8:09/2019.
type Rule string

// The rules.
const (
	SimpleAcceptance Rule = "binary, simple acceptance"           // clause 4.2.1
	GuardBanded      Rule = "binary, guard band"                  // clause 4.2.2
	NonBinary        Rule = "non-binary, guard band on each side" // clause 4.2.3
)

// A Zone is where a result lies under a rule, the best first.
type Zone string

// The zones.
const (
	Pass            Zone = "pass"
	ConditionalPass Zone = "conditional pass"
	ConditionalFail Zone = "conditional fail"
	Fail            Zone = "fail"
)

// A Guard is a rule with its guard band w as a percentage of the expanded
// uncertainty U: 100 for w = U, 83 for ISO 14253-1, 150 for three sigma, 300 for
// six sigma, -100 for an uncritical limit. Percent is 0 with SimpleAcceptance,
// and not below 0 with NonBinary.
type Guard struct {
	Rule    Rule
	Percent int64
}

// A Measurement is a result with its expanded uncertainty U at coverage factor
// K, all in the unit of the limits. Without Stated nothing is known of U.
type Measurement struct {
	Value    quantity.Decimal
	Stated   bool
	Expanded quantity.Decimal
	K        float64
}

// A Conformity is the decision on one measurement.
type Conformity struct {
	Zone        Zone
	Lower       *quantity.Decimal // Lower and Upper are the acceptance limits, nil where there is none.
	Upper       *quantity.Decimal
	Probability float64 // Probability that the true value is within the limits, only where Known.
	Known       bool    // Known is false where no uncertainty is stated.
}

// Judge decides on a measurement against a lower and an upper limit, of which
// one may be nil, in decimal as written; on an acceptance limit is inside. The
// limits are exact and the guard band is applied once: an upper limit is moved
// down by w, a lower one up.
func (g Guard) Judge(m Measurement, lower, upper *quantity.Decimal) (Conformity, error) {
	if err := g.check(m, lower, upper); err != nil {
		return Conformity{}, err
	}
	w, err := m.Expanded.Times(g.Percent, 100, min(m.Expanded.Scale()+2, quantity.MaxDigits))
	if err != nil {
		return Conformity{}, fmt.Errorf("guard band: %w", err)
	}
	out := Conformity{Zone: Pass}
	if upper != nil {
		zone, limit, err := g.zone(m.Value, *upper, w)
		if err != nil {
			return Conformity{}, err
		}
		out.Zone, out.Upper = zone, &limit
	}
	if lower != nil {
		// A lower limit is an upper one seen in a mirror.
		zone, limit, err := g.zone(m.Value.Neg(), lower.Neg(), w)
		if err != nil {
			return Conformity{}, err
		}
		limit = limit.Neg()
		out.Zone, out.Lower = worseZone(out.Zone, zone), &limit
	}
	if out.Lower != nil && out.Upper != nil && out.Lower.Cmp(*out.Upper) > 0 {
		return Conformity{}, bad("the guard bands leave nothing between %v and %v", *lower, *upper)
	}
	if !m.Stated || m.Expanded.IsZero() {
		return out, nil
	}
	low, high := math.Inf(-1), math.Inf(1)
	if lower != nil {
		low = lower.Float64()
	}
	if upper != nil {
		high = upper.Float64()
	}
	out.Probability, err = Conformance(m.Value.Float64(), m.Expanded.Float64()/m.K, low, high)
	out.Known = err == nil
	return out, err
}

func (g Guard) check(m Measurement, lower, upper *quantity.Decimal) error {
	switch {
	case g.Rule != SimpleAcceptance && g.Rule != GuardBanded && g.Rule != NonBinary:
		return bad("rule %q; %q, %q or %q", g.Rule, SimpleAcceptance, GuardBanded, NonBinary)
	case g.Rule == SimpleAcceptance && g.Percent != 0:
		return bad("simple acceptance has no guard band; %d %% of U is given", g.Percent)
	case g.Rule == NonBinary && g.Percent < 0 || g.Percent < -1000 || g.Percent > 1000:
		return bad("a guard band of %d %% of U", g.Percent)
	case lower == nil && upper == nil:
		return bad("no limit to judge by")
	case lower != nil && upper != nil && lower.Cmp(*upper) >= 0:
		return bad("limits %v to %v; the lower one below the upper one is wanted", *lower, *upper)
	case !m.Stated && g.Rule != SimpleAcceptance:
		return ErrNoUncertainty
	case m.Stated && (m.Expanded.Sign() < 0 || m.Expanded.IsZero() && g.Rule != SimpleAcceptance):
		return bad("expanded uncertainty %v; above 0 is wanted", m.Expanded)
	case m.Stated && !(m.K >= 1 && m.K <= 10):
		return bad("coverage factor %v; 1 to 10 is wanted", m.K)
	}
	return nil
}

// zone judges against an upper limit and returns the acceptance limit.
func (g Guard) zone(y, limit, w quantity.Decimal) (Zone, quantity.Decimal, error) {
	accept, err := limit.Sub(w)
	if err != nil {
		return "", accept, fmt.Errorf("acceptance limit: %w", err)
	}
	reject, err := limit.Add(w)
	if err != nil {
		return "", accept, fmt.Errorf("rejection limit: %w", err)
	}
	switch {
	case y.Cmp(accept) <= 0:
		return Pass, accept, nil
	case g.Rule != NonBinary:
		return Fail, accept, nil
	case y.Cmp(limit) <= 0:
		return ConditionalPass, accept, nil
	case y.Cmp(reject) <= 0:
		return ConditionalFail, accept, nil
	}
	return Fail, accept, nil
}

func worseZone(a, b Zone) Zone {
	for _, z := range []Zone{Fail, ConditionalFail, ConditionalPass} {
		if a == z || b == z {
			return z
		}
	}
	return Pass
}

// RiskAtLimit returns the probability that a result exactly on the acceptance
// limit is wrongly accepted, for a guard band of a percentage of U = k u, one
// limit, normal law: 1 - Phi(w/u). With k 1.96 and w = U it is 2.5 %, with k 2
// it is 2.3 %.
func RiskAtLimit(percent int64, k float64) (float64, error) {
	if err := positive("coverage factor", k); err != nil {
		return 0, err
	}
	if percent < -1000 || percent > 1000 {
		return 0, bad("a guard band of %d %% of U", percent)
	}
	return distuv.UnitNormal.Survival(float64(percent) / 100 * k), nil
}
