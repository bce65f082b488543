package quantity

import "strings"

// A row is how the table below is written; build turns it into a Quantity.
type row struct {
	id       ID
	name     string
	basis    string
	decimals int
	computed bool
	groups   []unitGroup
}

// A unitGroup is units that convert into one another and their range in the
// base unit, the first of units.
type unitGroup struct {
	min, max string
	units    []scale
}

// one is a unit equal to the base unit of its group.
func one(u Unit) scale { return scale{unit: u, num: 1, den: 1} }

// by is a unit of num/den base units.
func by(u Unit, num, den int64) scale { return scale{unit: u, num: num, den: den} }

// declaredOne is a unit equal to the base unit only where the method says so.
func declaredOne(u Unit) scale { return scale{unit: u, num: 1, den: 1, declared: true} }

// chlorine is mg/L as Cl2 by volume. The upper end takes in a bath dosed by
// mistake with undiluted product, and refuses the strength of the stock itself.
var chlorine = []unitGroup{{"0", "20000", []scale{one(MgPerL), declaredOne(PPM)}}}

// rows is the table of quantities. Ranges are what the quantity can be at all in
// a plant that works with water, brine, plant tissue and cold rooms; they are
// our choice, wide on purpose, and no limit of a process. Factors are exact.
//
// src: nist-sp811 Appendix B.8 (inch, pound, ounce, US gallon and fluid ounce, minute, hour, degree Fahrenheit)
// src: nist-hb44 Appendix C (pound 0.453 592 37 kg, gallon 231 cubic inches, inch 2.54 cm)
var rows = []row{
	{id: FreeChlorine, name: "free chlorine", basis: "as Cl2 by volume", decimals: 2, groups: chlorine},
	{id: TotalChlorine, name: "total chlorine", basis: "as Cl2 by volume", decimals: 2, groups: chlorine},
	{id: CombinedChlorine, name: "combined chlorine", basis: "as Cl2 by volume", decimals: 2, groups: chlorine},
	{id: HOCl, name: "hypochlorous acid", basis: "as Cl2 by volume", decimals: 2, computed: true,
		groups: []unitGroup{{"0", "20000", []scale{one(MgPerL)}}}},
	{id: PH, name: "pH", decimals: 2, groups: []unitGroup{{"0", "14", []scale{one(PHUnit)}}}},
	{id: ORP, name: "oxidation-reduction potential", decimals: 0,
		groups: []unitGroup{{"-2000", "2000", []scale{one(Millivolt)}}}},
	{id: Temperature, name: "temperature", decimals: 1, groups: []unitGroup{{"-50", "200", []scale{
		one(Celsius), {unit: Fahrenheit, num: 5, den: 9, offset: -32}}}}},
	{id: TemperatureDifference, name: "temperature difference", decimals: 1, groups: []unitGroup{{"-250", "250",
		[]scale{one(Kelvin), one(Celsius), by(Fahrenheit, 5, 9)}}}},
	{id: Salt, name: "salt", basis: "as NaCl", decimals: 1, groups: []unitGroup{
		{"0", "400", []scale{one(GramPerL)}}, {"0", "100", []scale{one(PercentMass)}}}},
	// Of a substance in product. What a laboratory prints as ppm in product is mg/kg.
	{id: MassFraction, name: "mass fraction", decimals: 2, groups: []unitGroup{{"0", "1000000", []scale{
		one(MgPerKg), by(MicrogPerKg, 1, 1000), by(GramPerKg, 1000, 1), by(PercentMass, 10000, 1)}}}},
	{id: Conductivity, name: "conductivity", decimals: 0, groups: []unitGroup{{"0", "1000000",
		[]scale{one(MicroSPerCm), by(MilliSPerCm, 1000, 1)}}}},
	{id: Turbidity, name: "turbidity", decimals: 1, groups: []unitGroup{
		{"0", "10000", []scale{one(NTU)}}, {"0", "10000", []scale{one(FNU)}}}},
	{id: COD, name: "chemical oxygen demand", basis: "as O2", decimals: 0,
		groups: []unitGroup{{"0", "1000000", []scale{one(MgPerL)}}}},
	// An instrument zeroed on a blank can show a little less than nothing.
	{id: UV254, name: "UV absorbance at 254 nm", decimals: 3,
		groups: []unitGroup{{"-0.1", "100", []scale{one(PerCm), by(PerM, 1, 100)}}}},
	{id: WaterLevel, name: "water level", decimals: 1, groups: []unitGroup{{"0", "1000",
		[]scale{one(Centimetre), by(Millimetre, 1, 10), by(Metre, 100, 1), by(Inch, 254, 100)}}}},
	{id: ContactTime, name: "contact time", decimals: 0, groups: []unitGroup{{"0", "86400",
		[]scale{one(Second), by(Minute, 60, 1)}}}},
	// Ten years of 366 days: longer than any clock of a product.
	{id: Elapsed, name: "elapsed time", decimals: 1, groups: []unitGroup{{"0", "5270400",
		[]scale{one(Minute), by(Second, 1, 60), by(Hour, 60, 1)}}}},
	{id: Mass, name: "mass", decimals: 3, groups: []unitGroup{{"0", "1000000",
		[]scale{one(Kilogram), by(Gram, 1, 1000), by(Pound, 45359237, 100000000), by(Tonne, 1000, 1),
			by(Ounce, 45359237, 1600000000)}}}},
	{id: Volume, name: "volume", decimals: 3, groups: []unitGroup{{"0", "10000000",
		[]scale{one(Litre), by(Millilitre, 1, 1000), by(CubicMetre, 1000, 1), by(USGallon, 3785411784, 1000000000),
			by(USFluidOunce, 3785411784, 128000000000)}}}},
	// A count of colonies and a most probable number are different estimates,
	// and so are counts per mass, per volume, per area and per plate.
	{id: Count, name: "count", decimals: 0, groups: []unitGroup{
		{"0", "1000000000000", []scale{one(CFUPerG)}},
		{"0", "1000000000000", []scale{one(CFUPerMl), by(CFUPer100ml, 1, 100), by(CFUPerL, 1, 1000)}},
		{"0", "1000000000000", []scale{one(CFUPerCm2), by(CFUPer100cm2, 1, 100)}},
		{"0", "1000000", []scale{one(CFUPerPlate)}},
		{"0", "1000000000000", []scale{one(MPNPerG)}},
		{"0", "1000000000000", []scale{one(MPNPerMl), by(MPNPer100ml, 1, 100)}}}},
	// The unit has no scale of its own: two makes of meter do not compare.
	{id: ATP, name: "ATP by luminescence", decimals: 0, groups: []unitGroup{{"0", "1000000000", []scale{one(RLU)}}}},
	{id: YesNo, name: "yes or no"},
}

// table and byID are made once and never change.
var (
	table = build(rows)
	byID  = index(table)
)

func build(rows []row) []*Quantity {
	all := make([]*Quantity, 0, len(rows))
	for _, r := range rows {
		q := &Quantity{id: r.id, name: r.name, basis: r.basis, decimals: r.decimals,
			computed: r.computed, yesNo: len(r.groups) == 0}
		for i, g := range r.groups {
			q.groups = append(q.groups, group{base: g.units[0].unit, min: MustDecimal(g.min), max: MustDecimal(g.max)})
			for _, s := range g.units {
				s.group = i
				q.units = append(q.units, s)
			}
		}
		all = append(all, q)
	}
	return all
}

func index(all []*Quantity) map[ID]*Quantity {
	m := make(map[ID]*Quantity, len(all))
	for _, q := range all {
		m[q.id] = q
	}
	return m
}

func idList() string {
	names := make([]string, len(table))
	for i, q := range table {
		names[i] = string(q.id)
	}
	return strings.Join(names, ", ")
}
