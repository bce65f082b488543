// Package guidance holds published figures on washing, sanitizing and holding,
// each with what it counts, what it was published for, whose guidance it is and
// where it stands.
//
// None of them is a limit of the product: a plan rests on its own validation, and
// a figure that differs from a plan is shown beside it as such. Figures of unlike
// basis are never compared: free and total chlorine are two quantities, and a rule
// for equipment, for another kind of produce or for a residual after contact has a
// [Use] of its own.
//
// The list is short on purpose: only what was read in a public page, or, where
// [Figure.SecondHand] says so, in a page that quotes it.
package guidance

import (
	"fmt"
	"slices"
	"strings"

	"linewarden/haccp/quantity"
)

// A Use says what a published figure is about. Figures of unlike use are never
// held against one another.
type Use string

// The uses of the figures.
const (
	WashWater            Use = "wash_water"             // WashWater is water that produce is washed in.
	Surfaces             Use = "surfaces"               // Surfaces are food-contact surfaces sanitized without a rinse.
	EggEquipment         Use = "egg_equipment"          // EggEquipment is equipment of egg plants.
	ResidualAfterContact Use = "residual_after_contact" // ResidualAfterContact is what is left in the water after contact.
	TomatoFlume          Use = "tomato_flume"           // TomatoFlume is flume water for tomatoes.
	WaterAbovePulp       Use = "water_above_pulp"       // WaterAbovePulp is by how much dump water is warmer than tomato pulp.
	OrganicDownstream    Use = "organic_downstream"     // OrganicDownstream is what organic produce may meet downstream of the wash.
	ColdHolding          Use = "cold_holding"           // ColdHolding is holding and receiving of cut leafy greens.
)

// A Figure is a published range of one quantity.
type Figure struct {
	Quantity   quantity.ID // Quantity carries the basis: free, total, as Cl2.
	Unit       quantity.Unit
	Use        Use
	About      string // About says what it was published for.
	Place      string // Place says whose guidance it is.
	Source     string // Source is the title for people.
	Key        string // Key is that of the list of sources.
	SecondHand bool   // SecondHand: read in a page that quotes the source.
	min, max   string // one of them may be empty
	codes      []string
}

// Min returns the lower end, where there is one.
func (f Figure) Min() (quantity.Decimal, bool) { return end(f.min) }

// Max returns the upper end, where there is one.
func (f Figure) Max() (quantity.Decimal, bool) { return end(f.max) }

func end(text string) (quantity.Decimal, bool) {
	if text == "" {
		return quantity.Decimal{}, false
	}
	return quantity.MustDecimal(text), true
}

// Basis says what the number counts, such as "as Cl2 by volume"; often empty.
func (f Figure) Basis() string {
	q, err := quantity.Get(f.Quantity)
	if err != nil {
		return ""
	}
	return q.Basis()
}

// IsOf tells whether the figure is guidance of a jurisdiction as a plan writes it,
// such as "US" or "Canada". The figures of a study are of none.
func (f Figure) IsOf(jurisdiction string) bool {
	return slices.Contains(f.codes, strings.ToLower(strings.TrimSpace(jurisdiction)))
}

// Outside tells on which side of the figure a value lies: -1 below its lower end,
// +1 above its upper end, 0 inside or on an end. A value of another quantity or of
// a unit the quantity does not have is an error, never a verdict.
func (f Figure) Outside(of quantity.ID, v quantity.Decimal, unit quantity.Unit) (int, error) {
	if of != f.Quantity {
		return 0, fmt.Errorf("%s is not held against a figure on %s: %w", of, f.Quantity, quantity.ErrQuantity)
	}
	q, err := quantity.Get(of)
	if err != nil {
		return 0, err
	}
	if low, ok := f.Min(); ok {
		if sign, err := q.Compare(v, unit, low, f.Unit); err != nil || sign < 0 {
			return -1, err
		}
	}
	if high, ok := f.Max(); ok {
		if sign, err := q.Compare(v, unit, high, f.Unit); err != nil || sign > 0 {
			return 1, err
		}
	}
	return 0, nil
}

// All returns every figure.
func All() []Figure { return slices.Clone(figures) }

// For returns the figures on a quantity for a use, in a fixed order.
func For(q quantity.ID, u Use) []Figure {
	var out []Figure
	for _, f := range figures {
		if f.Quantity == q && f.Use == u {
			out = append(out, f)
		}
	}
	return out
}
