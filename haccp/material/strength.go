package material

import (
	"errors"
	"fmt"
	"slices"

	"linewarden/haccp/formula"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/haccp/wash"
)

// Strength is how much available chlorine a product held on a day, in the words of its certificate or label.
type Strength struct {
	Alkali  *quantity.Value `json:"alkali,omitempty"`  // free alkali as NaOH, g/L; not stated: 0
	Gravity *quantity.Value `json:"gravity,omitempty"` // of a liquid: specific gravity, kg/L
	On      plan.Date       `json:"on"`                // when it was tested
	Solid   bool            `json:"solid,omitempty"`   // granules or tablets
	Value   quantity.Value  `json:"value"`             // g Cl2/100 mL, % w/w as Cl2, % w/w as NaOCl or °Cl
}

// KilogramPerL is the unit of a specific gravity.
const KilogramPerL quantity.Unit = "kg/L"

// ErrStrength is a strength that cannot be read.
var ErrStrength = errors.New("the strength cannot be read")

// ErrStore says that the temperature of the store is not known, so that nothing follows for today.
var ErrStore = errors.New("the plan does not say how warm the store gets")

// Units lists the units a strength may be given in.
func Units() []string {
	return []string{string(wash.TradeUnit), string(wash.AvailableUnit), string(wash.NaOClUnit), string(wash.DegreeUnit)}
}

// Product reads the strength as it was on its day.
func (s *Strength) Product() (wash.Strength, error) {
	n, ok := s.Value.Number()
	if !ok || s.Value.Kind() != quantity.KindExact || !slices.Contains(Units(), string(s.Value.Unit())) {
		return wash.Strength{}, fmt.Errorf("%w: it is one number with the unit g Cl2/100 mL, %% w/w as Cl2, %% w/w as NaOCl or °Cl", ErrStrength)
	}
	x := n.Float64()
	if s.Solid {
		if s.Value.Unit() != wash.AvailableUnit {
			return wash.Strength{}, fmt.Errorf("%w: that of a solid is given in %s", ErrStrength, wash.AvailableUnit)
		}
		return wash.Granular(x)
	}
	gravity, err := number(s.Gravity, KilogramPerL)
	if err != nil || s.Gravity == nil {
		return wash.Strength{}, fmt.Errorf("%w: a liquid wants its specific gravity in kg/L", ErrStrength)
	}
	if _, err := number(s.Alkali, quantity.GramPerL); err != nil {
		return wash.Strength{}, fmt.Errorf("%w: free alkali is given in g/L", ErrStrength)
	}
	switch s.Value.Unit() {
	case wash.AvailableUnit:
		return wash.AvailablePercent(x, gravity)
	case wash.NaOClUnit:
		return wash.NaOClPercent(x, gravity)
	case wash.DegreeUnit:
		return wash.ChlorometricDegrees(x, gravity)
	}
	return wash.TradePercent(x, gravity)
}

// The ionic strength in mol/L for which the law of storage is given; that of a weaker product is taken as the least.
//
// src: adam-gordon-1999 rate law
const leastIonic, mostIonic = 1.0, 6.0

// number reads a value in a unit; 0 for none.
func number(v *quantity.Value, unit quantity.Unit) (float64, error) {
	if v == nil {
		return 0, nil
	}
	n, ok := v.Number()
	if !ok || v.Kind() != quantity.KindExact || v.Unit() != unit {
		return 0, ErrStrength
	}
	return n.Float64(), nil
}

// AtDay returns the strength of the product on a day, kept at the temperature of its store since it was tested: of a liquid
// in trade percent after the loss of the storage law ([wash.Stored]), of a solid as it was stated, since no law for it is
// known here. It is an estimate with its cautions; what is dosed by is titrated.
func (s *Strength) AtDay(day plan.Date, store *plan.Amount) (formula.Result, error) {
	product, err := s.Product()
	if err != nil {
		return formula.Result{}, err
	}
	if product.IsSolid() {
		return product.Available()
	}
	if store == nil {
		return formula.Result{}, ErrStore
	}
	days, err := between(s.On, day)
	if err != nil {
		return formula.Result{}, err
	}
	trade, err := product.Trade()
	if err != nil {
		return formula.Result{}, err
	}
	celsius, err := inCelsius(store)
	if err != nil {
		return formula.Result{}, err
	}
	alkali, err := number(s.Alkali, quantity.GramPerL)
	if err != nil {
		return formula.Result{}, err
	}
	ionic, err := wash.HypochloriteIonicStrength(trade.Value, alkali)
	if err != nil {
		return formula.Result{}, err
	}
	mu := min(max(ionic.Value, leastIonic), mostIonic)
	left, err := wash.Stored(wash.Storage{Trade: trade.Value, Celsius: celsius, Days: days, Ionic: mu})
	if err == nil && mu != ionic.Value && !left.Has(formula.Extrapolated) {
		left.Cautions = append(left.Cautions, formula.Caution{Code: formula.Extrapolated})
	}
	return left, err
}

// between counts the days from one to another; a day before the test counts as its day.
func between(from, to plan.Date) (float64, error) {
	a, ok := from.Time()
	b, also := to.Time()
	if !ok || !also {
		return 0, fmt.Errorf("%w: the day of its test is missing", ErrStrength)
	}
	return max(0, b.Sub(a).Hours()/24), nil
}

func inCelsius(a *plan.Amount) (float64, error) {
	q, err := quantity.Get(quantity.Temperature)
	if err != nil {
		return 0, err
	}
	c, err := q.Convert(a.Value, quantity.Unit(a.Unit), quantity.Celsius, 3)
	if err != nil {
		return 0, err
	}
	return c.Float64(), nil
}
