package calculator

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
	"linewarden/haccp/sampling"
)

var (
	upperIn = anyNumber("upper", "upper limit").opt()
	lowerIn = anyNumber("lower", "lower limit").opt()
	errEnds = errors.New("give lower, upper or both, such as upper=150")
)

func decisions() []Calculator {
	standardU := above("u", "standard uncertainty of a measurement", plain, math.Inf(1))
	process := inputs(anyNumber("mean", "mean of the true values, taken to be normal"), above("sd", "their standard deviation", plain, math.Inf(1)), standardU)
	return []Calculator{
		{
			Name: "conformance", Asks: "How probable is it that the true value lies within the limits?",
			Inputs:  inputs(anyNumber("measured", "what was measured"), standardU, lowerIn, upperIn),
			Example: call("measured=13.6", "u=1.8", "lower=12.5", "upper=16.3"), Gives: call("within the limits: 66.263 %"),
			run: func(v *values) (answer, error) {
				if !v.has("lower") && !v.has("upper") {
					return answer{}, errEnds
				}
				p, err := sampling.Conformance(v.f("measured"), v.f("u"), v.either("lower", math.Inf(-1)), v.either("upper", math.Inf(1)))
				return rows(share("within the limits", p, conformFormula, jcgm)), err
			},
		},
		{
			Name: "decision-rule", Asks: "What does a decision rule with a guard band say of a result?",
			Inputs: inputs(anyNumber("measured", "what was measured"), above("expanded", "expanded uncertainty U; left out: not stated", plain, math.Inf(1)).opt(), above("k", "its coverage factor", plain, 10).or("2"),
				choice("rule", "ILAC-G8: 4.2.1, 4.2.2 or 4.2.3", "simple", "guard-band", "non-binary"), whole("guard", "guard band in percent of U", -1000, 1000).or("0"), lowerIn, upperIn),
			Example: call("measured=52.1", "expanded=2.5", "rule=non-binary", "guard=100", "lower=50"),
			Gives:   call("under this rule: calc.conditional-pass", "accepted from: 52.500", "within the limits: 95.3521 %"),
			run:     decisionRule,
		},
		{
			Name: "guard-risk", Asks: "How probable is a wrong acceptance on the acceptance limit?",
			Inputs:  inputs(whole("guard", "guard band in percent of U", -1000, 1000), above("k", "coverage factor of U", plain, 10).or("2")),
			Example: call("guard=83", "k=1.96"), Gives: call("risk on the acceptance limit: 5.18898 %"),
			run: func(v *values) (answer, error) {
				p, err := sampling.RiskAtLimit(int64(v.n("guard")), v.f("k"))
				return rows(share("risk on the acceptance limit", p, guardFormula, guardBands)), err
			},
		},
		{
			Name: "global-risk", Asks: "How often does inspection accept what is outside, and reject what is inside?",
			Inputs:  append(inputs(process...), lowerIn, upperIn, anyNumber("accept-lower", "lower acceptance limit; left out: the limit itself").opt(), anyNumber("accept-upper", "upper acceptance limit; left out: the limit itself").opt()),
			Example: call("mean=0", "sd=1", "u=0.5", "lower=-2", "upper=2"),
			Gives:   call("outside the limits before inspection: 4.55003 %", "outside and accepted: 1.23887 %", "inside and rejected: 4.05268 %", "accepted: 92.6362 %", "outside among the accepted: 1.33736 %"),
			run:     globalRisk,
		},
		{
			Name: "acceptance-limit", Asks: "Below which measured value is the consumer's risk small enough?",
			Inputs:  append(inputs(process...), anyNumber("upper", "upper limit"), above("risk", "consumer's risk asked for", percent, 50)),
			Example: call("mean=1", "sd=0.5", "u=0.25", "upper=2", "risk=0.1"),
			Gives:   call("upper acceptance limit: 1.69635"),
			run: func(v *values) (answer, error) {
				limit, err := sampling.UpperAcceptance(v.process(), v.f("u"), v.f("upper"), v.part("risk"))
				return rows(row("upper acceptance limit", made(limit, "", riskFormula, jcgm))), err
			},
		},
	}
}

func (v *values) process() sampling.Process { return distuv.Normal{Mu: v.f("mean"), Sigma: v.f("sd")} }

func globalRisk(v *values) (answer, error) {
	if !v.has("lower") && !v.has("upper") {
		return answer{}, errEnds
	}
	limits := sampling.Span{Lower: v.either("lower", math.Inf(-1)), Upper: v.either("upper", math.Inf(1))}
	if !v.has("lower") {
		limits = sampling.UpTo(v.f("upper"))
	}
	accept := sampling.Span{Lower: v.either("accept-lower", limits.Lower), Upper: v.either("accept-upper", limits.Upper)}
	r, err := sampling.Risk(v.process(), v.f("u"), limits, accept)
	return rows(share("outside the limits before inspection", r.NonConforming, riskFormula, jcgm), share("outside and accepted", r.FalseAccept, riskFormula, jcgm),
		share("inside and rejected", r.FalseReject, riskFormula, jcgm), share("accepted", r.Accepted, riskFormula, jcgm), share("outside among the accepted", r.AmongAccepted, riskFormula, jcgm)), err
}

func decisionRule(v *values) (answer, error) {
	m := sampling.Measurement{K: v.f("k"), Stated: v.has("expanded")}
	var err error
	if m.Value, err = v.decimal("measured"); err != nil {
		return answer{}, err
	}
	if m.Stated {
		if m.Expanded, err = v.decimal("expanded"); err != nil {
			return answer{}, err
		}
	}
	var ends [2]*quantity.Decimal
	for i, name := range []string{"lower", "upper"} {
		if v.has(name) {
			d, err := v.decimal(name)
			if err != nil {
				return answer{}, err
			}
			ends[i] = &d
		}
	}
	if ends[0] == nil && ends[1] == nil {
		return answer{}, errEnds
	}
	rule := map[string]sampling.Rule{"simple": sampling.SimpleAcceptance, "guard-band": sampling.GuardBanded, "non-binary": sampling.NonBinary}[v.word("rule")]
	c, err := sampling.Guard{Rule: rule, Percent: int64(v.n("guard"))}.Judge(m, ends[0], ends[1])
	if err != nil {
		return answer{}, err
	}
	r := formula.Result{Formula: guardFormula, Version: 1, Source: guardBands}
	zone := map[sampling.Zone]string{sampling.Pass: "calc.pass", sampling.ConditionalPass: "calc.conditional-pass", sampling.ConditionalFail: "calc.conditional-fail", sampling.Fail: "calc.fail"}[c.Zone]
	a := rows(Row{Label: "under this rule", Result: r, Is: zone})
	if c.Lower != nil {
		a.rows = append(a.rows, Row{Label: "accepted from", Result: r, Plain: c.Lower.String()})
	}
	if c.Upper != nil {
		a.rows = append(a.rows, Row{Label: "accepted up to", Result: r, Plain: c.Upper.String()})
	}
	if c.Known {
		a.rows = append(a.rows, share("within the limits", c.Probability, conformFormula, jcgm))
	}
	return a, nil
}
