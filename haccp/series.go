package haccp

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// change collects what a group of records does to one series before it is settled.
type change struct {
	insert  []control.Sample
	replace []replacement
	rebuild bool
	oldest  time.Time // the oldest moment touched
	last    *LastReading
}

type replacement struct {
	id     string
	sample *control.Sample // nil: voided
}

// firstLive notes the oldest live sample of a series and reports whether that changed it.
func (c *change) firstLive(ser *Series) bool {
	was := ser.FirstLive
	for i := range c.insert {
		if x := &c.insert[i]; !x.Imported && (ser.FirstLive.IsZero() || x.At.Before(ser.FirstLive)) {
			ser.FirstLive = x.At
		}
	}
	return !ser.FirstLive.Equal(was)
}

// changes are keyed by "point@place".
type changes map[string]*change

func (c changes) at(k string, at time.Time) *change {
	ch := c[k]
	if ch == nil {
		ch = &change{oldest: at}
		c[k] = ch
	}
	if at.Before(ch.oldest) {
		ch.oldest = at
	}
	return ch
}

func splitKey(k string) (id, place string) {
	id, place, _ = strings.Cut(k, "@")
	return id, place
}

// settle brings every changed series and its cases up to date, in the order of their keys, and returns
// the excursions that no case covers.
func (s *State) settle(c changes, f Facts) (map[string][]control.Excursion, error) {
	var open map[string][]control.Excursion
	for _, k := range slices.Sorted(maps.Keys(c)) {
		uncovered, err := s.settleSeries(k, c[k], f)
		if err != nil {
			return nil, err
		}
		if len(uncovered) > 0 {
			if open == nil {
				open = map[string][]control.Excursion{}
			}
			open[k] = uncovered
		}
	}
	clear(c)
	return open, nil
}

func (s *State) settleSeries(k string, ch *change, f Facts) ([]control.Excursion, error) {
	old, ok := s.series.get(k)
	if !ok {
		point, place := splitKey(k)
		old = &Series{Point: point, Place: place}
	}
	ser := *old
	if ser.ctx == nil || ser.memo != s.memo || ch.rebuild || ch.firstLive(&ser) {
		ser.ctx, ser.memo = s.context(&ser, f), s.memo
	}
	if !ser.Window.Covers(ch.oldest) {
		if err := s.extend(&ser, k, ch.oldest, f); err != nil {
			return nil, err
		}
	}
	if ch.rebuild {
		ser.Window = ser.Window.RebuildSince(*ser.ctx, ch.oldest)
	}
	for _, r := range ch.replace {
		ser.Window = ser.Window.Replace(*ser.ctx, r.id, r.sample)
	}
	if len(ch.insert) > 0 {
		ser.Window = ser.Window.Insert(*ser.ctx, ch.insert...)
	}
	if ch.last != nil && (ser.Last == nil || !ch.last.At.Before(ser.Last.At)) {
		ser.Last = ch.last
	}
	uncovered := s.reconcile(&ser, ch, old.Window.Moves)
	ser.Window = ser.Window.Trim(*ser.ctx, Horizon, slack)
	s.evict(&ser)
	s.series.set(k, &ser)
	return uncovered, nil
}

// context gathers what the excursions of a series depend on beside its readings. Facts add what is
// older than the state.
func (s *State) context(ser *Series, f Facts) *control.Context {
	c := &control.Context{}
	line := ""
	for _, v := range s.memo.versions {
		pt, pl := v.points[ser.Point], v.places[ser.Place]
		if pt == nil || pl == nil {
			continue
		}
		line = pl.Line
		c.Rules = append(c.Rules, control.RuleFrom{From: v.From, InsideInRow: pt.Ends.InsideInRow, Mixing: pl.Mixing.Std()})
	}
	for _, x := range ser.Fixes {
		c.Fixes = append(c.Fixes, x.At)
	}
	var log []BathAct
	if p, ok := s.places.get(ser.Place); ok {
		log = p.Log
	}
	var acts []LineAct
	if l, ok := s.lines.get(line); ok {
		acts = l.Acts
	}
	for r, events := range f.Ranges {
		switch {
		case r.About == "bath:"+ser.Place:
			log = mergeActs(log, events, bathAct, orderBath, func(a *BathAct) string { return a.ID })
		case r.About == "line:"+line:
			acts = mergeActs(acts, events, lineAct, orderLine, func(a *LineAct) string { return a.ID })
		case r.About == "series:"+key(ser.Point, ser.Place):
			for _, e := range events {
				if e.Kind == KindFixDone && !slices.ContainsFunc(ser.Fixes, func(x FixAt) bool { return x.ID == e.ID }) {
					c.Fixes = append(c.Fixes, e.At)
				}
			}
		}
	}
	slices.SortFunc(c.Fixes, time.Time.Compare)
	c.Limits, c.LiveFrom = s.judgedLimits(ser.Point), ser.FirstLive
	c.Fillings = fillingsOf(log)
	for i := range acts {
		if acts[i].Start {
			c.Starts = append(c.Starts, acts[i].At)
		}
	}
	return c
}

// judgedLimits lists the limits of a point, in any plan version, that open cases.
func (s *State) judgedLimits(point string) []string {
	var out []string
	for _, v := range s.memo.versions {
		pt := v.points[point]
		if pt == nil {
			continue
		}
		for _, l := range pt.Limits {
			if l.Kind != plan.Operating {
				out = with(out, l.ID)
			}
		}
	}
	return out
}

// mergeActs adds to a list the acts of older events that it does not hold.
func mergeActs[T any](list []T, events []*Event, act func(*Event) (T, bool), order func(a, b *T) int, id func(*T) string) []T {
	for _, e := range events {
		a, ok := act(e)
		if ok && !slices.ContainsFunc(list, func(x T) bool { return id(&x) == e.ID }) {
			list = insert(list, a, order)
		}
	}
	return list
}

func bathAct(e *Event) (BathAct, bool) {
	b, ok := e.Body.(*Bath)
	if !ok {
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

// extend makes a window reach back to before at, from facts, so that an old fact can be placed in it.
func (s *State) extend(ser *Series, k string, at time.Time, f Facts) error {
	ser.ctx = s.context(ser, f)
	w, ok := s.extended(ser, k, at, f)
	if !ok {
		return fmt.Errorf("series %s: the facts from before %s do not reach back far enough", k, ser.Window.From.Format(time.RFC3339))
	}
	ser.Window = w
	s.revive(ser, f)
	return nil
}

// extended tries the ranges that the facts hold, the nearest first.
func (s *State) extended(ser *Series, k string, at time.Time, f Facts) (control.Window, bool) {
	point, place := splitKey(k)
	for _, from := range lookBack(at) {
		events, have := s.seriesEvents(k, from, ser.Window.From, f)
		if !have {
			continue
		}
		w, ok := ser.Window.Extend(*s.context(ser, f), from, s.samplesOf(events, point, place), from.IsZero())
		if ok && w.Covers(at) {
			return w, true
		}
	}
	return ser.Window, false
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

// aboutSeries lists the keys under which the facts of a series are found.
func (s *State) aboutSeries(k string) []string {
	_, place := splitKey(k)
	keys := []string{"series:" + k, "bath:" + place}
	if pl := s.everPlace(place); pl != nil && pl.Line != "" {
		keys = append(keys, "line:"+pl.Line)
	}
	for _, c := range s.memo.checksOf[k] {
		keys = append(keys, "check:"+c)
	}
	return keys
}

// seriesNeeds returns what is still wanted to settle a change at a moment in a series.
func (s *State) seriesNeeds(k string, at time.Time, f Facts) Need {
	ser, ok := s.series.get(k)
	if !ok || ser.Window.From.IsZero() || !at.Before(ser.Window.From) {
		return Need{}
	}
	to := ser.Window.From
	var need Need
	for _, from := range lookBack(at) {
		for _, about := range s.aboutSeries(k) {
			r := Range{about, from, to}
			if _, found := f.Ranges[r]; !found {
				need.Ranges = append(need.Ranges, r)
			}
		}
		if !need.Empty() {
			return need
		}
		if _, ok := s.extended(ser, k, at, f); ok {
			break
		}
	}
	return s.reviveNeeds(k, f)
}

// samplesOf folds the readings among events, with their amendments, into samples of one point at one
// place.
func (s *State) samplesOf(events []*Event, point, place string) []control.Sample {
	type draft struct {
		event    *Event
		reading  *Reading
		accepted bool
	}
	drafts := map[string]*draft{}
	for _, e := range events {
		switch b := e.Body.(type) {
		case *Reading:
			if b.Place == place {
				drafts[e.ID] = &draft{event: e, reading: b}
			}
		case *Amended:
			if d := drafts[b.Target]; d != nil {
				if r, ok := b.New.(*Reading); ok {
					d.reading = r
				}
			}
		case *Voided:
			delete(drafts, b.Target)
		case *TimeAccepted:
			if d := drafts[b.Target]; d != nil {
				d.accepted = true
			}
		}
	}
	var out []control.Sample
	for _, d := range drafts {
		if sample, ok := s.sampleOf(d.event, d.reading, point, d.accepted); ok {
			out = append(out, sample)
		}
	}
	slices.SortFunc(out, func(a, b control.Sample) int {
		if a.Before(&b) {
			return -1
		}
		return 1
	})
	return out
}

// sampleOf gives what a reading says about one point; false where it says nothing.
func (s *State) sampleOf(e *Event, r *Reading, point string, accepted bool) (control.Sample, bool) {
	v := s.numbered(r.PlanVersion)
	if v == nil {
		return control.Sample{}, false
	}
	bounds := e.AtKnown != AtTyped || accepted
	usable := func(l plan.Limit) bool {
		return bounds && (l.Instrument == "" || l.Instrument == instrumentOf(r, l.Quantity))
	}
	marks := control.MarksOf(v.Plan, point, r.Verdicts, measured(r), usable)
	if len(marks) == 0 {
		return control.Sample{}, false
	}
	return control.Sample{ID: e.ID, Seq: e.Seq, At: e.At, By: e.By.ID, Filling: r.Filling,
		Imported: e.AtKnown == AtImported, Lots: r.Lots, Marks: marks}, true
}

func instrumentOf(r *Reading, quantity string) string {
	for i := range r.Entries {
		if r.Entries[i].Quantity == quantity {
			return r.Entries[i].Instrument
		}
	}
	return ""
}

func measured(r *Reading) []control.Measured {
	out := make([]control.Measured, len(r.Entries))
	for i := range r.Entries {
		e := &r.Entries[i]
		out[i] = control.Measured{Quantity: e.Quantity, Value: e.Result(), Instrument: e.Instrument, Method: e.Method}
	}
	return out
}
