// Package chemistry works out what follows from the measured values of a wash bath by a formula: the
// hypochlorous acid of one sample, and when the free chlorine of a bath is forecast to cross its limits. What
// it gives is recorded with the reading, with formula and version, and is never worked out again.
//
// It is pure: the arithmetic stands in packages wash and depletion, the judging in package control.
package chemistry

import (
	"fmt"
	"slices"
	"strconv"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/haccp/wash"
)

// HOClInputs lists the quantities that hypochlorous acid is computed from.
func HOClInputs() []string {
	return []string{string(quantity.FreeChlorine), string(quantity.PH), string(quantity.Temperature)}
}

// HOClFormula names the formula and version of a hypochlorous acid worked out now, as recorded.
func HOClFormula() string { return fmt.Sprintf("%s/%d", wash.HOClFormula, wash.HOClVersion) }

// HOCl works out the effective hypochlorous acid of one sample in mg/L as Cl2, from its free chlorine, pH and
// temperature, rounded half-even to places decimals. Where it cannot be had, reason is the code why not and the
// value is zero: an input missing from this sample, pH or temperature not read as a number, a method that the
// plan does not know for its quantity or whose range the value leaves, a pH below the plan's floor, or an input
// outside the range of the formula. A chlorine below or over range, or a band, gives a value of the same kind.
func HOCl(p *plan.Plan, place string, entries []control.Measured, places int) (value quantity.Value, reason string) {
	free, ph, celsius := find(entries, quantity.FreeChlorine), find(entries, quantity.PH), find(entries, quantity.Temperature)
	if free == nil || ph == nil || celsius == nil {
		return quantity.Value{}, control.ReasonMissingInput
	}
	for _, m := range []*control.Measured{free, ph, celsius} {
		if !validMethod(p, m) {
			return quantity.Value{}, control.ReasonMethod
		}
	}
	if BelowFloor(p, place, entries) {
		return quantity.Value{}, control.ReasonBelowFloor
	}
	w := wash.Water{PHFloor: Floor(p, place)}
	var ok1, ok2 bool
	w.PH, ok1 = number(ph, quantity.PHUnit)
	w.Celsius, ok2 = number(celsius, quantity.Celsius)
	if !ok1 || !ok2 {
		return quantity.Value{}, control.ReasonInputNoNumber
	}
	if salt := find(entries, quantity.Salt); salt != nil {
		if g, ok := number(salt, quantity.GramPerL); ok {
			w.Salt = wash.SaltGPerL(min(g, wash.MaxSaltGPerL))
		}
	}
	return scaled(free.Value, w, places)
}

// scaled works out the acid for both ends of a chlorine value and gives it the same kind.
func scaled(free quantity.Value, w wash.Water, places int) (quantity.Value, string) {
	low, high := free.Ends()
	ends := [2]quantity.Decimal{low, high}
	for i, d := range ends {
		r, err := wash.HOCl(d.Float64(), w)
		if err != nil {
			return quantity.Value{}, control.ReasonOutsideFormula
		}
		if !r.Usable() {
			return quantity.Value{}, control.ReasonBelowFloor
		}
		// FormatFloat rounds the exact value of the float to the nearest, ties to even.
		if ends[i], err = quantity.ParseDecimal(strconv.FormatFloat(r.Value, 'f', places, 64)); err != nil {
			return quantity.Value{}, control.ReasonOutsideFormula
		}
	}
	switch free.Kind() {
	case quantity.KindBelow:
		return quantity.Below(ends[0], quantity.MgPerL), ""
	case quantity.KindAbove:
		return quantity.Above(ends[0], quantity.MgPerL), ""
	case quantity.KindBand:
		if ends[0].Cmp(ends[1]) < 0 {
			return quantity.Band(ends[0], ends[1], quantity.MgPerL), ""
		}
	case quantity.KindYesNo:
		return quantity.Value{}, control.ReasonInputNoNumber
	}
	return quantity.Exact(ends[0], quantity.MgPerL), ""
}

// Floor returns the pH floor of a place by the plan, 0 where it names none.
func Floor(p *plan.Plan, place string) float64 {
	if f := floorOf(p, place); f != nil {
		return f.Value.Float64()
	}
	return 0
}

func floorOf(p *plan.Plan, place string) *plan.Amount {
	if i := slices.IndexFunc(p.Places, func(x plan.Place) bool { return x.ID == place }); i >= 0 {
		return p.Places[i].PHFloor
	}
	return nil
}

// BelowFloor reports whether the pH of a sample lies below the plan's floor for the place: chlorine gas may come
// off.
func BelowFloor(p *plan.Plan, place string, entries []control.Measured) bool {
	floor, ph := floorOf(p, place), find(entries, quantity.PH)
	q, err := quantity.Get(quantity.PH)
	if floor == nil || ph == nil || err != nil {
		return false
	}
	f := q.Judge(ph.Value, &quantity.Bound{Value: floor.Value, Unit: quantity.PHUnit}, nil)
	return f.Decided() && !f.In()
}

func find(entries []control.Measured, id quantity.ID) *control.Measured {
	for i := range entries {
		if entries[i].Quantity == string(id) && !entries[i].Value.IsZero() {
			return &entries[i]
		}
	}
	return nil
}

// number returns a value that was read as a plain number, in a unit.
func number(m *control.Measured, unit quantity.Unit) (float64, bool) {
	d, ok := m.Value.Number()
	if !ok || m.Value.Kind() != quantity.KindExact {
		return 0, false
	}
	if m.Value.Unit() != unit {
		q, err := quantity.Get(quantity.ID(m.Quantity))
		if err != nil {
			return 0, false
		}
		if d, err = q.Convert(d, m.Value.Unit(), unit, 6); err != nil {
			return 0, false
		}
	}
	return d.Float64(), true
}

// validMethod reports whether the method that a value names, if any, is one of the plan for its quantity, and
// the value as read lies in the range of the method, both ends included. Below and over range are values of
// their own.
func validMethod(p *plan.Plan, m *control.Measured) bool {
	if m.Method == "" {
		return true
	}
	i := slices.IndexFunc(p.Methods, func(x plan.Method) bool { return x.ID == m.Method && x.Quantity == m.Quantity })
	if i < 0 {
		return false
	}
	x := &p.Methods[i]
	q, err := quantity.Get(quantity.ID(m.Quantity))
	if err != nil || x.Low == nil || x.High == nil || m.Value.Kind() != quantity.KindExact || m.Diluted {
		return err == nil
	}
	d, _ := m.Value.Number()
	unit := quantity.Unit(x.Unit)
	if m.Value.Unit() != unit && !q.MethodDeclared(unit) && !q.MethodDeclared(m.Value.Unit()) {
		if d, err = q.Convert(d, m.Value.Unit(), unit, 6); err != nil {
			return false
		}
	}
	return d.Cmp(*x.Low) >= 0 && d.Cmp(*x.High) <= 0
}
