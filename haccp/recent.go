package haccp

import (
	"cmp"
	"slices"
	"time"

	"linewarden/haccp/control"
)

// maxRecent is how many of the newest readings a series keeps: so many may be voided, or show no control,
// before the point stands as not known although an older reading is young enough.
const maxRecent = 8

// boundsSpans reports whether the time of a reading is good enough to show control.
func boundsSpans(e *Event, accepted bool) bool { return e.AtKnown != AtTyped || accepted }

// lastReading gives what a reading with some marks says of a point.
func lastReading(e *Event, r *Reading, point string, marks []control.Mark, accepted bool) *LastReading {
	return &LastReading{ID: e.ID, At: e.At, By: e.By.ID, Filling: r.Filling, Verdicts: verdictsOf(r.Verdicts, point),
		Unusable: !boundsSpans(e, accepted) || e.AtKnown == AtImported ||
			slices.ContainsFunc(marks, func(m control.Mark) bool { return !m.Outside && !m.Bounds() })}
}

// counts reports whether a reading says how the point stands: it shows control, or that there is none.
func (r *LastReading) counts() bool {
	worst := control.Worst(r.Verdicts)
	return !r.Unusable || worst == control.Outside || worst == control.Act
}

// recent returns a list of newest readings after a change: by at, then inside before outside, then id.
func recent(list []*LastReading, ch *change) []*LastReading {
	out := make([]*LastReading, 0, len(list)+len(ch.recent))
	for _, r := range list {
		if !slices.Contains(ch.forget, r.ID) {
			out = append(out, r)
		}
	}
	for _, r := range ch.recent {
		i, _ := slices.BinarySearchFunc(out, r, (*LastReading).compare)
		if out = slices.Insert(out, i, r); len(out) > maxRecent {
			out = out[1:]
		}
	}
	return out
}

func (r *LastReading) compare(o *LastReading) int {
	if c := r.At.Compare(o.At); c != 0 {
		return c
	}
	if out := control.Worst(r.Verdicts) == control.Outside; out != (control.Worst(o.Verdicts) == control.Outside) {
		if out {
			return 1
		}
		return -1
	}
	return cmp.Compare(r.ID, o.ID)
}

// standing returns the newest reading that says how a point at a place stands now: where there is a filling,
// one of the water that is in the bath. Nil where there is none.
func (s *State) standing(point, place string, now time.Time) *LastReading {
	ser, ok := s.series.get(key(point, place))
	if !ok {
		return nil
	}
	for _, r := range slices.Backward(ser.Recent) {
		if r.counts() && s.sameFilling(place, r, now) {
			return r
		}
	}
	return nil
}

// sameFilling reports whether a reading is of the water that is in the bath now.
func (s *State) sameFilling(place string, r *LastReading, now time.Time) bool {
	p, ok := s.places.get(place)
	if !ok {
		return true
	}
	f, in := fillingAt(p.fillings(), now)
	c := control.Context{Fillings: p.fillings(), Named: namedBy}
	return !in || c.FillingOf(&control.Sample{At: r.At, Filling: r.Filling}) == f.ID
}
