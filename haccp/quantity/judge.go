package quantity

import "math/big"

// A Bound is one end of a limit; the bound itself is inside.
type Bound struct {
	Value Decimal
	Unit  Unit
}

// A Finding is how one value stands to the bounds of a limit.
type Finding uint8

// The findings. All from NotNumber on are "not evaluated": neither in nor out.
const (
	Inside        Finding = iota + 1 // Inside both bounds by its worse end.
	BelowMin                         // BelowMin: the worse end lies below the lower bound.
	AboveMax                         // AboveMax: the worse end lies above the upper bound.
	OverRange                        // OverRange: over the method's range, so never inside an upper bound.
	NotNumber                        // NotNumber: nothing read, or yes/no where a number is judged.
	NoBound                          // NoBound: the limit has no bound to judge by.
	NoWay                            // NoWay: the units do not convert into one another.
	NeedsDilution                    // NeedsDilution: over a range that ends below the lower bound.
)

// Decided tells whether the value was judged at all.
func (f Finding) Decided() bool { return f >= Inside && f <= OverRange }

// In tells whether the value is inside.
func (f Finding) In() bool { return f == Inside }

// String returns the finding in words.
func (f Finding) String() string {
	switch f {
	case Inside:
		return "inside"
	case BelowMin:
		return "below the lower bound"
	case AboveMax:
		return "above the upper bound"
	case OverRange:
		return "over the range of the method"
	case NotNumber:
		return "not a number"
	case NoBound:
		return "no bound"
	case NoWay:
		return "unit does not convert"
	case NeedsDilution:
		return "over the range of the method: needs dilution"
	}
	return "not judged"
}

// Judge compares v exactly with a lower and an upper bound, either of which may
// be nil; both are inclusive.
//
//   - A band is judged by its worse end: the low one against min, the high one
//     against max.
//   - "Less than x" may be anything from the lowest physical value up to x. It is
//     inside max where x is at most max; it is inside min only where the lowest
//     physical value is.
//   - "More than x" is over the method's range and never inside by number where
//     there is an upper bound. Where there is only a lower bound it is inside if
//     x is at least min; with x below min it is not evaluated: dilute and repeat.
//
// Judge does not look at the physical range; that is Check's.
func (q *Quantity) Judge(v Value, minimum, maximum *Bound) Finding {
	switch {
	case v.kind == KindNone || v.kind == KindYesNo || q.yesNo:
		return NotNumber
	case minimum == nil && maximum == nil:
		return NoBound
	}
	belowMin, aboveMax := 0, 0
	var err error
	if minimum != nil {
		if belowMin, err = q.Compare(v.low, v.unit, minimum.Value, minimum.Unit); err != nil {
			return NoWay
		}
	}
	if maximum != nil {
		if aboveMax, err = q.Compare(v.high, v.unit, maximum.Value, maximum.Unit); err != nil {
			return NoWay
		}
	}
	switch v.kind {
	case KindAbove:
		return judgeAbove(belowMin, maximum)
	case KindBelow:
		belowMin = q.judgeBelow(minimum)
	}
	switch {
	case belowMin < 0:
		return BelowMin
	case aboveMax > 0:
		return AboveMax
	}
	return Inside
}

// Inside is Judge in two words: in is worth something only where decided.
func (q *Quantity) Inside(v Value, minimum, maximum *Bound) (in, decided bool) {
	f := q.Judge(v, minimum, maximum)
	return f.In(), f.Decided()
}

func judgeAbove(againstMin int, maximum *Bound) Finding {
	switch {
	case maximum != nil:
		return OverRange
	case againstMin < 0:
		return NeedsDilution
	}
	return Inside
}

// judgeBelow compares the lowest physical value with the lower bound.
func (q *Quantity) judgeBelow(minimum *Bound) int {
	if minimum == nil {
		return 0
	}
	s := q.find(minimum.Unit)
	low, _ := q.inRange(s, minimum.Value)
	return -low
}

// Worse orders two values by how far they lie outside the bounds, by their worse
// ends: 1 where a is worse than b, -1 where b is, 0 where neither is. Over range
// against an upper bound is the worst there is; a value that cannot be judged is
// the best. Inside both bounds neither is worse.
func (q *Quantity) Worse(a, b Value, minimum, maximum *Bound) int {
	fa, fb := q.Judge(a, minimum, maximum), q.Judge(b, minimum, maximum)
	if (fa == OverRange) != (fb == OverRange) {
		if fa == OverRange {
			return 1
		}
		return -1
	}
	return q.excess(a, fa, minimum, maximum).Cmp(q.excess(b, fb, minimum, maximum))
}

// excess is the distance beyond the bound in the base unit; 0 inside. For an
// over-range value it is its number, so that the higher of two is the worse.
func (q *Quantity) excess(v Value, f Finding, minimum, maximum *Bound) *big.Rat {
	if f != BelowMin && f != AboveMax && f != OverRange {
		return new(big.Rat)
	}
	s := q.find(v.unit)
	over, under := new(big.Rat), new(big.Rat)
	if maximum != nil {
		over = s.base(v.high)
		over.Sub(over, q.find(maximum.Unit).base(maximum.Value))
	}
	if f == OverRange {
		return over
	}
	if minimum != nil {
		low := s.base(v.low)
		if v.kind == KindBelow {
			low = q.groups[s.group].min.rat()
		}
		under.Sub(q.find(minimum.Unit).base(minimum.Value), low)
	}
	if over.Cmp(under) > 0 {
		return over
	}
	return under
}
