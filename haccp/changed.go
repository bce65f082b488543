package haccp

import "slices"

// maxReviews is how many of the newest reviews the state knows one by one, so that it can mark them "changed
// since". What all of them cover stays known for ever, joined (State.Reviews).
const maxReviews = 400

// ReviewAt is one signed review of records.
type ReviewAt struct {
	Seq     int64 `json:"seq"`
	From    int64 `json:"from"`
	To      int64 `json:"to"`
	Changed int64 `json:"changed,omitempty"` // newest record that changed one of From to To since; 0: none
}

// ChangeAt is a change of a report: the number of the report, and of the record that changed it.
type ChangeAt struct {
	Of int64 `json:"of"`
	By int64 `json:"by"`
}

// maxChanges is how many of the newest changes of reports the state knows one by one. A review shown before more
// than these is to be looked at again.
const maxChanges = 200

// changedAfter reports whether one of the records r may have been changed after the log had a size.
func (s *State) changedAfter(r ReviewSpan, size int64) bool {
	if len(s.recent) == maxChanges && s.recent[0].By > size {
		return true
	}
	return slices.ContainsFunc(s.recent, func(c ChangeAt) bool { return c.By > size && c.Of >= r.From && c.Of <= r.To })
}

// markChanged notes at every signature that covers the record old that the record by changed it since.
func (s *State) markChanged(old, by int64) {
	s.recent = append(slices.Clone(s.recent), ChangeAt{old, by})
	s.recent = s.recent[max(0, len(s.recent)-maxChanges):]
	var marked []*Deviation
	for _, d := range s.deviations.all() {
		if parts := markParts(d.Parts, old, by); parts != nil {
			next := *d
			next.Parts = parts
			marked = append(marked, &next)
		}
	}
	for _, d := range marked {
		s.deviations.set(d.Deviation, d)
	}
	for i, r := range s.reviews {
		if old >= r.From && old <= r.To && by > r.Seq {
			s.reviews = slices.Clone(s.reviews)
			s.reviews[i].Changed = by
		}
	}
}

// markParts returns the parts with those marked that cover the record old and were signed before the record
// by changed it; nil where there is none.
func markParts(parts []SignedPart, old, by int64) []SignedPart {
	var out []SignedPart
	for i, p := range parts {
		if p.Seq < by && p.Changed < by && slices.ContainsFunc(p.Body.Signature.Covers, func(c Cover) bool { return c.Seq == old }) {
			if out == nil {
				out = slices.Clone(parts)
			}
			out[i].Changed = by
		}
	}
	return out
}

// Mark notes at the signed parts what has changed the reports they cover since. The reports and their changes
// are looked up by Relied.
func (d *Deviation) Mark(changes []*Event, reports map[string]int64) {
	for _, x := range changes {
		if seq, ok := reports[x.Amends]; ok && x.Amends != "" {
			if parts := markParts(d.Parts, seq, x.Seq); parts != nil {
				d.Parts = parts
			}
		}
	}
}

// Relied lists the readings that signatures of the case may cover.
func (d *Deviation) Relied() []SampleFacts {
	var out []SampleFacts
	for _, p := range d.Parts {
		if c := p.Body.Case; c != nil {
			for _, x := range []*SampleFacts{c.First, c.Worst, c.Retest} {
				if x != nil && !slices.ContainsFunc(out, func(y SampleFacts) bool { return y.Reading == x.Reading }) {
					out = append(out, *x)
				}
			}
		}
	}
	return out
}

// markRevived marks the parts of a case that comes back from the facts, as they were marked before it was
// forgotten: what changed a report stands beside it.
func (d *Deviation) markRevived(f Facts) {
	reports := map[string]int64{}
	var changes []*Event
	for _, events := range f.Ranges {
		for _, e := range events {
			if e.Amends != "" {
				changes = append(changes, e)
			} else {
				reports[e.ID] = e.Seq
			}
		}
	}
	d.Mark(changes, reports)
}

// ChangedSince returns the newest record that changed what a signature covers, 0 where there is none: of a
// signed part of a case that the state holds, or of one of the newest reviews.
func (s *State) ChangedSince(e *Event) int64 {
	switch b := e.Body.(type) {
	case *DeviationSigned:
		if d, ok := s.deviations.get(b.Deviation); ok {
			for i := range d.Parts {
				if d.Parts[i].Seq == e.Seq {
					return d.Parts[i].Changed
				}
			}
		}
	case *Reviewed:
		for _, r := range s.reviews {
			if r.Seq == e.Seq {
				return r.Changed
			}
		}
	}
	return 0
}

// SignedBefore returns, of the changes of one report in order, the newest that came after a signed one: the
// signature of that one covered the report as it was. 0 where there is none, or where x bears no signature.
func SignedBefore(x *Event, changes []*Event) int64 {
	signed := false
	switch b := x.Body.(type) {
	case *Amended:
		signed = b.Signature != nil
	case *Voided:
		signed = b.Signature != nil
	case *TimeAccepted:
		signed = true
	}
	last := int64(0)
	for _, c := range changes {
		if signed && c.Seq > x.Seq {
			last = max(last, c.Seq)
		}
	}
	return last
}

func (s *State) foldReviewed(e *Event, b *Reviewed) {
	s.Reviews = joinReview(s.Reviews, ReviewSpan{b.From, b.To})
	s.reviews = append(slices.Clone(s.reviews), ReviewAt{Seq: e.Seq, From: b.From, To: b.To})
	if n := len(s.reviews) - maxReviews; n > 0 {
		s.reviews = s.reviews[n:]
	}
}

// maxReviewed bounds the records of one review, since who logged them is read before it is decided.
const maxReviewed = 20_000

// reviewNeeds wants to know who reported the records under review.
func reviewNeeds(r ReviewSpan, size int64, f Facts) Need {
	if r.From < 1 || r.To < r.From || r.To > size || r.To-r.From >= maxReviewed {
		return Need{}
	}
	if _, ok := f.Reporters[r]; ok {
		return Need{}
	}
	return Need{Reporters: []ReviewSpan{r}}
}

// checkReviewer refuses a review by whoever logged one of the records: nobody reviews what they logged.
func (d *deciding) checkReviewer(r ReviewSpan) error {
	if own := d.facts.Reporters[r][d.cmd.By.ID]; len(own) > 0 {
		return refuse(ErrForbidden, "", "reviewer-logged", "whoever logged a record does not review it: record %d and %d others of these are yours; "+
			"have somebody else review them", own[0], len(own)-1)
	}
	return nil
}

// Reported reports whether records of a kind tell what somebody saw or did, so that whoever reported one does
// not review it.
func Reported(kind string) bool { return deciders[kind].report }

// targetSeq is the number of the report that a record changes, from the facts.
func targetSeq(id string, f Facts) int64 {
	if e := f.ByID[id]; e != nil {
		return e.Seq
	}
	return 0
}
