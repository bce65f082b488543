package haccp

import (
	"slices"
	"strings"
	"time"

	"linewarden/haccp/laboratory"
	"linewarden/haccp/lot"
)

// lotRange names every record about a lot.
func lotRange(code string) Range { return Range{About: "lot:" + code, To: endOfTime} }

// LotRange names every record about a lot.
func LotRange(code string) Range { return lotRange(code) }

// known is what is known of a lot: held in the state, brought back from the facts, or neither.
func (s *State) fedOf(code string, f Facts) (fed [][2][]string, known bool) {
	if l, ok := s.lots.get(code); ok {
		for i := range l.Fed {
			fed = append(fed, [2][]string{codesIn(l.Fed[i].From, func(p lot.Part) string { return p.Lot }), codesIn(l.Fed[i].To, func(p lot.Part) string { return p.Lot })})
		}
		return fed, true
	}
	events, ok := f.Ranges[lotRange(code)]
	for _, e := range events {
		if b, is := e.Body.(*LotFed); is {
			fed = append(fed, [2][]string{codesIn(b.From, func(p LotPart) string { return p.Lot }), codesIn(b.To, func(p LotPart) string { return p.Lot })})
		}
	}
	return fed, ok
}

func codesIn[T any](parts []T, code func(T) string) []string {
	out := make([]string, 0, len(parts))
	for _, p := range parts {
		out = append(out, code(p))
	}
	return out
}

// relatives lists lots with all that was made of them, and all that these were made of, as far as the state holds them
// or the facts tell of them; need asks for the records of those that were forgotten.
func (s *State) relatives(codes []string, f Facts) (all []string, need Need) {
	type look struct {
		code string
		down bool
	}
	seen := map[look]bool{}
	var todo []look
	see := func(codes []string, down bool) {
		for _, c := range codes {
			if !seen[look{c, true}] && !seen[look{c, down}] {
				seen[look{c, down}] = true
				todo = append(todo, look{c, down})
			}
		}
	}
	listed := map[string]bool{}
	for see(codes, true); len(todo) > 0; todo = todo[1:] {
		x := todo[0]
		fed, known := s.fedOf(x.code, f)
		if !known {
			if s.past.Has(x.code) {
				need = merge(need, Need{Ranges: []Range{lotRange(x.code)}})
			}
			continue
		}
		if !listed[x.code] {
			listed[x.code] = true
			all = append(all, x.code)
		}
		for _, sides := range fed {
			if slices.Contains(sides[1], x.code) {
				see(sides[0], false)
			}
			if x.down && slices.Contains(sides[0], x.code) {
				see(sides[1], true)
			}
		}
	}
	return all, need
}

// lotNeeds asks for the records of lots that the state forgot: of those named, of all that was made of them and of all
// that these were made of.
func (s *State) lotNeeds(codes []string, f Facts) Need {
	_, need := s.relatives(codes, f)
	return need
}

// bringBack has the state hold lots and their relatives, as the facts tell of them.
func (s *State) bringBack(codes []string, f Facts) {
	all, _ := s.relatives(codes, f)
	for _, code := range all {
		if _, held := s.lots.get(code); held {
			continue
		}
		if l := s.revived(code, f); l != nil {
			s.lots.set(code, l)
		}
	}
}

// revived folds a lot that the state forgot from the facts; nil where they tell of none.
func (s *State) revived(code string, f Facts) *LotState {
	var l *LotState
	events := f.Ranges[lotRange(code)]
	for _, e := range events {
		if e.Seq >= s.Size { // the record being folded may be among the facts already
			continue
		}
		if l == nil {
			l = &LotState{Lot: lot.Lot{Code: code}}
		}
		l.replay(e, events, s)
	}
	if l != nil {
		l.Settle(s.way())
	}
	return l
}

// trimLots forgets lots that are done with, that no other lot was made of, and on which nothing was recorded for a
// horizon before the newest of all; what it takes to find them again stays. What the hoppers held before goes with
// them. It looks once for every slack.
func (s *State) trimLots() {
	if len(s.loose.lots) == 0 || s.lotsLast.Sub(s.lotsSwept) < slack {
		return
	}
	s.lotsSwept = s.lotsLast
	edge := s.lotsLast.Add(-Horizon)
	stay := map[string]bool{}
	var todo []string
	for code, l := range s.lots.all() {
		if !l.done() || !l.Last().Before(edge) {
			todo = append(todo, code)
		}
	}
	for _, x := range s.LotsAtLarge() { // nobody has signed yet what that means
		todo = append(todo, x.Lot.Code)
	}
	for ; len(todo) > 0; todo = todo[1:] {
		l, ok := s.lots.get(todo[0])
		if !ok || stay[todo[0]] {
			continue
		}
		stay[todo[0]] = true
		for i := range l.Fed {
			if slices.ContainsFunc(l.Fed[i].To, func(p lot.Part) bool { return p.Lot == l.Code }) {
				for _, p := range l.Fed[i].From {
					todo = append(todo, p.Lot)
				}
			}
		}
	}
	oldest := edge
	var gone []*LotState
	for code, l := range s.lots.all() {
		if !stay[code] {
			gone = append(gone, l)
		} else if b := l.Born(); !b.IsZero() && b.Before(oldest) {
			oldest = b
		}
	}
	for _, l := range gone {
		s.past.Keep(&l.Lot)
		s.lots.delete(l.Code)
		s.lotsFrom = latest(s.lotsFrom, edge)
	}
	s.archiveEmptied(oldest.Add(-slack))
}

// archiveEmptied puts what is known of empty places before a moment into the archive.
func (s *State) archiveEmptied(edge time.Time) {
	s.emptied = slices.DeleteFunc(slices.Clone(s.emptied), func(x EmptiedAt) bool {
		if x.At.Before(edge) {
			s.past.Empty(x.Place, x.ID, x.At)
			return true
		}
		return false
	})
	s.breaks = slices.DeleteFunc(slices.Clone(s.breaks), func(x BreakAt) bool {
		if x.At.Before(edge) {
			for _, place := range s.way().Cleaned(&x.Break) {
				s.past.Empty(place, x.ID, x.At)
			}
			if s.way().Whole(&x.Break) {
				s.past.Clean(x.Line, x.ID, x.At)
			}
			return true
		}
		return false
	})
}

// LotNeeds asks for the records of lots that the state forgot, of all that was made of them and of all that these were
// made of. It is called until nothing more is wanted; WithLots then gives a state that holds them.
func (s *State) LotNeeds(codes []string, f Facts) Need { return s.lotNeeds(codes, f) }

// WithLots returns a state that also holds the lots among the facts, for questions about them. It is not to be
// decided or folded on.
func (s *State) WithLots(codes []string, f Facts) *State {
	fork := s.Fork()
	fork.Size++ // every record of the facts counts
	fork.bringBack(codes, f)
	return fork
}

// KnowsLot reports whether there is a lot, in the state or forgotten.
func (s *State) KnowsLot(code string) bool {
	_, held := s.lots.get(code)
	return held || s.past.Has(code)
}

// LotsOfBox lists the lots that a box was filled from, sorted: those of the state and those forgotten.
func (s *State) LotsOfBox(prefix string, n int64) []string {
	out := s.past.OfBox(prefix, n)
	out = slices.DeleteFunc(out, func(code string) bool { _, held := s.lots.get(code); return held })
	out = append(out, s.LotBook().OfBox(prefix, n)...)
	slices.Sort(out)
	return out
}

// lookedBack is the state with the lots that facts bring back. It is for questions.
func (s *State) lookedBack(f Facts) *State {
	var fork *State
	for r, events := range f.Ranges {
		if len(events) == 0 {
			continue
		}
		code, is := strings.CutPrefix(r.About, "lot:")
		if _, held := s.lots.get(code); !is || held {
			continue
		}
		if fork == nil {
			fork = s.Fork()
			fork.Size++ // every record of the facts counts
		}
		if l := fork.revived(code, f); l != nil {
			fork.lots.set(code, l)
		}
	}
	if fork == nil {
		return s
	}
	return fork
}

// SpanNeeds asks for the forgotten lots that spans may touch. It is called until nothing more is wanted; SpanTouches then
// answers.
func (s *State) SpanNeeds(spans []lot.Span, f Facts) Need {
	var codes []string
	for i := range spans {
		codes = append(codes, s.past.Meeting(spans[i].Place, spans[i].Begin, spans[i].End)...)
	}
	return s.behindNeeds(codes, f)
}

// SpanTouches lists the lots that spans touch, those among the facts too, whatever cases there are.
func (s *State) SpanTouches(spans []lot.Span, f Facts) []lot.Touch {
	return s.lookedBack(f).LotBook().Affected(lot.Causes{Spans: spans})
}

// lateNeeds asks, for a fact from the time of forgotten lots, for those that the cases it opens or widens may touch.
func (s *State) lateNeeds(c *Command, at time.Time, body any, f Facts) Need {
	if b, ok := body.(*laboratory.Reported); ok {
		return s.doubtNeeds(b, f)
	}
	if s.lotsFrom.IsZero() || at.IsZero() || !at.Before(s.lotsFrom) {
		return Need{}
	}
	switch body.(type) {
	case *Reading, *Bath, *LineStarted, *FixDone:
	default:
		return Need{}
	}
	return s.SpanNeeds(s.foreseen(c, f), f)
}

// doubtNeeds asks, for a pathogen that was found in a lot, for the forgotten lots that this may put in doubt. Where no clean
// break before it is recorded, it looks back a horizon.
func (s *State) doubtNeeds(b *laboratory.Reported, f Facts) Need {
	t, l := s.everTest(b.Test), s.knownLot(b.Lot, f)
	if s.lotsFrom.IsZero() || l == nil || t == nil || !t.Pathogen {
		return Need{}
	}
	spans := s.lookedBack(f).LotBook().Doubted(b.Lot)
	for i := range spans {
		if spans[i].Begin.IsZero() {
			spans[i].Begin = l.Born().Add(-Horizon)
		}
	}
	return s.SpanNeeds(spans, f)
}

// foreseen gives the spans of the cases that a command opens or changes, before lots are looked at. A command that will
// be refused has none.
func (s *State) foreseen(c *Command, f Facts) []lot.Span {
	decide, ok := deciders[c.Kind]
	if !ok || c.At.IsZero() {
		return nil
	}
	own := *c
	d := &deciding{State: s.Fork(), cmd: &own, facts: f, now: latest(s.LastRecorded, c.At.UTC().Truncate(time.Millisecond)), changes: changes{}}
	if decide.run(d, nil) != nil || d.open() != nil {
		return nil
	}
	return d.causesOf(func(id string) bool { return slices.Contains(d.loose.cases, id) }).Spans
}

// behindNeeds asks for forgotten lots, their relatives, and those that came through a hopper behind them before it was
// empty.
func (s *State) behindNeeds(codes []string, f Facts) Need {
	all, need := s.relatives(codes, f)
	seen := map[string]bool{}
	for ; len(all) > 0; all = all[1:] {
		if seen[all[0]] {
			continue
		}
		seen[all[0]] = true
		for _, place := range s.way().Carrying() {
			from, to, ok := s.past.At(all[0], place)
			if !ok {
				continue
			}
			until := s.past.EmptiedBy(place, to, s.lotsLast)
			for k := range s.emptied {
				if x := &s.emptied[k]; x.Place == place && !x.At.Before(to) && x.At.Before(until) {
					until = x.At
				}
			}
			more, wants := s.relatives(s.past.Meeting(place, from, until), f)
			all, need = append(all, more...), merge(need, wants)
		}
	}
	return need
}
