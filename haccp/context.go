package haccp

import (
	"fmt"
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// whereabouts returns the place of a series and its line as the state holds them; nil where nothing was
// recorded there.
func (s *State) whereabouts(place string) (*PlaceState, *LineState) {
	p, _ := s.places.get(place)
	var l *LineState
	if line := s.lineOfPlace(place); line != "" {
		l, _ = s.lines.get(line)
	}
	return p, l
}

func (s *State) lineOfPlace(place string) string {
	if pl := s.everPlace(place); pl != nil {
		return pl.Line
	}
	return ""
}

// coming is what a command is about to do, as far as the context of a series depends on it.
type coming struct {
	gone    []string // reports that it voids
	changed []string // reports that it amends, or whose time it accepts
	acts    []*Event // acts and fixes that it reports
}

// context gathers what the excursions of a series depend on beside its readings. Facts add what is older
// than the state; next is what the state does not show yet.
func (s *State) context(ser *Series, next coming, f Facts) *control.Context {
	c := &control.Context{Limits: s.memo.judged[ser.Point], LiveFrom: ser.FirstLive, Named: namedBy}
	for _, v := range s.memo.effective {
		if slices.ContainsFunc(v.Plan.Instruments, func(i plan.Instrument) bool { return i.Probe != nil }) {
			c.Cover = control.MaxCover
		}
		pt, pl := v.points[ser.Point], v.places[ser.Place]
		if pt != nil && pl != nil {
			c.Rules = append(c.Rules, control.RuleFrom{From: v.From, InsideInRow: pt.Ends.InsideInRow, Mixing: pl.Mixing.Std()})
		}
	}
	p, l := s.whereabouts(ser.Place)
	var log []BathAct
	if p != nil {
		log = p.Log
	}
	var acts []LineAct
	if l != nil {
		acts = l.Acts
	}
	fixes := ser.Fixes
	gone := next.gone
	if len(f.Ranges) > 0 || len(next.acts) > 0 {
		gone = voidedIn(f, gone)
		at, point := placeOf(next.acts, ser.Place), pointOf(next.acts, ser)
		log = mergeActs(log, append(at, eventsAbout(f, "bath:"+ser.Place)...), bathAct, orderBath, func(a *BathAct) string { return a.ID })
		acts = mergeActs(acts, eventsAbout(f, "line:"+s.lineOfPlace(ser.Place)), lineAct, orderLine, func(a *LineAct) string { return a.ID })
		fixes = mergeActs(fixes, append(point, eventsAbout(f, "series:"+key(ser.Point, ser.Place))...), fixAct, orderFix, func(x *FixAt) string { return x.ID })
	}
	if len(gone) > 0 {
		log = without(log, gone, func(a *BathAct) string { return a.ID })
		acts = without(acts, gone, func(a *LineAct) string { return a.ID })
		fixes = without(fixes, gone, func(x *FixAt) string { return x.ID })
	}
	for i := range fixes {
		c.Fixes = append(c.Fixes, fixes[i].At)
	}
	c.Fillings = fillingsOf(log)
	for i := range acts {
		if acts[i].Start {
			c.Starts = append(c.Starts, acts[i].At)
		}
	}
	return c
}

// placeOf picks the acts on the water of a place.
func placeOf(events []*Event, place string) []*Event {
	var out []*Event
	for _, e := range events {
		if b, ok := e.Body.(*Bath); ok && b.Place == place {
			out = append(out, e)
		}
	}
	return out
}

// pointOf picks the fixes of a series.
func pointOf(events []*Event, ser *Series) []*Event {
	var out []*Event
	for _, e := range events {
		if b, ok := e.Body.(*FixDone); ok && b.Point == ser.Point && b.Place == ser.Place {
			out = append(out, e)
		}
	}
	return out
}

// eventsAbout gathers the events of every range about a key; one may come more than once.
func eventsAbout(f Facts, about string) []*Event {
	var out []*Event
	for r, events := range f.Ranges {
		if r.About == about {
			out = append(out, events...)
		}
	}
	return out
}

// voidedIn adds to a list the reports that events among the facts void.
func voidedIn(f Facts, gone []string) []string {
	out := slices.Clone(gone)
	for _, events := range f.Ranges {
		for _, e := range events {
			if b, ok := e.Body.(*Voided); ok {
				out = append(out, b.Target)
			}
		}
	}
	return out
}

// without returns a list of acts without those voided.
func without[T any](list []T, gone []string, id func(*T) string) []T {
	return slices.DeleteFunc(slices.Clone(list), func(a T) bool { return slices.Contains(gone, id(&a)) })
}

// mergeActs adds to a list the acts of older events that it does not hold.
func mergeActs[T any](list []T, events []*Event, act func(*Event) (T, bool), order func(a, b *T) int, id func(*T) string) []T {
	for _, e := range events {
		a, ok := act(e)
		if !ok || slices.ContainsFunc(list, func(x T) bool { return id(&x) == e.ID }) {
			continue
		}
		list = insert(list, a, order)
	}
	return list
}

func bathAct(e *Event) (BathAct, bool) {
	b, ok := e.Body.(*Bath)
	if !ok || e.Kind == KindInService || e.Kind == KindOutOfService {
		return BathAct{}, false
	}
	return BathAct{Kind: e.Kind, ID: e.ID, At: e.At, By: e.By.ID, Body: b}, true
}

func lineAct(e *Event) (LineAct, bool) {
	switch b := e.Body.(type) {
	case *LineStarted:
		return LineAct{ID: e.ID, At: e.At, Start: true, Without: b.WithoutProof, By: e.By.ID}, true
	case *LineStopped:
		return LineAct{ID: e.ID, At: e.At, Product: b.ProductInBaths, Reason: b.Reason, By: e.By.ID}, true
	}
	return LineAct{}, false
}

func fixAct(e *Event) (FixAt, bool) {
	b, ok := e.Body.(*FixDone)
	if !ok {
		return FixAt{}, false
	}
	return FixAt{At: e.At, ID: e.ID, By: e.By.ID, Name: e.By.Name, Fix: b.Fix, Note: b.Note, Deviation: b.Deviation}, true
}

// extend makes a window reach back to before at, from facts, so that an old fact can be placed in it.
func (s *State) extend(ser *Series, k string, ch *change, f Facts) error {
	var changed []string
	for _, r := range ch.replace {
		changed = append(changed, r.id)
	}
	w, ok := s.extended(ser, *ser.ctx, k, ch.oldest, changed, f)
	if !ok {
		return fmt.Errorf("series %s: the facts from before %s do not reach back far enough", k, ser.Window.From.Format(time.RFC3339))
	}
	ser.Window = w
	s.revive(ser, f)
	return nil
}

// extended tries the ranges that the facts hold, the nearest first. Readings that are about to change prove
// nothing about what came before them.
func (s *State) extended(ser *Series, c control.Context, k string, at time.Time, changed []string, f Facts) (control.Window, bool) {
	point, place := splitKey(k)
	for _, from := range lookBack(at) {
		events, have := s.seriesEvents(k, from, ser.Window.From, f)
		if !have {
			continue
		}
		samples := slices.DeleteFunc(s.samplesOf(events, point, place), func(x control.Sample) bool { return slices.Contains(changed, x.ID) })
		w, ok := ser.Window.Extend(c, from, samples, from.IsZero())
		if ok && w.Covers(at) && !s.straddles(ser, &w, w.Low(c), f) {
			return w, true
		}
	}
	return ser.Window, false
}

// straddles reports whether a window would not show what becomes of a case: because that covers an excursion
// which begins before the window and does not end by then, or because it was forgotten, may be wanted again, and
// reaches back to before the window.
func (s *State) straddles(ser *Series, w *control.Window, low time.Time, f Facts) bool {
	return slices.ContainsFunc(ser.Cases, func(id string) bool {
		d, ok := s.deviations.get(id)
		return ok && slices.ContainsFunc(d.Spans, func(x Covered) bool {
			return x.Begin.Before(w.From) && (x.End.IsZero() || x.End.After(w.From))
		})
	}) || slices.ContainsFunc(s.forgotten(key(ser.Point, ser.Place), f), func(id string) bool {
		d := FoldCase(f.Ranges[caseRange(id)])
		return d != nil && !d.endedBefore(low) && (d.Widest.Begin.Before(w.From) || d.At.Before(w.From))
	})
}

// seriesEvents gathers the records about a series in a range from the facts, in the order of seq.
func (s *State) seriesEvents(k string, from, to time.Time, f Facts) (events []*Event, have bool) {
	for _, about := range s.aboutSeries(k) {
		got, found := f.Ranges[Range{about, from, to}]
		if !found {
			return nil, false
		}
		events = append(events, got...)
	}
	slices.SortFunc(events, func(a, b *Event) int { return int(a.Seq - b.Seq) })
	return events, true
}

// lookBack lists the moments from which facts are asked for, one after the other, until the automaton
// of a series can be started.
func lookBack(at time.Time) []time.Time {
	return []time.Time{at.Add(-Horizon), at.Add(-8 * Horizon), {}}
}

// aboutSeries lists the keys under which the readings, fixes and cases of a series are found.
func (s *State) aboutSeries(k string) []string {
	keys := make([]string, 0, 1+len(s.memo.checksOf[k]))
	keys = append(keys, "series:"+k)
	for _, c := range s.memo.checksOf[k] {
		keys = append(keys, "check:"+c)
	}
	return keys
}

// seriesNeeds returns what is still wanted to settle a change at a moment in a series that next makes.
func (s *State) seriesNeeds(k string, at time.Time, next coming, f Facts) Need {
	ser, ok := s.series.get(k)
	_, place := splitKey(k)
	p, l := s.whereabouts(place)
	inside := !ok || ser.Window.Covers(at)
	if inside && (p == nil || !at.Before(p.From)) && (l == nil || !at.Before(l.From)) {
		return Need{}
	}
	if inside {
		return s.actNeeds(place, p, l, at, next.gone, f)
	}
	for _, from := range lookBack(at) {
		need := s.actNeeds(place, p, l, from, next.gone, f)
		for _, about := range s.aboutSeries(k) {
			r := Range{about, from, ser.Window.From}
			if _, found := f.Ranges[r]; !found {
				need.Ranges = append(need.Ranges, r)
			}
		}
		if !need.Empty() {
			return need
		}
		c := *s.context(ser, next, f)
		if at.Before(c.LiveFrom) { // what comes in may be the first that is not imported
			c.LiveFrom = at
		}
		if _, ok := s.extended(ser, c, k, at, slices.Concat(next.gone, next.changed), f); ok {
			break
		}
	}
	return s.reviveNeeds(k, f)
}

// actNeeds asks for what was done to a place and its line, so far back that it is known which filling was in
// the bath, and since when the line ran, at a moment.
func (s *State) actNeeds(place string, p *PlaceState, l *LineState, from time.Time, gone []string, f Facts) Need {
	var need Need
	if p != nil && from.Before(p.From) {
		need = merge(need, reach("bath:"+place, from, p.From, KindFilled, gone, f))
	}
	if l != nil && from.Before(l.From) {
		need = merge(need, reach("line:"+l.ID, from, l.From, KindLineStarted, gone, f))
	}
	return need
}

// reach asks for the acts about a key in [from, to) and for the last one of a kind before from.
func reach(about string, from, to time.Time, kind string, gone []string, f Facts) Need {
	steps := []time.Time{{}}
	if !from.IsZero() {
		steps = []time.Time{from.Add(-actHorizon), {}}
	}
	for _, back := range steps {
		r := Range{about, back, to}
		events, ok := f.Ranges[r]
		if !ok {
			return Need{Ranges: []Range{r}}
		}
		voided := slices.Clone(gone)
		for _, e := range events {
			if b, ok := e.Body.(*Voided); ok {
				voided = append(voided, b.Target)
			}
		}
		if slices.ContainsFunc(events, func(e *Event) bool {
			return e.Kind == kind && !e.At.After(from) && !slices.Contains(voided, e.ID)
		}) {
			break
		}
	}
	return Need{}
}
