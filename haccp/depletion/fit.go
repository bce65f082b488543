package depletion

import (
	"cmp"
	"math"
	"slices"
)

// parameters returns how many parameters a model has.
func (m Model) parameters() int {
	if m == Offset {
		return 3
	}
	return 2
}

// demand is level = b1 g(k, x): D (1 - exp(-k x)) with D = b1/k.
const demand Model = "first-order demand"

// throughZero tells whether the linear part is a factor alone.
func (m Model) throughZero() bool { return m == FirstOrder || m == demand }

// grid returns the rates tried first, per scaled clock: one curve bends over
// the readings by nothing visible, the last is over within a fortieth of them.
func grid(m Model) []float64 {
	if m == Line {
		return rates[:1]
	}
	return rates
}

var rates = func() []float64 {
	out := []float64{0}
	for k := 0.03; k < 40; k = float64(k * 1.3) {
		out = append(out, k)
	}
	return out
}()

// A basis holds the linear part of a fit at one rate: level = b0 + b1 g(k, x),
// or a factor alone, b1 exp(-k x) or b1 g(k, x).
type basis struct {
	g, dg, res  []float64 // g and its derivative by k; residuals
	b0, b1      float64
	mean, sum   float64 // mean of g, sum of its squares about the mean (a factor alone: about zero)
	rss, dRSSdK float64
}

func newBasis(s *sample) *basis {
	n := len(s.x)
	buf := make([]float64, 3*n)
	return &basis{g: buf[:n], dg: buf[n : 2*n], res: buf[2*n:]}
}

// shape returns the function of the clock that stands beside the linear
// parameters, and its derivative by the rate.
func shape(m Model, k, u float64) (g, dg float64) {
	z := float64(k * u)
	if m == FirstOrder {
		e := expNeg(z)
		return e, float64(-u * e)
	}
	h, dh := rise(z)
	return float64(u * h), float64(float64(u*u) * dh)
}

// solve finds the linear parameters at rate k by least squares.
func (b *basis) solve(s *sample, m Model, k float64) {
	n := float64(len(s.x))
	meanG, meanY := 0.0, 0.0
	for i, x := range s.x {
		b.g[i], b.dg[i] = shape(m, k, x/s.scale)
		meanG += b.g[i]
		meanY += s.y[i]
	}
	meanG, meanY = meanG/n, meanY/n
	if m.throughZero() {
		meanG, meanY = 0, 0
	}
	sgg, sgy := 0.0, 0.0
	for i, g := range b.g {
		d := g - meanG
		sgg += float64(d * d)
		sgy += float64(d * (s.y[i] - meanY))
	}
	slope := sgy / sgg
	b.mean, b.sum = meanG, sgg
	if m.throughZero() {
		b.b0, b.b1 = 0, slope
	} else {
		b.b0, b.b1 = meanY-float64(slope*meanG), slope
	}
	b.rss, b.dRSSdK = 0, 0
	for i := range b.res {
		r := s.y[i] - b.b0 - float64(b.b1*b.g[i])
		b.res[i] = r
		b.rss += float64(r * r)
		b.dRSSdK -= float64(float64(2*r) * float64(b.b1*b.dg[i]))
	}
}

// leverage returns the diagonal of the hat matrix at the last rate solved.
func (b *basis) leverage(m Model, i int) float64 {
	d := b.g[i] - b.mean
	l := float64(d*d) / b.sum
	if m.throughZero() {
		return l
	}
	return l + 1/float64(len(b.g))
}

// A curve is a fitted model.
type curve struct {
	model  Model
	scale  float64
	k      float64 // rate per scaled clock
	b0, b1 float64
	rss    float64
	df     int
	s2     float64       // variance used
	root   [3][3]float64 // lower Cholesky root of the normal matrix
	sound  bool          // the normal matrix is regular
}

// fit finds the least squares of a model: the rate by the grid, then by the
// zero of the derivative of the sum of squares between the neighbours.
func (s *sample) fit(m Model) curve {
	b := newBasis(s)
	tries := grid(m)
	at, least := 0, math.Inf(1)
	for i, k := range tries {
		if b.solve(s, m, k); b.rss < least {
			at, least = i, b.rss
		}
	}
	k := tries[at]
	if len(tries) > 1 {
		k = s.refine(b, m, tries[max(at-1, 0)], tries[min(at+1, len(tries)-1)])
	}
	b.solve(s, m, k)
	c := curve{model: m, scale: s.scale, k: k, b0: b.b0, b1: b.b1, rss: b.rss, df: len(s.x) - m.parameters()}
	if c.df > 0 {
		c.s2 = math.Max(c.rss/float64(c.df), s.floor)
	}
	c.sound = c.df > 0 && c.factor(s)
	return c
}

// refine finds the zero of the derivative between two rates by the Illinois
// form of false position; at an end where there is no change of sign.
func (s *sample) refine(b *basis, m Model, low, high float64) float64 {
	b.solve(s, m, low)
	fl := b.dRSSdK
	b.solve(s, m, high)
	fh := b.dRSSdK
	if fl >= 0 {
		return low
	}
	if fh <= 0 {
		return high
	}
	side, last := 0, 0.0
	for range 60 {
		k := high - float64(fh*(high-low))/(fh-fl)
		if k <= low || k >= high {
			k = low + (high-low)/2 // fused or not: halving is exact
		}
		b.solve(s, m, k)
		f := b.dRSSdK
		switch {
		case f == 0 || math.Abs(k-last) < float64(k*1e-13):
			return k
		case f < 0:
			low, fl = k, f
			if side < 0 {
				fh /= 2
			}
			side = -1
		default:
			high, fh = k, f
			if side > 0 {
				fl /= 2
			}
			side = 1
		}
		last = k
	}
	return low + (high-low)/2
}

// gradient returns the derivatives of the level by the parameters at scaled
// clock u, in the order b1, k, b0; a line has b1 and b0, first order b1 and k.
func (c *curve) gradient(u float64) (j [3]float64) {
	g, dg := shape(c.model, c.k, u)
	switch c.model {
	case Line:
		return [3]float64{g, 1, 0}
	case FirstOrder, demand:
		return [3]float64{g, float64(c.b1 * dg), 0}
	}
	return [3]float64{g, float64(c.b1 * dg), 1}
}

// factor computes the Cholesky root of the normal matrix and reports whether
// the matrix is regular.
func (c *curve) factor(s *sample) bool {
	p := c.model.parameters()
	var a [3][3]float64
	for _, x := range s.x {
		j := c.gradient(x / c.scale)
		for r := range p {
			for q := 0; q <= r; q++ {
				a[r][q] += float64(j[r] * j[q])
			}
		}
	}
	for r := range p {
		for q := 0; q <= r; q++ {
			v := a[r][q]
			for i := range q {
				v -= float64(c.root[r][i] * c.root[q][i])
			}
			if r != q {
				c.root[r][q] = v / c.root[q][q]
				continue
			}
			if !(v > float64(a[r][r]*1e-11)) {
				return false
			}
			c.root[r][r] = math.Sqrt(v)
		}
	}
	return true
}

// stdErr returns the standard error of a linear form in the parameters.
func (c *curve) stdErr(j [3]float64) float64 {
	sum := 0.0
	for r := range c.model.parameters() {
		v := j[r]
		for i := range r {
			v -= float64(c.root[r][i] * j[i])
		}
		j[r] = v / c.root[r][r]
		sum += float64(j[r] * j[r])
	}
	return math.Sqrt(float64(sum * c.s2))
}

// level returns the fitted level at scaled clock u, in mg/L.
func (c *curve) level(u float64) float64 {
	g, _ := shape(c.model, c.k, u)
	return c.b0 + float64(c.b1*g)
}

// fall returns how much the level falls from clock x to y, and its standard error.
func (c *curve) fall(x, y float64) (fall, se float64) {
	u, v := x/c.scale, y/c.scale
	j, l := c.gradient(u), c.gradient(v)
	for i := range j {
		j[i] -= l[i]
	}
	return c.level(u) - c.level(v), c.stdErr(j)
}

// candidates returns the curves the readings leave possible, the best first, and
// how many of them set the early end of the interval. A line and a first-order
// curve stay unless the curve with offset is significantly better. Where one of
// them goes, the readings show a bend, the truth may lie between, and the curve
// with offset counts too; where both stay, it only says how late a crossing
// may be.
func (s *sample) candidates() (curves []curve, early int) {
	full := s.fit(Offset)
	t := t995(max(full.df, 1))
	dropped := false
	for _, m := range []Model{FirstOrder, Line} {
		c := s.fit(m)
		if full.sound && c.rss-full.rss > float64(float64(t*t)*full.s2) {
			dropped = true
		} else if c.sound {
			curves = append(curves, c)
		}
	}
	slices.SortStableFunc(curves, func(a, b curve) int { return cmp.Compare(a.rss, b.rss) })
	early = len(curves)
	if full.sound {
		curves = append(curves, full)
		if dropped {
			early++
		}
	}
	return curves, early
}

// forecast returns the parameters in units of the clock.
func (c *curve) forecast() Forecast {
	f := Forecast{Model: c.model, K: c.k / c.scale, SD: math.Sqrt(c.s2), Start: c.level(0)}
	if c.model == Offset && c.k > 0 {
		f.Offset = c.b0 + c.b1/c.k
	}
	return f
}
