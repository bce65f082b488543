package quantity

// A Kind says what sort of answer a value is.
type Kind uint8

// The kinds of value.
const (
	KindNone  Kind = iota // KindNone is the zero Value: nothing was read.
	KindExact             // KindExact is a number with its unit.
	KindBelow             // KindBelow is "less than", below what the method reads.
	KindAbove             // KindAbove is "more than", over the method's range.
	KindBand              // KindBand is a step of a strip, from low to high.
	KindYesNo             // KindYesNo is an answer of yes or no.
)

// A Value is what was read, as typed and in the unit it was typed in. Values are
// == when they are written alike. The zero Value means that nothing was read.
type Value struct {
	low, high Decimal // both are the number, unless the value is a band
	unit      Unit
	kind      Kind
	yes       bool
}

// Exact is the number d in unit u.
func Exact(d Decimal, u Unit) Value { return Value{low: d, high: d, unit: u, kind: KindExact} }

// Below is "less than d", as a method shows it under its range.
func Below(d Decimal, u Unit) Value { return Value{low: d, high: d, unit: u, kind: KindBelow} }

// Above is "more than d", as a method shows it over its range.
func Above(d Decimal, u Unit) Value { return Value{low: d, high: d, unit: u, kind: KindAbove} }

// Band is a step from low to high, both ends included. Whether low is the lower
// end is for [Quantity.Check] to say.
func Band(low, high Decimal, u Unit) Value {
	return Value{low: low, high: high, unit: u, kind: KindBand}
}

// Answer is yes (true) or no (false).
func Answer(yes bool) Value { return Value{kind: KindYesNo, yes: yes} }

// Kind returns which sort of answer v is.
func (v Value) Kind() Kind { return v.kind }

// IsZero tells whether nothing was read.
func (v Value) IsZero() bool { return v.kind == KindNone }

// Unit returns the unit typed; empty for yes/no.
func (v Value) Unit() Unit { return v.unit }

// Number returns the number of an exact or censored value.
func (v Value) Number() (d Decimal, ok bool) {
	return v.low, v.kind == KindExact || v.kind == KindBelow || v.kind == KindAbove
}

// Ends returns the low and high end of a band; for an exact or censored value
// both are its number.
func (v Value) Ends() (low, high Decimal) { return v.low, v.high }

// Yes returns the answer of a yes/no value.
func (v Value) Yes() (yes, ok bool) { return v.yes, v.kind == KindYesNo }

// String writes the value for people: "1.50 mg/L", "< 0.02 mg/L", "50–100 mg/L",
// "yes"; nothing read is "–".
func (v Value) String() string {
	dst := make([]byte, 0, 48)
	switch v.kind {
	case KindExact:
		dst = v.low.Append(dst)
	case KindBelow:
		dst = v.low.Append(append(dst, "< "...))
	case KindAbove:
		dst = v.low.Append(append(dst, "> "...))
	case KindBand:
		dst = v.high.Append(append(v.low.Append(dst), v.dash()...))
	case KindYesNo:
		if v.yes {
			return "yes"
		}
		return "no"
	default:
		return "–"
	}
	if v.unit == PHUnit {
		return string(append([]byte("pH "), dst...))
	}
	if v.unit != "" {
		dst = append(append(dst, ' '), v.unit.Symbol()...)
	}
	return string(dst)
}

// dash joins the ends of a band; a minus sign beside it wants a word.
func (v Value) dash() string {
	if v.low.Sign() < 0 || v.high.Sign() < 0 {
		return " to "
	}
	return "–"
}
