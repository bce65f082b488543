package wash

import (
	"math"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// Formulas of storage, as they stand in records.
const (
	RateFormula          formula.ID = "hypochlorite-rate"
	IonicStrengthFormula formula.ID = "hypochlorite-ionic-strength"
	StoredFormula        formula.ID = "hypochlorite-stored"
	HalfLifeFormula      formula.ID = "hypochlorite-half-life"
	StoredTableFormula   formula.ID = "hypochlorite-stored-table"
)

// Cautions of a strength after storage.
const (
	// CleanProduct: the law is for a clean product in the dark. Metals, light, heat
	// and a pH below 11 make the loss larger.
	CleanProduct formula.Code = "clean-product-only"
	// StorageUncertain: more than half is gone by the law, where law and table were
	// found to differ by a fifth and more. Titrate before use.
	StorageUncertain formula.Code = "storage-uncertain"
)

const (
	gasConstant   = 8.314 // J/(mol K)
	secondsPerDay = 86400.0
	naOHGPerMol   = 39.997 // IUPAC weights, from memory
)

// HypochloriteRate returns the rate constant k2 in L/(mol s) by which hypochlorite
// is lost, at celsius °C (15 to 55; from 0 with [formula.Extrapolated]) and an
// ionic strength in mol/L (1 to 6): log k2 = 0.149 mu + log(2.083e10 T
// exp(-1.018e5/RT) exp(-56.5/R)).
//
// src: adam-gordon-1999 rate law
func HypochloriteRate(celsius, ionicMolPerL float64) (formula.Result, error) {
	err := firstOf(formula.Within("temperature", celsius, 0, 55, quantity.Celsius),
		formula.Within("ionic strength", ionicMolPerL, 1, 6, formula.MolPerL))
	if err != nil {
		return formula.Result{}, err
	}
	return result(rate(celsius, ionicMolPerL), formula.PerMolS, RateFormula, "adam-gordon-1999", extrapolated(celsius, 15, 55)...), nil
}

func rate(celsius, ionic float64) float64 {
	t := celsius + kelvin
	return math.Pow(10, 0.149*ionic) * 2.083e10 * t * math.Exp(-1.018e5/(gasConstant*t)) * math.Exp(-56.5/gasConstant)
}

// HypochloriteIonicStrength returns an estimate of the ionic strength in mol/L of a
// liquid of trade percent (above 0 to 25) with naOHGPerL g/L of free alkali (0 to
// 50): as many moles of chloride as of hypochlorite, and the alkali.
//
// src: common-practice equal moles of chloride and hypochlorite
func HypochloriteIonicStrength(trade, naOHGPerL float64) (formula.Result, error) {
	err := firstOf(formula.Positive("strength", trade, TradeUnit), formula.Within("strength", trade, 0, maxTrade, TradeUnit),
		formula.Within("free alkali", naOHGPerL, 0, 50, quantity.GramPerL))
	if err != nil {
		return formula.Result{}, err
	}
	return result(2*molar(trade)+naOHGPerL/naOHGPerMol, formula.MolPerL, IonicStrengthFormula, "common-practice"), nil
}

// molar states trade percent as mol of hypochlorite in a litre.
func molar(trade float64) float64 { return 10 * trade / cl2GPerMol }

// A Storage is how a liquid was kept.
type Storage struct {
	Trade   float64 // Trade is its strength at the start in g of Cl2 in 100 mL, above 0 to 25.
	Celsius float64 // Celsius is the warmest it was kept at, 0 to 55 °C.
	Days    float64 // Days is how long, 0 to 730.
	Ionic   float64 // Ionic is its ionic strength in mol/L, 1 to 6.
}

func (s Storage) check() error {
	return firstOf(formula.Positive("strength", s.Trade, TradeUnit), formula.Within("strength", s.Trade, 0, maxTrade, TradeUnit),
		formula.Within("temperature", s.Celsius, 0, 55, quantity.Celsius), formula.Within("time stored", s.Days, 0, 730, formula.Day),
		formula.Within("ionic strength", s.Ionic, 1, 6, formula.MolPerL))
}

// Stored returns the strength of a liquid after storage in trade percent, by the
// second-order law C = C0/(1 + k2 C0 t) at constant ionic strength. Against the
// table of [StoredTable] it is within 7 % for a month at 100 °F and for six months
// at 80 °F and below; where more than half is gone they differ by up to 40 % and
// the value carries [StorageUncertain]. A product that lost less than computed is
// overdosed by a dose computed with this strength: for a plant's bath titrate
// ([AvailableChlorine]) and dose by that.
//
// src: adam-gordon-1999 rate law
func Stored(s Storage) (formula.Result, error) {
	if err := s.check(); err != nil {
		return formula.Result{}, err
	}
	left := 1 / (1 + rate(s.Celsius, s.Ionic)*molar(s.Trade)*s.Days*secondsPerDay)
	codes := []formula.Code{CleanProduct}
	if left < 0.5 {
		codes = append(codes, StorageUncertain)
	}
	return result(s.Trade*left, TradeUnit, StoredFormula, "adam-gordon-1999",
		append(cautionsOf(codes...), extrapolated(s.Celsius, 15, 55)...)...), nil
}

// HalfLife returns the days until half of the strength is lost, 1/(k2 C0), for the
// storage s; its Days do not count.
//
// src: adam-gordon-1999 rate law
func HalfLife(s Storage) (formula.Result, error) {
	if err := s.check(); err != nil {
		return formula.Result{}, err
	}
	return result(1/(rate(s.Celsius, s.Ionic)*molar(s.Trade)*secondsPerDay), formula.Day, HalfLifeFormula, "adam-gordon-1999",
		append(cautionsOf(CleanProduct), extrapolated(s.Celsius, 15, 55)...)...), nil
}

// storedTable is what is left of 12.5 trade percent after days at a temperature in
// °F; a month is 30 days.
//
// src: bleach-breakdown 12.5 trade percent
var storedTable = []struct {
	fahrenheit  float64
	days, trade []float64
}{
	{70, []float64{0, 7, 14, 30, 60, 90, 180}, []float64{12.5, 12.12, 11.78, 11.11, 10.10, 9.28, 7.78}},
	{80, []float64{0, 7, 14, 30, 90, 180}, []float64{12.5, 11.69, 11.04, 9.93, 7.48, 5.95}},
	{100, []float64{0, 1, 7, 14, 30, 90, 180}, []float64{12.5, 11.92, 9.71, 8.33, 6.68, 4.27, 3.23}},
}

// StoredTable returns what a simple table says is left, in trade percent, of a
// product of 12.5 trade percent kept for days (0 to 180) at celsius °C (70 to
// 100 °F, 21.1 to 37.8 °C): a cross-check of [Stored] from an independent, modest
// source. Between its entries 1/C is read along straight lines over the days, and
// the loss between temperatures along ln over 1/T.
//
// src: bleach-breakdown 12.5 trade percent
func StoredTable(celsius, days float64) (formula.Result, error) {
	low, high := fromFahrenheit(70), fromFahrenheit(100)
	err := firstOf(formula.Within("temperature", celsius, low-0.05, high+0.05, quantity.Celsius), formula.Within("time stored", days, 0, 180, formula.Day))
	if err != nil {
		return formula.Result{}, err
	}
	start := storedTable[0].trade[0]
	if days == 0 {
		return result(start, TradeUnit, StoredTableFormula, "bleach-breakdown", cautionsOf(CleanProduct)...), nil
	}
	i := 0
	if celsius > fromFahrenheit(storedTable[1].fahrenheit) {
		i = 1
	}
	loss := func(i int) float64 {
		return math.Log(inverse(storedTable[i].days, storedTable[i].trade, days) - 1/start)
	}
	x := func(c float64) float64 { return 1 / (c + kelvin) }
	a, b := x(fromFahrenheit(storedTable[i].fahrenheit)), x(fromFahrenheit(storedTable[i+1].fahrenheit))
	between := loss(i) + (loss(i+1)-loss(i))*(x(celsius)-a)/(b-a)
	return result(1/(1/start+math.Exp(between)), TradeUnit, StoredTableFormula, "bleach-breakdown", cautionsOf(CleanProduct)...), nil
}

// inverse reads 1/C at a day on the chords of 1/C over the days.
func inverse(days, trade []float64, day float64) float64 {
	i := 0
	for i < len(days)-2 && day > days[i+1] {
		i++
	}
	part := (day - days[i]) / (days[i+1] - days[i])
	return 1/trade[i] + part*(1/trade[i+1]-1/trade[i])
}

func fromFahrenheit(f float64) float64 { return (f - 32) * 5 / 9 }
