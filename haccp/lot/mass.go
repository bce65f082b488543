package lot

import (
	"linewarden/haccp/quantity"
)

// Mass is a mass in whole micrograms. A mass typed in kilograms, grams or tonnes with at most nine decimals of
// a kilogram is exact; a pound is 0.45359237 kg and is rounded half-even to the microgram.
type Mass int64

// Kilogram is one kilogram.
const Kilogram Mass = 1_000_000_000

// decimals of a kilogram in a microgram.
const decimals = 9

// MassOf turns a measured mass into micrograms. A censored value or a band is no mass that can be added up.
func MassOf(v quantity.Value) (Mass, error) {
	q, err := quantity.Get(quantity.Mass)
	if err != nil {
		return 0, err
	}
	if err := q.Check(v); err != nil {
		return 0, err
	}
	if v.Kind() != quantity.KindExact {
		return 0, ErrNotExact
	}
	n, _ := v.Number()
	kg, err := q.Convert(n, v.Unit(), quantity.Kilogram, decimals)
	if err != nil {
		return 0, err
	}
	return micrograms(kg), nil
}

// micrograms reads a decimal of kilograms with nine decimals.
func micrograms(kg quantity.Decimal) Mass {
	var n Mass
	minus := false
	for _, c := range []byte(kg.String()) {
		switch {
		case c == '-':
			minus = true
		case c != '.':
			n = n*10 + Mass(c-'0')
		}
	}
	if minus {
		return -n
	}
	return n
}

// String writes the mass in kilograms, without trailing zeros: "12.5 kg".
func (m Mass) String() string { return m.Decimal() + " kg" }

// Decimal writes the kilograms as a decimal without trailing zeros.
func (m Mass) Decimal() string {
	n, sign := uint64(m), ""
	if m < 0 {
		n, sign = uint64(-m), "-"
	}
	whole, part := n/uint64(Kilogram), n%uint64(Kilogram)
	digits := make([]byte, 0, 24)
	digits = appendUint(append(digits, sign...), whole, 1)
	if part == 0 {
		return string(digits)
	}
	digits = appendUint(append(digits, '.'), part, decimals)
	for digits[len(digits)-1] == '0' {
		digits = digits[:len(digits)-1]
	}
	return string(digits)
}

func appendUint(dst []byte, n uint64, width int) []byte {
	var b [20]byte
	i := len(b)
	for n > 0 || len(b)-i < width {
		i--
		b[i] = byte('0' + n%10)
		n /= 10
	}
	return append(dst, b[i:]...)
}
