package quantity

import "strings"

// ParseText reads what [Value.String] writes of a number, a censored number or an answer: "1.50 mg/L", "< 0.02 mg/L",
// "pH 6.8", "yes". It is false for a band, for nothing read, and for any other text.
func ParseText(text string) (Value, bool) {
	switch text {
	case "yes", "no":
		return Answer(text == "yes"), true
	}
	as := Exact
	number, unit := strings.TrimPrefix(text, "pH "), Unit("")
	if number != text {
		unit = PHUnit
	}
	switch {
	case strings.HasPrefix(number, "< "):
		as, number = Below, number[2:]
	case strings.HasPrefix(number, "> "):
		as, number = Above, number[2:]
	}
	if n, rest, ok := strings.Cut(number, " "); ok {
		if unit != "" || strings.HasPrefix(rest, "to ") {
			return Value{}, false
		}
		number, unit = n, ofSymbol(rest)
	}
	d, err := ParseDecimal(number)
	if err != nil {
		return Value{}, false
	}
	return as(d, unit), true
}

// ofSymbol is the inverse of Unit.Symbol.
func ofSymbol(symbol string) Unit {
	for _, u := range [...]Unit{MicroSPerCm, CubicMetre, CFUPerCm2, CFUPer100cm2} {
		if u.Symbol() == symbol {
			return u
		}
	}
	return Unit(symbol)
}
