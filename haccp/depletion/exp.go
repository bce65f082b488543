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

// t995 is the same for the 99.5 % point.
// src: nist-ehandbook 1.3.6.7.2
func t995(df int) float64 {
	table := [...]float64{
		63.6567, 9.9248, 5.8409, 4.6041, 4.0321, 3.7074, 3.4995, 3.3554, 3.2498, 3.1693,
		3.1058, 3.0545, 3.0123, 2.9768, 2.9467, 2.9208, 2.8982, 2.8784, 2.8609, 2.8453,
		2.8314, 2.8188, 2.8073, 2.7969, 2.7874, 2.7787, 2.7707, 2.7633, 2.7564, 2.7500,
	}
	return table[min(df, len(table))-1]
}

// outlierT returns the 1 % two-sided point of Student's t shared among n
// readings (Bonferroni), 5 or more, where p parameters were fitted and one
// reading is left out: df n-1-p. From 24 on it is that of 24, above those up to 60.
func outlierT(n, p int) float64 {
	two := [...]float64{
		22.327, 10.869, 7.841, 6.541, 5.840, 5.408, 5.118, 4.912, 4.759, 4.642,
		4.550, 4.475, 4.414, 4.364, 4.322, 4.286, 4.255, 4.229, 4.206, 4.186,
	}
	three := [...]float64{
		318.309, 24.464, 11.453, 8.122, 6.713, 5.959, 5.497, 5.189, 4.971, 4.809,
		4.685, 4.587, 4.508, 4.444, 4.391, 4.346, 4.308, 4.276, 4.248, 4.224,
	}
	table := two[:]
	if p == 3 {
		table = three[:]
	}
	return table[min(n-5, len(table)-1)]
}
