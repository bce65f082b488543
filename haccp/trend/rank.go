package trend

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// A Monotone is the Mann-Kendall test of a series for a trend that only rises
// or only falls.
type Monotone struct {
	N        int
	S        int     // S is pairs that rise less pairs that fall.
	Variance float64 // Variance of S without a trend, corrected for ties.
	Z        float64 // Z is (S-1)/sd for S above 0, (S+1)/sd below, 0 at 0.
	P        float64 // P is the two-sided probability of so much trend by chance, by Z.
	Exact    float64 // Exact is P from all orders of the values, only where HasExact.
	HasExact bool    // HasExact is true without ties, up to maxExact values.
	TauA     float64 // TauA is S over all pairs.
	TauB     float64 // TauB is S over the pairs not tied, as a root of products.
}

// maxExact is the longest series whose exact probability is worked out.
const maxExact = 50

// MannKendall tests a series of 4 values or more in the order of their times.
// Ties are counted in neither direction. A constant series has no trend to test
// and is refused. (Mann 1945; Kendall 1975; USEPA Unified Guidance 2009, 17.3.)
func MannKendall(y []float64) (Monotone, error) {
	if err := series(y, 4); err != nil {
		return Monotone{}, err
	}
	n := len(y)
	m := Monotone{N: n}
	for i := range y {
		for j := range i {
			m.S += cmp.Compare(y[i], y[j])
		}
	}
	pairs := float64(n) * float64(n-1) / 2
	tied := 0.0
	m.Variance = spread(n)
	for _, t := range ties(y) {
		m.Variance -= spread(t)
		tied += float64(t) * float64(t-1) / 2
	}
	if m.Variance <= 0 {
		return Monotone{}, bad("all values are alike: no order to test")
	}
	m.TauA = float64(m.S) / pairs
	m.TauB = float64(m.S) / math.Sqrt(pairs*(pairs-tied))
	if m.S != 0 {
		s := float64(m.S)
		m.Z = (s - math.Copysign(1, s)) / math.Sqrt(m.Variance)
	}
	m.P = 2 * distuv.UnitNormal.Survival(math.Abs(m.Z))
	if tied == 0 && n <= maxExact {
		m.Exact, m.HasExact = exactKendall(n, m.S), true
	}
	return m, nil
}

// spread is n(n-1)(2n+5)/18.
func spread(n int) float64 { return float64(n) * float64(n-1) * float64(2*n+5) / 18 }

// ties returns how many values each group of like ones has.
func ties(y []float64) []int {
	sorted := slices.Clone(y)
	slices.Sort(sorted)
	var out []int
	run := 1
	for i := 1; i <= len(sorted); i++ {
		if i < len(sorted) && sorted[i] == sorted[i-1] {
			run++
			continue
		}
		if run > 1 {
			out = append(out, run)
		}
		run = 1
	}
	return out
}

// exactKendall returns the two-sided probability of an S so far from 0 among all
// orders of n different values, by the count of orders with so many inversions.
func exactKendall(n, s int) float64 {
	share := []float64{1} // share of orders with 0, 1, … inversions
	for k := 2; k <= n; k++ {
		next := make([]float64, len(share)+k-1)
		for i, p := range share {
			for j := range k {
				next[i+j] += p / float64(k)
			}
		}
		share = next
	}
	most := n * (n - 1) / 2
	p := 0.0
	for inversions, q := range share {
		if from := most - 2*inversions; max(from, -from) >= max(s, -s) {
			p += q
		}
	}
	return math.Min(1, p)
}

// A Slope is the Theil-Sen line through a series: robust to a fifth of bad
// values and more.
type Slope struct {
	N             int
	Pairs         int     // Pairs is how many pairs of different times gave a slope.
	Value         float64 // Value is the median slope, unit of the series per unit of time.
	Intercept     float64 // Intercept is median value less slope times median time.
	Lowest        float64 // Lowest and Higher are the ends of the interval for the slope.
	Higher        float64
	LowRank       float64 // LowRank and HighRank are the ranks, from 1, interpolated between slopes.
	HighRank      float64
	Confidence    float64
	IntervalKnown bool // IntervalKnown is false where too few pairs give no interval.
}

// TheilSen returns the line through values y at times t, strictly rising, 4 or
// more, with a two-sided interval for the slope from the variance of S (Gilbert
// 1987): ranks (M ∓ z sd)/2, the upper one more by one, interpolated between
// neighbours; other programs round them.
func TheilSen(t, y []float64, confidence float64) (Slope, error) {
	if len(t) != len(y) {
		return Slope{}, bad("%d times for %d values", len(t), len(y))
	}
	if !(confidence > 0 && confidence < 1) {
		return Slope{}, bad("confidence %v; above 0 and below 1 is wanted", confidence)
	}
	if err := series(t, 4); err != nil {
		return Slope{}, err
	}
	if err := series(y, 4); err != nil {
		return Slope{}, err
	}
	slopes := make([]float64, 0, len(t)*(len(t)-1)/2)
	for i := range t {
		if i > 0 && t[i] <= t[i-1] {
			return Slope{}, bad("time %d is not after time %d; average values of one time first", i+1, i)
		}
		for j := range i {
			slopes = append(slopes, (y[i]-y[j])/(t[i]-t[j]))
		}
	}
	slices.Sort(slopes)
	s := Slope{N: len(t), Pairs: len(slopes), Value: median(slopes), Confidence: confidence}
	sorted := slices.Clone(y)
	slices.Sort(sorted)
	s.Intercept = median(sorted) - s.Value*median(t)
	variance := spread(s.N)
	for _, k := range ties(y) {
		variance -= spread(k)
	}
	half := distuv.UnitNormal.Quantile((1+confidence)/2) * math.Sqrt(variance)
	m := float64(s.Pairs)
	s.LowRank, s.HighRank = (m-half)/2, (m+half)/2+1
	if s.LowRank >= 1 && s.HighRank <= m {
		s.Lowest, s.Higher, s.IntervalKnown = at(slopes, s.LowRank), at(slopes, s.HighRank), true
	}
	return s, nil
}

// median of a sorted list.
func median(sorted []float64) float64 {
	n := len(sorted)
	if n%2 == 1 {
		return sorted[n/2]
	}
	return (sorted[n/2-1] + sorted[n/2]) / 2
}

// at returns the value of a rank, from 1, between two by proportion.
func at(sorted []float64, rank float64) float64 {
	low := int(math.Floor(rank))
	if low >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	return sorted[low-1] + (rank-math.Floor(rank))*(sorted[low]-sorted[low-1])
}
