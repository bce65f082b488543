package haccp

import (
	"fmt"
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/instrument"
	"linewarden/haccp/material"
)

// target is a report with its body as it stands after the amendments the facts know.
type target struct {
	event    *Event
	body     any
	voided   bool
	reviewed bool
	accepted bool
}

// targetOf finds a report among the facts, as amended by now.
func targetOf(id string, f Facts) *target {
	e := f.ByID[id]
	if e == nil {
		return nil
	}
	t := &target{event: e, body: e.Body}
	for _, r := range targetRanges(e) {
		for _, x := range f.Ranges[r] {
			switch b := x.Body.(type) {
			case *Amended:
				if b.Target == id {
					t.body = b.New
				}
			case *Voided:
				if b.Target == id {
					t.voided = true
				}
			case *TimeAccepted:
				if b.Target == id {
					t.accepted = true
				}
			}
		}
	}
	return t
}

// targetRanges lists where the changes to a report are found: they carry its at and about.
func targetRanges(e *Event) []Range {
	if len(e.About) == 0 {
		return nil
	}
	return []Range{{About: e.About[0], From: e.At, To: e.At.Add(time.Millisecond)}}
}

// targetNeeds asks for a report and for what has changed it.
func targetNeeds(id string, f Facts) Need {
	e, ok := f.ByID[id]
	if !ok {
		return Need{IDs: []string{id}}
	}
	if e == nil {
		return Need{}
	}
	var need Need
	for _, r := range targetRanges(e) {
		if _, ok := f.Ranges[r]; !ok {
			need.Ranges = append(need.Ranges, r)
		}
	}
	return need
}

func (s *State) foldAmended(e *Event, b *Amended, c changes, f Facts) error {
	s.Counts.Amended++
	old, ok := f.ByID[b.Target]
	if !ok || old == nil {
		return fmt.Errorf("amends %s, which the facts do not hold", b.Target)
	}
	switch n := b.New.(type) {
	case *Reading:
		s.replaceReading(old, n, c, f)
	case *Bath:
		s.replaceBath(old, n)
	case *LineStopped:
		s.replaceStop(old, n)
	case *LotReceived, *LotMoved, *LotFed, *LotRemoved:
		s.amendLot(old, n, f)
	case *material.Received, *material.Counted, *instrument.Checked:
		s.foldSupply(old, n, c)
	}
	s.foldUses(old, b.New)
	_ = e
	return nil
}

// replaceReading puts the amended reading in the place of the old one in every series either touches.
func (s *State) replaceReading(old *Event, n *Reading, c changes, f Facts) {
	t := targetOf(old.ID, f)
	was, _ := t.body.(*Reading)
	points := pointsOf(n.Verdicts)
	if was != nil {
		points = append(points, pointsOf(was.Verdicts)...)
		slices.Sort(points)
		points = slices.Compact(points)
	}
	for _, point := range points {
		ch := c.at(key(point, n.Place), old.At)
		var with *control.Sample
		sample, ok := s.sampleOf(old, n, point, t.accepted)
		if ok {
			with = &sample
		}
		ch.replace = append(ch.replace, replacement{old.ID, with})
		if ch.forget = append(ch.forget, old.ID); len(verdictsOf(n.Verdicts, point)) > 0 {
			ch.recent = append(ch.recent, lastReading(old, n, point, sample.Marks, t.accepted))
		}
	}
	s.dropOver(n.Place, old.ID)
	s.foldOver(old, n)
	s.dropLevel(n.Place, old.ID)
	s.foldLevel(old, n)
	s.changeCheck(n.Check, n.Place, func(cs *CheckState) {
		cs.Taken = cs.Taken.change(func(t TakenAt) (TakenAt, bool) { return t, t.ID != old.ID })
	})
	if old.AtKnown != AtImported {
		s.foldTaken(old, n)
	}
}

func (s *State) replaceBath(old *Event, n *Bath) {
	p, ok := s.places.get(n.Place)
	if !ok {
		return
	}
	next := *p
	next.Log = slices.Clone(p.Log)
	for i := range next.Log {
		if next.Log[i].ID == old.ID {
			next.Log[i].Body = n
		}
	}
	s.setPlace(&next)
}

func (s *State) replaceStop(old *Event, n *LineStopped) {
	l, ok := s.lines.get(n.Line)
	if !ok {
		return
	}
	next := *l
	next.Acts = slices.Clone(l.Acts)
	for i := range next.Acts {
		if next.Acts[i].ID == old.ID {
			next.Acts[i].Product, next.Acts[i].Reason = n.ProductInBaths, n.Reason
		}
	}
	s.lines.set(n.Line, &next)
}

func (s *State) foldVoided(e *Event, b *Voided, c changes, f Facts) error {
	s.Counts.Voided++
	old, ok := f.ByID[b.Target]
	if !ok || old == nil {
		return fmt.Errorf("voids %s, which the facts do not hold", b.Target)
	}
	_ = e
	s.loose.gone = append(s.loose.gone, b.Target)
	s.dropUses(old)
	switch was := targetOf(b.Target, f).body.(type) {
	case *material.Received, *material.Counted, *instrument.Checked, *instrument.Service:
		s.dropSupply(old, c)
	case *Reading:
		s.dropReading(old, was, c)
	case *Bath:
		s.dropBath(old, was, c, f)
	case *LineStarted, *LineStopped:
		s.dropLine(old, c, f)
	case *FixDone:
		s.dropFix(old, was, c, f)
	case *LotReceived, *LotMoved, *LotFed, *LotRemoved:
		s.dropLot(old, f)
	case *PlaceEmptied, *CleanBreak:
		s.dropEmptied(old)
	}
	return nil
}

func (s *State) dropReading(old *Event, was *Reading, c changes) {
	for _, point := range pointsOf(was.Verdicts) {
		k := key(point, was.Place)
		ch := c.at(k, old.At)
		ch.replace = append(ch.replace, replacement{id: old.ID})
		ch.forget = append(ch.forget, old.ID)
	}
	s.dropOver(was.Place, old.ID)
	s.dropLevel(was.Place, old.ID)
	s.changeCheck(was.Check, was.Place, func(cs *CheckState) {
		cs.Taken = cs.Taken.change(func(t TakenAt) (TakenAt, bool) { return t, t.ID != old.ID })
	})
}

func (s *State) dropBath(old *Event, was *Bath, c changes, f Facts) {
	p, ok := s.places.get(was.Place)
	if !ok {
		return
	}
	next := *p
	next.Log = slices.DeleteFunc(slices.Clone(p.Log), func(a BathAct) bool { return a.ID == old.ID })
	next.Service = slices.DeleteFunc(slices.Clone(p.Service), func(a ServiceAct) bool { return a.ID == old.ID })
	next.recall(old, s.loose.gone, f)
	s.loose.places = with(s.loose.places, was.Place)
	s.setPlace(&next)
	if old.Kind == KindFilled || old.Kind == KindDrained {
		s.rebuild(was.Place, touches(old.Kind, old.At), c)
	}
}

func (s *State) dropLine(old *Event, c changes, f Facts) {
	id := lineOf(old)
	l, ok := s.lines.get(id)
	if !ok {
		return
	}
	next := *l
	next.Acts = slices.DeleteFunc(slices.Clone(l.Acts), func(a LineAct) bool { return a.ID == old.ID })
	next.recall(old, s.loose.gone, f)
	s.loose.lines = with(s.loose.lines, id)
	s.lines.set(id, &next)
	if _, start := old.Body.(*LineStarted); !start {
		return
	}
	for _, place := range s.memo.placesOf[id] {
		s.rebuild(place, old.At, c)
	}
}

// dropFix takes out a fix. Where it was the last one kept from before the horizon, the one before it is again,
// and comes back from the facts.
func (s *State) dropFix(old *Event, was *FixDone, c changes, f Facts) {
	k := key(was.Point, was.Place)
	ser, ok := s.series.get(k)
	if !ok {
		return
	}
	next := *ser
	id := func(x *FixAt) string { return x.ID }
	fixes := mergeActs(ser.Fixes, pointOf(eventsAbout(f, "series:"+k), &next), fixAct, orderFix, id)
	next.Fixes = without(fixes, voidedIn(f, s.loose.gone), id)
	s.series.set(k, &next)
	c.at(k, old.At).rebuild = true
}

func (s *State) foldAccepted(b *TimeAccepted, c changes, f Facts) error {
	t := targetOf(b.Target, f)
	if t == nil {
		return fmt.Errorf("accepts the time of %s, which the facts do not hold", b.Target)
	}
	r, ok := t.body.(*Reading)
	if !ok || t.voided {
		return nil
	}
	for _, point := range pointsOf(r.Verdicts) {
		ch := c.at(key(point, r.Place), t.event.At)
		sample, ok := s.sampleOf(t.event, r, point, true)
		if ok {
			ch.replace = append(ch.replace, replacement{t.event.ID, &sample})
		}
		ch.forget = append(ch.forget, t.event.ID)
		ch.recent = append(ch.recent, lastReading(t.event, r, point, sample.Marks, true))
	}
	return nil
}
