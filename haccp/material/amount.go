package material

import (
	"errors"
	"strings"

	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// Pieces is the unit of what is counted, such as bags.
const Pieces quantity.Unit = plan.Pieces

// ErrAmount is a value that is no amount of a material that can be added up.
var ErrAmount = errors.New("no exact mass, volume or whole number of pieces")

// Amount is an amount in whole smallest parts of its unit: a billionth of a kilogram or litre, or one piece. A mass or
// volume in metric units with at most nine decimals is exact; others are rounded half-even to that part.
type Amount struct {
	N    int64         `json:"n"`
	Unit quantity.Unit `json:"unit"` // kg, L or pieces
}

// decimals of a kilogram or litre that are kept.
const decimals = 9

// maxPieces bounds what is counted.
const maxPieces = 1_000_000_000

// AmountOf reads an amount as typed.
func AmountOf(v quantity.Value) (Amount, error) {
	d, exact := v.Number()
	if !exact || v.Kind() != quantity.KindExact || d.Sign() < 0 {
		return Amount{}, ErrAmount
	}
	if v.Unit() == Pieces {
		n := d.Round(0)
		if n.Cmp(d) != 0 {
			return Amount{}, ErrAmount
		}
		pieces := whole(n)
		if pieces > maxPieces {
			return Amount{}, ErrAmount
		}
		return Amount{pieces, Pieces}, nil
	}
	for _, x := range []struct {
		id   quantity.ID
		unit quantity.Unit
	}{{quantity.Mass, quantity.Kilogram}, {quantity.Volume, quantity.Litre}} {
		q, err := quantity.Get(x.id)
		if err != nil || !q.HasUnit(v.Unit()) {
			continue
		}
		if err := q.Check(v); err != nil {
			return Amount{}, err
		}
		n, err := q.Convert(d, v.Unit(), x.unit, decimals)
		if err != nil {
			return Amount{}, err
		}
		return Amount{whole(n), x.unit}, nil
	}
	return Amount{}, ErrAmount
}

// whole reads the digits of a decimal of known scale; sums stay far below its range.
func whole(d quantity.Decimal) int64 {
	var n int64
	for _, c := range []byte(d.String()) {
		if c >= '0' && c <= '9' {
			n = n*10 + int64(c-'0')
		}
	}
	return n
}

// String writes the amount without trailing zeros: "12.5 kg".
func (a Amount) String() string { return a.Decimal() + " " + string(a.Unit) }

// Decimal writes the number of the unit without trailing zeros.
func (a Amount) Decimal() string {
	n, sign := uint64(a.N), "" //nolint:gosec // the sign is taken off below
	if a.N < 0 {
		n, sign = uint64(-a.N), "-"
	}
	digits := []byte{}
	for ; n > 0; n /= 10 {
		digits = append([]byte{byte('0' + n%10)}, digits...)
	}
	if a.Unit == Pieces {
		return sign + strings.TrimLeft("0"+string(digits), "0") + zero(len(digits) == 0)
	}
	text := strings.Repeat("0", max(0, decimals+1-len(digits))) + string(digits)
	cut := len(text) - decimals
	text = strings.TrimRight(text[:cut]+"."+text[cut:], "0")
	return sign + strings.TrimSuffix(text, ".")
}

func zero(none bool) string {
	if none {
		return "0"
	}
	return ""
}
