package sampling

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// maxN is the largest sample a plan may ask for.
const maxN = 100000

// A Plan takes N sample units and accepts the lot where at most C of them are
// defective (two classes) or marginal (three classes, where none may be worse).
type Plan struct {
	N, C int
}

func (p Plan) check() error {
	if p.N < 1 || p.N > maxN || p.C < 0 || p.C >= p.N {
		return bad("plan n %d, c %d; n of 1 to %d and c from 0 to n-1 are wanted", p.N, p.C, maxN)
	}
	return nil
}

// Acceptance returns the probability that a lot with share defective (0 to 1) is
// accepted by a two-class plan, where the lot is large against the sample:
// sum over i of 0 to c of C(n,i) p^i (1-p)^(n-i). (ICMSF, Microorganisms in
// Foods 2, 1986.)
func (p Plan) Acceptance(defective float64) (float64, error) {
	if err := p.check(); err != nil {
		return 0, err
	}
	if err := share("share defective", defective); err != nil {
		return 0, err
	}
	return p.sum(defective, 1-defective), nil
}

// ThreeClassAcceptance returns the probability that a lot with share marginal
// (above m up to M) and share bad (above M), together at most 1, is accepted by
// a three-class plan: sum over i of 0 to c of C(n,i) pm^i (1-pm-pM)^(n-i). With
// nothing marginal it is that of the two-class plan with c 0.
func (p Plan) ThreeClassAcceptance(marginal, badShare float64) (float64, error) {
	if err := p.check(); err != nil {
		return 0, err
	}
	if err := share("share marginal", marginal); err != nil {
		return 0, err
	}
	if err := share("share above M", badShare); err != nil {
		return 0, err
	}
	good := 1 - marginal - badShare
	if good < -1e-12 {
		return 0, bad("shares marginal %v and above M %v are more than all", marginal, badShare)
	}
	return p.sum(marginal, math.Max(0, good)), nil
}

// sum adds C(n,i) a^i b^(n-i) for i up to c.
func (p Plan) sum(a, b float64) float64 {
	total := 0.0
	for i := 0; i <= p.C; i++ {
		total += math.Exp(logChoose(p.N, i) + power(a, i) + power(b, p.N-i))
	}
	return math.Min(1, total)
}

// power returns ln(x^k), 0 for k of 0 even where x is 0.
func power(x float64, k int) float64 {
	if k == 0 {
		return 0
	}
	return float64(k) * math.Log(x)
}

// logChoose returns ln C(n,k).
func logChoose(n, k int) float64 {
	if k < 40 {
		c := 0.0
		for i := range k {
			c += math.Log(float64(n-i) / float64(i+1))
		}
		return c
	}
	a, _ := math.Lgamma(float64(n + 1))
	b, _ := math.Lgamma(float64(k + 1))
	d, _ := math.Lgamma(float64(n - k + 1))
	return a - b - d
}

// AcceptanceOfLot returns the probability that a lot of so many units, so many
// of them defective, is accepted by a two-class plan (hypergeometric: the sample
// is not put back).
func (p Plan) AcceptanceOfLot(units, defective int) (float64, error) {
	if err := p.check(); err != nil {
		return 0, err
	}
	if units < p.N || units > 100*maxN || defective < 0 || defective > units {
		return 0, bad("lot of %d with %d defective, sample of %d; a lot no smaller than the sample is wanted", units, defective, p.N)
	}
	total := 0.0
	for i := 0; i <= min(p.C, defective); i++ {
		if p.N-i <= units-defective {
			total += math.Exp(logChoose(defective, i) + logChoose(units-defective, p.N-i) - logChoose(units, p.N))
		}
	}
	return math.Min(1, total), nil
}

// DefectiveAt returns the share defective that a two-class plan accepts with the
// given probability, above 0 and below 1: at 0.95 the acceptable quality level,
// at 0.05 or 0.10 the rejectable one. It is good to 1e-12.
func (p Plan) DefectiveAt(acceptance float64) (float64, error) {
	if err := p.check(); err != nil {
		return 0, err
	}
	if err := inside("probability of acceptance", acceptance); err != nil {
		return 0, err
	}
	low, high := 0.0, 1.0
	for range 60 {
		mid := (low + high) / 2
		if p.sum(mid, 1-mid) > acceptance {
			low = mid
		} else {
			high = mid
		}
	}
	return low + (high-low)/2, nil
}

// SampleSize returns how many units, all found free of a defect, show with a
// confidence above 0 and below 1 that less than a share of the lot has it; which
// is also how many find it with that probability: the least n with
// (1-share)^n <= 1-confidence. The lot is taken as large against the sample.
func SampleSize(shareDefective, confidence float64) (int, error) {
	if err := inside("share", shareDefective); err != nil {
		return 0, err
	}
	if err := inside("confidence", confidence); err != nil {
		return 0, err
	}
	exact := math.Log1p(-confidence) / math.Log1p(-shareDefective)
	n := math.Ceil(exact - 1e-9)
	if n > maxN {
		return 0, bad("%.0f units would be needed; more than %d are no plan", n, maxN)
	}
	return max(1, int(n)), nil
}

// SharePossible returns the share defective that may still be in a lot, with a
// confidence above 0 and below 1, when n units of it were all free of the
// defect: 1 - (1-confidence)^(1/n).
func SharePossible(n int, confidence float64) (float64, error) {
	if n < 1 || n > maxN {
		return 0, bad("%d units; 1 to %d are wanted", n, maxN)
	}
	if err := inside("confidence", confidence); err != nil {
		return 0, err
	}
	return -math.Expm1(math.Log1p(-confidence) / float64(n)), nil
}

// A Point of an operating characteristic: a share defective and the probability
// that a lot with it is accepted.
type Point struct {
	Defective, Acceptance float64
}

func checkPoints(good, poor Point) error {
	for _, err := range []error{
		inside("good share", good.Defective), inside("good probability", good.Acceptance),
		inside("poor share", poor.Defective), inside("poor probability", poor.Acceptance),
	} {
		if err != nil {
			return err
		}
	}
	if good.Defective >= poor.Defective || good.Acceptance <= poor.Acceptance {
		return bad("the good lot must have the lower share and the higher probability")
	}
	return nil
}

// SmallestPlan returns the two-class plan of the smallest n that accepts a good
// lot with at least its probability and a poor one with at most its own.
func SmallestPlan(good, poor Point) (Plan, error) {
	if err := checkPoints(good, poor); err != nil {
		return Plan{}, err
	}
	const most = 5000
	n := 1
	for c := range most {
		for n = max(n, c+1); ; n++ {
			if n > most {
				return Plan{}, bad("no plan of up to %d units tells the two shares apart", most)
			}
			if (Plan{n, c}).sum(poor.Defective, 1-poor.Defective) <= poor.Acceptance {
				break
			}
		}
		if p := (Plan{n, c}); p.sum(good.Defective, 1-good.Defective) >= good.Acceptance {
			return p, nil
		}
	}
	return Plan{}, bad("no plan of up to %d units tells the two shares apart", most)
}

// A VariablesPlan takes N measurements of a normal quantity with known sigma and
// accepts where their mean lies K sigma or more inside the limit.
type VariablesPlan struct {
	N int
	K float64
}

// SmallestVariablesPlan returns the plan of the smallest n that meets both
// points, sigma known, one limit: n = ((z(a)+z(b))/(z(p1)-z(p2)))^2 rounded up,
// with K = z(p1) - z(a)/sqrt(n), which keeps the good lot's probability and gives
// the poor lot the gain of rounding n up.
func SmallestVariablesPlan(good, poor Point) (VariablesPlan, error) {
	if err := checkPoints(good, poor); err != nil {
		return VariablesPlan{}, err
	}
	z := distuv.UnitNormal.Quantile
	accept, reject := z(good.Acceptance), z(1-poor.Acceptance)
	first, second := z(1-good.Defective), z(1-poor.Defective)
	root := (accept + reject) / (first - second)
	if root*root > maxN {
		return VariablesPlan{}, bad("no plan of up to %d units tells the two shares apart", maxN)
	}
	n := math.Ceil(root*root - 1e-9)
	return VariablesPlan{N: int(n), K: first - accept/math.Sqrt(n)}, nil
}

// LogNormalShares returns the shares marginal and bad where the base-10
// logarithm of the count is normal with a mean and a standard deviation above 0,
// for limits m below M, above 0.
func LogNormalShares(meanLog, sdLog, m, most float64) (marginal, badShare float64, err error) {
	for _, err := range []error{positive("standard deviation", sdLog), positive("m", m), positive("M", most)} {
		if err != nil {
			return 0, 0, err
		}
	}
	if m >= most || math.IsNaN(meanLog) || math.IsInf(meanLog, 0) {
		return 0, 0, bad("mean %v, m %v, M %v; a finite mean and m below M are wanted", meanLog, m, most)
	}
	above := func(x float64) float64 { return distuv.UnitNormal.Survival((math.Log10(x) - meanLog) / sdLog) }
	badShare = above(most)
	return above(m) - badShare, badShare, nil
}
