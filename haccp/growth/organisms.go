package growth

import (
	"fmt"
	"math"
	"slices"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// An Organism is a pathogen by its name.
type Organism string

// The organisms of the published tables.
const (
	EColi          Organism = "Escherichia coli" // EColi is, in the table of hours, its pathogenic strains.
	Salmonella     Organism = "Salmonella"
	Listeria       Organism = "Listeria monocytogenes"
	Staphylococcus Organism = "Staphylococcus aureus"
	BacillusCereus Organism = "Bacillus cereus"
	Yersinia       Organism = "Yersinia enterocolitica"
)

// minimum holds the lowest temperature of growth, °C. For E. coli 7 to 8 is
// printed; the lower end stands here.
//
// src: usda-growth-minimum minimum growth temperature
var minimum = map[Organism]float64{Salmonella: 5.2, Staphylococcus: 7, EColi: 7, Listeria: -0.4, Yersinia: -1.3}

// GrowthMinimum returns the lowest temperature, °C, at which an organism is known
// to grow. Organisms without a published figure here are an error.
//
// Source: usda-growth-minimum.
func GrowthMinimum(o Organism) (formula.Result, error) {
	v, ok := minimum[o]
	if !ok {
		return formula.Result{}, fmt.Errorf("no growth minimum of %q: one of %v is wanted", o, known(minimum))
	}
	return result(v, quantity.Celsius, MinimumFormula, "usda-growth-minimum"), nil
}

func known[V any](m map[Organism]V) []Organism {
	var out []Organism
	for o := range m {
		out = append(out, o)
	}
	slices.Sort(out)
	return out
}

// A band is one line of the table of hours: up to its upper end, in °F as printed.
type band struct{ upTo, hours float64 }

// An hoursRow is the lowest temperature of the table for an organism and its bands.
type hoursRow struct {
	from  float64 // °F; at or below it no time is printed
	bands []band
}

var anyWarmer = math.Inf(1)

// tableA2 holds the maximum cumulative exposure times. The print leaves gaps, as
// between 50 and 51 °F; a temperature in one belongs to the warmer band.
//
// src: fda-hazards-app4 Table A-2, from memory
var tableA2 = map[Organism]hoursRow{
	EColi:          {43.7, []band{{50, 48}, {70, 5}, {anyWarmer, 2}}},
	Salmonella:     {41.4, []band{{50, 48}, {70, 5}, {anyWarmer, 2}}},
	Listeria:       {31.3, []band{{41, 168}, {50, 24}, {70, 7}, {86, 3}, {anyWarmer, 1}}},
	Staphylococcus: {50, []band{{50, 336}, {70, 12}, {anyWarmer, 3}}},
	BacillusCereus: {39.2, []band{{43, 120}, {59, 24}, {70, 6}, {anyWarmer, 3}}},
}

// TableHours returns the hours an organism may have at an inside temperature (°C,
// up to 57.2) by the published table, read as printed: nothing between two lines is
// interpolated. Below the first line of the organism no time is printed and
// [formula.ErrRange] comes back.
//
// The figures are from memory: the result carries [formula.Unconfirmed] and is not usable
// until they are confirmed.
//
// Source: fda-hazards-app4 Table A-2.
func TableHours(o Organism, celsius float64) (formula.Result, error) {
	row, ok := tableA2[o]
	if !ok {
		return formula.Result{}, fmt.Errorf("no table of hours for %q: one of %v is wanted", o, known(tableA2))
	}
	// The print is in °F; a billionth allows for the conversion of its own edges.
	f := celsius*9/5 + 32 - 1e-9
	if err := formula.Within("temperature", celsius, (row.from-32)*5/9, Hot, quantity.Celsius); err != nil {
		return formula.Result{}, err
	}
	i := slices.IndexFunc(row.bands, func(b band) bool { return f <= b.upTo })
	return result(row.bands[i].hours, quantity.Hour, TableFormula, "fda-hazards-app4",
		formula.Caution{Code: formula.Unconfirmed, Unusable: true}, formula.Caution{Code: OtherProduct}), nil
}
