package demo

import (
	"math"
	"time"

	"linewarden/haccp/quantity"
)

// water is the water of one bath as the story has it. Free chlorine is used up by first order, faster with
// more leaf; pH drifts upwards; salt is carried out; juice makes the water cloudy. All rates are invented.
type water struct {
	place   string
	litres  float64
	rate    float64 // share of the free chlorine used up in an hour of running
	juice   float64 // NTU an hour
	at      time.Time
	filling string // id of the record

	chlorine, ph, salt, temperature, turbidity float64
}

func (w *writer) filled(b *water, at time.Time) {
	b.at = at
	b.chlorine = w.chance.between(126, 134)
	b.ph = w.chance.between(6.66, 6.74)
	b.salt = w.chance.between(29.5, 31.4)
	b.temperature = w.chance.between(17.2, 18.6)
	b.turbidity = w.chance.between(2, 5)
}

// run lets the line run up to a moment.
func (w *writer) run(b *water, at time.Time) {
	hours := at.Sub(b.at).Hours()
	if hours <= 0 {
		return
	}
	b.at = at
	b.chlorine *= math.Exp(-b.rate * w.chance.between(0.7, 1.35) * hours)
	b.ph = clamp(b.ph+w.chance.between(-0.01, 0.05)*hours*2, 6.62, 6.93)
	b.salt -= 0.4 * hours
	b.temperature = clamp(b.temperature+w.chance.between(-0.1, 0.5)*hours, 16, 23)
	b.turbidity += b.juice * w.chance.between(0.6, 1.3) * hours
}

func clamp(v, low, high float64) float64 { return min(max(v, low), high) }

// dose is something to add.
type dose struct {
	chemical, reason, measure string
	amount                    quantity.Value
}

// The levels at which the technicians of the story act: inside the operating limits of the plan, so that
// the critical ones are not reached.
const (
	chlorineLow = 117.0
	chlorineAim = 131.0
	phHigh      = 6.84
	saltLow     = 28.0
	saltAim     = 30.5
)

// needs says what a bath wants after a test, if anything, and puts it in.
func (w *writer) needs(b *water) (dose, bool) {
	switch {
	case b.chlorine < chlorineLow:
		return b.chlorinate("free chlorine near its lower operating limit"), true
	case b.ph > phHigh:
		ml := b.litres * (b.ph - 6.70) * 1.5
		b.ph = w.chance.between(6.68, 6.72)
		return dose{"citric-acid", "pH near its upper operating limit", "measuring cup", written(ml, 10, 0, quantity.Millilitre)}, true
	case b.salt < saltLow:
		kg := b.litres * (saltAim - b.salt) / 1000
		b.salt = saltAim
		return dose{"salt", "salt carried out with the leaves", "scale", written(kg, 0.1, 1, quantity.Kilogram)}, true
	}
	return dose{}, false
}

// chlorinate brings free chlorine back to its aim with a solution of 125 g of chlorine in a litre.
func (b *water) chlorinate(reason string) dose {
	ml := b.litres * (chlorineAim - b.chlorine) / 125
	b.chlorine, b.ph = chlorineAim, b.ph+0.02
	return dose{"sodium-hypochlorite", reason, "measuring cylinder", written(ml, 5, 0, quantity.Millilitre)}
}
