package lot

import (
	"cmp"
	"slices"
	"time"
)

// Stay is the time of a lot at a place in one step, from its first part coming to its last part leaving.
type Stay struct {
	Step    string    `json:"step"`
	Place   string    `json:"place"`
	Filling string    `json:"filling,omitempty"`
	From    time.Time `json:"from"`
	To      time.Time `json:"to,omitzero"` // zero: still there, for all that is known
	// LastIn and FirstOut are when its last part came and its first part left; zero: not recorded.
	LastIn   time.Time `json:"last_in,omitzero"`
	FirstOut time.Time `json:"first_out,omitzero"`
	// NoFrom and NoTo say that the end is not recorded: it is as far out as the steps around it allow.
	NoFrom bool `json:"no_from,omitempty"`
	NoTo   bool `json:"no_to,omitempty"`
	// Unseen says that nothing is recorded of the lot at this step. It lay on its way, so it counts as exposed.
	Unseen bool `json:"unseen,omitempty"`
	// Limbo says of an unseen stay that nothing recorded later shows that the lot came by at all.
	Limbo bool `json:"limbo,omitempty"`
}

// Meets reports whether the closed time of the stay meets [from, to]; a zero to is open.
func (s *Stay) Meets(from, to time.Time) bool {
	return (s.To.IsZero() || !s.To.Before(from)) && (to.IsZero() || !s.From.After(to))
}

// Stays returns where the lot was and when, by From, as Settle worked it out.
func (l *Lot) Stays() []Stay { return l.stays }

// Settle works out the stays of the lot on a way. It must be called after the lot was changed and before a
// Book is asked.
//
// A lot without both times at a place counts as there from the beginning of the step recorded before to the
// end of the step recorded after, open where there is none (RULES 5.3). A step on the way that was passed
// unseen counts at each of its places. What lies after the last recorded step counts only once the lot was
// recorded to have left that step: until then it is known to be there.
func (l *Lot) Settle(w *Way) {
	l.end = l.ended()
	l.stays = l.recorded(w)
	l.bound(w)
	l.stays = append(l.stays, l.unseen(w)...)
	slices.SortFunc(l.stays, func(a, b Stay) int {
		return cmp.Or(a.From.Compare(b.From), cmp.Compare(w.pos(a.Step), w.pos(b.Step)), cmp.Compare(a.Place, b.Place))
	})
}

// ended returns when nothing was left of the lot.
func (l *Lot) ended() time.Time {
	end := l.Ended
	for i := range l.Fed {
		if p, ok := l.Fed[i].gives(l.Code); ok && p.All {
			if t := later(l.Fed[i].At, l.Fed[i].Until); end.IsZero() || t.Before(end) {
				end = t
			}
		}
	}
	return end
}

// recorded pairs the acts of each step and place into stays, ends not recorded left zero.
func (l *Lot) recorded(w *Way) []Stay {
	acts := slices.Clone(l.Acts)
	slices.SortStableFunc(acts, func(a, b Act) int {
		in := func(a *Act) int {
			if a.In {
				return 0
			}
			return 1
		}
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(w.pos(a.Step), w.pos(b.Step)), in(&a)-in(&b))
	})
	var out []Stay
	open := map[[2]string]int{} // step and place -> stay without an end
	for i := range acts {
		a := &acts[i]
		k := [2]string{a.Step, a.Place}
		at, ok := open[k]
		switch {
		case a.In && ok: // more of it came
			out[at].LastIn = later(out[at].LastIn, a.End())
		case a.In:
			open[k] = len(out)
			out = append(out, Stay{Step: a.Step, Place: a.Place, Filling: a.Filling, From: a.At, LastIn: a.End(), NoTo: true})
		case ok:
			out[at].FirstOut, out[at].To, out[at].NoTo = a.At, a.End(), false
			if out[at].Filling == "" {
				out[at].Filling = a.Filling
			}
			delete(open, k)
		default:
			out = append(out, Stay{Step: a.Step, Place: a.Place, Filling: a.Filling, FirstOut: a.At, To: a.End(), NoFrom: true})
		}
	}
	return out
}

// A mark is a recorded moment of a lot at a step: its first and its last time there.
type mark struct {
	step        string
	first, last time.Time // zero last: it was not recorded to leave
}

// marks lists what is recorded of the lot, one entry a step, in the order of the steps.
func (l *Lot) marks(w *Way) []mark {
	var out []mark
	see := func(step string, first, last time.Time, left bool) {
		if first.IsZero() {
			first = last
		}
		if !left {
			last = time.Time{}
		}
		i := slices.IndexFunc(out, func(m mark) bool { return m.step == step })
		if i < 0 {
			out = append(out, mark{step, first, last})
			return
		}
		if first.Before(out[i].first) {
			out[i].first = first
		}
		if last.IsZero() || out[i].last.IsZero() {
			out[i].last = time.Time{}
		} else {
			out[i].last = later(out[i].last, last)
		}
	}
	for _, r := range l.Received {
		see(r.Step, r.At, r.At, true)
	}
	for i := range l.stays {
		s := &l.stays[i]
		see(s.Step, s.From, s.To, !s.NoTo)
	}
	for i := range l.Fed {
		f := &l.Fed[i]
		gave, ok := f.gives(l.Code)
		if _, took := f.takes(l.Code); took || ok && gave.All {
			if f.Step == "" {
				continue // the moment bounds the life of the lot; no step follows from it
			}
			see(f.Step, f.At, later(f.At, f.Until), true)
		}
	}
	slices.SortStableFunc(out, func(a, b mark) int {
		return cmp.Or(cmp.Compare(w.pos(a.step), w.pos(b.step)), a.first.Compare(b.first))
	})
	return out
}

// bound sets the ends of recorded stays that are not recorded.
func (l *Lot) bound(w *Way) {
	marks := l.marks(w)
	born := l.Born()
	for i := range l.stays {
		s := &l.stays[i]
		if s.NoFrom {
			s.From = s.FirstOut
			if !born.IsZero() && born.Before(s.From) {
				s.From = born
			}
			for _, m := range marks {
				if w.Before(m.step, s.Step) && !m.first.After(s.FirstOut) {
					s.From = m.first // the nearest step before comes last
				}
			}
		}
		if s.NoTo {
			s.To = l.leftBy(w, marks, s.Step, s.From)
		}
	}
}

// leftBy returns by when the lot had left a step, as the steps recorded after it show: zero where none does.
func (l *Lot) leftBy(w *Way, marks []mark, step string, from time.Time) time.Time {
	for _, m := range marks {
		if w.Before(step, m.step) && !m.last.IsZero() && !m.last.Before(from) {
			if !l.end.IsZero() && l.end.Before(m.last) {
				return l.end
			}
			return m.last
		}
	}
	return l.end
}

// unseen lists the stays at steps the lot passed without a record.
func (l *Lot) unseen(w *Way) []Stay {
	marks := l.marks(w)
	var out []Stay
	add := func(step *wayStep, from, to time.Time, limbo bool) {
		for _, place := range step.places {
			out = append(out, Stay{Step: step.id, Place: place, From: from, To: to, NoFrom: true, NoTo: true, Unseen: true, Limbo: limbo})
		}
	}
	for i := 1; i < len(marks); i++ {
		p, n := marks[i-1], marks[i]
		for j := range w.steps {
			if s := &w.steps[j]; w.Before(p.step, s.id) && w.Before(s.id, n.step) {
				to := n.last
				if to.IsZero() {
					to = l.leftBy(w, marks, s.id, p.first)
				}
				add(s, p.first, to, false)
			}
		}
	}
	if len(marks) == 0 { // never recorded at a step: at all of them, as long as it exists
		if born := l.Born(); !born.IsZero() {
			for j := range w.steps {
				add(&w.steps[j], born, l.end, true)
			}
		}
		return out
	}
	last := marks[len(marks)-1]
	if last.last.IsZero() { // recorded to be there, and not to have left
		return out
	}
	for j := range w.steps {
		s := &w.steps[j]
		if w.Before(last.step, s.id) && (l.end.IsZero() || l.end.After(last.last)) {
			add(s, last.first, l.end, true)
		}
	}
	return out
}
