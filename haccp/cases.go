package haccp

import (
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
)

// reconcile brings the cases of a series in line with its excursions as they stand and returns the
// excursions that no case covers (RULES 5.1, 5.2).
func (s *State) reconcile(ser *Series, ch *change, moves int64) []control.Excursion {
	moved := ser.Window.Moves != moves || ch.rebuild || ch.opened
	if len(ser.Cases) == 0 && !moved {
		return nil
	}
	var found []control.Excursion
	if moved {
		found = ser.Window.Known(*ser.ctx)
	}
	if len(found) == 0 && len(ser.Cases) == 0 {
		return nil
	}
	covered := make([]bool, len(found))
	for _, id := range ser.Cases {
		d, ok := s.deviations.get(id)
		if !ok || d.beyond(ch) || !moved && !d.concerns(ch) {
			continue
		}
		next := *d
		switch {
		case d.Ground != GroundExcursion:
			next.between(ser)
			next.widen()
		case moved:
			next.cover(found, covered, ser.Window.From, func(x *control.Excursion) bool { return ser.fresh(x, ch) })
		}
		if next.join(ser, ch, d) || next.differs(d) {
			next.Touched = s.Size
			s.loose.cases = with(s.loose.cases, id)
			if grew(d, &next) {
				next.Widened = s.Size
				next.Parts = staled(d.Parts)
			}
			s.deviations.set(id, &next)
		}
	}
	var open []control.Excursion
	for i, x := range found {
		if !covered[i] {
			open = append(open, x)
		}
	}
	return open
}

// beyond reports whether a change lies wholly after the span of a case that rests on a missing proof, so that
// it can say nothing new about it.
func (d *Deviation) beyond(ch *change) bool {
	return d.Ground != GroundExcursion && !ch.rebuild && !d.Now.End.IsZero() && ch.oldest.After(d.Now.End) && d.Loggers != nil
}

// concerns reports whether a change that moves no excursion may say something new about a case.
func (d *Deviation) concerns(ch *change) bool {
	if d.Ground != GroundExcursion || d.Loggers == nil || len(ch.replace) > 0 {
		return true
	}
	return slices.ContainsFunc(ch.insert, func(x control.Sample) bool { return d.holds(x.At) })
}

// touches reports whether an excursion overlaps what the case ever covered in more than an end point,
// or holds the reading that opened it.
func (d *Deviation) touches(x *control.Excursion) bool {
	if d.OpenedBy == x.First.ID || d.First != nil && d.First.ID == x.First.ID {
		return true
	}
	if !d.At.Before(x.First.At) && !d.At.After(x.Last.At) && d.Filling == x.Filling {
		return true
	}
	if d.Filling != x.Filling {
		return false
	}
	startsBefore := d.open() || x.Begin.Before(d.Widest.End)
	endsAfter := x.End.IsZero() || x.End.After(d.Widest.Begin)
	return startsBefore && endsAfter
}

// cover sets the case's span as it stands to the hull of the excursions it touches. Excursions that left the
// window by age stay as they were. A span that was open and has now ended does not take in a fresh excursion
// after that end: control was shown between, whether or not both came at once.
func (d *Deviation) cover(found []control.Excursion, covered []bool, from time.Time, fresh func(*control.Excursion) bool) {
	before, was := *d, d.Now
	old := outOfSight(d.Spans, from)
	var now Span
	var spans []Covered
	for i := range found {
		x := &found[i]
		if !before.touches(x) || was.open() && now.ended(x.Begin) && !x.Begin.Before(before.Widest.End) && fresh(x) {
			continue
		}
		covered[i] = true
		if x.Last.At.After(d.Reach) {
			d.Reach = x.Last.At
		}
		if now.Begin.IsZero() {
			d.meet(x, len(old) > 0)
		} else {
			d.worsen(x)
		}
		seen := Covered{Span{x.Begin, x.End}, x.Water}
		now = hull(now, seen.Span)
		old = slices.DeleteFunc(old, func(y Covered) bool { return y.Water == seen.Water && seen.contains(y.Span) })
		spans = append(spans, seen)
		if x.Retest.ID != "" && !now.End.IsZero() {
			retest := x.Retest
			d.Retest = &retest
		}
	}
	d.Spans, d.Now = append(old, spans...), Span{}
	for _, x := range d.Spans {
		d.Now = hull(d.Now, x.Span)
	}
	if d.Now.Begin.IsZero() {
		d.Spans = nil
	}
	d.widen()
	if !d.open() && d.Reach.After(d.Widest.End) { // it once held that reading, whatever was amended since
		d.Widest.End = d.Reach
	}
}

// meet takes over first, worst and re-test of the first excursion found; where the case covers older ones, the
// first stays, and the worst unless this is worse.
func (d *Deviation) meet(x *control.Excursion, old bool) {
	d.Retest = nil
	if old && d.First != nil {
		d.worsen(x)
		return
	}
	first, worst := x.First, x.Worst
	d.First, d.Worst, d.WorstOff = &first, &worst, x.Off
	d.Filling = x.Filling
}

func (d *Deviation) worsen(x *control.Excursion) {
	if d.Worst == nil || x.Off > d.WorstOff {
		worst := x.Worst
		d.Worst, d.WorstOff = &worst, x.Off
	}
}

// outOfSight returns the spans that ended before the window begins. Of very many the oldest are joined.
func outOfSight(spans []Covered, from time.Time) []Covered {
	var out []Covered
	for _, x := range spans {
		if from.IsZero() || x.End.IsZero() || !x.End.Before(from) {
			continue
		}
		if len(out) == maxSpans {
			out[0].Span, out = hull(out[0].Span, out[1].Span), append(out[:1], out[2:]...)
		}
		out = append(out, x)
	}
	return out
}

const maxSpans = 50

// contains reports whether a span that has ended lies in s.
func (s Span) contains(x Span) bool {
	return !x.Begin.Before(s.Begin) && (s.End.IsZero() || !x.End.IsZero() && !x.End.After(s.End))
}

// hull returns the span from the earlier begin to the later end.
func hull(a, b Span) Span {
	if a.Begin.IsZero() {
		return b
	}
	if b.Begin.Before(a.Begin) {
		a.Begin = b.Begin
	}
	a.End = later(a.End, b.End)
	return a
}

// open reports whether there is a span and it has no end yet.
func (s Span) open() bool { return !s.Begin.IsZero() && s.End.IsZero() }

// ended reports whether there is a span and it ended by a moment.
func (s Span) ended(by time.Time) bool { return !s.End.IsZero() && !s.End.After(by) }

// fresh reports whether every outside reading of an excursion came with this change.
func (ser *Series) fresh(x *control.Excursion, ch *change) bool {
	came := func(id string) bool {
		return slices.ContainsFunc(ch.insert, func(n control.Sample) bool { return n.ID == id })
	}
	if !came(x.First.ID) || !came(x.Last.ID) {
		return false // the window may hold none of its readings any more
	}
	for s := range ser.Window.All() {
		if s.At.Before(x.First.At) || s.At.After(x.Last.At) || !x.Has(ser.ctx, s) {
			continue
		}
		if !came(s.ID) {
			return false
		}
	}
	return true
}

// later returns the later of two ends; a zero end is open and later than any.
func later(a, b time.Time) time.Time {
	if a.IsZero() || b.IsZero() {
		return time.Time{}
	}
	if b.After(a) {
		return b
	}
	return a
}

func (d *Deviation) widen() {
	if d.Now.Begin.IsZero() {
		return
	}
	if d.Widest.Begin.IsZero() || d.Now.Begin.Before(d.Widest.Begin) {
		d.Widest.Begin = d.Now.Begin
	}
	if d.Now.End.After(d.Widest.End) {
		d.Widest.End = d.Now.End
	}
}

// between sets the span of a case that rests on a missing proof: from the last to the next reading
// inside limits (RULES 4.3). What lies before the window has not changed, and stays as it was.
func (d *Deviation) between(ser *Series) {
	from := ser.Window.From
	if !d.Now.End.IsZero() && d.Now.End.Before(from) {
		return
	}
	now := Span{Begin: d.At}
	if d.Ground == GroundMiss {
		before, ok := ser.Window.LastInside(d.At)
		switch {
		case d.At.Before(from):
			now.Begin = d.Now.Begin
		case ok:
			now.Begin = before.At
		default:
			now.Begin = d.DueFrom
		}
	}
	d.Now, d.Retest = now, nil
	if next, ok := ser.Window.NextInside(d.At); ok {
		d.Now.End, d.Retest = next.At, &next
	}
}

// join adds those who logged readings inside the span, and the lots these readings named. It reports
// whether the change holds a reading inside the span, new or changed.
func (d *Deviation) join(ser *Series, ch *change, old *Deviation) bool {
	if grew(old, d) || d.Loggers == nil {
		d.joinFixes(ser)
		for x := range ser.Window.All() {
			d.joinOne(x)
		}
	}
	news := len(ch.replace) > 0 && d.holds(ch.oldest)
	for i := range ch.insert {
		news = d.joinOne(&ch.insert[i]) || news
	}
	return news
}

// holds reports whether the widest span holds a moment.
func (d *Deviation) holds(at time.Time) bool {
	return !at.Before(d.Widest.Begin) && (d.open() || !at.After(d.Widest.End))
}

func (d *Deviation) joinOne(x *control.Sample) bool {
	if !d.holds(x.At) {
		return false
	}
	d.Loggers = with(d.Loggers, x.By)
	for _, lot := range x.Lots {
		d.Lots = with(d.Lots, lot)
	}
	return true
}

// joinFixes adds the fixes at the point and place that were carried out inside the span but heard of before
// the case was opened or had grown to hold them.
func (d *Deviation) joinFixes(ser *Series) {
	for i := range ser.Fixes {
		x := &ser.Fixes[i]
		if !d.holds(x.At) || x.Deviation != "" && x.Deviation != d.Deviation {
			continue
		}
		d.FixedBy = with(d.FixedBy, x.By)
		f := FixFacts{At: x.At, By: x.Name, Fix: x.Fix, Note: x.Note}
		if !slices.ContainsFunc(d.Fixes, func(y FixFacts) bool { return y.At.Equal(f.At) && y.By == f.By && y.Fix == f.Fix }) {
			d.Fixes = append(slices.Clip(d.Fixes), f)
		}
	}
}

// with returns the sorted list with v in it.
func with(list []string, v string) []string {
	i, ok := slices.BinarySearch(list, v)
	if ok || v == "" {
		return list
	}
	return slices.Insert(slices.Clone(list), i, v)
}

func (d *Deviation) differs(old *Deviation) bool {
	return d.Now != old.Now || !slices.Equal(d.Spans, old.Spans) || d.Filling != old.Filling || d.Widest != old.Widest || !sameRef(d.First, old.First) ||
		!sameRef(d.Worst, old.Worst) || !sameRef(d.Retest, old.Retest) ||
		len(d.Fixes) != len(old.Fixes) || len(d.Loggers) != len(old.Loggers) || len(d.Lots) != len(old.Lots)
}

func sameRef(a, b *control.Ref) bool {
	if a == nil || b == nil {
		return a == b
	}
	return *a == *b
}

// grew reports whether the span widened: it begins earlier, ends later, or is open again. That an open
// span ends is no growth.
func grew(old, now *Deviation) bool {
	if now.Widest.Begin.Before(old.Widest.Begin) {
		return true
	}
	if old.open() {
		return false
	}
	return now.open() || now.Widest.End.After(old.Widest.End)
}

func (d *Deviation) open() bool { return d.Now.open() }

func staled(parts []SignedPart) []SignedPart {
	out := slices.Clone(parts)
	for i := range out {
		out[i].Stale = true
	}
	return out
}

// evict forgets the closed cases of a series whose span lies before all that its window knows. They stay in the log;
// reviveNeeds asks for them when an older fact comes in.
func (s *State) evict(ser *Series, c *control.Context) {
	if ser.Window.From.IsZero() || len(ser.Cases) == 0 {
		return
	}
	from := ser.Window.Low(*c)
	var left []string
	for _, id := range ser.Cases {
		d, ok := s.deviations.get(id)
		switch {
		case !ok:
		case d.IsClosed && d.EffectDue.IsZero() && !d.open() && d.endedBefore(from):
			s.deviations.delete(id)
		default:
			left = append(left, id)
		}
	}
	if len(left) < len(ser.Cases) {
		ser.Cases = left
	}
}

// forgetPlain forgets the closed cases that belong to no series, such as a start without inspection: nothing
// that comes in later can change them.
func (s *State) forgetPlain() {
	var gone []string
	for id, d := range s.deviations.all() {
		if (d.Point == "" || d.Lot != "") && d.IsClosed && d.EffectDue.IsZero() && s.LastRecorded.Sub(d.ClosedAt) > Horizon {
			gone = append(gone, id)
		}
	}
	for _, id := range gone {
		s.deviations.delete(id)
	}
}

// reviveNeeds asks for all records of the cases that the facts mention and the state forgot.
func (s *State) reviveNeeds(k string, f Facts) Need {
	var need Need
	for _, id := range s.forgotten(k, f) {
		r := caseRange(id)
		if _, ok := f.Ranges[r]; !ok {
			need.Ranges = append(need.Ranges, r)
		}
	}
	return need
}

// endOfTime is later than any time in a record.
var endOfTime = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)

// caseRange names every record of a case.
func caseRange(id string) Range { return Range{About: "deviation:" + id, To: endOfTime} }

func (s *State) forgotten(k string, f Facts) []string {
	var ids []string
	for r, events := range f.Ranges {
		if r.About != "series:"+k {
			continue
		}
		for _, e := range events {
			if b, ok := e.Body.(*DeviationOpened); ok {
				if _, known := s.deviations.get(b.Deviation); !known {
					ids = with(ids, b.Deviation)
				}
			}
		}
	}
	return ids
}

// revive brings back from the facts the forgotten cases that a window may have something new to say of. How
// they stand is worked out again: the record that closed one says only how it stood then.
func (s *State) revive(ser *Series, f Facts) {
	k := key(ser.Point, ser.Place)
	for _, id := range s.forgotten(k, f) {
		d := FoldCase(f.Ranges[caseRange(id)])
		if d == nil || d.endedBefore(ser.Window.Low(*ser.ctx)) {
			continue
		}
		d.markRevived(f)
		if d.Ground == GroundMiss {
			d.DueFrom = dueFrom(d.OpenedBy, s.aboutSeries(k), f)
		}
		if d.Ground != GroundExcursion {
			d.between(ser)
		}
		s.deviations.set(id, d)
		ser.Cases = with(ser.Cases, id)
	}
}

// endedBefore reports whether all that a closed case ever covered lies before a moment.
func (d *Deviation) endedBefore(at time.Time) bool { return d.Widest.End.Before(at) && d.At.Before(at) }

// dueFrom finds when the window of a missed due began.
func dueFrom(id string, about []string, f Facts) time.Time {
	for _, about := range about {
		for _, e := range eventsAbout(f, about) {
			if b, ok := e.Body.(*Missed); ok && e.ID == id {
				return b.From
			}
		}
	}
	return time.Time{}
}

// FoldCase folds the records of one case (its opening, fixes, signed parts and re-openings) without the
// readings around it; a closed case takes its spans from the record that closed it. It is nil where
// events do not open a case.
func FoldCase(events []*Event) *Deviation {
	var d *Deviation
	for _, e := range events {
		if b, ok := e.Body.(*DeviationOpened); ok && d == nil {
			d = newCase(e, b)
		} else if d != nil {
			d.fold(e)
		}
	}
	return d
}

func newCase(e *Event, b *DeviationOpened) *Deviation {
	now := Span{b.Begin, b.End}
	d := &Deviation{DeviationOpened: *b, Found: e.RecordedAt, FoundBy: e.By, At: e.At, OpenedSeq: e.Seq,
		Now: now, Widest: now, Touched: e.Seq, Widened: e.Seq}
	if b.Ground == GroundExcursion {
		d.Spans = []Covered{{Span: now}}
	}
	if b.Result != nil {
		d.Outside, d.Loggers, d.Lots = b.Result.Results, b.Result.By, []string{b.Lot}
	}
	return d
}

// fold changes a case by one record about it; d must be the caller's own.
func (d *Deviation) fold(e *Event) {
	switch b := e.Body.(type) {
	case *FixDone:
		d.Fixes = append(slices.Clip(d.Fixes), FixFacts{At: e.At, By: e.By.Name, Fix: b.Fix, Note: b.Note})
		d.FixedBy = with(d.FixedBy, e.By.ID)
	case *DeviationReopened:
		d.IsClosed, d.ClosedAt = false, time.Time{}
		d.Reopened = append(slices.Clip(d.Reopened), e.RecordedAt)
		d.Parts = staled(d.Parts)
		if b.Because == BecauseGrew {
			d.Widened = e.Seq
		}
		d.EffectDue = time.Time{}
	case *DeviationSigned:
		d.Parts = append(slices.Clip(d.Parts), SignedPart{Seq: e.Seq, At: e.At, By: e.By, Body: b})
		d.foldPart(e, b)
	default:
		return
	}
	d.Touched = e.Seq
}

// The reasons for which a closed case is opened again.
const (
	BecauseGrew         = "grew"
	BecauseNotEffective = "not effective"
)

func (d *Deviation) foldPart(e *Event, b *DeviationSigned) {
	if !b.EffectDue.IsZero() {
		d.EffectDue = b.EffectDue
	}
	if b.Effective != nil {
		d.EffectDue = time.Time{}
		if !*b.Effective { // another cause and action are wanted, and their effect is to be checked again
			d.Parts = staledOnly(d.Parts, plan.CauseAndAction, plan.Effectiveness)
		}
	}
	if b.Case != nil {
		d.Now = Span{b.Case.Begin, b.Case.End}
		if d.Spans == nil && d.Ground == GroundExcursion && !d.Now.Begin.IsZero() {
			d.Spans = []Covered{{Span: d.Now}}
		}
		d.Widest = Span{b.Case.WidestBegin, b.Case.WidestEnd}
		d.Lots, d.Loggers = b.Case.Lots, b.Case.Loggers
		d.Fixes, d.FixedBy = b.Case.Fixes, b.Case.FixedBy
		d.First, d.Worst, d.Retest = b.Case.First.ref(), b.Case.Worst.ref(), b.Case.Retest.ref()
		d.IsClosed, d.ClosedAt = true, e.At
	}
}

func (f *SampleFacts) ref() *control.Ref {
	if f == nil {
		return nil
	}
	return &control.Ref{ID: f.Reading, At: f.At, By: f.By, Limit: f.Limit, Value: f.Value, Seq: f.Seq}
}

func factsOf(r *control.Ref) *SampleFacts {
	if r == nil || r.ID == "" {
		return nil
	}
	return &SampleFacts{Reading: r.ID, At: r.At, By: r.By, Limit: r.Limit, Value: r.Value, Seq: r.Seq}
}

func staledOnly(parts []SignedPart, names ...string) []SignedPart {
	out := slices.Clone(parts)
	for i := range out {
		if slices.Contains(names, out[i].Body.Part) {
			out[i].Stale = true
		}
	}
	return out
}
