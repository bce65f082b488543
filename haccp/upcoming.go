package haccp

import (
	"sync/atomic"
	"time"

	"linewarden/haccp/control"
)

// checkAt names a check at a place.
type checkAt struct{ check, place string }

// splitCheck reads "check@place".
func splitCheck(k string) checkAt {
	check, place := splitKey(k)
	return checkAt{check, place}
}

// upcoming is what was found out about the next due of a check at a place. It holds for every state with the
// same plans, line and place (states are immutable, so the same pointer is the same content), and for every
// moment in [since, until).
type upcoming struct {
	planned time.Time
	line    *LineState
	place   *PlaceState

	since, until time.Time     // for moments from since until before until
	next         control.Due   // the zero Due: there is none within sight
	dues         []control.Due // from matchBack before next until next

	then atomic.Pointer[upcoming] // the due after next, once asked for
}

// forecast holds the newest upcoming of one check at one place. It is shared by all forks of a state and may
// be used by several goroutines: what it points to is replaced, not changed.
type forecast struct {
	line string
	p    atomic.Pointer[upcoming]
}

// after returns the first due of a check at a place after a moment, with those before it that a reading may
// satisfy instead; the zero Due where there is none within 40 days. What is found is kept at slot.
func (s *State) after(moment time.Time, check, place, lineOf string, slot *atomic.Pointer[upcoming]) *upcoming {
	line, _ := s.lines.get(lineOf)
	water, _ := s.places.get(place)
	if u := slot.Load(); u != nil && u.planned.Equal(s.Planned) && u.line == line && u.place == water &&
		!moment.Before(u.since) && moment.Before(u.until) {
		return u
	}
	u := &upcoming{planned: s.Planned, line: line, place: water}
	u.foresee(s.dueContext(check, place), moment)
	slot.Store(u)
	return u
}

// quiet is how long it holds that nothing is due within sight.
const quiet = time.Hour

// foresee works out what comes after a moment.
func (u *upcoming) foresee(c control.DueContext, after time.Time) {
	next, ok := control.Next(c, after)
	u.since = after
	if ok {
		u.next, u.until = next, next.At
		u.dues = control.Dues(c, next.At.Add(-matchBack), next.At.Add(1))
		return
	}
	u.until = after.Add(1)
	if _, ok := control.Next(c, after.Add(quiet)); !ok {
		u.until = after.Add(quiet)
	}
}

// indexForecasts makes room for the next due of every check at a place, with the line of the place in the last
// version that has the check there, as dueContext takes it.
func (m *memo) indexForecasts() {
	for _, k := range m.checkPlaces {
		m.forecasts[splitCheck(k)] = &forecast{}
	}
	for _, v := range m.effective {
		for _, c := range v.Plan.Checks {
			for _, place := range c.Places {
				if pl, f := v.places[place], m.forecasts[checkAt{c.ID, place}]; pl != nil && f != nil {
					f.line = pl.Line
				}
			}
		}
	}
}

// nextDue returns the next due of a check at a place after a moment that no reading satisfies yet; zero
// where there is none.
func (s *State) nextDue(check, place string, now time.Time) time.Time {
	kept := s.memo.forecasts[checkAt{check, place}]
	if kept == nil {
		return time.Time{} // no version has it
	}
	after, slot := now, &kept.p
	for range 3 {
		u := s.after(after, check, place, kept.line, slot)
		if u.next.At.IsZero() {
			break
		}
		if !s.satisfied(check, place, u) {
			return u.next.At
		}
		after, slot = u.next.At, &u.then
	}
	return time.Time{}
}

// satisfied reports whether a reading satisfies the due already.
func (s *State) satisfied(check, place string, u *upcoming) bool {
	cs, ok := s.checks.get(key(check, place))
	if !ok {
		return false
	}
	for t := range cs.Taken.backward() {
		if t.At.Before(u.next.From) {
			return false // not even the newest lies in its window
		}
		break
	}
	for _, m := range s.matchedDues(check, place, u.dues) {
		if m.At.Equal(u.next.At) && m.Row == u.next.Row && m.Reading != "" {
			return true
		}
	}
	return false
}

// matchBack is how far before a due its row is matched to know whether it is satisfied already.
const matchBack = 6 * time.Hour
