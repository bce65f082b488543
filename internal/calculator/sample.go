package calculator

import (
	"fmt"
	"strings"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
	"linewarden/haccp/sampling"
)

// Formulas of sampling and decision, as they stand in answers.
const (
	acceptanceFormula formula.ID = "probability-of-acceptance"
	sizeFormula       formula.ID = "sample-size"
	planFormula       formula.ID = "smallest-plan"
	lotFormula        formula.ID = "lot-decision"
	conformFormula    formula.ID = "conformance-probability"
	guardFormula      formula.ID = "guard-band"
	riskFormula       formula.ID = "global-risk"
)

// Keys of sources of this file.
const (
	icmsf       = "icmsf-1986"
	jcgm        = "jcgm-106"
	guardBands  = "ilac-g8"
	zeroFailure = "zero-failure"
)

var (
	unitsIn   = whole("n", "sample units", 1, 100000)
	acceptIn  = whole("c", "how many of them may be defective (two classes) or marginal (three); fewer than n", 0, 99999)
	goodPoint = inputs(num("good", "share defective of a good lot", percent, 0.0001, 99), num("good-accepted", "probability with which it is to be accepted", percent, 1, 99.99))
	poorPoint = inputs(num("poor", "share defective of a poor lot", percent, 0.0001, 99), num("poor-accepted", "probability with which it may be accepted", percent, 0.01, 99))
)

// share is a share as percent.
func share(label string, v float64, id formula.ID, source string) Row {
	return row(label, made(100*v, "%", id, source))
}

func samples() []Calculator { return append(append(planAcceptance(), planMaking()...), lots()...) }

func planAcceptance() []Calculator {
	return []Calculator{
		{
			Name: "acceptance", Asks: "With which probability does a plan accept a lot?",
			Inputs: inputs(unitsIn, acceptIn, num("defective", "share defective, or in a three-class plan share above M", percent, 0, 100),
				num("marginal", "share above m up to M: then the plan has three classes", percent, 0, 100).opt(),
				whole("lot", "units in the lot: then the sample is not put back", 1, 1000000).opt()),
			Example: call("n=5", "c=1", "defective=5", "marginal=20"), Gives: call("accepted: 55.3711 %"),
			run: acceptance,
		},
		{
			Name: "defective-at", Asks: "Which share defective does a plan accept with a probability?",
			Inputs:  inputs(unitsIn, acceptIn, num("accepted", "probability of acceptance", percent, 0.01, 99.99)),
			Example: call("n=68", "c=2", "accepted=95"), Gives: call("share defective: 1.21313 %"),
			run: func(v *values) (answer, error) {
				p, err := v.plan().DefectiveAt(v.part("accepted"))
				return rows(share("share defective", p, acceptanceFormula, icmsf)).with(SampleOnly), err
			},
		},
		{
			Name: "lognormal-shares", Asks: "Which shares lie above m and M when counts are log-normal?",
			Inputs:  inputs(anyNumber("mean-log", "mean of the base-10 logarithm of the count"), above("sd-log", "its standard deviation", plain, 10), above("m", "limit m", plain, 1e12), above("most", "limit M", plain, 1e12)),
			Example: call("mean-log=2", "sd-log=0.8", "m=1000", "most=10000"), Gives: call("above m up to M: 9.94401 %", "above M: 0.620967 %"),
			run: func(v *values) (answer, error) {
				marginal, bad, err := sampling.LogNormalShares(v.f("mean-log"), v.f("sd-log"), v.f("m"), v.f("most"))
				return rows(share("above m up to M", marginal, acceptanceFormula, icmsf), share("above M", bad, acceptanceFormula, icmsf)).with(SampleOnly), err
			},
		},
	}
}

func (v *values) plan() sampling.Plan { return sampling.Plan{N: v.n("n"), C: v.n("c")} }

func acceptance(v *values) (answer, error) {
	var p float64
	var err error
	switch {
	case v.has("marginal") && v.has("lot"):
		return answer{}, fmt.Errorf("lot=%s: a three-class plan takes the lot as large against the sample; leave lot or marginal out", v.word("lot"))
	case v.has("marginal"):
		p, err = v.plan().ThreeClassAcceptance(v.part("marginal"), v.part("defective"))
	case v.has("lot"):
		defective := v.part("defective") * v.f("lot")
		whole := int(defective + 0.5)
		if d := defective - float64(whole); d > 1e-9 || d < -1e-9 {
			return answer{}, fmt.Errorf("defective=%s: %v of %d units is no whole number of them", v.word("defective"), Number(defective), v.n("lot"))
		}
		p, err = v.plan().AcceptanceOfLot(v.n("lot"), whole)
	default:
		p, err = v.plan().Acceptance(v.part("defective"))
	}
	return rows(share("accepted", p, acceptanceFormula, icmsf)).with(SampleOnly), err
}

func planMaking() []Calculator {
	sure := num("confidence", "how sure to be", percent, 1, 99.9999)
	return []Calculator{
		{
			Name: "sample-size", Asks: "How many units without a defect show that it is rare?",
			Inputs:  inputs(num("defective", "share to be found or ruled out", percent, 0.0001, 99), sure),
			Example: call("defective=5", "confidence=95"), Gives: call("sample units: 59"),
			run: func(v *values) (answer, error) {
				n, err := sampling.SampleSize(v.part("defective"), v.part("confidence"))
				return rows(row("sample units", count(n, sizeFormula, zeroFailure))).with(SampleOnly), err
			},
		},
		{
			Name: "share-possible", Asks: "What may still be in a lot when no unit of a sample had it?",
			Inputs:  inputs(unitsIn, sure),
			Example: call("n=60", "confidence=95"), Gives: call("share that is possible: 4.87029 %"),
			run: func(v *values) (answer, error) {
				p, err := sampling.SharePossible(v.n("n"), v.part("confidence"))
				return rows(share("share that is possible", p, sizeFormula, zeroFailure)).with(SampleOnly), err
			},
		},
		{
			Name: "smallest-plan", Asks: "Which is the smallest plan that tells a good lot from a poor one?",
			Inputs:  append(append(inputs(goodPoint...), poorPoint...), choice("by", "counting defective units, or measuring a normal quantity of known sigma", "attributes", "variables")),
			Example: call("good=5", "good-accepted=95", "poor=15", "poor-accepted=7.5", "by=attributes"), Gives: call("sample units n: 80", "acceptance number c: 7"),
			run: func(v *values) (answer, error) {
				good := sampling.Point{Defective: v.part("good"), Acceptance: v.part("good-accepted")}
				poor := sampling.Point{Defective: v.part("poor"), Acceptance: v.part("poor-accepted")}
				if v.word("by") == "variables" {
					p, err := sampling.SmallestVariablesPlan(good, poor)
					return rows(row("sample units n", count(p.N, planFormula, "nist-ehandbook")), row("acceptance constant k", made(p.K, "", planFormula, "nist-ehandbook"))).with(SampleOnly), err
				}
				p, err := sampling.SmallestPlan(good, poor)
				return rows(row("sample units n", count(p.N, planFormula, "nist-ehandbook")), row("acceptance number c", count(p.C, planFormula, "nist-ehandbook"))).with(SampleOnly), err
			},
		},
	}
}

func lots() []Calculator {
	return []Calculator{
		{
			Name: "lot-results", Asks: "What do results say of a lot under a plan?",
			Inputs: inputs(unitsIn, acceptIn, words("results", "one result a unit in the unit of the limits, \"<10\" and \">1000\" as the laboratory writes them; quote them for the shell"),
				num("m", "limit m", plain, 0, 1e15), num("most", "limit M: then the plan has three classes", plain, 0, 1e15).opt()),
			Example: call("n=5", "c=2", "results=<10,100,230,40", "m=100", "most=1000"),
			Gives:   call("under this plan: calc.no-verdict", "why: 1 of 5 results are missing", "results: 4", "missing: 1", "above m: 1", "above M: 0", "undecided: 0"),
			run:     lotResults,
		},
		{
			Name: "lot-detected", Asks: "What does presence or absence in each unit say of a lot under a plan?",
			Inputs:  inputs(unitsIn, acceptIn, words("detected", "yes or no for each unit")),
			Example: call("n=5", "c=0", "detected=no,yes,no"), Gives: call("under this plan: calc.rejected", "why: 1 detected, more than c = 0"),
			run: func(v *values) (answer, error) {
				var detected []bool
				for i, w := range v.wordList("detected") {
					if w != yesWord && w != noWord {
						return answer{}, fmt.Errorf("detected: unit %d is %q: yes or no is wanted", i+1, w)
					}
					detected = append(detected, w == yesWord)
				}
				d, err := sampling.DecideDetected(v.plan(), detected)
				return decision(d), err
			},
		},
	}
}

// decision is the verdict on a lot under a plan with its reason.
func decision(d sampling.Decision) answer {
	is := map[sampling.Verdict]string{sampling.Accept: "calc.accepted-plan", sampling.Reject: "calc.rejected", sampling.NoVerdict: "calc.no-verdict"}[d.Verdict]
	r := formula.Result{Formula: lotFormula, Version: 1, Source: icmsf}
	return rows(Row{Label: "under this plan", Result: r, Is: is}, Row{Label: "why", Result: r, Plain: d.Why}).with(SampleOnly)
}

func lotResults(v *values) (answer, error) {
	c := sampling.Criterion{Plan: v.plan(), ThreeClass: v.has("most")}
	var err error
	if c.Limit, err = v.decimal("m"); err != nil {
		return answer{}, err
	}
	if c.ThreeClass {
		if c.Most, err = v.decimal("most"); err != nil {
			return answer{}, err
		}
	}
	var results []sampling.Result
	for i, w := range v.wordList("results") {
		r := sampling.Result{}
		number := strings.TrimSpace(w)
		for _, s := range []sampling.Sign{sampling.Below, sampling.Above} {
			if rest, ok := strings.CutPrefix(number, string(s)); ok {
				r.Sign, number = s, strings.TrimSpace(rest)
			}
		}
		if r.Value, err = quantity.ParseDecimal(number); err != nil {
			return answer{}, fmt.Errorf("results: unit %d: %w", i+1, err)
		}
		results = append(results, r)
	}
	d, err := sampling.Decide(c, results)
	if err != nil {
		return answer{}, err
	}
	a := decision(d)
	counts := []struct {
		label string
		n     int
	}{{"results", d.Results}, {"missing", d.Missing}, {"above m", d.Marginal}, {"above M", d.Bad}, {"undecided", d.Open}}
	for _, n := range counts {
		a.rows = append(a.rows, row(n.label, count(n.n, lotFormula, icmsf)))
	}
	return a, nil
}
