package haccp

import (
	"fmt"
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/instrument"
	"linewarden/haccp/lot/recall"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
	"linewarden/haccp/shift"
)

// Apply folds the records of one command, in their order, into the state. Facts are those NeedsApply
// asked for. An error means that the records do not fit the state: the log is not one this program wrote,
// or is not whole.
func (s *State) Apply(group []*Event, f Facts) error {
	c := changes{}
	for _, e := range group {
		if derived(e.Kind) && (len(c) > 0 || s.loose.times || len(s.loose.tested) > 0) {
			if _, err := s.settle(c, f); err != nil {
				return err
			}
		}
		if err := s.fold(e, c, f); err != nil {
			return fmt.Errorf("record %d (%s): %w", e.Seq, e.Kind, err)
		}
	}
	if _, err := s.settle(c, f); err != nil {
		return err
	}
	s.finish()
	return nil
}

// derived kinds follow from the facts before them in the same command.
func derived(kind string) bool {
	return kind == KindDeviationOpened || kind == KindDeviationReopened || kind == KindLotHeld
}

// fold changes the state by one record and notes which series it touched.
func (s *State) fold(e *Event, c changes, f Facts) error {
	if e.Seq != s.Size+1 {
		return fmt.Errorf("follows record %d", s.Size)
	}
	if e.RecordedAt.Before(s.LastRecorded) {
		return fmt.Errorf("recorded before the record ahead of it")
	}
	s.Size, s.LastRecorded = e.Seq, e.RecordedAt
	if slices.ContainsFunc(e.Findings, func(x Finding) bool { return x.Code == FindingLate }) {
		s.Counts.Late++
	}
	if e.Amends != "" {
		s.markChanged(targetSeq(e.Amends, f), e.Seq)
	}
	s.foldUses(e, e.Body)
	switch b := e.Body.(type) {
	case *Founded:
		s.Site = *b
	case *PersonBody:
		s.foldPerson(e, b)
	case *DeviceBody:
		s.foldDevice(e, b)
	case *PlanSigned:
		return s.foldPlan(e, b, c)
	case *Reading:
		s.foldReading(e, b, c)
	case *Bath:
		s.foldBath(e, b, c, f)
	case *LineStarted, *LineStopped:
		s.foldLine(e, c, f)
	case *FixDone:
		s.foldFix(e, b, c)
	case *Missed:
		s.foldMiss(e, b, c)
	case *DeviationOpened:
		return s.foldOpened(e, b, c, f)
	case *DeviationReopened:
		return s.foldCase(b.Deviation, e)
	case *DeviationSigned:
		return s.foldCase(b.Deviation, e)
	case *Amended:
		return s.foldAmended(e, b, c, f)
	case *Voided:
		return s.foldVoided(e, b, c, f)
	case *TimeAccepted:
		return s.foldAccepted(b, c, f)
	case *GroupSite:
		s.foldGroupSite(e, b)
	case *SiteRole:
		s.foldSiteRole(e, b)
	case *TimetableTaken:
		s.Timetable = Turn{Epoch: b.Epoch, Holder: b.Holder, Since: e.RecordedAt}
	case *Reviewed:
		s.foldReviewed(e, b)
	case *PlaceEmptied, *CleanBreak:
		s.foldEmptied(e)
	case *recall.Started, *ExerciseFinished:
		s.foldExercise(e)
	case *material.Received, *MaterialRuled, *material.Counted, *instrument.Checked, *instrument.Service:
		s.foldSupply(e, b, c)
	case *shift.HandedOver, *shift.Accepted:
		s.foldShift(e)
	default:
		if len(codesOf(e.Body)) > 0 {
			s.foldLot(e, f)
			return nil
		}
		return s.foldAlert(e)
	}
	return nil
}

func (s *State) foldPerson(e *Event, b *PersonBody) {
	var p Person
	if old, ok := s.people.get(b.Person); ok {
		p = *old
	}
	switch e.Kind {
	case KindPersonAdded:
		p = Person{ID: b.Person, Name: b.Name, SignIn: b.SignIn, Added: e.At}
	case KindRoleGiven:
		p.Roles = append(slices.Clip(p.Roles), RoleSpan{Role: b.Role, From: e.At})
	case KindRoleTaken:
		p.Roles = slices.Clone(p.Roles)
		for i := range p.Roles {
			if p.Roles[i].Role == b.Role && p.Roles[i].To.IsZero() {
				p.Roles[i].To = e.At
			}
		}
	case KindPersonDisabled:
		p.Disabled = append(slices.Clip(p.Disabled), Gap{From: e.At})
	case KindPersonEnabled:
		p.Disabled = slices.Clone(p.Disabled)
		p.Disabled[len(p.Disabled)-1].To = e.At
	default:
		return
	}
	s.people.set(b.Person, &p)
}

func (s *State) foldDevice(e *Event, b *DeviceBody) {
	d := DeviceState{ID: b.Device, Name: b.Name, Since: e.At}
	if old, ok := s.devices.get(b.Device); ok {
		d = *old
	}
	if e.Kind == KindDeviceRevoked {
		d.Revoked = e.At
	}
	s.devices.set(b.Device, &d)
}

func (s *State) foldPlan(e *Event, b *PlanSigned, c changes) error {
	s.planSeq = e.Seq
	if len(s.Plans) == 0 {
		s.Planned = e.RecordedAt
	}
	s.Plans = append(slices.Clip(s.Plans), plan.Signed{Version: b.Version, From: b.From, Plan: b.Plan})
	m, err := indexPlans(s.Plans, s.zones)
	if err != nil {
		return err
	}
	s.memo = m
	for _, l := range s.Lots() {
		next := *l
		next.Settle(m.way)
		s.lots.set(l.Code, &next)
	}
	for k, ser := range s.series.all() {
		edge := b.From
		if ser.Window.From.After(edge) {
			edge = ser.Window.From
		}
		c.at(k, edge).rebuild = true
	}
	return nil
}

func (s *State) foldReading(e *Event, r *Reading, c changes) {
	s.Counts.Readings++
	if e.AtKnown == AtImported {
		s.Counts.Imported++
		s.importing = e.Command
	}
	if control.Worst(r.Verdicts) == control.Outside {
		s.Counts.Outside++
	}
	for _, point := range pointsOf(r.Verdicts) {
		k := key(point, r.Place)
		ch := c.at(k, e.At)
		sample, ok := s.sampleOf(e, r, point, false)
		if ok {
			ch.insert = append(ch.insert, sample)
		}
		ch.recent = append(ch.recent, lastReading(e, r, point, sample.Marks, false))
	}
	s.foldOver(e, r)
	s.foldLevel(e, r)
	if e.AtKnown != AtImported {
		s.foldTaken(e, r)
	}
}

func pointsOf(vs []control.Verdict) []string {
	var out []string
	for i := range vs {
		if !slices.Contains(out, vs[i].Point) {
			out = append(out, vs[i].Point)
		}
	}
	return out
}

// verdictsOf gives the verdicts of a point, without copying them where they stand together, as Judge gives them.
func verdictsOf(vs []control.Verdict, point string) []control.Verdict {
	is := func(v control.Verdict) bool { return v.Point == point }
	first := slices.IndexFunc(vs, is)
	if first < 0 {
		return nil
	}
	vs = vs[first:]
	end := 1
	for end < len(vs) && vs[end].Point == point {
		end++
	}
	out := vs[:end:end]
	for i := range vs[end:] {
		if vs[end+i].Point == point {
			out = append(out, vs[end+i])
		}
	}
	return out
}

func orderTaken(a, b *TakenAt) int { return byTime(a.At, b.At, a.ID, b.ID) }

// whole reports whether a reading has every quantity that its check must measure, by the plan that judged it.
func (s *State) whole(r *Reading) bool {
	v := s.numbered(r.PlanVersion)
	if v == nil || v.checks[r.Check] == nil {
		return true
	}
	for _, m := range v.checks[r.Check].Measures {
		if !m.Optional && !slices.ContainsFunc(r.Entries, func(e Entry) bool { return e.Quantity == m.Quantity }) {
			return false
		}
	}
	return true
}

// foldTaken notes that a check was carried out. A reading that lacks one of the quantities the check measures
// is kept and judged, but the check was not carried out by it.
func (s *State) foldTaken(e *Event, r *Reading) {
	if !s.whole(r) {
		return
	}
	s.changeCheck(r.Check, r.Place, func(cs *CheckState) {
		cs.Taken = cs.Taken.insert(TakenAt{At: e.At, ID: e.ID, Seq: e.Seq, Worst: control.Worst(r.Verdicts),
			Proved: e.AtKnown == AtDevice || e.AtKnown == AtServer}, orderTaken).trim(Horizon, func(t *TakenAt) time.Time { return t.At })
	})
}

func (s *State) changeCheck(check, place string, change func(*CheckState)) {
	k := key(check, place)
	cs := CheckState{Check: check, Place: place}
	if old, ok := s.checks.get(k); ok {
		cs = *old
	}
	change(&cs)
	s.checks.set(k, &cs)
}

func (s *State) foldBath(e *Event, b *Bath, c changes, f Facts) {
	p := PlaceState{ID: b.Place}
	if old, ok := s.places.get(b.Place); ok {
		p = *old
	}
	switch e.Kind {
	case KindInService, KindOutOfService:
		p.Service = keep(insert(p.Service, ServiceAct{ID: e.ID, At: e.At, Out: e.Kind == KindOutOfService}, orderService),
			actHorizon, func(a *ServiceAct) time.Time { return a.At })
	default:
		p.Log = insert(p.Log, BathAct{Kind: e.Kind, ID: e.ID, At: e.At, By: e.By.ID, Body: b}, orderBath)
		p.recall(e, s.loose.gone, f)
		s.loose.places = with(s.loose.places, b.Place)
	}
	s.setPlace(&p)
	if e.Kind == KindFilled || e.Kind == KindDrained {
		s.rebuild(b.Place, touches(e.Kind, e.At), c)
	}
}

// rebuild marks every series at a place that already exists: something happened that its excursions depend
// on from a moment on.
func (s *State) rebuild(place string, since time.Time, c changes) {
	for _, k := range s.memo.seriesAt[place] {
		if _, ok := s.series.get(k); ok || c[k] != nil {
			c.at(k, since).rebuild = true
		}
	}
}

func (s *State) foldLine(e *Event, c changes, f Facts) {
	a, _ := lineAct(e)
	id := lineOf(e)
	l := LineState{ID: id}
	if old, ok := s.lines.get(id); ok {
		l = *old
	}
	l.Acts = insert(l.Acts, a, orderLine)
	l.recall(e, s.loose.gone, f)
	s.loose.lines = with(s.loose.lines, id)
	s.lines.set(id, &l)
	if a.Start {
		for _, place := range s.memo.placesOf[id] {
			s.rebuild(place, e.At, c)
		}
	}
}

func lineOf(e *Event) string {
	switch b := e.Body.(type) {
	case *LineStarted:
		return b.Line
	case *LineStopped:
		return b.Line
	}
	return ""
}

func (s *State) foldFix(e *Event, b *FixDone, c changes) {
	k := key(b.Point, b.Place)
	ser := Series{Point: b.Point, Place: b.Place}
	if old, ok := s.series.get(k); ok {
		ser = *old
	}
	fix, _ := fixAct(e)
	ser.Fixes = insert(ser.Fixes, fix, orderFix)
	s.series.set(k, &ser)
	c.at(k, e.At).rebuild = true
	for _, id := range s.fixedCases(&ser, b, e.At) {
		d, _ := s.deviations.get(id)
		next := *d
		next.fold(e)
		s.deviations.set(id, &next)
	}
}

// fixedCases lists the cases a fix belongs to: the one it names, else those open at the point and place.
func (s *State) fixedCases(ser *Series, b *FixDone, at time.Time) []string {
	var out []string
	for _, id := range ser.Cases {
		d, ok := s.deviations.get(id)
		if !ok || (b.Deviation != "" && b.Deviation != id) {
			continue
		}
		if b.Deviation == id || (!d.IsClosed && !at.Before(d.Widest.Begin)) {
			out = append(out, id)
		}
	}
	return out
}

func (s *State) foldMiss(e *Event, b *Missed, c changes) {
	s.Counts.Missed++
	for _, k := range s.missTouches(b.Check, b.Place, b.PlanVersion) {
		c.at(k, e.At)
	}
	s.changeCheck(b.Check, b.Place, func(cs *CheckState) {
		cs.Misses = keep(insert(cs.Misses, MissAt{ID: e.ID, Due: b.Due, From: b.From, Until: b.Until, Row: b.Row},
			func(x, y *MissAt) int { return byTime(x.Due, y.Due, x.ID, y.ID) }), Horizon, func(m *MissAt) time.Time { return m.Due })
	})
}

func (s *State) foldOpened(e *Event, b *DeviationOpened, c changes, f Facts) error {
	if b.Number != s.Opened+1 {
		return fmt.Errorf("case number %d follows %d", b.Number, s.Opened)
	}
	s.Opened = b.Number
	d := newCase(e, b)
	d.Imported = e.Command != "" && e.Command == s.importing
	if b.Ground == GroundMiss {
		d.DueFrom = s.missFrom(b)
	}
	s.deviations.set(b.Deviation, d)
	s.loose.cases = with(s.loose.cases, b.Deviation)
	if b.Lot != "" {
		s.changeLot(b.Lot, f, func(l *LotState) { l.caseOpened(b) })
	}
	if b.Point == "" || b.Lot != "" {
		s.forgetPlain()
		return nil
	}
	k := key(b.Point, b.Place)
	ser := Series{Point: b.Point, Place: b.Place}
	if old, ok := s.series.get(k); ok {
		ser = *old
	}
	ser.Cases = with(ser.Cases, b.Deviation)
	s.series.set(k, &ser)
	c.at(k, endOfTime).opened = true
	return nil
}

// missFrom returns when the window of the missed due began that a case was opened for.
func (s *State) missFrom(b *DeviationOpened) time.Time {
	for _, k := range s.memo.checksOf[key(b.Point, b.Place)] {
		if cs, ok := s.checks.get(k); ok {
			if i := slices.IndexFunc(cs.Misses, func(m MissAt) bool { return m.ID == b.OpenedBy }); i >= 0 {
				return cs.Misses[i].From
			}
		}
	}
	return b.Begin
}

func (s *State) foldCase(id string, e *Event) error {
	d, ok := s.deviations.get(id)
	if !ok {
		return fmt.Errorf("case %s is not known", id)
	}
	next := *d
	next.fold(e)
	s.deviations.set(id, &next)
	return nil
}
