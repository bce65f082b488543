// Package proof divides the time in which a place was in use by what was known there of one control point.
//
// The measure is time with proof of control: time for which readings show, limit by limit and no longer than the
// plan's frequency, that the point was inside its critical limits or action criteria. All other time in use is time
// outside, or time of which nothing is known; neither is ever counted as good. It is a pure function of the facts,
// whatever their order of arrival: a reading received late gives back the time that it proves, and an excursion
// takes away what lay between the last inside reading and the first outside one.
package proof

import (
	"slices"
	"time"
)

// Span is the time from From until To, both known.
type Span struct{ From, To time.Time }

// Use is a stretch in which the place was in use with the same water in it; Water is empty where there is none.
type Use struct {
	Span
	Water string
}

// Shown is a live, usable reading that one limit was inside, of the water it was drawn from. It speaks of the moments
// from At to Until; a zero Until stands for At.
type Shown struct {
	Limit string
	Water string
	At    time.Time
	Until time.Time
}

// Facts is what is known of one control point at one place.
type Facts struct {
	// Limits lists the limits that must all be shown inside. Without one nothing can be proved.
	Limits []string
	// Stands is for how long a reading is proof: the longest time the plan lets pass until the next one. Zero is
	// without end, where the plan wants no further one.
	Stands time.Duration
	// Inside may be in any order. It must reach back as far as Stands before the span asked for.
	Inside []Shown
	// Outside lists the excursions, in any order; they may overlap.
	Outside []Span
	// InUse lists the stretches in use; those that overlap are counted once, as the one that began first.
	InUse []Use
}

// Times says how the time in use divides: InUse is the sum of the three others.
type Times struct {
	InUse    time.Duration
	Proved   time.Duration
	Outside  time.Duration
	NotKnown time.Duration
}

// Add returns the sums of two.
func (t Times) Add(o Times) Times {
	return Times{t.InUse + o.InUse, t.Proved + o.Proved, t.Outside + o.Outside, t.NotKnown + o.NotKnown}
}

// Share is the share of the time in use that is proved, from 0 to 1; false where there was no use.
func (t Times) Share() (float64, bool) {
	if t.InUse <= 0 {
		return 0, false
	}
	return float64(t.Proved) / float64(t.InUse), true
}

// Divide divides the time in use from from until to.
func Divide(f Facts, from, to time.Time) Times {
	outside := union(clip(f.Outside, from, to))
	var t Times
	done := from
	uses := slices.Clone(f.InUse)
	slices.SortStableFunc(uses, func(a, b Use) int { return a.From.Compare(b.From) })
	for _, u := range uses {
		begin, end := later(u.From, done), earlier(u.To, to)
		if !begin.Before(end) {
			continue
		}
		done = end
		out := clip(outside, begin, end)
		t.InUse += end.Sub(begin)
		t.Outside += total(out)
		proved := f.proved(u.Water, begin, end)
		t.Proved += total(proved) - total(meet(proved, out))
	}
	t.NotKnown = t.InUse - t.Proved - t.Outside
	return t
}

// proved gives the stretches in which every limit was shown inside of the same water.
func (f *Facts) proved(water string, from, to time.Time) []Span {
	if len(f.Limits) == 0 {
		return nil
	}
	var all []Span
	for i, limit := range f.Limits {
		var one []Span
		for _, s := range f.Inside {
			if s.Limit != limit || s.Water != water || s.At.After(to) {
				continue
			}
			end := later(s.At, s.Until)
			if f.Stands > 0 {
				end = end.Add(f.Stands)
			} else {
				end = later(end, to)
			}
			one = append(one, Span{s.At, end})
		}
		one = union(clip(one, from, to))
		if i == 0 {
			all = one
			continue
		}
		all = meet(all, one)
	}
	return all
}

// clip cuts spans to those parts that lie within another; empty ones are dropped.
func clip(spans []Span, from, to time.Time) []Span {
	var out []Span
	for _, s := range spans {
		s.From, s.To = later(s.From, from), earlier(s.To, to)
		if s.From.Before(s.To) {
			out = append(out, s)
		}
	}
	return out
}

// union sorts spans and joins those that touch.
func union(spans []Span) []Span {
	slices.SortFunc(spans, func(a, b Span) int { return a.From.Compare(b.From) })
	var out []Span
	for _, s := range spans {
		if n := len(out); n > 0 && !s.From.After(out[n-1].To) {
			out[n-1].To = later(out[n-1].To, s.To)
			continue
		}
		out = append(out, s)
	}
	return out
}

// meet gives what two lists of sorted spans, none of which touches another of its list, have in common.
func meet(a, b []Span) []Span {
	var out []Span
	for len(a) > 0 && len(b) > 0 {
		s := Span{later(a[0].From, b[0].From), earlier(a[0].To, b[0].To)}
		if s.From.Before(s.To) {
			out = append(out, s)
		}
		if a[0].To.Before(b[0].To) {
			a = a[1:]
		} else {
			b = b[1:]
		}
	}
	return out
}

func total(spans []Span) time.Duration {
	var d time.Duration
	for _, s := range spans {
		d += s.To.Sub(s.From)
	}
	return d
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

func earlier(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
