package depletion

import "math"

// The exponential of this package: the same bits everywhere. Go's math.Exp is
// assembly on some processors and differs in the last place between them.

const (
	ln2High = 0x1.62e42feep-1 // 32 bits of ln 2: its product with a small integer is exact
	ln2Low  = math.Ln2 - ln2High
)

// inverseFactorial holds 1/n! for the series.
var inverseFactorial = [...]float64{
	1, 1, 1. / 2, 1. / 6, 1. / 24, 1. / 120, 1. / 720, 1. / 5040, 1. / 40320, 1. / 362880,
	1. / 3628800, 1. / 39916800, 1. / 479001600, 1. / 6227020800, 1. / 87178291200,
	1. / 1307674368000, 1. / 20922789888000,
}

// expNeg returns exp(-z) for z of 0 or more, within 2 units in the last place.
func expNeg(z float64) float64 {
	if z > 700 {
		return 0
	}
	n := math.Floor(float64(z*(1/math.Ln2)) + 0.5)
	r := z - float64(n*ln2High)
	r -= float64(n * ln2Low)
	p := inverseFactorial[14]
	for j := 13; j >= 0; j-- {
		p = float64(-r*p) + inverseFactorial[j]
	}
	return math.Ldexp(p, -int(n))
}

// rise returns h(z) = (1 - exp(-z))/z, its limit 1 at zero, and its derivative,
// for z of 0 or more.
func rise(z float64) (h, dh float64) {
	if z > 0.5 {
		e := expNeg(z)
		h = (1 - e) / z
		return h, (e - h) / z
	}
	// h = sum (-z)^j/(j+1)!,  h' = -sum (j+1) (-z)^j/(j+2)!
	for j := 13; j >= 0; j-- {
		h = float64(-z*h) + inverseFactorial[j+1]
		dh = float64(-z*dh) + float64(float64(j+1)*inverseFactorial[j+2])
	}
	return h, -dh
}

// t975 returns the 97.5 % point of Student's t for df of 1 or more; between the
// tabled ones that of the next lower df, which is larger.
// src: nist-ehandbook 1.3.6.7.2
func t975(df int) float64 {
	table := [...]float64{
		12.7062, 4.3027, 3.1824, 2.7764, 2.5706, 2.4469, 2.3646, 2.3060, 2.2622, 2.2281,
		2.2010, 2.1788, 2.1604, 2.1448, 2.1314, 2.1199, 2.1098, 2.1009, 2.0930, 2.0860,
		2.0796, 2.0739, 2.0687, 2.0639, 2.0595, 2.0555, 2.0518, 2.0484, 2.0452, 2.0423,
	}
	return table[min(df, len(table))-1]
}

// outlierT returns the 5 % two-sided point of Student's t shared among n
// readings (Bonferroni), where p parameters were fitted and one reading is left
// out: df n-1-p. From 25 on it is 3.54, above every value up to 60.
func outlierT(n, p int) float64 {
	two := [...]float64{
		9.925, 6.232, 5.068, 4.526, 4.221, 4.029, 3.900, 3.808, 3.740, 3.689,
		3.649, 3.618, 3.593, 3.573, 3.556, 3.543, 3.543, 3.543, 3.543, 3.543,
	}
	three := [...]float64{
		63.657, 10.886, 6.580, 5.261, 4.655, 4.317, 4.105, 3.962, 3.860, 3.785,
		3.728, 3.684, 3.649, 3.621, 3.599, 3.581, 3.565, 3.553, 3.543, 3.54,
	}
	table := two[:]
	if p == 3 {
		table = three[:]
	}
	return table[min(n-5, len(table)-1)]
}
