package haccp

import (
	"fmt"
	"slices"
	"time"

	"linewarden/haccp/laboratory"
	"linewarden/haccp/lot"
	"linewarden/haccp/plan"
)

// Specification returns the product that a lot is held against, and the plan version it stands in: that in force when
// the first sample was taken, or at a moment where none was. It is nil where the plan has no product, or several of
// which the samples name none or more than one.
func (s *State) Specification(l *LotState, now time.Time) (*plan.Product, int) {
	v := s.specifiedBy(l, now)
	if v == nil {
		return nil, 0
	}
	named := l.Laboratory.Products()
	switch {
	case len(named) == 1:
		return v.Plan.Product(named[0]), v.Version
	case len(named) == 0 && len(v.Plan.Products) == 1:
		return &v.Plan.Products[0], v.Version
	}
	return nil, v.Version
}

func (s *State) specifiedBy(l *LotState, now time.Time) *version {
	at := l.Laboratory.FirstTaken()
	if at.IsZero() {
		at = now
	}
	if v := s.versionAt(at); v != nil {
		return v
	}
	return s.numbered(1) // before the first
}

// Unchecked lists what the release of a lot rests on and the system does not check, so that who signs confirms each: the
// results where the plan has no product to hold them against, the materials and the instruments where that in force at a
// moment names none.
func (s *State) Unchecked(l *LotState, now time.Time) []string {
	var out []string
	if v := s.specifiedBy(l, now); v == nil || len(v.Plan.Products) == 0 {
		out = append(out, "results")
	}
	v := s.versionAt(now)
	if v == nil || len(v.Plan.Materials) == 0 {
		out = append(out, "materials")
	}
	if v == nil || !v.Plan.ChecksInstruments() {
		out = append(out, "instruments")
	}
	return out
}

// Tests says how every test of its specification stands for a lot.
func (s *State) Tests(l *LotState, now time.Time) []laboratory.Status {
	p, _ := s.Specification(l, now)
	if p == nil {
		return nil
	}
	return l.Laboratory.Statuses(p)
}

// HeldTo is the specification of a lot with the tests added that it has results of and the specification does not name:
// a pathogen is a pathogen under any version of the plan.
func (s *State) HeldTo(l *LotState) *plan.Product {
	out := &plan.Product{}
	if p, _ := s.Specification(l, s.LastRecorded); p != nil {
		out.Tests = slices.Clone(p.Tests)
	}
	for i := range l.Laboratory {
		if r := l.Laboratory[i].Reported; r != nil && out.Test(r.Test) == nil {
			if t := s.everTest(r.Test); t != nil {
				out.Tests = append(out.Tests, *t)
			}
		}
	}
	return out
}

// foldSample folds a record about a sample of a lot that the state holds: its way, and so what affects it, stays as it
// was. False: the lot is not there.
func (s *State) foldSample(e *Event, b laboratory.Body) bool {
	old, ok := s.lots.get(b.OfLot())
	if !ok {
		return false
	}
	next := *old
	next.fold(e, s)
	s.lots.set(next.Code, &next)
	s.loose.tested = with(s.loose.tested, next.Code)
	return true
}

// testedNow lists the lots whose results the group of records may have changed.
func (s *State) testedNow() []string {
	out := slices.Clone(s.loose.lots)
	for _, code := range s.loose.tested {
		out = with(out, code)
	}
	return out
}

// caseOpened notes the case that a time of the lot or its results opened.
func (l *LotState) caseOpened(b *DeviationOpened) {
	if b.Ground != GroundResult || b.Result == nil {
		l.Clocks = append(slices.Clip(l.Clocks), ClockCase{b.Point, b.Deviation})
		return
	}
	l.Tested = append(slices.Clip(l.Tested), TestedCase{Sample: b.Result.Sample, Test: b.Result.Test, Deviation: b.Deviation, Results: b.Result.Results})
}

// resultCause is what results outside the specification affect: a pathogen all that ran between the clean breaks around
// the lot (RULES 5.5), anything else the lot and what was made of it.
func (s *State) resultCause(c *lot.Causes, d *Deviation) {
	switch {
	case d.Now.Begin.IsZero():
	case d.Critical:
		c.Results = append(c.Results, lot.Result{Cause: d.Deviation, Lot: d.Lot})
	default:
		own := lot.Own{Cause: d.Deviation, Lot: d.Lot, From: d.Now.Begin}
		if l, ok := s.lots.get(d.Lot); ok && !l.Born().IsZero() {
			own.From = l.Born()
		}
		c.Own = append(c.Own, own)
	}
}

// judgeResults opens a case for the results outside of every test of a sample that has none.
func (d *deciding) judgeResults() error {
	for _, code := range d.testedNow() {
		l, ok := d.lots.get(code)
		if !ok || len(l.Laboratory) == 0 {
			continue
		}
		for _, a := range l.Laboratory.Alarms(d.HeldTo(l)) {
			if d.caseOfResults(l, &a) {
				continue
			}
			if err := d.openResults(l, &a); err != nil {
				return err
			}
		}
	}
	return nil
}

// caseOfResults reports whether a case covers the results outside of a test: one that the state holds, or one that was
// closed and forgotten and held all of them.
func (s *State) caseOfResults(l *LotState, a *laboratory.Alarm) bool {
	return slices.ContainsFunc(l.Tested, func(c TestedCase) bool {
		if c.Sample != a.Sample || c.Test != a.Test.ID {
			return false
		}
		_, held := s.deviations.get(c.Deviation)
		return held || !slices.ContainsFunc(a.Outside, func(id string) bool { return !slices.Contains(c.Results, id) })
	})
}

func (d *deciding) openResults(l *LotState, a *laboratory.Alarm) error {
	_, version := d.Specification(l, d.LastRecorded)
	if version == 0 {
		version = d.memo.versions[len(d.memo.versions)-1].Version
	}
	at := takenAt(l, a.Sample)
	b := &DeviationOpened{Begin: at, Class: plan.Quality, Critical: a.Pathogen, End: at, Ground: GroundResult, Lot: l.Code, OpenedBy: a.Outside[0],
		PlanVersion: version, Value: fmt.Sprintf("%d of %d", a.Marginal+a.Bad, a.N),
		Result: &ResultCase{By: reportersOf(l, a.Outside), Name: a.Test.Name, Presumptive: a.Presumptive, Results: a.Outside, Rule: a.Test.String(), Sample: a.Sample, Test: a.Test.ID}}
	b.Deviation = uuid5("deviation", d.Site.Site, GroundResult, l.Code, a.Sample, a.Test.ID, b.OpenedBy)
	return d.openCase(b, d.cmd.At)
}

// reportersOf lists who reported some of the records of a lot.
func reportersOf(l *LotState, ids []string) []string {
	var out []string
	for i := range l.Laboratory {
		if a := &l.Laboratory[i]; slices.Contains(ids, a.ID) {
			out = with(out, a.By)
		}
	}
	return out
}

// takenAt is when a sample was taken, or else when it was first heard of.
func takenAt(l *LotState, sample string) time.Time {
	x, _ := l.Laboratory.Sample(sample)
	switch {
	case x.Taken != nil:
		return x.Taken.At
	case len(x.Reports) > 0:
		return x.Reports[0].At
	}
	return time.Time{}
}

// settleResults brings the cases about results in line with the facts, once lots changed: where nothing is outside any
// more, nothing is left of the span; where more is, the case has grown.
func (s *State) settleResults() {
	for _, code := range s.testedNow() {
		l, ok := s.lots.get(code)
		if !ok || len(l.Tested) == 0 {
			continue
		}
		alarms := l.Laboratory.Alarms(s.HeldTo(l))
		for _, c := range l.Tested {
			if d, ok := s.deviations.get(c.Deviation); ok {
				s.settleTested(l, d, alarms)
			}
		}
	}
}

func (s *State) settleTested(l *LotState, d *Deviation, alarms []laboratory.Alarm) {
	next := *d
	next.Now = Span{}
	grew := false
	for i := range alarms {
		if a := &alarms[i]; a.Sample == d.Result.Sample && a.Test.ID == d.Result.Test {
			at := takenAt(l, a.Sample)
			next.Now = Span{Begin: at, End: at}
			for _, id := range a.Outside {
				grew = grew || !slices.Contains(next.Outside, id)
				next.Outside = with(next.Outside, id)
			}
			for _, who := range reportersOf(l, a.Outside) {
				next.Loggers = with(next.Loggers, who)
			}
			grew = grew || d.Now.Begin.IsZero()
		}
	}
	if next.widen(); next.Now == d.Now && !grew || d.IsClosed && !grew {
		return
	}
	next.Touched = s.Size
	if grew {
		next.Widened, next.Parts = s.Size, staled(d.Parts)
	}
	s.deviations.set(d.Deviation, &next)
	s.loose.cases = with(s.loose.cases, d.Deviation)
}

// What may be missing for a release from the laboratory.
const (
	MissingSpecification = "specification"  // which product the lot is, is open
	MissingResult        = "result-missing" // no sample was taken for a required test
	MissingPending       = "result-pending" // its results are not there, or not evaluated
	MissingFailing       = "result-failing" // a result of it is outside
)

// untested lists the required tests that the lot does not conform to, each with how it stands.
func (s *State) untested(l *LotState, now time.Time) []Missing {
	v := s.specifiedBy(l, now)
	if v == nil || len(v.Plan.Products) == 0 {
		return nil
	}
	p, _ := s.Specification(l, now)
	if p == nil {
		return []Missing{{What: MissingSpecification, Lot: l.Code}}
	}
	var out []Missing
	for _, x := range l.Laboratory.Statuses(p) {
		if m, ok := lacking(&x); ok && x.Required {
			m.Lot, m.Test = l.Code, x.Name
			out = append(out, m)
		}
	}
	return out
}

// lacking says what a test wants that is not conforming.
func lacking(x *laboratory.Status) (Missing, bool) {
	what := map[string]string{laboratory.Missing: MissingResult, laboratory.Pending: MissingPending, laboratory.Failing: MissingFailing}[x.Status]
	m := Missing{What: what}
	for _, d := range x.Decisions {
		if what == MissingFailing && d.Verdict == laboratory.DoesNot || what == MissingPending && d.Verdict == laboratory.NotEvaluated {
			m.Sample, m.Code = d.Sample, d.Why
			break
		}
	}
	return m, what != ""
}

// tested says in plain English what is missing of the laboratory's part.
func (m Missing) tested() string {
	switch m.What {
	case MissingSpecification:
		return fmt.Sprintf("lot %s: which product it is, is not said: its samples must name one", m.Lot)
	case MissingResult:
		return fmt.Sprintf("lot %s: %s: no sample was taken for this test", m.Lot, m.Test)
	case MissingPending:
		return fmt.Sprintf("lot %s: %s: pending, sample %s: %s", m.Lot, m.Test, m.Sample, m.Code)
	}
	return fmt.Sprintf("lot %s: %s: does not conform, sample %s", m.Lot, m.Test, m.Sample)
}
