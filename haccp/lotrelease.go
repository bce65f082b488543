package haccp

import (
	"fmt"
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/lot"
	"linewarden/haccp/plan"
)

// blocking lists the findings that stand against the release of a lot until they were evaluated.
var blocking = []string{FindingUnknownLot, FindingLotDisposed, FindingLotUsedUp, FindingLotHeld, FindingNotReleased, FindingPlaceNotOfIt,
	FindingPlaceNotInUse, FindingUnknownFilling, FindingLineStopped}

// What may be missing for a release.
const (
	MissingEvidence   = "evidence"   // no proof of control over a part of its exposure
	MissingStep       = "step"       // a step on its way is not recorded
	MissingTime       = "time"       // a clock or contact time runs or was not evaluated
	MissingRestored   = "restored"   // part one of a case: control restored
	MissingProduct    = "product"    // part two of a case: product evaluated
	MissingEvaluation = "evaluation" // the lot was not evaluated under a case
	MissingReview     = "review"     // its records were not reviewed since the last report
	MissingFinding    = "finding"    // something odd about a report was not evaluated
)

// Missing is one thing that stands between a lot and its release.
type Missing struct {
	What      string `json:"what"`
	Lot       string `json:"lot"` // the lot itself, or one it was made of
	Deviation string `json:"deviation,omitempty"`
	Number    int64  `json:"number,omitempty"` // of the case
	Point     string `json:"point,omitempty"`
	Place     string `json:"place,omitempty"`
	Step      string `json:"step,omitempty"`
	Code      string `json:"code,omitempty"` // of a finding
	Supplied
	From time.Time `json:"from,omitzero"`
	To   time.Time `json:"to,omitzero"`
}

// String says in plain English what is missing.
func (m Missing) String() string {
	span := m.From.Format(time.RFC3339)
	if !m.To.IsZero() {
		span += " to " + m.To.Format(time.RFC3339)
	}
	switch m.What {
	case MissingEvidence:
		return fmt.Sprintf("lot %s: no proof of control of %s at %s, %s", m.Lot, m.Point, m.Place, span)
	case MissingStep:
		return fmt.Sprintf("lot %s: step %s is not recorded", m.Lot, m.Step)
	case MissingTime:
		return fmt.Sprintf("lot %s: the time of %s runs, or was not evaluated", m.Lot, m.Point)
	case MissingRestored:
		return fmt.Sprintf("case %d: control restored is not signed", m.Number)
	case MissingProduct:
		return fmt.Sprintf("case %d: product evaluated is not signed", m.Number)
	case MissingEvaluation:
		return fmt.Sprintf("lot %s was not evaluated as fit, or untouched, under case %d", m.Lot, m.Number)
	case MissingReview:
		return fmt.Sprintf("the records of lot %s were not reviewed since its last report", m.Lot)
	}
	if m.Supplied != (Supplied{}) {
		return m.plainly()
	}
	return fmt.Sprintf("lot %s: %s was not evaluated", m.Lot, m.Code)
}

// touches lists what cases do to one lot, as the facts stand.
func (d *deciding) touches(code string) []lot.Touch {
	var out []lot.Touch
	for _, t := range d.lookedBack(d.facts).LotBook().Affected(d.causesOf(func(string) bool { return true })) {
		if t.Lot == code {
			out = append(out, t)
		}
	}
	return out
}

// Missing lists what stands between a lot and its release (RULES 6.2), as far as the system checks it. Facts
// hold the readings that the state has forgotten.
func (s *State) Missing(l *LotState, f Facts, now time.Time) []Missing {
	book := s.LotBook()
	var out []Missing
	made := book.Backward(l.Code).Lots
	for _, code := range made {
		x, ok := s.lots.get(code)
		if !ok {
			continue
		}
		out = append(out, s.unproved(x, l, f, now)...)
		out = append(out, s.unreviewed(x)...)
		out = append(out, s.unsound(x, l, f, now)...)
		for _, t := range s.lotTimes(book, x) {
			open := t.Running && x.Code == l.Code || t.Verdict == control.NotEvaluated || t.Assumed && t.Verdict != control.Outside
			if open && !evaluated(l, func(e *LotEvaluated) bool { return e.Point == t.Point }) {
				out = append(out, Missing{What: MissingTime, Lot: code, Point: t.Point, Place: t.Place, From: t.Start, To: t.End})
			}
		}
	}
	for _, st := range l.Stays() {
		if st.Limbo && !slices.ContainsFunc(out, func(m Missing) bool { return m.What == MissingStep && m.Step == st.Step }) {
			out = append(out, Missing{What: MissingStep, Lot: l.Code, Step: st.Step, Place: st.Place})
		}
	}
	return append(out, s.unevaluated(book, l)...)
}

// evaluated reports whether a signed evaluation of the lot meets a condition.
func evaluated(l *LotState, meets func(*LotEvaluated) bool) bool {
	return slices.ContainsFunc(l.Evaluations, func(e Evaluation) bool { return e.Body.Decision != EvaluatedUnfit && meets(e.Body) })
}

// unproved lists the parts of the stays of x without proof of control that no evaluation of l covers.
func (s *State) unproved(x, l *LotState, f Facts, now time.Time) []Missing {
	var out []Missing
	for i := range x.Stays() {
		st := &x.Stays()[i]
		if st.Limbo {
			continue
		}
		v := s.versionAt(st.From)
		if v == nil {
			continue
		}
		for j := range v.Plan.Points {
			pt := &v.Plan.Points[j]
			if !s.wantsProof(v, pt, st.Place) {
				continue
			}
			longest := s.frequency(v, pt.ID, st.Place, st.From)
			if longest == 0 {
				continue
			}
			for _, g := range lot.Gaps(st.From, st.To, s.shown(pt.ID, st.Place, f), longest, now) {
				if !evaluated(l, func(e *LotEvaluated) bool {
					return e.Point == pt.ID && e.Place == st.Place && !e.From.After(g.From) && (e.To.IsZero() || !g.To.IsZero() && !e.To.Before(g.To))
				}) {
					out = append(out, Missing{What: MissingEvidence, Lot: x.Code, Point: pt.ID, Place: st.Place, Step: st.Step, From: g.From, To: g.To})
				}
			}
		}
	}
	return out
}

// wantsProof reports whether a lot at a place needs proof of control of a point: of those with a critical limit, and
// those of a class that the plan holds product for.
func (s *State) wantsProof(v *version, pt *plan.Point, place string) bool {
	if pt.Clock != nil || !slices.Contains(pt.Places, place) {
		return false
	}
	return hasCritical(pt) || v.classes[pt.Class] != nil && v.classes[pt.Class].Holds
}

// shown lists when usable readings of a point at a place were taken: of the window, and of what the facts hold.
func (s *State) shown(point, place string, f Facts) []time.Time {
	var out []time.Time
	s.eachSample(point, place, f, func(x *control.Sample) {
		if len(x.Marks) == 0 || slices.ContainsFunc(x.Marks, func(m control.Mark) bool { return !m.Bounds() }) {
			return
		}
		out = append(out, x.At)
		if x.Until.After(x.At) {
			out = append(out, x.Until)
		}
	})
	return out
}

// eachSample calls fn with the readings of a point at a place: of the window, and of what the facts hold.
func (s *State) eachSample(point, place string, f Facts, fn func(*control.Sample)) {
	ser, ok := s.series.get(key(point, place))
	if !ok {
		return
	}
	for x := range ser.Window.All() {
		fn(x)
	}
	for r, events := range f.Ranges {
		if slices.Contains(s.aboutSeries(key(point, place)), r.About) {
			samples := s.samplesOf(events, point, place)
			for i := range samples {
				if x := &samples[i]; !ser.Window.Covers(x.At) {
					fn(x)
				}
			}
		}
	}
}

// unreviewed lists what is wanting in the review of a lot's records.
func (s *State) unreviewed(l *LotState) []Missing {
	var out []Missing
	if !slices.ContainsFunc(l.Reviews, func(r SignedMark) bool { return r.Head >= l.Reported }) {
		out = append(out, Missing{What: MissingReview, Lot: l.Code})
	}
	for _, x := range l.Findings {
		if !slices.ContainsFunc(l.Evaluations, func(e Evaluation) bool {
			return e.Head >= x.Seq && e.Body.Deviation == "" && e.Body.Point == "" && !e.Body.supply() && e.Body.Decision != EvaluatedUnfit
		}) {
			out = append(out, Missing{What: MissingFinding, Lot: l.Code, Code: x.Code})
		}
	}
	return out
}

// unevaluated lists what is not signed of the cases that affect a lot, or for which it is on hold.
func (s *State) unevaluated(book *lot.Book, l *LotState) []Missing {
	var cases []string
	for _, t := range book.Affected(s.causesOf(func(string) bool { return true })) {
		if t.Lot == l.Code {
			cases = with(cases, t.Cause)
		}
	}
	for _, h := range l.Holds {
		cases = with(cases, h.Deviation)
	}
	var out []Missing
	for _, id := range cases {
		c, ok := s.deviations.get(id)
		m := Missing{Lot: l.Code, Deviation: id}
		whole := false
		widened := int64(0)
		if ok {
			m.Number, m.Point, m.Place, widened = c.Number, c.Point, c.Place, c.Widened
			whole = c.Part(PartTakenInTime) != nil
			for _, part := range []struct{ name, what string }{{plan.ControlRestored, MissingRestored}, {plan.ProductEvaluated, MissingProduct}} {
				if c.Part(part.name) == nil && !whole {
					x := m
					x.What = part.what
					out = append(out, x)
				}
			}
		}
		if !whole && !s.fit(l, id, widened) {
			m.What = MissingEvaluation
			out = append(out, m)
		}
	}
	return out
}

// fit reports whether the newest evaluation of a lot under a case finds it fit, or untouched, and was signed after the
// case last widened.
func (s *State) fit(l *LotState, deviation string, widened int64) bool {
	for _, e := range slices.Backward(l.Evaluations) {
		if e.Body.Deviation == deviation {
			return e.Body.Decision != EvaluatedUnfit && e.Head >= widened
		}
	}
	return false
}

// releaseNeeds asks for the readings over the stays of a lot, and of those it was made of, that lie before what the
// state remembers.
func (s *State) releaseNeeds(code string, f Facts) Need {
	var need Need
	l, ok := s.lots.get(code)
	if !ok {
		return need
	}
	for _, c := range s.LotBook().Backward(l.Code).Lots {
		x, ok := s.lots.get(c)
		if !ok {
			continue
		}
		for i := range x.Stays() {
			st := &x.Stays()[i]
			need = merge(need, s.doseNeeds(st, f))
			for _, k := range s.memo.seriesAt[st.Place] {
				ser, ok := s.series.get(k)
				if !ok || ser.Window.Covers(st.From) {
					continue
				}
				for _, about := range s.aboutSeries(k) {
					r := Range{about, st.From.Add(-slack), ser.Window.From}
					if _, have := f.Ranges[r]; !have && !slices.Contains(need.Ranges, r) {
						need.Ranges = append(need.Ranges, r)
					}
				}
			}
		}
	}
	return need
}
