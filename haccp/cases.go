package haccp

import (
	"slices"
	"time"

	"linewarden/haccp/control"
)

// reconcile brings the cases of a series in line with its excursions as they stand and returns the
// excursions that no case covers (RULES 5.1, 5.2).
func (s *State) reconcile(ser *Series, ch *change, moves int64) []control.Excursion {
	if len(ser.Cases) == 0 && ser.Window.Moves == moves && !ch.rebuild {
		return nil
	}
	found := ser.Window.Excursions(*ser.ctx)
	if len(found) == 0 && len(ser.Cases) == 0 {
		return nil
	}
	covered := make([]bool, len(found))
	for _, id := range ser.Cases {
		d, ok := s.deviations.get(id)
		if !ok {
			continue
		}
		next := *d
		if d.Ground == GroundExcursion {
			next.cover(found, covered, ser.Window.From, func(x *control.Excursion) bool { return ser.fresh(x, ch) })
		} else {
			next.between(ser)
		}
		if next.join(ser, ch, d) || next.differs(d) {
			next.Touched = s.Size
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

// cover sets the case's span as it stands to the hull of the excursions it touches. A case whose
// excursion left the window by age keeps its span. A span that was open and has now ended does not take in
// a fresh excursion after that end: control was shown between, whether or not both came at once.
func (d *Deviation) cover(found []control.Excursion, covered []bool, from time.Time, fresh func(*control.Excursion) bool) {
	before, was := *d, d.Now
	var now Span
	for i := range found {
		x := &found[i]
		if !before.touches(x) || was.open() && now.ended(x.Begin) && fresh(x) {
			continue
		}
		covered[i] = true
		if x.Last.At.After(d.Reach) {
			d.Reach = x.Last.At
		}
		if now.Begin.IsZero() {
			now = Span{x.Begin, x.End}
			first, worst := x.First, x.Worst
			d.First, d.Worst, d.Retest = &first, &worst, nil
		} else {
			if x.Begin.Before(now.Begin) {
				now.Begin = x.Begin
			}
			now.End = later(now.End, x.End)
		}
		if x.Retest.ID != "" && !now.End.IsZero() {
			retest := x.Retest
			d.Retest = &retest
		}
	}
	if now.Begin.IsZero() && !from.IsZero() && !was.End.IsZero() && was.End.Before(from) {
		return
	}
	d.Now = now
	d.widen()
	if !d.open() && d.Reach.After(d.Widest.End) { // it once held that reading, whatever was amended since
		d.Widest.End = d.Reach
	}
}

// open reports whether there is a span and it has no end yet.
func (s Span) open() bool { return !s.Begin.IsZero() && s.End.IsZero() }

// ended reports whether there is a span and it ended by a moment.
func (s Span) ended(by time.Time) bool { return !s.End.IsZero() && !s.End.After(by) }

// fresh reports whether every outside reading of an excursion came with this change.
func (ser *Series) fresh(x *control.Excursion, ch *change) bool {
	for s := range ser.Window.All() {
		if s.At.Before(x.First.At) || s.At.After(x.Last.At) || !x.Has(ser.ctx, s) {
			continue
		}
		if !slices.ContainsFunc(ch.insert, func(n control.Sample) bool { return n.ID == s.ID }) {
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
// inside limits (RULES 4.3).
func (d *Deviation) between(ser *Series) {
	begin := d.DeviationOpened.Begin
	if before, ok := ser.Window.LastInside(d.At); ok {
		begin = before.At
	} else if !d.Now.Begin.IsZero() && !ser.Window.From.IsZero() {
		begin = d.Now.Begin
	}
	now := Span{Begin: begin}
	if d.Ground == GroundWithoutProof {
		now.Begin = d.At
	}
	if next, ok := ser.Window.NextInside(d.At); ok {
		now.End, d.Retest = next.At, &next
	} else if !d.Now.End.IsZero() && !ser.Window.From.IsZero() && d.Now.End.Before(ser.Window.From) {
		now.End = d.Now.End
	}
	d.Now = now
	d.widen()
}

// join adds those who logged readings inside the span, and the lots these readings named. It reports
// whether the change holds a reading inside the span, new or changed.
func (d *Deviation) join(ser *Series, ch *change, old *Deviation) bool {
	if grew(old, d) || d.Loggers == nil {
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

// with returns the sorted list with v in it.
func with(list []string, v string) []string {
	i, ok := slices.BinarySearch(list, v)
	if ok || v == "" {
		return list
	}
	return slices.Insert(slices.Clone(list), i, v)
}

func (d *Deviation) differs(old *Deviation) bool {
	return d.Now != old.Now || d.Widest != old.Widest || !sameRef(d.First, old.First) ||
		!sameRef(d.Worst, old.Worst) || !sameRef(d.Retest, old.Retest) ||
		len(d.Loggers) != len(old.Loggers) || len(d.Lots) != len(old.Lots)
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

// evict forgets the closed cases of a series whose span lies before its window. They stay in the log;
// reviveNeeds asks for them when an older fact comes in.
func (s *State) evict(ser *Series) {
	gone := func(id string) bool {
		d, ok := s.deviations.get(id)
		if !ok {
			return true
		}
		if d.IsClosed && d.EffectDue.IsZero() && !ser.Window.From.IsZero() && d.Widest.End.Before(ser.Window.From) {
			s.deviations.delete(id)
			return true
		}
		return false
	}
	if slices.ContainsFunc(ser.Cases, gone) {
		ser.Cases = slices.DeleteFunc(slices.Clone(ser.Cases), func(id string) bool {
			_, ok := s.deviations.get(id)
			return !ok
		})
	}
}

// reviveNeeds asks for all records of the cases that the facts mention and the state forgot.
func (s *State) reviveNeeds(k string, f Facts) Need {
	var need Need
	for _, id := range s.forgotten(k, f) {
		r := Range{About: "deviation:" + id, To: endOfTime}
		if _, ok := f.Ranges[r]; !ok {
			need.Ranges = append(need.Ranges, r)
		}
	}
	return need
}

// endOfTime is later than any time in a record.
var endOfTime = time.Date(9999, 12, 31, 0, 0, 0, 0, time.UTC)

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

// revive brings the forgotten cases of a series back from the facts.
func (s *State) revive(ser *Series, f Facts) {
	for _, id := range s.forgotten(key(ser.Point, ser.Place), f) {
		if d := FoldCase(f.Ranges[Range{About: "deviation:" + id, To: endOfTime}]); d != nil {
			s.deviations.set(id, d)
			ser.Cases = with(ser.Cases, id)
		}
	}
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
	return &Deviation{DeviationOpened: *b, Found: e.RecordedAt, FoundBy: e.By, At: e.At, OpenedSeq: e.Seq,
		Now: now, Widest: now, Touched: e.Seq, Widened: e.Seq}
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
	if b.Effective != nil && *b.Effective {
		d.EffectDue = time.Time{}
	}
	if b.Case != nil {
		d.Now = Span{b.Case.Begin, b.Case.End}
		d.Widest = Span{b.Case.WidestBegin, b.Case.WidestEnd}
		d.Lots, d.Loggers = b.Case.Lots, b.Case.Loggers
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
