package quantity

import (
	"fmt"
	"math/big"
)

// Convert states d, given in unit from, in unit to, rounded half-even to exactly
// places decimals. The arithmetic before the rounding is exact.
func (q *Quantity) Convert(d Decimal, from, to Unit, places int) (Decimal, error) {
	a, b, err := q.pair(from, to)
	if err != nil {
		return Decimal{}, err
	}
	r := a.base(d)
	r.Mul(r, big.NewRat(b.den, b.num))
	r.Sub(r, big.NewRat(b.offset, 1))
	out, err := fromRat(r, places)
	if err != nil {
		return Decimal{}, fmt.Errorf("%s %s in %s: %w", d, from, to, err)
	}
	return out, nil
}

// Compare returns -1, 0 or 1 as a is less than, equal to or more than b, exactly
// and over units. Where the units are alike it does not allocate. The error is
// an [ErrUnit] or, for units without a way between them, an [ErrConvert].
func (q *Quantity) Compare(a Decimal, aUnit Unit, b Decimal, bUnit Unit) (int, error) {
	sa, sb, err := q.pair(aUnit, bUnit)
	if err != nil {
		return 0, err
	}
	if sa.num == sb.num && sa.den == sb.den && sa.offset == sb.offset {
		return a.Cmp(b), nil
	}
	return sa.base(a).Cmp(sb.base(b)), nil
}

// pair finds both units and sees that they convert into one another.
func (q *Quantity) pair(from, to Unit) (a, b *scale, err error) {
	if a, err = q.scale(from); err != nil {
		return nil, nil, err
	}
	if b, err = q.scale(to); err != nil {
		return nil, nil, err
	}
	if a.group != b.group {
		return nil, nil, fmt.Errorf("%s: %s and %s are %w%s", q.name, from, to, ErrConvert, q.why())
	}
	return a, b, nil
}

func (q *Quantity) why() string {
	switch q.id {
	case Salt:
		return ": it takes the density of the water"
	case Turbidity:
		return ": the two methods use different light"
	case Count:
		return ": the counts are of different kinds"
	}
	return ""
}

// base returns d in the base unit of its group, exactly.
func (s *scale) base(d Decimal) *big.Rat {
	r := d.rat()
	r.Add(r, big.NewRat(s.offset, 1))
	return r.Mul(r, big.NewRat(s.num, s.den))
}

// Times returns d times num over den, rounded half-even to exactly places decimals; den must not be 0.
func (d Decimal) Times(num, den int64, places int) (Decimal, error) {
	if den == 0 {
		return Decimal{}, fmt.Errorf("%s over no parts", d)
	}
	r := d.rat()
	return fromRat(r.Mul(r, big.NewRat(num, den)), places)
}
