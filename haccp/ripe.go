package haccp

import (
	"slices"
	"strings"
	"time"

	"linewarden/haccp/control"
)

// What follows is asked by who keeps an agenda of what the clock alone may change: when a check at a place is to be
// looked at next, and which of them a record may have changed. Between two looks nothing is missed, as long as
// everything that Concerns names is looked at again.

// CheckPlaces lists every check at a place of any plan version, as "check@place", sorted.
func (s *State) CheckPlaces() []string { return s.memo.checkPlaces }

// LineOf returns the line of a place by the newest plan that has it; "" for none.
func (s *State) LineOf(place string) string { return s.lineOfPlace(place) }

// PlanSeq is the record that signed the newest plan version; 0 before the first.
func (s *State) PlanSeq() int64 { return s.planSeq }

// PointsFed lists every control point at a place ("point@place") that a check at a place has served.
func (s *State) PointsFed(checkPlace string) []string { return s.memo.feeds[checkPlace] }

// farAhead is how soon a check is looked at again that is not due within 40 days.
const farAhead = 24 * time.Hour

// MissedAt reports whether a sweep would record a miss of a check at a place. Next is when that may become so
// whatever is measured meanwhile: just after the next window ends.
func (s *State) MissedAt(checkPlace string, now time.Time) (missed bool, next time.Time) {
	now = s.sweptTo(now)
	id, place := splitKey(checkPlace)
	d := &deciding{State: s, now: now}
	return len(d.missedAt(id, place)) > 0, s.windowEnds(id, place, now)
}

// sweptTo is the moment that a sweep judges by: in whole milliseconds, and never before the last record.
func (s *State) sweptTo(now time.Time) time.Time {
	now = now.UTC().Truncate(time.Millisecond)
	if now.Before(s.LastRecorded) {
		return s.LastRecorded
	}
	return now
}

// windowEnds gives the first moment after the end of a window that is still open or to come.
func (s *State) windowEnds(check, place string, now time.Time) time.Time {
	return soonest(s.dueContext(check, place), now, func(due *control.Due) time.Time {
		if due.Row == control.RowForecast || due.Until.Before(now) {
			return time.Time{}
		}
		return due.Until
	})
}

// TurnsAt gives the first moment at which a check at a place may turn late or missed by the clock alone.
func (s *State) TurnsAt(check, place string, now time.Time) time.Time {
	return soonest(s.dueContext(check, place), now, func(due *control.Due) time.Time {
		for _, at := range []time.Time{due.At, due.Until} {
			if !at.Before(now) {
				return at
			}
		}
		return time.Time{}
	})
}

// soonest gives the millisecond after the earliest moment that turn gives for a due; a due whose moments have all
// passed gives the zero time.
func soonest(c control.DueContext, now time.Time, turn func(*control.Due) time.Time) time.Time {
	grace := time.Duration(0)
	for i := range c.Versions {
		grace = max(grace, c.Versions[i].Grace)
	}
	from := now.Add(-grace)
	for _, span := range []time.Duration{2 * time.Hour, 26 * time.Hour, 8 * 24 * time.Hour, 40 * 24 * time.Hour} {
		end := now.Add(span)
		var first time.Time
		dues := control.Dues(c, from, end)
		for i := range dues {
			if at := turn(&dues[i]); !at.IsZero() && (first.IsZero() || at.Before(first)) {
				first = at
			}
		}
		if !first.IsZero() {
			if first.After(end) { // a due after the stretch may end sooner
				first = end
			}
			return first.Add(time.Millisecond)
		}
	}
	return now.Add(farAhead)
}

// Touching is what a record may have changed for the clock: the dues of the checks at a place, of a line, or of one
// check at a place; or of everything. Readings are not among it: one satisfies a due, and makes none.
type Touching struct {
	All    bool
	Checks []string // "check@place"
	Places []string
	Lines  []string
	Lots   bool // the clocks of lots
}

// TouchedBy tells what a record may have changed for the clock.
func TouchedBy(e *Event) Touching {
	var t Touching
	switch e.Body.(type) {
	case *Reading, *Missed, *DeviationOpened, *DeviationReopened, *DeviationSigned, *Note, *Reviewed, *FixDone, *PersonBody, *DeviceBody:
		return t
	case *PlanSigned:
		t.All = true
		return t
	}
	if slices.Contains(e.About, "lots") {
		t.Lots = true
		return t
	}
	for _, about := range e.About {
		word, id, _ := strings.Cut(about, ":")
		switch word {
		case "check":
			t.Checks = append(t.Checks, id)
		case "bath":
			t.Places = append(t.Places, id)
		case "line":
			t.Lines = append(t.Lines, id)
		case "place": // service, or a hopper found empty
			t.Places, t.Lots = append(t.Places, id), true
		}
	}
	return t
}

// CheckPlacesOf lists what a Touching names, as "check@place".
func (s *State) CheckPlacesOf(t Touching) []string {
	if t.All {
		return s.memo.checkPlaces
	}
	out := slices.Clone(t.Checks)
	places := slices.Clone(t.Places)
	for _, line := range t.Lines {
		places = append(places, s.memo.placesOf[line]...)
	}
	for _, place := range places {
		out = append(out, s.memo.checksAt[place]...)
	}
	return out
}

// ClocksAt reports whether a sweep would flag a running clock of a lot, and the next moment at which it may.
func (s *State) ClocksAt(now time.Time) (flag bool, next time.Time) {
	now = s.sweptTo(now)
	due, next := s.flagsAt(now)
	if !next.IsZero() {
		next = next.Add(time.Millisecond)
	}
	return len(due) > 0, next
}

// SweepFinds reports whether a sweep would record anything. It changes nothing, so that any goroutine may
// ask the view before it asks the writer.
func (s *State) SweepFinds(now time.Time) bool {
	now = s.sweptTo(now)
	d := &deciding{State: s, now: now}
	if flags, _ := s.flagsAt(now); len(flags) > 0 {
		return true
	}
	return slices.ContainsFunc(s.memo.checkPlaces, func(k string) bool {
		id, place := splitKey(k)
		return len(d.missedAt(id, place)) > 0
	})
}

// SweepDue returns the next moment at which a sweep may find a miss or a clock to flag: the earliest end of a
// window still open, or limit of a running clock. False where nothing is due.
func (s *State) SweepDue(now time.Time) (time.Time, bool) {
	var next time.Time
	for _, item := range s.DueList(now) {
		if item.State != DueMissed && (next.IsZero() || item.Until.Before(next)) {
			next = item.Until
		}
	}
	if _, flag := s.flagsAt(now); !flag.IsZero() && (next.IsZero() || flag.Before(next)) {
		next = flag
	}
	return next, !next.IsZero()
}
