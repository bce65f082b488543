package depletion

import "math"

// A sample is the readings as fitted: level y in mg/L over the clock x.
type sample struct {
	x, y     []float64 // x is in units of the clock, never falling
	floor    float64   // least variance believed, (mg/L)^2
	clock    Clock
	first    float64 // minutes of the first reading
	newest   float64 // minutes of the newest reading
	newestX  float64 // the clock then
	perMin   float64 // clock units per minute to come
	scale    float64 // largest x: the fit works on x/scale
	aheadMin float64 // minutes from first to newest reading
}

// newSample chooses the clock.
func newSample(in Input) (*sample, error) {
	n := len(in.Points)
	if n < MinPoints {
		return nil, TooFew
	}
	s := &sample{clock: Minutes, perMin: 1, x: make([]float64, n), y: make([]float64, n)}
	first, last := in.Points[0], in.Points[n-1]
	s.first, s.newest, s.aheadMin = first.Minutes, last.Minutes, last.Minutes-first.Minutes
	most := 0.0
	for i, p := range in.Points {
		s.x[i], s.y[i] = p.Minutes, p.Free
		most = math.Max(most, p.Free)
	}
	if in.LeafKnown {
		s.useLeaf(in)
	}
	s.newestX, s.scale = s.x[n-1], s.x[n-1]
	if s.distinct() < MinPoints {
		return nil, TooFew
	}
	rounding := float64(most * 1e-6)
	s.floor = float64(in.Step*in.Step)/12 + float64(in.Repeatability*in.Repeatability) + float64(rounding*rounding)
	return s, nil
}

// useLeaf counts in kg of leaf where the masses differ enough and a rate is known.
func (s *sample) useLeaf(in Input) {
	points := in.Points
	n := len(points)
	kg := make([]float64, n)
	for i, p := range points {
		kg[i] = p.Leaf
	}
	rate := in.LeafRate
	if rate == 0 && s.aheadMin > 0 {
		rate = (kg[n-1] - kg[0]) / s.aheadMin
		i := n - 2
		for i > 0 && points[i].Minutes == points[n-1].Minutes {
			i--
		}
		rate = math.Max(rate, (kg[n-1]-kg[i])/(points[n-1].Minutes-points[i].Minutes))
	}
	if rate > 0 && distinct(kg) >= MinPoints {
		s.x, s.clock, s.perMin = kg, Leaf, rate
	}
}

func (s *sample) distinct() int { return distinct(s.x) }

// distinct counts the values of a list that never falls which differ by more
// than a millionth of the largest; closer ones carry no slope.
func distinct(x []float64) int {
	n, last := 0, 0.0
	for i, v := range x {
		if i == 0 || v-last > float64(x[len(x)-1]*1e-6) {
			n, last = n+1, v
		}
	}
	return n
}

// without returns the sample less one reading; what the forecast starts from stays.
func (s *sample) without(i int) *sample {
	c := *s
	c.x = append(append(make([]float64, 0, len(s.x)-1), s.x[:i]...), s.x[i+1:]...)
	c.y = append(append(make([]float64, 0, len(s.y)-1), s.y[:i]...), s.y[i+1:]...)
	return &c
}

// horizon is the last minute looked at.
func (s *sample) horizon() int {
	return int(math.Floor(s.newest + math.Min(MaxAhead, float64(2*s.aheadMin))))
}

// at returns the scaled clock at a minute since the last addition.
func (s *sample) at(minute float64) float64 {
	return (s.newestX + float64(s.perMin*(minute-s.newest))) / s.scale
}

// oddOne returns the index of the one reading that does not fit the rest, or -1.
// With seven or more it is judged against the curve with offset, with five or
// six against the line and the first-order curve, whichever fits the rest better.
func (s *sample) oddOne() int {
	n := len(s.x)
	if n < 5 {
		return -1
	}
	models := []Model{Offset}
	if n < 7 {
		models = []Model{Line, FirstOrder}
	}
	index, least, m := -1, math.Inf(1), Line
	for _, model := range models {
		if i, rss := s.leaveOneOut(model); i >= 0 && rss < least {
			index, least, m = i, rss, model
		}
	}
	if index < 0 {
		return -1
	}
	rest := s.without(index)
	if rest.distinct() < MinPoints {
		return -1
	}
	all, part := s.fit(m), rest.fit(m)
	df := len(rest.x) - m.parameters()
	variance := math.Max(part.rss/float64(df), s.floor)
	limit := outlierT(n, m.parameters())
	if all.rss-part.rss > float64(float64(limit*limit)*variance) {
		return index
	}
	return -1
}

// leaveOneOut returns the reading whose absence lowers the sum of squares most,
// over the grid of rates.
func (s *sample) leaveOneOut(m Model) (index int, least float64) {
	index, least = -1, math.Inf(1)
	n := len(s.x)
	b := newBasis(s)
	for _, k := range grid(m) {
		b.solve(s, m, k)
		for i := range n {
			lever := b.leverage(m, i)
			if lever > 1-1e-9 {
				continue
			}
			if rest := b.rss - float64(b.res[i]*b.res[i])/(1-lever); rest < least {
				index, least = i, rest
			}
		}
	}
	return index, least
}
