package trend

import "math"

// Few is how many points chart limits should rest on; limits from fewer are
// provisional (common practice, no source).
const Few = 20

// Limits are the centre line and the control limits of one chart.
type Limits struct {
	Centre, Lower, Upper float64
	Sigma                float64 // Sigma is the standard deviation the limits are three of, 0 where they are not.
}

// Outside tells whether x lies beyond a control limit; on it is inside.
func (l Limits) Outside(x float64) bool { return x > l.Upper || x < l.Lower }

// IndividualsChart is a chart of single values and one of their moving ranges.
type IndividualsChart struct {
	N           int
	Values      Limits
	Ranges      Limits
	Provisional bool // Provisional says that the limits rest on fewer than Few points.
}

// Individuals returns the limits of an individuals and moving-range chart of two
// values or more that are not all alike: mean plus and minus 3 sigma with
// sigma = mean moving range / d2, never the overall standard deviation, which
// takes the very shifts for scatter that the chart is to show. The exact
// d2 = 1.128379 is used; a table that rounds it to 1.128 gives limits wider by
// 0.03 %. (NIST/SEMATECH e-Handbook 6.3.2.2.)
func Individuals(x []float64) (IndividualsChart, error) {
	if err := series(x, 2); err != nil {
		return IndividualsChart{}, err
	}
	s, err := Summarize(x)
	if err != nil {
		return IndividualsChart{}, err
	}
	return individuals(s.N, s.Mean, s.MovingRange, s.MovingRangeSD)
}

// IndividualsBySD returns the limits of a chart of single values with sigma from
// the overall standard deviation over c4(n). It is right only where the series
// is known to hold no shift; [Individuals] is the usual choice.
func IndividualsBySD(x []float64) (IndividualsChart, error) {
	if err := series(x, 2); err != nil {
		return IndividualsChart{}, err
	}
	s, err := Summarize(x)
	if err != nil {
		return IndividualsChart{}, err
	}
	return individuals(s.N, s.Mean, s.MovingRange, s.SD/c4(s.N))
}

func individuals(n int, mean, movingRange, sigma float64) (IndividualsChart, error) {
	if sigma == 0 {
		return IndividualsChart{}, bad("all values are alike: no scatter to set limits by")
	}
	k, err := ChartConstants(2)
	if err != nil {
		return IndividualsChart{}, err
	}
	return IndividualsChart{
		N:           n,
		Values:      Limits{Centre: mean, Lower: mean - 3*sigma, Upper: mean + 3*sigma, Sigma: sigma},
		Ranges:      Limits{Centre: movingRange, Lower: 0, Upper: k.RangeHigh * movingRange},
		Provisional: n < Few,
	}, nil
}

// SubgroupCharts returns the limits of the chart of means and of the chart of
// ranges, for samples of n (2 to 10) with a grand mean and a mean range above 0.
func SubgroupCharts(grandMean, meanRange float64, n int) (means, ranges Limits, err error) {
	k, err := ChartConstants(n)
	if err == nil {
		err = number("grand mean", grandMean)
	}
	if err == nil {
		err = positive("mean range", meanRange)
	}
	if err != nil {
		return Limits{}, Limits{}, err
	}
	half := k.A2 * meanRange
	means = Limits{Centre: grandMean, Lower: grandMean - half, Upper: grandMean + half, Sigma: half / 3}
	ranges = Limits{Centre: meanRange, Lower: k.RangeLow * meanRange, Upper: k.RangeHigh * meanRange}
	return means, ranges, nil
}

// ShareChart returns the limits of a p chart: rejects in samples of one size,
// as shares from 0 to 1.
func ShareChart(rejects []int, size int) (Limits, error) {
	if len(rejects) < 2 || size < 1 {
		return Limits{}, bad("%d samples of %d; two samples of 1 or more are wanted", len(rejects), size)
	}
	total := 0
	for i, r := range rejects {
		if r < 0 || r > size {
			return Limits{}, bad("sample %d has %d rejects of %d", i+1, r, size)
		}
		total += r
	}
	p := float64(total) / float64(len(rejects)*size)
	if p == 0 || p == 1 {
		return Limits{}, bad("a share of %v in every sample: no scatter to set limits by", p)
	}
	sigma := math.Sqrt(p * (1 - p) / float64(size))
	return Limits{Centre: p, Lower: math.Max(0, p-3*sigma), Upper: math.Min(1, p+3*sigma), Sigma: sigma}, nil
}

// CountChart returns the limits of a c chart: counts of faults in samples of one
// size, Poisson scatter.
func CountChart(counts []int) (Limits, error) {
	total := 0
	for i, c := range counts {
		if c < 0 {
			return Limits{}, bad("sample %d counts %d", i+1, c)
		}
		total += c
	}
	if len(counts) < 2 || total == 0 {
		return Limits{}, bad("%d counts, %d in all; two counts and one fault at least are wanted", len(counts), total)
	}
	c := float64(total) / float64(len(counts))
	sigma := math.Sqrt(c)
	return Limits{Centre: c, Lower: math.Max(0, c-3*sigma), Upper: c + 3*sigma, Sigma: sigma}, nil
}
