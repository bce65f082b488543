package lot

import (
	"slices"
	"time"
)

// Gap is a stretch of a stay without proof of control. Before and After are the readings around it; zero
// where there is none.
type Gap struct {
	From   time.Time `json:"from"`
	To     time.Time `json:"to,omitzero"` // zero: still open
	Before time.Time `json:"before,omitzero"`
	After  time.Time `json:"after,omitzero"`
}

// Gaps lists the stretches of [from, to] that lie between two readings further apart than longest, or before
// the first or after the last reading there is. Shown are the moments of usable readings of the control point
// at the place, in any order; longest is the interval of the check plus its grace. A zero to is open: what is
// not over by now, the moment given, cannot be missing yet.
func Gaps(from, to time.Time, shown []time.Time, longest time.Duration, now time.Time) []Gap {
	end := to
	if end.IsZero() || end.After(now) {
		end = now
	}
	if end.Before(from) {
		return nil
	}
	times := slices.SortedFunc(slices.Values(shown), time.Time.Compare)
	var out []Gap
	add := func(before, after time.Time) {
		g := Gap{From: later(from, before), To: to, Before: before, After: after}
		if !after.IsZero() && (to.IsZero() || after.Before(to)) {
			g.To = after
		}
		out = append(out, g)
	}
	var before time.Time
	for _, t := range times {
		if t.Before(from) || t.Equal(from) {
			before = t
			continue
		}
		if before.IsZero() || t.Sub(before) > longest {
			add(before, t)
		}
		before = t
		if !t.Before(end) { // the first at or after the end closes it
			return out
		}
	}
	switch {
	case before.IsZero():
		add(before, time.Time{})
	case before.Before(end) && (!to.IsZero() && !to.After(now) || end.Sub(before) > longest):
		add(before, time.Time{})
	}
	return out
}
