package haccp

import (
	"time"

	"linewarden/haccp/control"
)

// Chain is a door to the lists of a check for tests.
type Chain struct{ c chain[int] }

// Insert adds to the chain in order.
func (c Chain) Insert(v int) Chain {
	return Chain{c.c.insert(v, func(a, b *int) int { return *a - *b })}
}

// List returns the entries of the chain, and again read from the end.
func (c Chain) List() (forward, backward []int) {
	for v := range c.c.all() {
		forward = append(forward, *v)
	}
	for v := range c.c.backward() {
		backward = append(backward, *v)
	}
	return forward, backward
}

// TrimHours trims a chain of hours.
func (c Chain) TrimHours(h int) Chain {
	return Chain{c.c.trim(time.Duration(h)*time.Hour, func(v *int) time.Time { return time.Unix(0, 0).Add(time.Duration(*v) * time.Hour) })}
}

// SeriesKeys lists the series that the state holds.
func (s *State) SeriesKeys() []string {
	var out []string
	for k := range s.series.all() {
		out = append(out, k)
	}
	return out
}

// WindowOf returns the window of a series and its excursions as they stand.
func (s *State) WindowOf(k string) (control.Window, []control.Excursion) {
	ser, ok := s.series.get(k)
	if !ok {
		return control.Window{}, nil
	}
	return ser.Window, ser.Window.Excursions(*s.context(ser, coming{}, Facts{}))
}

// SampleOf gives what a reading says about a point.
func (s *State) SampleOf(e *Event, r *Reading, point string, accepted bool) (control.Sample, bool) {
	return s.sampleOf(e, r, point, accepted)
}

// BareContext returns what of a series' context follows from the plan alone.
func (s *State) BareContext(k string) control.Context {
	point, place := splitKey(k)
	empty := New(s.zones)
	empty.Plans, empty.memo = s.Plans, s.memo
	return *empty.context(&Series{Point: point, Place: place}, coming{}, Facts{})
}

// NextDue returns the next due of a check at a place that no reading satisfies, and the same worked out with
// nothing kept from before.
func (s *State) NextDue(k string, now time.Time) (kept, fresh time.Time) {
	check, place := splitKey(k)
	kept = s.nextDue(check, place, now)
	c := s.dueContext(check, place)
	after := now
	for range 3 {
		next, ok := control.Next(c, after)
		if !ok {
			return kept, time.Time{}
		}
		taken := false
		for _, m := range s.matchedDues(check, place, control.Dues(c, next.At.Add(-matchBack), next.At.Add(1))) {
			taken = taken || m.At.Equal(next.At) && m.Row == next.Row && m.Reading != ""
		}
		if !taken {
			return kept, next.At
		}
		after = next.At
	}
	return kept, time.Time{}
}
