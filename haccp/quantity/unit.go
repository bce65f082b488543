package quantity

import "strings"

// A Unit is the name of a unit as it stands in records, such as "mg/L" or "°C".
// A value keeps the unit it was typed in.
type Unit string

// The units of the table.
const (
	MgPerL       Unit = "mg/L"
	PPM          Unit = "ppm"
	PHUnit       Unit = "pH"
	Millivolt    Unit = "mV"
	Celsius      Unit = "°C"
	Fahrenheit   Unit = "°F"
	Kelvin       Unit = "K"
	GramPerL     Unit = "g/L"
	PercentMass  Unit = "% w/w"
	GramPerKg    Unit = "g/kg"
	MgPerKg      Unit = "mg/kg"
	MicrogPerKg  Unit = "ug/kg"
	MicroSPerCm  Unit = "uS/cm"
	MilliSPerCm  Unit = "mS/cm"
	NTU          Unit = "NTU"
	FNU          Unit = "FNU"
	PerCm        Unit = "1/cm"
	PerM         Unit = "1/m"
	Millimetre   Unit = "mm"
	Centimetre   Unit = "cm"
	Metre        Unit = "m"
	Inch         Unit = "in"
	Second       Unit = "s"
	Minute       Unit = "min"
	Hour         Unit = "h"
	Kilogram     Unit = "kg"
	Gram         Unit = "g"
	Pound        Unit = "lb"
	Tonne        Unit = "t"
	Ounce        Unit = "oz"
	Litre        Unit = "L"
	Millilitre   Unit = "mL"
	CubicMetre   Unit = "m3"
	USGallon     Unit = "US gal"
	USFluidOunce Unit = "US fl oz"
	CFUPerG      Unit = "CFU/g"
	CFUPerMl     Unit = "CFU/mL"
	CFUPer100ml  Unit = "CFU/100 mL"
	CFUPerL      Unit = "CFU/L"
	CFUPerCm2    Unit = "CFU/cm2"
	CFUPer100cm2 Unit = "CFU/100 cm2"
	CFUPerPlate  Unit = "CFU/plate"
	MPNPerG      Unit = "MPN/g"
	MPNPerMl     Unit = "MPN/mL"
	MPNPer100ml  Unit = "MPN/100 mL"
	RLU          Unit = "RLU"
)

// Symbol returns the unit as people write it, such as "µS/cm" for "uS/cm".
func (u Unit) Symbol() string {
	switch u {
	case MicroSPerCm:
		return "µS/cm"
	case MicrogPerKg:
		return "µg/kg"
	case CubicMetre:
		return "m³"
	case CFUPerCm2:
		return "CFU/cm²"
	case CFUPer100cm2:
		return "CFU/100 cm²"
	}
	return string(u)
}

// ParseUnit finds the unit that a usual other spelling stands for: letter case
// where it cannot be mistaken, "degC", "µS/cm", "gal" and the like. It is for
// forms, column names and "did you mean"; a record takes the exact name only.
func ParseUnit(s string) (Unit, bool) {
	if u, ok := exactUnits[s]; ok {
		return u, true
	}
	u, ok := spellings[fold(s)]
	return u, ok
}

// fold takes away what does not tell two units apart.
func fold(s string) string {
	s = strings.NewReplacer(" ", "", "\u00a0", "", "\u00b5", "u", "\u03bc", "u", "\u00ba", "°",
		"²", "2", "³", "3", "⁻¹", "-1").Replace(s)
	return strings.ToLower(s)
}

// exactUnits gives back the one string of each unit, so that a million decoded
// values share it.
var exactUnits = func() map[string]Unit {
	m := map[string]Unit{}
	for _, q := range table {
		for _, s := range q.units {
			m[string(s.unit)] = s.unit
		}
	}
	return m
}()

// spellings maps a folded spelling to its unit. A folded name that two units
// share is left out: "MS/cm" is not millisiemens.
var spellings = func() map[string]Unit {
	m := map[string]Unit{
		"degc": Celsius, "c": Celsius, "℃": Celsius, "celsius": Celsius,
		"degf": Fahrenheit, "f": Fahrenheit, "℉": Fahrenheit, "fahrenheit": Fahrenheit,
		"kelvin": Kelvin, "ph-units": PHUnit, "standardunits": PHUnit, "s.u.": PHUnit,
		"%": PercentMass, "%w/w": PercentMass, "%(w/w)": PercentMass,
		"cm-1": PerCm, "m-1": PerM, "/cm": PerCm, "/m": PerM, "abs/cm": PerCm,
		"sec": Second, "seconds": Second, "minutes": Minute, "mins": Minute, "hours": Hour, "hr": Hour,
		"lbs": Pound, "lb.": Pound, "pounds": Pound, "grams": Gram, "kilograms": Kilogram, "tonnes": Tonne,
		"liter": Litre, "liters": Litre, "litre": Litre, "litres": Litre,
		"gal": USGallon, "usgallon": USGallon, "usgallons": USGallon, "gal(us)": USGallon, "floz": USFluidOunce,
		"in.": Inch, "inch": Inch, "inches": Inch, "meter": Metre, "metre": Metre,
		"mg/litre": MgPerL, "mg/liter": MgPerL, "mgl-1": MgPerL,
	}
	for name, u := range exactUnits {
		if name != string(MilliSPerCm) && name != string(Millivolt) && name != string(Metre) {
			m[fold(name)] = u
		}
	}
	return m
}()
