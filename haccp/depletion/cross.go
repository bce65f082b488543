package depletion

import "math"

// cross finds when the fitted level crosses a limit, minute by minute from the
// newest reading to the horizon. The early end is that of the first so many
// curves, the late end that of all.
func cross(fits []curve, first int, s *sample, horizon int, limit float64) Crossing {
	if limit == 0 {
		return Crossing{}
	}
	from := int(math.Floor(s.newest))
	c := Crossing{State: Beyond}
	if fits[0].level(s.at(s.newest)) <= limit {
		c.State, c.Expected = Below, from
	}
	found, open := false, false
	for i := range fits {
		early, mid, late := fits[i].crossing(s, from, horizon, limit)
		if i >= first {
			early = -1
		}
		if early >= 0 && (!found || early < c.Earliest) {
			c.Earliest, found = early, true
		}
		open = open || late < 0
		c.Latest = max(c.Latest, late)
		if i == 0 && c.State != Below && mid >= 0 {
			c.State, c.Expected = Ahead, mid
		}
		if c.State == Beyond && early >= 0 {
			c.State = Possible
		}
	}
	if open {
		c.Latest = 0
	}
	return c
}

// crossing returns the last whole minutes before the lower bound, the level and
// the upper bound of one curve reach the limit; -1 where that is past the horizon.
func (c *curve) crossing(s *sample, from, horizon int, limit float64) (early, mid, late int) {
	early, mid, late = -1, -1, -1
	t := t975(c.df)
	for m := from; m <= horizon && late < 0; m++ {
		u := s.at(math.Max(float64(m), s.newest))
		level := c.level(u)
		half := float64(t * c.stdErr(c.gradient(u)))
		before := max(m-1, from)
		if early < 0 && level-half <= limit {
			early = before
		}
		if mid < 0 && level <= limit {
			mid = before
		}
		if level+half <= limit {
			late = before
		}
	}
	return early, mid, late
}
