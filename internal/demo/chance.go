package demo

import (
	"fmt"
	"math"

	"linewarden/haccp/quantity"
)

// chance is a source of numbers that look drawn by lot and are the same every time: the generator known as
// SplitMix64 (from memory; nothing rests on its quality).
type chance uint64

func (c *chance) next() uint64 {
	*c += 0x9e3779b97f4a7c15
	z := uint64(*c)
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// between gives a number from low to high.
func (c *chance) between(low, high float64) float64 {
	return low + (high-low)*float64(c.next()>>11)/(1<<53)
}

// upTo gives a whole number from 0 to n-1.
func (c *chance) upTo(n int) int { return int(c.next() % uint64(n)) }

// written gives a value as an instrument shows it: to a step, with so many decimals.
func written(v, step float64, decimals int, unit quantity.Unit) quantity.Value {
	return quantity.Exact(quantity.MustDecimal(fmt.Sprintf("%.*f", decimals, math.Round(v/step)*step)), unit)
}
