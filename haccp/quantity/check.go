package quantity

// Check says whether v is a value that q can have: the kind, the unit, the ends
// of a band and the physical range. It judges no limit. The error is an
// [ErrValue], [ErrKind], [ErrUnit] or [ErrRange] inside a [FieldError].
func (q *Quantity) Check(v Value) error {
	switch {
	case v.kind == KindNone:
		return fail("", "%w: %s has no value", ErrValue, q.name)
	case q.yesNo && v.kind != KindYesNo:
		return fail("", "%w: %s is answered with true or false", ErrKind, q.name)
	case q.yesNo:
		return nil
	case v.kind == KindYesNo:
		return fail("", "%w: %s is a number with a unit, not yes or no", ErrKind, q.name)
	}
	s, err := q.scale(v.unit)
	if err != nil {
		return &FieldError{Field: "unit", Err: err}
	}
	if v.kind == KindBand {
		return q.checkBand(s, v)
	}
	return q.checkNumber(s, v)
}

func (q *Quantity) checkBand(s *scale, v Value) error {
	switch c := v.low.Cmp(v.high); {
	case c > 0:
		return fail("low", "%w: %s is above high %s: change them round", ErrValue, v.low, v.high)
	case c == 0:
		return fail("high", "%w: the band has no width: give %s as value", ErrValue, v.low)
	}
	if low, high := q.inRange(s, v.low); low < 0 || high > 0 {
		return q.outOfRange("low", s, v.low)
	}
	if low, high := q.inRange(s, v.high); low < 0 || high > 0 {
		return q.outOfRange("high", s, v.high)
	}
	return nil
}

// checkNumber looks at an exact or censored number. Nothing lies below the
// lowest or above the highest value there is.
func (q *Quantity) checkNumber(s *scale, v Value) error {
	low, high := q.inRange(s, v.low)
	if low < 0 || high > 0 {
		return q.outOfRange("value", s, v.low)
	}
	if v.kind == KindBelow && low == 0 || v.kind == KindAbove && high == 0 {
		return fail("value", "%w: no %s lies there: %q", ErrRange, q.name, v.String())
	}
	return nil
}

// inRange compares d with both physical ends.
func (q *Quantity) inRange(s *scale, d Decimal) (low, high int) {
	g := q.groups[s.group]
	if s.unit == g.base || s.num == s.den && s.offset == 0 {
		return d.Cmp(g.min), d.Cmp(g.max)
	}
	r := s.base(d)
	return r.Cmp(g.min.rat()), r.Cmp(g.max.rat())
}

func (q *Quantity) outOfRange(field string, s *scale, d Decimal) error {
	g := q.groups[s.group]
	return fail(field, "%w: %s of %s %s cannot be (%s to %s %s): look at the point and the unit",
		ErrRange, q.name, d, s.unit.Symbol(), g.min, g.max, g.base.Symbol())
}
