package sampling_test

import (
	"errors"
	"math"
	"testing"

	"gonum.org/v1/gonum/stat/combin"
	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	"linewarden/haccp/quantity"
	"linewarden/haccp/sampling"
)

var dec = quantity.MustDecimal

// results reads "100", "<10", ">300".
func results(texts ...string) []sampling.Result {
	var out []sampling.Result
	for _, t := range texts {
		r := sampling.Result{}
		if t[0] == '<' || t[0] == '>' {
			r.Sign, t = sampling.Sign(t[:1]), t[1:]
		}
		r.Value = dec(t)
		out = append(out, r)
	}
	return out
}

// Limits m 100 and M 1000, n 5, c 2: what a reviewer tries first.
func TestLots(t *testing.T) {
	three := sampling.Criterion{Plan: sampling.Plan{N: 5, C: 2}, ThreeClass: true, Limit: dec("100"), Most: dec("1000")}
	two := sampling.Criterion{Plan: sampling.Plan{N: 5, C: 1}, Limit: dec("100")}
	for name, c := range map[string]struct {
		criterion sampling.Criterion
		results   []sampling.Result
		want      sampling.Verdict
		marginal  int
		bad, open int
	}{
		"all equal to m":                 {three, results("100", "100.0", "100", "100", "100"), sampling.Accept, 0, 0, 0},
		"one equal to M":                 {three, results("1000", "10", "10", "10", "10"), sampling.Accept, 1, 0, 0},
		"one just above M":               {three, results("1000.1", "10", "10", "10", "10"), sampling.Reject, 0, 1, 0},
		"one just above m":               {three, results("100.0001", "10", "10", "10", "10"), sampling.Accept, 1, 0, 0},
		"c between m and M":              {three, results("101", "500", "10", "10", "10"), sampling.Accept, 2, 0, 0},
		"c+1 between m and M":            {three, results("101", "500", "999", "10", "10"), sampling.Reject, 3, 0, 0},
		"below what is read":             {three, results("<10", "<10", "<10", "<10", "<10"), sampling.Accept, 0, 0, 0},
		"below m itself":                 {three, results("<100", "<100", "<100", "<100", "<100"), sampling.Accept, 0, 0, 0},
		"below something above m":        {three, results("<500", "<10", "<10", "<10", "<10"), sampling.Accept, 0, 0, 1},
		"three of them":                  {three, results("<500", "<500", "<500", "<10", "<10"), sampling.NoVerdict, 0, 0, 3},
		"below something above M":        {three, results("<5000", "10", "10", "10", "10"), sampling.NoVerdict, 0, 0, 1},
		"above something below m":        {three, results(">50", "10", "10", "10", "10"), sampling.NoVerdict, 0, 0, 1},
		"above something below M":        {three, results(">300", "10", "10", "10", "10"), sampling.NoVerdict, 0, 0, 1},
		"above M":                        {three, results(">1000", "10", "10", "10", "10"), sampling.Reject, 0, 1, 0},
		"one missing":                    {three, results("10", "10", "10", "10"), sampling.NoVerdict, 0, 0, 0},
		"one missing, one above M":       {three, results("2000", "10", "10", "10"), sampling.Reject, 0, 1, 0},
		"none there":                     {three, nil, sampling.NoVerdict, 0, 0, 0},
		"two classes, c":                 {two, results("101", "10", "10", "10", "100"), sampling.Accept, 1, 0, 0},
		"two classes, c+1":               {two, results("101", "9999", "10", "10", "100"), sampling.Reject, 2, 0, 0},
		"two classes, over range":        {two, results(">100", ">300", "10", "10", "10"), sampling.Reject, 2, 0, 0},
		"two classes, over a low range":  {two, results(">50", ">50", "10", "10", "10"), sampling.NoVerdict, 0, 0, 2},
		"two classes, open but harmless": {two, results(">50", "10", "10", "10", "10"), sampling.Accept, 0, 0, 1},
	} {
		d, err := sampling.Decide(c.criterion, c.results)
		if err != nil || d.Verdict != c.want || d.Marginal != c.marginal || d.Bad != c.bad || d.Open != c.open || d.Why == "" {
			t.Errorf("%s: %+v, %v", name, d, err)
		}
	}
	for name, f := range map[string]func() error{
		"more results than n": func() error { _, err := sampling.Decide(two, results("1", "1", "1", "1", "1", "1")); return err },
		"negative":            func() error { _, err := sampling.Decide(two, results("-1")); return err },
		"M not above m": func() error {
			c := three
			c.Most = dec("100")
			_, err := sampling.Decide(c, nil)
			return err
		},
		"sign": func() error {
			_, err := sampling.Decide(two, []sampling.Result{{Sign: "~", Value: dec("1")}})
			return err
		},
		"plan": func() error { _, err := sampling.Decide(sampling.Criterion{}, nil); return err },
	} {
		if err := f(); !errors.Is(err, sampling.ErrInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// drawnResult is a count about the limits 100 and 1000, often on them.
func drawnResult(t *rapid.T) sampling.Result {
	return sampling.Result{
		Sign:  rapid.SampledFrom([]sampling.Sign{sampling.Exact, sampling.Exact, sampling.Below, sampling.Above}).Draw(t, "sign"),
		Value: dec(rapid.SampledFrom([]string{"0", "10", "99.9", "100", "100.1", "500", "1000", "1000.5", "20000"}).Draw(t, "value")),
	}
}

// Whatever the open and missing results turn out to be, a verdict given stands.
func TestAVerdictStands(t *testing.T) {
	possible := func(r sampling.Result) []sampling.Result {
		var out []sampling.Result
		for _, v := range []string{"0", "100", "100.05", "700", "1000", "1000.2", "90000"} {
			cmp := dec(v).Cmp(r.Value)
			if r.Sign == sampling.Exact && cmp == 0 || r.Sign == sampling.Below && cmp < 0 || r.Sign == sampling.Above && cmp > 0 {
				out = append(out, sampling.Result{Value: dec(v)})
			}
		}
		if len(out) == 0 {
			out = []sampling.Result{{Value: r.Value}}
		}
		return out
	}
	rapid.Check(t, func(t *rapid.T) {
		c := sampling.Criterion{
			Plan:       sampling.Plan{N: 4, C: rapid.IntRange(0, 3).Draw(t, "c")},
			ThreeClass: rapid.Bool().Draw(t, "three"), Limit: dec("100"), Most: dec("1000"),
		}
		list := rapid.SliceOfN(rapid.Custom(drawnResult), 0, 4).Draw(t, "results")
		before, err := sampling.Decide(c, list)
		if err != nil {
			t.Fatal(err)
		}
		var settled []sampling.Result
		for _, r := range list {
			settled = append(settled, rapid.SampledFrom(possible(r)).Draw(t, "true"))
		}
		for len(settled) < 4 {
			settled = append(settled, sampling.Result{Value: dec(rapid.SampledFrom([]string{"0", "500", "5000"}).Draw(t, "missing"))})
		}
		after, err := sampling.Decide(c, settled)
		if err != nil || after.Verdict == sampling.NoVerdict {
			t.Fatalf("%+v, %v", after, err)
		}
		if before.Verdict != sampling.NoVerdict && before.Verdict != after.Verdict {
			t.Fatalf("%v before, %v after: %+v, %+v", before, after, list, settled)
		}
	})
}

// The probability of acceptance is what Decide does over all lots of results.
func TestAcceptanceIsWhatDecideDoes(t *testing.T) {
	const marginal, bad = 0.2, 0.05
	for c := range 4 {
		criterion := sampling.Criterion{Plan: sampling.Plan{N: 4, C: c}, ThreeClass: true, Limit: dec("100"), Most: dec("1000")}
		classes := []sampling.Result{{Value: dec("1")}, {Value: dec("500")}, {Value: dec("5000")}}
		chances := []float64{1 - marginal - bad, marginal, bad}
		total := 0.0
		for _, way := range combin.Cartesian([]int{3, 3, 3, 3}) {
			p, list := 1.0, []sampling.Result(nil)
			for _, k := range way {
				p, list = p*chances[k], append(list, classes[k])
			}
			d, err := sampling.Decide(criterion, list)
			if err != nil {
				t.Fatal(err)
			}
			if d.Verdict == sampling.Accept {
				total += p
			}
		}
		got, err := criterion.ThreeClassAcceptance(marginal, bad)
		if err != nil || math.Abs(got-total) > 1e-12 {
			t.Errorf("c %d: %v, over all ways %v, %v", c, got, total, err)
		}
	}
}

func TestAcceptanceFallsAndInverts(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 300).Draw(t, "n")
		p := sampling.Plan{N: n, C: rapid.IntRange(0, min(n-1, 60)).Draw(t, "c")}
		a, b := rapid.Float64Range(0, 1).Draw(t, "a"), rapid.Float64Range(0, 1).Draw(t, "b")
		low, err := p.Acceptance(math.Min(a, b))
		high, err2 := p.Acceptance(math.Max(a, b))
		if err := errors.Join(err, err2); err != nil || high > low+1e-12 {
			t.Fatalf("%+v: %v at %v and %v, %v", p, []float64{low, high}, math.Min(a, b), math.Max(a, b), err)
		}
		if want := (distuv.Binomial{N: float64(n), P: math.Min(a, b)}).CDF(float64(p.C)); math.Abs(low-want) > 1e-9 {
			t.Fatalf("%+v at %v: %v, the library has %v", p, math.Min(a, b), low, want)
		}
		chance := rapid.Float64Range(0.001, 0.999).Draw(t, "chance")
		at, err := p.DefectiveAt(chance)
		back, err2 := p.Acceptance(at)
		if err := errors.Join(err, err2); err != nil || math.Abs(back-chance) > 1e-9 {
			t.Fatalf("%v gives %v, which gives %v, %v", chance, at, back, err)
		}
		// A large lot is as good as an infinite one.
		large, err := p.AcceptanceOfLot(8_000_000, int(8_000_000*a))
		whole, err2 := p.Acceptance(float64(int(8_000_000*a)) / 8_000_000)
		if err := errors.Join(err, err2); err != nil || math.Abs(large-whole) > 1e-3 {
			t.Fatalf("lot %v, binomial %v, %v", large, whole, err)
		}
		// Three classes with nothing above M are two classes.
		three, err := p.ThreeClassAcceptance(a, 0)
		two, err2 := p.Acceptance(a)
		if err := errors.Join(err, err2); err != nil || math.Abs(three-two) > 1e-12 {
			t.Fatalf("%v against %v, %v", three, two, err)
		}
	})
}

func TestSampleSizeIsTheLeast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		share, confidence := rapid.Float64Range(0.001, 0.9).Draw(t, "share"), rapid.Float64Range(0.1, 0.999).Draw(t, "confidence")
		n, err := sampling.SampleSize(share, confidence)
		if err != nil {
			t.Fatal(err)
		}
		if math.Pow(1-share, float64(n)) > (1-confidence)*(1+1e-8) || n > 1 && math.Pow(1-share, float64(n-1)) <= (1-confidence)*(1-1e-8) {
			t.Fatalf("n %d for %v at %v", n, share, confidence)
		}
		p, err := sampling.SharePossible(n, confidence)
		if err != nil || p > share*(1+1e-8) {
			t.Fatalf("n %d leaves %v possible, not below %v: %v", n, p, share, err)
		}
	})
}

// The guard band lies inside the limit on both sides, and is applied once.
func TestGuardBandSides(t *testing.T) {
	low, high := dec("50"), dec("100")
	m := sampling.Measurement{Value: dec("55"), Stated: true, Expanded: dec("5"), K: 2}
	g := sampling.Guard{Rule: sampling.GuardBanded, Percent: 100}
	c, err := g.Judge(m, &low, &high)
	if err != nil || c.Zone != sampling.Pass || c.Lower.Cmp(dec("55")) != 0 || c.Upper.Cmp(dec("95")) != 0 {
		t.Fatalf("%+v, %v", c, err)
	}
	for value, want := range map[string]sampling.Zone{
		"54.9": sampling.Fail, "50": sampling.Fail, "45": sampling.Fail, "95": sampling.Pass, "95.1": sampling.Fail, "105": sampling.Fail,
	} {
		m.Value = dec(value)
		if c, err := g.Judge(m, &low, &high); err != nil || c.Zone != want {
			t.Errorf("%s: %+v, %v", value, c, err)
		}
	}
	// Decimals as written: 0.3 less 0.1 is 0.2 exactly.
	limit := dec("0.3")
	m = sampling.Measurement{Value: dec("0.2"), Stated: true, Expanded: dec("0.1"), K: 2}
	if c, err := g.Judge(m, nil, &limit); err != nil || c.Zone != sampling.Pass {
		t.Errorf("0.2 under 0.3 less 0.1: %+v, %v", c, err)
	}
	// An uncritical limit is moved the other way.
	m.Value = dec("0.4")
	if c, err := (sampling.Guard{Rule: sampling.GuardBanded, Percent: -100}).Judge(m, nil, &limit); err != nil || c.Zone != sampling.Pass {
		t.Errorf("%+v, %v", c, err)
	}
}

func TestNoGuardedVerdictWithoutUncertainty(t *testing.T) {
	limit := dec("10")
	m := sampling.Measurement{Value: dec("1")}
	for _, rule := range []sampling.Rule{sampling.GuardBanded, sampling.NonBinary} {
		if _, err := (sampling.Guard{Rule: rule, Percent: 100}).Judge(m, nil, &limit); !errors.Is(err, sampling.ErrNoUncertainty) {
			t.Errorf("%s: %v", rule, err)
		}
	}
	c, err := sampling.Guard{Rule: sampling.SimpleAcceptance}.Judge(m, nil, &limit)
	if err != nil || c.Zone != sampling.Pass || c.Known {
		t.Errorf("simple acceptance: %+v, %v", c, err)
	}
}

func TestRefusals(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	limit, wide := dec("10"), sampling.Measurement{Value: dec("1"), Stated: true, Expanded: dec("6"), K: 2}
	lower := dec("1")
	plan := sampling.Plan{N: 5, C: 1}
	good, poor := sampling.Point{Defective: 0.05, Acceptance: 0.95}, sampling.Point{Defective: 0.15, Acceptance: 0.1}
	first := func(_ any, err error) error { return err }
	judge := func(g sampling.Guard, m sampling.Measurement, low, high *quantity.Decimal) error {
		return first(g.Judge(m, low, high))
	}
	binary := sampling.Guard{Rule: sampling.GuardBanded, Percent: 100}
	k0, u0 := wide, wide
	k0.K, u0.Expanded = 0, dec("0")
	_, _, logErr := sampling.LogNormalShares(nan, 0.8, 1, 10)
	_, _, logErr2 := sampling.LogNormalShares(1, 0.8, 10, 10)
	for name, err := range map[string]error{
		"n 0":                    first(sampling.Plan{}.Acceptance(0.1)),
		"c not below n":          first(sampling.Plan{N: 5, C: 5}.Acceptance(0.1)),
		"share above 1":          first(plan.Acceptance(1.1)),
		"share no number":        first(plan.Acceptance(nan)),
		"shares above 1":         first(plan.ThreeClassAcceptance(0.6, 0.5)),
		"lot below the sample":   first(plan.AcceptanceOfLot(4, 0)),
		"more defective":         first(plan.AcceptanceOfLot(10, 11)),
		"acceptance 1":           first(plan.DefectiveAt(1)),
		"size for share 0":       first(sampling.SampleSize(0, 0.95)),
		"size for confidence 1":  first(sampling.SampleSize(0.1, 1)),
		"size without end":       first(sampling.SampleSize(1e-9, 0.95)),
		"no units":               first(sampling.SharePossible(0, 0.95)),
		"points turned round":    first(sampling.SmallestPlan(poor, good)),
		"points alike":           first(sampling.SmallestVariablesPlan(good, good)),
		"points too near":        first(sampling.SmallestPlan(sampling.Point{Defective: 0.1, Acceptance: 0.95}, sampling.Point{Defective: 0.1001, Acceptance: 0.05})),
		"mean no number":         logErr,
		"m not below M":          logErr2,
		"u 0":                    first(sampling.Conformance(1, 0, 0, 2)),
		"y no number":            first(sampling.Conformance(nan, 1, 0, 2)),
		"limits turned round":    first(sampling.Conformance(1, 1, 2, 0)),
		"no limit":               judge(binary, wide, nil, nil),
		"rule":                   judge(sampling.Guard{}, wide, nil, &limit),
		"simple with a band":     judge(sampling.Guard{Rule: sampling.SimpleAcceptance, Percent: 10}, wide, nil, &limit),
		"non-binary below 0":     judge(sampling.Guard{Rule: sampling.NonBinary, Percent: -10}, wide, nil, &limit),
		"k 0":                    judge(binary, k0, nil, &limit),
		"U 0":                    judge(binary, u0, nil, &limit),
		"bands leave nothing":    judge(binary, wide, &lower, &limit),
		"limits the wrong way":   judge(binary, wide, &limit, &lower),
		"risk without u":         first(sampling.Risk(distuv.UnitNormal, 0, sampling.UpTo(1), sampling.UpTo(1))),
		"risk without a span":    first(sampling.Risk(distuv.UnitNormal, 1, sampling.Span{Lower: 1, Upper: 1}, sampling.UpTo(1))),
		"risk asked for is more": first(sampling.UpperAcceptance(distuv.UnitNormal, 0.1, 1, 0.5)),
		"k infinite":             first(sampling.RiskAtLimit(100, inf)),
		"band of 2000 %":         first(sampling.RiskAtLimit(2000, 2)),
	} {
		if !errors.Is(err, sampling.ErrInput) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// All risk is shared out: accepted and rejected, right and wrong, make one.
func TestRiskAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		limit := rapid.Float64Range(0.5, 3).Draw(t, "limit")
		u := rapid.Float64Range(0.02, 1).Draw(t, "u")
		factor := rapid.Float64Range(0.5, 1.2).Draw(t, "factor")
		limits, acceptance := sampling.Span{Lower: -limit, Upper: limit}, sampling.Span{Lower: -limit * factor, Upper: limit * factor}
		r, err := sampling.Risk(distuv.UnitNormal, u, limits, acceptance)
		if err != nil {
			t.Fatal(err)
		}
		// Accepted rightly and rejected wrongly are all that conforms.
		if all := r.Accepted - r.FalseAccept + r.FalseReject + r.NonConforming; math.Abs(all-1) > 1e-9 {
			t.Fatalf("%+v make %v", r, all)
		}
		// What is measured is normal with the variances added.
		sigma := math.Hypot(1, u)
		if want := 1 - 2*distuv.UnitNormal.Survival(limit*factor/sigma); math.Abs(r.Accepted-want) > 1e-9 {
			t.Fatalf("accepted %v, want %v", r.Accepted, want)
		}
	})
}
