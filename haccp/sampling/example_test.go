package sampling_test

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"linewarden/haccp/quantity"
	"linewarden/haccp/sampling"
)

func show(err error) {
	if err != nil {
		fmt.Println(err)
	}
}

func ExamplePlan_Acceptance() {
	p, err := sampling.Plan{N: 5, C: 0}.Acceptance(0.05)
	show(err)
	fmt.Printf("a lot with 5 %% defective is accepted with probability %.2f\n", p)
	// Output: a lot with 5 % defective is accepted with probability 0.77
}

func ExamplePlan_ThreeClassAcceptance() {
	p, err := sampling.Plan{N: 5, C: 1}.ThreeClassAcceptance(0.20, 0.05)
	show(err)
	fmt.Printf("%.2f\n", p)
	// Output: 0.55
}

func ExamplePlan_AcceptanceOfLot() {
	p, err := sampling.Plan{N: 5, C: 0}.AcceptanceOfLot(50, 5)
	show(err)
	fmt.Printf("%.3f\n", p)
	// Output: 0.577
}

func ExamplePlan_DefectiveAt() {
	p, err := sampling.Plan{N: 68, C: 2}.DefectiveAt(0.95)
	show(err)
	fmt.Printf("%.3f %%\n", 100*p)
	// Output: 1.213 %
}

func ExampleSampleSize() {
	n, err := sampling.SampleSize(0.05, 0.95)
	show(err)
	fmt.Println(n)
	// Output: 59
}

func ExampleSharePossible() {
	p, err := sampling.SharePossible(60, 0.95)
	show(err)
	fmt.Printf("none in 60: up to %.1f %% of the lot may have it\n", 100*p)
	// Output: none in 60: up to 4.9 % of the lot may have it
}

func ExampleSmallestPlan() {
	p, err := sampling.SmallestPlan(sampling.Point{Defective: 0.05, Acceptance: 0.95}, sampling.Point{Defective: 0.15, Acceptance: 0.075})
	show(err)
	fmt.Printf("n %d, c %d\n", p.N, p.C)
	// Output: n 80, c 7
}

func ExampleSmallestVariablesPlan() {
	p, err := sampling.SmallestVariablesPlan(sampling.Point{Defective: 0.05, Acceptance: 0.95}, sampling.Point{Defective: 0.15, Acceptance: 0.075})
	show(err)
	fmt.Printf("n %d, k %.4f\n", p.N, p.K)
	// Output: n 26, k 1.3223
}

func ExampleLogNormalShares() {
	marginal, bad, err := sampling.LogNormalShares(2, 0.8, 1000, 10000)
	show(err)
	fmt.Printf("%.3f marginal, %.4f above M\n", marginal, bad)
	// Output: 0.099 marginal, 0.0062 above M
}

func ExampleDecide() {
	c := sampling.Criterion{
		Plan: sampling.Plan{N: 5, C: 2}, ThreeClass: true,
		Limit: quantity.MustDecimal("100"), Most: quantity.MustDecimal("1000"),
	}
	d, err := sampling.Decide(c, []sampling.Result{
		{Sign: sampling.Below, Value: quantity.MustDecimal("10")},
		{Value: quantity.MustDecimal("100")},
		{Value: quantity.MustDecimal("230")},
		{Value: quantity.MustDecimal("40")},
	})
	show(err)
	fmt.Printf("%s: %s\n", d.Verdict, d.Why)
	// Output: no verdict: 1 of 5 results are missing
}

func ExampleDecideDetected() {
	d, err := sampling.DecideDetected(sampling.Plan{N: 5, C: 0}, []bool{false, true, false})
	show(err)
	fmt.Printf("%s: %s\n", d.Verdict, d.Why)
	// Output: rejected under the plan: 1 detected, more than c = 0
}

func ExampleConformance() {
	p, err := sampling.Conformance(13.6, 1.8, 12.5, 16.3)
	show(err)
	fmt.Printf("%.2f\n", p)
	// Output: 0.66
}

func ExampleGuard_Judge() {
	least := quantity.MustDecimal("50")
	m := sampling.Measurement{Value: quantity.MustDecimal("52.1"), Stated: true, Expanded: quantity.MustDecimal("2.5"), K: 2}
	c, err := sampling.Guard{Rule: sampling.NonBinary, Percent: 100}.Judge(m, &least, nil)
	show(err)
	fmt.Printf("%s (accepted from %s), conforms with probability %.3f\n", c.Zone, c.Lower, c.Probability)
	// Output: conditional pass (accepted from 52.500), conforms with probability 0.954
}

func ExampleRiskAtLimit() {
	p, err := sampling.RiskAtLimit(83, 1.96)
	show(err)
	fmt.Printf("%.1f %%\n", 100*p)
	// Output: 5.2 %
}

func ExampleUpTo() {
	fmt.Println(sampling.UpTo(2).Lower == math.Inf(-1))
	// Output: true
}

func ExampleRisk() {
	r, err := sampling.Risk(distuv.Gamma{Alpha: 4, Beta: 4}, 0.25, sampling.UpTo(2), sampling.UpTo(2))
	show(err)
	fmt.Printf("consumer %.4f, producer %.4f\n", r.FalseAccept, r.FalseReject)
	// Output: consumer 0.0080, producer 0.0174
}

func ExampleUpperAcceptance() {
	limit, err := sampling.UpperAcceptance(distuv.Gamma{Alpha: 4, Beta: 4}, 0.25, 2, 0.001)
	show(err)
	fmt.Printf("%.3f\n", limit)
	// Output: 1.672
}
