package haccp

import (
	"slices"
	"strings"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// change collects what a group of records does to one series before it is settled.
type change struct {
	insert  []control.Sample
	replace []replacement
	rebuild bool
	opened  bool      // a case was opened
	oldest  time.Time // the oldest moment touched
	recent  []*LastReading
	forget  []string // readings voided, or amended so that they say nothing of the point any more
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

// keys gives the keys in order.
func (c changes) keys() []string {
	keys := make([]string, 0, len(c))
	for k := range c {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

func splitKey(k string) (id, place string) {
	id, place, _ = strings.Cut(k, "@")
	return id, place
}

// settle brings every changed series and its cases up to date, in the order of their keys, and returns
// the excursions that no case covers.
func (s *State) settle(c changes, f Facts) (map[string][]control.Excursion, error) {
	var open map[string][]control.Excursion
	for _, k := range c.keys() {
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
	s.settleResults()
	s.settleTimes()
	return open, nil
}

// settleSeries settles one series. While the group of records goes on, the window of a series that gives
// rise to new cases, or that was extended, stays as long as it is; finish trims it.
func (s *State) settleSeries(k string, ch *change, f Facts) ([]control.Excursion, error) {
	old, ok := s.series.get(k)
	if !ok {
		point, place := splitKey(k)
		old = &Series{Point: point, Place: place}
	}
	ser := *old
	s.refresh(&ser, ch, f)
	wide := false
	floor := ser.Window.From
	if !ser.Window.Covers(ch.oldest) {
		if err := s.extend(&ser, k, ch, f); err != nil {
			return nil, err
		}
		wide, ser.floor = true, latest(ser.floor, floor)
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
	if len(ch.recent) > 0 || len(ch.forget) > 0 {
		ser.Recent = recent(ser.Recent, ch)
	}
	uncovered := s.reconcile(&ser, ch, old.Window.Moves)
	if wide || len(uncovered) > 0 || len(f.Ranges) > 0 || s.grownClosed(&ser) {
		s.loose.series = with(s.loose.series, k)
	} else {
		s.trim(&ser)
	}
	s.series.set(k, &ser)
	return uncovered, nil
}

// grownClosed reports whether this group widened a closed case of a series: it is not forgotten before it is open again.
func (s *State) grownClosed(ser *Series) bool {
	return slices.ContainsFunc(ser.Cases, func(id string) bool {
		if !slices.Contains(s.loose.cases, id) {
			return false
		}
		d, ok := s.deviations.get(id)
		return ok && d.IsClosed
	})
}

// refresh makes the context of a series what it is now, unless it is that already; where there are facts, they
// go into it.
func (s *State) refresh(ser *Series, ch *change, f Facts) {
	place, line := s.whereabouts(ser.Place)
	first := ch.firstLive(ser)
	if len(f.Ranges) == 0 && ser.ctx != nil && ser.memo == s.memo && ser.place == place && ser.line == line && !ch.rebuild && !first {
		return
	}
	ser.ctx = s.context(ser, coming{gone: s.loose.gone}, f)
	ser.memo, ser.place, ser.line = s.memo, place, line
}

// trim drops what of a series is older than the horizon, and the closed cases that go with it.
func (s *State) trim(ser *Series) {
	c := ser.ctx
	ser.Window = ser.Window.Trim(*c, Horizon, slack)
	if fixes := keep(ser.Fixes, actHorizon, func(x *FixAt) time.Time { return x.At }); len(fixes) < len(ser.Fixes) {
		edge := ser.Fixes[len(ser.Fixes)-1].At.Add(slack - actHorizon)
		ser.Window = ser.Window.Cut(*c, edge)
		ser.Fixes, ser.ctx = fixes, nil
	}
	s.evict(ser, c)
}

// loose is what finish has to trim at the end of a group of records.
type loose struct {
	series, places, lines []string
	gone                  []string // reports that the group voided, lest they come back from the facts
	lots                  []string // lots changed
	tested                []string // lots of which only the laboratory's part changed
	cases                 []string // cases opened, or with another span than before
	hoppers               bool     // what was known of empty places no longer stands
	times                 bool     // times of lots want settling
}

// finish trims what the records of one group left longer than it has to be. It is called once, after the
// last record of the group was folded and settled.
func (s *State) finish() {
	for _, k := range s.loose.series {
		if old, ok := s.series.get(k); ok {
			ser := *old
			if ser.ctx == nil {
				ser.ctx = s.context(&ser, coming{}, Facts{})
			}
			if from := s.actsFrom(ser.Place); !from.IsZero() && ser.Window.Reaches(from) {
				ser.Window = ser.Window.Cut(*ser.ctx, from.Add(slack))
			}
			ser.Window = ser.Window.Cut(*ser.ctx, ser.floor)
			s.trim(&ser)
			ser.floor = time.Time{}
			ser.ctx = nil // it may rest on facts that the state does not hold
			s.series.set(k, &ser)
		}
	}
	for _, id := range s.loose.places {
		s.trimPlace(id)
	}
	for _, id := range s.loose.lines {
		s.trimLine(id)
	}
	s.trimLots()
	s.loose = loose{}
}

// actsFrom is the moment from which the state knows all that was done to a place and its line.
func (s *State) actsFrom(place string) time.Time {
	p, l := s.whereabouts(place)
	var from time.Time
	if p != nil {
		from = p.From
	}
	if l != nil && l.From.After(from) {
		from = l.From
	}
	return from
}

// cutPlace makes the windows of every series at a place begin no earlier than a moment.
func (s *State) cutPlace(place string, from time.Time) {
	for _, k := range s.memo.seriesAt[place] {
		old, ok := s.series.get(k)
		if !ok || !old.Window.From.Before(from) {
			continue
		}
		ser := *old
		c := s.context(&ser, coming{}, Facts{})
		ser.Window = ser.Window.Cut(*c, from)
		ser.ctx = nil
		s.evict(&ser, c)
		s.series.set(k, &ser)
	}
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
	bounds := boundsSpans(e, accepted)
	usable := func(l *plan.Limit) bool {
		return bounds && (l.Instrument == "" || l.Instrument == instrumentOf(r, l.Quantity))
	}
	values := func() []control.Measured { return judgedValues(v.Plan, r, measured(r), e.At, e.Until) }
	marks := control.MarksOf(v.Plan, point, r.Verdicts, values, usable)
	if len(marks) == 0 {
		return control.Sample{}, false
	}
	x := control.Sample{ID: e.ID, Seq: e.Seq, At: e.At, By: e.By.ID, Filling: r.Filling,
		Imported: e.AtKnown == AtImported, Lots: r.Lots, Marks: marks}
	for i := range marks {
		marks[i].Tool = toolsBehind(v.Plan, r, point, marks[i].Limit)
		marks[i].Barred = s.barred(&marks[i], e.At)
		if p, id := probeAt(v.Plan, r, point, marks[i].Limit); p != nil {
			marks[i].Probe, marks[i].Wait, x.Until = id, p.OutsideFor.Std(), e.Until
		}
	}
	return x, true
}

// probeAt returns the probe, with its id, that a device's reading of a limit came from; nil where the plan states
// nothing about it.
func probeAt(p *plan.Plan, r *Reading, point, limit string) (*plan.Probe, string) {
	l := control.FindLimit(p, point, limit)
	if r.Mode != "device" || l == nil {
		return nil, ""
	}
	id := instrumentOf(r, l.Quantity)
	if id == "" {
		return nil, ""
	}
	return p.Probe(id), id
}

// judgedValues gives those of the values of a reading that are judged. Of one that covers a span these are its median,
// where it covers no more than its probe averages over, else what was read, the lowest and the highest.
func judgedValues(p *plan.Plan, r *Reading, values []control.Measured, at, until time.Time) []control.Measured {
	if r.Span == nil || len(values) != 1 {
		return values
	}
	one := values[0]
	if probe := p.Probe(one.Instrument); probe != nil && until.Sub(at) <= probe.Averaging.Std() {
		one.Value = r.Span.Median
		return []control.Measured{one}
	}
	values = slices.Clip(values)
	for _, v := range []quantity.Value{r.Span.Min, r.Span.Max} {
		one.Value = v
		values = append(values, one)
	}
	return values
}

func instrumentOf(r *Reading, name string) string {
	for i := range r.Entries {
		if r.Entries[i].Quantity == name {
			return r.Entries[i].Instrument
		}
	}
	return ""
}

func measured(r *Reading) []control.Measured {
	out := make([]control.Measured, len(r.Entries), len(r.Entries)+1) // one more may be computed
	for i := range r.Entries {
		e := &r.Entries[i]
		out[i] = control.Measured{Quantity: e.Quantity, Value: e.Result(), Instrument: e.Instrument, Method: e.Method, Diluted: e.Dilution != nil}
	}
	return out
}
