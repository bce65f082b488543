package calculator

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"linewarden/haccp/quantity"
)

// shape says how an input is written.
type shape int

const (
	oneNumber shape = iota
	wholeNumber
	oneOf
	oneTime
	listOfNumbers
	listOfWords
	listOfRows
)

// An Input is one thing a calculator wants to know.
type Input struct {
	Name     string
	About    string
	Default  string // Default counts where the input is left out; then it may be.
	Optional bool   // Optional inputs without a default may be left out.
	Choices  []string
	Columns  []Input // Columns of a list of rows.

	shape     shape
	kind      kind
	low, high float64
}

// num is a number with a unit, low and high included.
func num(name, about string, k kind, low, high float64) Input {
	return Input{Name: name, About: about, kind: k, low: low, high: high}
}

// above is a number above 0, up to high.
func above(name, about string, k kind, high float64) Input {
	return num(name, about, k, math.SmallestNonzeroFloat64, high)
}

// whole is a whole number.
func whole(name, about string, low, high int) Input {
	return Input{Name: name, About: about, shape: wholeNumber, kind: plain, low: float64(low), high: float64(high)}
}

// choice is one of several words.
func choice(name, about string, words ...string) Input {
	return Input{Name: name, About: about, shape: oneOf, Choices: words}
}

// moment is a point in time.
func moment(name, about string) Input { return Input{Name: name, About: about, shape: oneTime} }

// list is several numbers of one kind.
func list(name, about string, k kind, low, high float64) Input {
	return Input{Name: name, About: about, shape: listOfNumbers, kind: k, low: low, high: high}
}

// words is several words as they stand.
func words(name, about string) Input { return Input{Name: name, About: about, shape: listOfWords} }

// table is several rows of columns.
func table(name, about string, columns ...Input) Input {
	return Input{Name: name, About: about, shape: listOfRows, Columns: columns}
}

// name is a column of free text.
func label(name, about string) Input { return Input{Name: name, About: about, shape: listOfWords} }

// or gives an input a default.
func (in Input) or(value string) Input {
	in.Default = value
	return in
}

// opt makes an input optional.
func (in Input) opt() Input {
	in.Optional = true
	return in
}

// Wanted tells what may be typed: range and units, choices, or the form of a list.
func (in Input) Wanted() string {
	switch in.shape {
	case oneOf:
		return strings.Join(in.Choices, " | ")
	case oneTime:
		return "minutes, a time such as 08:15 or 08:15:30 of one day, or a full time such as 2026-03-31T08:15:00Z"
	case listOfNumbers:
		return "numbers with a comma between them, or @FILE.csv, or @-; each " + in.bounds()
	case listOfWords:
		return "with a comma between them"
	case listOfRows:
		var names, each []string
		for _, c := range in.Columns {
			names = append(names, c.Name)
			switch c.shape {
			case oneNumber:
				each = append(each, c.Name+" "+c.bounds())
			case oneOf, oneTime:
				each = append(each, c.Name+" "+c.Wanted())
			}
		}
		return strings.Join(names, "/") + " with a comma between rows, or @FILE.csv with these columns, or @-; " + strings.Join(each, "; ")
	}
	return in.bounds()
}

// bounds writes range and units.
func (in Input) bounds() string {
	unit := in.kind.units[0].name
	if unit != "" {
		unit = " " + unit
	}
	s := ""
	switch {
	case math.IsInf(in.low, -1) && math.IsInf(in.high, 1):
		s = "any number" + unit
	case math.IsInf(in.high, 1) && in.low == math.SmallestNonzeroFloat64:
		s = "above 0" + unit
	case math.IsInf(in.high, 1):
		s = Number(in.low) + unit + " or more"
	case in.low == math.SmallestNonzeroFloat64:
		s = "above 0 to " + Number(in.high) + unit
	default:
		s = Number(in.low) + " to " + Number(in.high) + unit
	}
	if in.shape == wholeNumber {
		s = "a whole number, " + s
	}
	if len(in.kind.units) > 1 {
		s += " (also " + in.kind.names(1) + ")"
	}
	return s
}

// number reads a number with its unit, in the unit that the formula takes.
func (in Input) number(text string) (float64, error) {
	v, err := in.kind.parse(text)
	if err != nil {
		return 0, err
	}
	if v < in.low || v > in.high {
		return 0, fmt.Errorf("%s is wanted", in.bounds())
	}
	if in.shape == wholeNumber && v != math.Trunc(v) {
		return 0, fmt.Errorf("a whole number is wanted")
	}
	return v, nil
}

// kind is what a number measures: the units it may be typed in, the first of which
// the formula takes and is meant where none is typed.
type kind struct{ units []unit }

type unit struct {
	name string
	in   func(quantity.Decimal) (float64, error) // in states a number in the first unit of the kind
}

// names lists the units from one on.
func (k kind) names(from int) string {
	var out []string
	for _, u := range k.units[from:] {
		out = append(out, quantity.Unit(u.name).Symbol())
	}
	return strings.Join(out, ", ")
}

// parse reads a number and its unit.
func (k kind) parse(text string) (float64, error) {
	number, name := split(text)
	d, err := quantity.ParseDecimal(number)
	if err != nil {
		return 0, err
	}
	if name == "" {
		return d.Float64(), nil
	}
	for _, u := range k.units {
		if sameUnit(u.name, name) {
			return u.in(d)
		}
	}
	if k.units[0].name == "" {
		return 0, fmt.Errorf("%q: a number without a unit is wanted", name)
	}
	return 0, fmt.Errorf("%q is no unit for it: %s may be typed", name, k.names(0))
}

// split takes a number and its unit apart. What looks like no number goes whole to
// the reader of numbers, which says what is wrong with it.
func split(text string) (number, name string) {
	n := strings.IndexFunc(text, func(r rune) bool { return !strings.ContainsRune("0123456789.,+-", r) })
	if n < 0 {
		return text, ""
	}
	number, name = text[:n], strings.TrimSpace(text[n:])
	power := strings.TrimLeft(strings.TrimLeft(name, "eE"), "+-")
	if number == "" || power != name && power != "" && strings.Trim(power, "0123456789.,") == "" {
		return text, ""
	}
	return number, name
}

// sameUnit tells whether a unit is meant by a spelling.
func sameUnit(name, typed string) bool {
	if name == typed || fold(name) == fold(typed) && fold(name) != "ms/cm" {
		return true
	}
	u, ok := quantity.ParseUnit(typed)
	return ok && string(u) == name
}

func fold(s string) string {
	return strings.ToLower(strings.NewReplacer(" ", "", "µ", "u", "μ", "u", "²", "2", "³", "3", "·", "").Replace(s))
}

func unitName(s string) quantity.Unit {
	if s == "" {
		return "1"
	}
	return quantity.Unit(s)
}

// same is a unit equal to the first.
func same(name string) unit {
	return unit{name, func(d quantity.Decimal) (float64, error) { return d.Float64(), nil }}
}

// times is a unit of num/den of the first.
func times(name string, num, den int64) unit {
	return unit{name, func(d quantity.Decimal) (float64, error) {
		return d.Float64() * float64(num) / float64(den), nil
	}}
}

// units is a kind of its own.
func units(first string, more ...unit) kind {
	return kind{append([]unit{same(first)}, more...)}
}

// measured is a kind that is a quantity of the program; conversions are its own.
func measured(id quantity.ID, names ...quantity.Unit) kind {
	q, err := quantity.Get(id)
	if err != nil {
		panic(err)
	}
	k := units(string(names[0]))
	for _, n := range names[1:] {
		k.units = append(k.units, unit{string(n), func(d quantity.Decimal) (float64, error) { return converted(q, d, n, names[0]) }})
	}
	return k
}

// converted states a number in another unit, with as many decimals as there is room for.
func converted(q *quantity.Quantity, d quantity.Decimal, from, to quantity.Unit) (float64, error) {
	var out quantity.Decimal
	err := error(nil)
	for places := quantity.MaxDigits - 3; places >= 0; places -= 3 {
		if out, err = q.Convert(d, from, to, places); err == nil {
			return out.Float64(), nil
		}
	}
	return 0, err
}

// plus adds units to a kind.
func (k kind) plus(more ...unit) kind { return kind{append(slices.Clone(k.units), more...)} }

// The kinds of number. Factors are exact.
//
// src: nist-hb44 Appendix C (inch 2.54 cm, gallon of 231 cubic inches)
var (
	plain       = units("")
	percent     = units("%")
	pH          = measured(quantity.PH, quantity.PHUnit)
	chlorineMgL = measured(quantity.FreeChlorine, quantity.MgPerL, quantity.PPM)
	mgPerL      = units("mg/L", times("g/L", 1000, 1))
	temperature = measured(quantity.Temperature, quantity.Celsius, quantity.Fahrenheit).plus(unit{"K", func(d quantity.Decimal) (float64, error) { return d.Float64() - 273.15, nil }})
	kelvin      = measured(quantity.TemperatureDifference, quantity.Kelvin, quantity.Celsius, quantity.Fahrenheit)
	millivolt   = measured(quantity.ORP, quantity.Millivolt).plus(times("V", 1000, 1))
	litres      = measured(quantity.Volume, quantity.Litre, quantity.CubicMetre, quantity.Millilitre, quantity.USGallon).plus(times("US qt", 946352946, 1000000000))
	millilitres = measured(quantity.Volume, quantity.Millilitre, quantity.Litre, quantity.USFluidOunce, quantity.USGallon)
	kilograms   = measured(quantity.Mass, quantity.Kilogram, quantity.Gram, quantity.Tonne, quantity.Pound, quantity.Ounce)
	grams       = measured(quantity.Mass, quantity.Gram, quantity.Kilogram, quantity.Ounce, quantity.Pound)
	gramsPerL   = measured(quantity.Salt, quantity.GramPerL)
	salt        = measured(quantity.Salt, quantity.PercentMass)
	conductance = measured(quantity.Conductivity, quantity.MilliSPerCm, quantity.MicroSPerCm)
	minutes     = measured(quantity.Elapsed, quantity.Minute, quantity.Second, quantity.Hour)
	days        = units("d", times("h", 1, 24), times("weeks", 7, 1))
	density     = units("kg/m3", times("kg/L", 1000, 1), times("g/mL", 1000, 1), times("g/cm3", 1000, 1))
	altitude    = units("m", times("ft", 3048, 10000), times("km", 1000, 1))
	pressure    = units("hPa", same("mbar"), times("kPa", 10, 1))
	flow        = units("L/min", times("L/s", 60, 1), times("m3/h", 1000, 60), times("US gal/min", 3785411784, 1000000000))
	normality   = units("eq/L", same("N"))
	molarity    = units("mol/L", same("M"), times("mmol/L", 1, 1000))
)
