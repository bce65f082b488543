package haccp

import (
	"cmp"
	"slices"
	"time"

	"linewarden/haccp/control"
)

// actHorizon is how far back of the newest act (a filling, a start, a fix) acts stay in the state. It is
// longer than Horizon, so that the readings of a window always find the filling they belong to.
const actHorizon = 2 * Horizon

// namedBy is how long before a filling began, or after it was drained, a reading that names it is taken to
// belong to it. It is shorter than slack, so that fillings dropped from the state are out of reach of a window.
const namedBy = 12 * time.Hour

// touches returns the earliest moment at which what excursions rest on may change with an act on the water of
// a bath: readings that name a filling may come before it began.
func touches(kind string, at time.Time) time.Time {
	if kind == KindFilled {
		return at.Add(-namedBy)
	}
	return at
}

// keep drops what is older than the horizon before the newest of a sorted list, but never the last one
// before it, so that what was going on when the horizon begins stays known.
func keep[T any](list []T, horizon time.Duration, at func(*T) time.Time) []T {
	if len(list) == 0 {
		return list
	}
	edge := at(&list[len(list)-1]).Add(-horizon - slack)
	if at(&list[0]).After(edge) {
		return list
	}
	edge = edge.Add(slack)
	n := 0
	for n+1 < len(list) && !at(&list[n+1]).After(edge) {
		n++
	}
	return slices.Clone(list[n:])
}

// insert returns a new list with v in its place in the order of less.
func insert[T any](list []T, v T, order func(a, b *T) int) []T {
	i := len(list)
	for i > 0 && order(&list[i-1], &v) > 0 {
		i--
	}
	out := make([]T, 0, len(list)+1)
	out = append(append(out, list[:i]...), v)
	return append(out, list[i:]...)
}

func byTime(a, b time.Time, ida, idb string) int {
	return cmp.Or(a.Compare(b), cmp.Compare(ida, idb))
}

func orderLine(a, b *LineAct) int { return byTime(a.At, b.At, a.ID, b.ID) }
func orderFix(a, b *FixAt) int    { return byTime(a.At, b.At, a.ID, b.ID) }

// orderBath is by at, then the draining of the old water before the filling with new, then all else, then id:
// times typed to the minute are often the same.
func orderBath(a, b *BathAct) int {
	rank := func(kind string) int {
		switch kind {
		case KindDrained:
			return 0
		case KindFilled:
			return 1
		}
		return 2
	}
	return cmp.Or(a.At.Compare(b.At), rank(a.Kind)-rank(b.Kind), cmp.Compare(a.ID, b.ID))
}

func orderService(a, b *ServiceAct) int { return byTime(a.At, b.At, a.ID, b.ID) }

// trimPlace drops what was done to a bath before the horizon, but for the filling that was in the bath then.
// Before that, the windows of its series are cut to begin later, so that none rests on what is dropped.
func (s *State) trimPlace(id string) {
	p, ok := s.places.get(id)
	if !ok || len(p.Log) == 0 {
		return
	}
	edge := latest(p.From, p.Log[len(p.Log)-1].At.Add(-actHorizon))
	kept, dropped, additions := keepBath(p.Log, edge)
	if !slices.ContainsFunc(dropped, func(a BathAct) bool { return a.At.Before(edge.Add(-slack)) }) {
		return
	}
	s.cutPlace(id, edge.Add(slack))
	next := *p
	if len(kept) == 0 || kept[0].ID != p.Log[0].ID {
		next.Earlier = 0
	}
	next.Earlier += additions
	next.Log, next.From = kept, edge
	s.setPlace(&next)
}

// keepBath parts the log of a bath at a moment: kept are the filling then in the bath, its drain, and all
// that came after the moment. It counts the additions to that filling among the dropped.
func keepBath(list []BathAct, edge time.Time) (kept, dropped []BathAct, additions int) {
	filled := -1
	for i := range list {
		if list[i].Kind == KindFilled && !list[i].At.After(edge) {
			filled = i
		}
	}
	for i, a := range list {
		switch {
		case a.At.After(edge) || i == filled || i > filled && a.Kind == KindDrained:
			kept = append(kept, a)
		default:
			dropped = append(dropped, a)
			if a.Kind == KindAdded && filled >= 0 && i > filled {
				additions++
			}
		}
	}
	return kept, dropped, additions
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// recall takes back from the facts what was forgotten, where an act of before then changes which filling was
// in the bath since: it may be another one that the state has to keep.
func (p *PlaceState) recall(e *Event, gone []string, f Facts) {
	if !e.At.Before(p.From) || e.Kind != KindFilled && e.Kind != KindDrained {
		return
	}
	voided := voidedIn(f, gone)
	log := mergeActs(p.Log, eventsAbout(f, "bath:"+p.ID), bathAct, orderBath, func(a *BathAct) string { return a.ID })
	p.Log, p.Earlier = without(log, voided, func(a *BathAct) string { return a.ID }), 0
}

// recall is the same for the runs of a line.
func (l *LineState) recall(e *Event, gone []string, f Facts) {
	if !e.At.Before(l.From) {
		return
	}
	voided := voidedIn(f, gone)
	acts := mergeActs(l.Acts, eventsAbout(f, "line:"+l.ID), lineAct, orderLine, func(a *LineAct) string { return a.ID })
	l.Acts = without(acts, voided, func(a *LineAct) string { return a.ID })
}

// trimLine drops the starts and stops before the horizon, but for the run that went on then or was the last.
func (s *State) trimLine(id string) {
	l, ok := s.lines.get(id)
	if !ok || len(l.Acts) == 0 {
		return
	}
	edge := latest(l.From, l.Acts[len(l.Acts)-1].At.Add(-actHorizon))
	kept := keepLine(l.Acts, edge)
	if len(kept) == len(l.Acts) || !l.Acts[0].At.Before(edge.Add(-slack)) || len(l.Acts)-len(kept) < minTrim {
		return
	}
	for _, place := range s.memo.placesOf[id] {
		s.cutPlace(place, edge.Add(slack))
	}
	next := *l
	next.Acts, next.From = kept, edge
	s.lines.set(id, &next)
}

// minTrim is how many acts of a line must be droppable before they are.
const minTrim = 4

// keepLine keeps the acts after a moment, the start and stop of the last run begun before it, and the last
// start before it.
func keepLine(list []LineAct, edge time.Time) []LineAct {
	start, stop, last := -1, -1, -1
	running := false
	for i := range list {
		a := &list[i]
		if a.At.After(edge) {
			break
		}
		if a.Start {
			last = i
			if !running {
				start, stop, running = i, -1, true
			}
		} else if running {
			stop, running = i, false
		}
	}
	var kept []LineAct
	for i, a := range list {
		if a.At.After(edge) || i == start || i == stop || i == last {
			kept = append(kept, a)
		}
	}
	return kept
}

// gaps derives when a place was out of service.
func (p *PlaceState) gaps() []Gap {
	var out []Gap
	for i := range p.Service {
		a := &p.Service[i]
		last := len(out) - 1
		switch open := last >= 0 && out[last].To.IsZero(); {
		case a.Out && !open:
			out = append(out, Gap{From: a.At})
		case !a.Out && open:
			out[last].To = a.At
		}
	}
	return out
}

// fillingsOf derives the fillings of a bath from what was done to it.
func fillingsOf(log []BathAct) []control.Filling {
	var out []control.Filling
	for i := range log {
		a := &log[i]
		last := len(out) - 1
		switch a.Kind {
		case KindFilled:
			if last >= 0 && out[last].To.IsZero() {
				out[last].To = a.At
			}
			out = append(out, control.Filling{ID: a.ID, From: a.At})
		case KindDrained:
			if last >= 0 && out[last].To.IsZero() {
				out[last].To = a.At
			}
		}
	}
	return out
}

// setPlace puts a place into the state, with the fillings that follow from its log.
func (s *State) setPlace(p *PlaceState) {
	p.water = fillingsOf(p.Log)
	s.places.set(p.ID, p)
}

// fillings returns the fillings of a bath inside the horizon.
func (p *PlaceState) fillings() []control.Filling { return p.water }

// fillingAt returns the filling in the bath at a moment.
func fillingAt(fillings []control.Filling, at time.Time) (control.Filling, bool) {
	for _, f := range slices.Backward(fillings) {
		if !f.From.After(at) {
			return f, f.To.IsZero() || at.Before(f.To)
		}
	}
	return control.Filling{}, false
}

// Run is a span in which a line ran.
type Run struct {
	From    time.Time
	To      time.Time // zero: still running
	Product []string  // places that held product at To
	Reason  string    // of the stop
}

// runsOf derives the runs of a line from its starts and stops. A start during a run and a stop
// outside one change nothing.
func runsOf(acts []LineAct) []Run {
	var out []Run
	for i := range acts {
		a := &acts[i]
		running := len(out) > 0 && out[len(out)-1].To.IsZero()
		switch {
		case a.Start && !running:
			out = append(out, Run{From: a.At})
		case !a.Start && running:
			r := &out[len(out)-1]
			r.To, r.Product, r.Reason = a.At, a.Product, a.Reason
		}
	}
	return out
}
