package haccp

import (
	"slices"
	"time"

	"linewarden/haccp/lot"
	"linewarden/haccp/plan"
)

// LotAtLarge is a lot that had been released or shipped and that a case touches, while nobody has signed since what
// that means for it (RULES 5.4).
type LotAtLarge struct {
	Lot   *LotState
	Case  *Deviation
	Touch lot.Touch
	// Answered says that somebody has signed. Only AtLarge lists such lots.
	Answered bool
}

// AtLargeNeeds asks for the forgotten lots that a case may touch. It is called until nothing more is wanted; AtLarge then
// answers.
func (s *State) AtLargeNeeds(id string, f Facts) Need {
	c := s.causesOf(func(x string) bool { return x == id })
	var codes []string
	for _, x := range c.Own {
		codes = append(codes, x.Lot)
	}
	for _, x := range c.Results {
		codes = append(codes, x.Lot)
	}
	return merge(s.SpanNeeds(c.Spans, f), s.lotNeeds(codes, f))
}

// AtLarge lists the lots that had been released or shipped and that a case touches, whether somebody has signed since or
// not, by lot.
func (s *State) AtLarge(id string, f Facts) []LotAtLarge {
	d, ok := s.deviations.get(id)
	if !ok {
		return nil
	}
	back := s.lookedBack(f)
	var out []LotAtLarge
	for _, t := range back.LotBook().Affected(back.causesOf(func(x string) bool { return x == id })) {
		if l, ok := back.lots.get(t.Lot); ok && l.atLarge() {
			out = append(out, LotAtLarge{l, d, t, l.answered(d, &t)})
		}
	}
	return out
}

// KnownSince is when it was recorded that the case touches the lot.
func (x *LotAtLarge) KnownSince() time.Time {
	for _, h := range x.Lot.Holds {
		if h.Deviation == x.Case.Deviation {
			return h.At
		}
	}
	return x.Case.Found
}

// LotsAtLarge lists them, by lot, then case.
func (s *State) LotsAtLarge() []LotAtLarge {
	gone := false
	for _, l := range s.lots.all() {
		if gone = l.atLarge(); gone {
			break
		}
	}
	if !gone {
		return nil
	}
	var out []LotAtLarge
	for _, t := range s.Affected() {
		l, ok := s.lots.get(t.Lot)
		d, known := s.deviations.get(t.Cause)
		if ok && known && l.atLarge() && !l.answered(d, &t) {
			out = append(out, LotAtLarge{l, d, t, false})
		}
	}
	return out
}

// atLarge reports whether a lot was released or some of it left the plant.
func (l *LotState) atLarge() bool {
	x := l.Disposed()
	return len(l.Shipments) > 0 || x != nil && x.Body.Outcome == plan.Release
}

// answered reports whether somebody signed for what a case does to a lot: a disposition that covers the time, or an
// evaluation that saw the case as wide as it is.
func (l *LotState) answered(d *Deviation, t *lot.Touch) bool {
	return l.covered(t) || slices.ContainsFunc(l.Evaluations, func(e Evaluation) bool {
		return e.Body.Deviation == d.Deviation && e.Head >= d.Widened
	})
}

// covered reports whether a disposition in effect covers what a cause does to a lot.
func (l *LotState) covered(t *lot.Touch) bool {
	return slices.ContainsFunc(l.Signed, func(x Disposition) bool {
		c := x.covers(t.Cause)
		return x.Effective && c != nil && !t.From.Before(c.From) && (c.To.IsZero() || !t.To.IsZero() && !t.To.After(c.To))
	})
}

// FlaggedClock is a running clock of a lot that was flagged.
type FlaggedClock struct {
	Lot  string
	Over bool // past its limit; else near it
	LotTime
}

// FlaggedClocks lists the running clocks that were flagged, by lot.
func (s *State) FlaggedClocks() []FlaggedClock {
	var book *lot.Book
	var out []FlaggedClock
	for _, l := range s.lots.all() {
		if len(l.Flags) == 0 || l.done() {
			continue
		}
		if book == nil {
			book = s.LotBook()
		}
		for _, x := range s.lotTimes(book, l) {
			over := l.flagged(x.Point, FlagOver)
			if x.Running && (over || l.flagged(x.Point, FlagNear)) {
				out = append(out, FlaggedClock{l.Code, over, x})
			}
		}
	}
	return out
}

// RunningClock is a running clock of a lot that has a limit.
type RunningClock struct {
	Lot string
	LotTime
}

// RunningClocks lists the running clocks of lots that have a limit, by lot.
func (s *State) RunningClocks() []RunningClock {
	n := len(s.memo.versions)
	if n == 0 || !slices.ContainsFunc(s.memo.versions[n-1].Plan.Points, func(p plan.Point) bool { return p.Clock != nil }) {
		return nil
	}
	var book *lot.Book
	var out []RunningClock
	for _, l := range s.lots.all() {
		if l.done() {
			continue
		}
		if book == nil {
			book = s.LotBook()
		}
		for _, x := range s.lotTimes(book, l) {
			if x.Running && !x.LimitAt.IsZero() {
				out = append(out, RunningClock{l.Code, x})
			}
		}
	}
	return out
}
