package haccp

import (
	"slices"
	"time"

	"linewarden/haccp/instrument"
)

// Needs returns what a command wants to know beyond the state and the facts given. The caller reads it and
// asks again, until nothing is wanted.
func (s *State) Needs(c *Command, f Facts) (Need, error) {
	var need Need
	switch ask := c.Ask.(type) {
	case *Amend:
		need = merge(s.changeNeeds(ask.Target, coming{changed: []string{ask.Target}}, f), approvalNeeds(ask.Target, f))
		need = merge(need, signatureNeeds(ask.Signature, f))
	case *Void:
		next := coming{gone: []string{ask.Target}}
		if ask.New != nil {
			next.acts = acting(c, ask.New, 1)
		}
		need = merge(s.changeNeeds(ask.Target, next, f), approvalNeeds(ask.Target, f))
		need = merge(need, signatureNeeds(ask.Signature, f))
		if ask.New != nil {
			need = merge(need, s.touchNeeds(s.touchedBy(ask.New.Kind, ask.New.Ask), touches(ask.New.Kind, ask.New.At), next, f))
		}
	case *AcceptTime:
		need = merge(s.changeNeeds(ask.Target, coming{changed: []string{ask.Target}}, f), approvalNeeds(ask.Target, f))
		need = merge(need, signatureNeeds(&ask.Signature, f))
	case *SignPart:
		need = merge(need, signatureNeeds(&ask.Signature, f))
		if d, ok := s.deviations.get(ask.Deviation); ok {
			need = merge(need, leafNeeds(s.reliedFor(d, ask.Part), ask.Signature.Head.Size, f))
		}
	case *MaterialRuled:
		need = merge(need, s.rulingNeeds(ask, f))
	case *ExerciseFinished:
		need = merge(need, s.exerciseNeeds(ask, f))
	case *SignPlan:
		need = merge(need, signatureNeeds(&ask.Signature, f))
	case *Review:
		need = merge(need, signatureNeeds(&ask.Signature, f))
		need = merge(need, leafNeeds([]int64{ask.From, ask.To}, ask.Signature.Head.Size, f))
		need = merge(need, reviewNeeds(ReviewSpan{ask.From, ask.To}, s.Size, f))
	case *Import:
		need = merge(need, s.importNeeds(ask, f))
	case *Sweep:
		d := &deciding{State: s, now: latest(s.LastRecorded, c.At.UTC().Truncate(time.Millisecond))}
		if keys := s.sweptBy(ask); d.sweepsBack(keys) {
			need = s.sweepNeeds(d.missedNow(keys), f)
		}
	default:
		need = s.touchNeeds(s.touchedBy(c.Kind, c.Ask), touches(c.Kind, c.At), coming{acts: acting(c, c, 0)}, f)
	}
	return merge(need, s.lotsWanted(c, need, f)), nil
}

// lotsWanted asks for the lots that a command names or may affect and that the state does not hold; rest is what else
// the command still wants.
func (s *State) lotsWanted(c *Command, rest Need, f Facts) Need {
	body, at := c.Ask, c.At
	switch ask := c.Ask.(type) {
	case *Amend:
		body = ask.New
		if e := f.ByID[ask.Target]; e != nil {
			at = e.At
		}
	case *Void:
		if e := f.ByID[ask.Target]; e != nil {
			body, at = e.Body, e.At
		}
		if ask.New != nil {
			if need := s.lotNeeds(codesOf(ask.New.Ask), f); !need.Empty() {
				return need
			}
		}
	case *AcceptTime:
		if e := f.ByID[ask.Target]; e != nil {
			body, at = e.Body, e.At
		}
	case *LotEvaluated:
		if need := s.lotSignatureNeeds(ask.Lot, &ask.Signature, f); !need.Empty() {
			return need
		}
	case *LotReviewed:
		if need := s.lotSignatureNeeds(ask.Lot, &ask.Signature, f); !need.Empty() {
			return need
		}
	case *LotDisposed:
		if need := s.lotSignatureNeeds(ask.Lot, &ask.Signature, f); !need.Empty() {
			return need
		}
		if need := s.releaseNeeds(ask.Lot, f); !need.Empty() {
			return need
		}
	}
	if need := s.lotNeeds(codesOf(body), f); !need.Empty() {
		return need
	}
	if rest.Empty() { // the cases that follow can be foreseen
		return s.lateNeeds(c, at, body, f)
	}
	return Need{}
}

// lotSignatureNeeds asks for what a signature about a lot is held against, and for the leaves it relies on.
func (s *State) lotSignatureNeeds(code string, g *Signature, f Facts) Need {
	need := merge(signatureNeeds(g, f), s.lotNeeds([]string{code}, f))
	if l := s.knownLot(code, f); l != nil {
		need = merge(need, leafNeeds(l.signedFor(), g.Head.Size, f))
	}
	return need
}

// NeedsApply returns what folding the records of one command wants to know beyond the state.
func (s *State) NeedsApply(group []*Event, f Facts) (Need, error) {
	var need Need
	next := coming{acts: group}
	for _, e := range group {
		need = merge(need, s.lotNeeds(codesOf(changedBody(e, f)), f))
		switch b := e.Body.(type) {
		case *Voided:
			next.gone = append(next.gone, b.Target)
		case *Amended:
			next.changed = append(next.changed, b.Target)
		case *TimeAccepted:
			next.changed = append(next.changed, b.Target)
		}
	}
	for _, e := range group {
		switch b := e.Body.(type) {
		case *Amended:
			need = merge(need, s.changeNeeds(b.Target, next, f))
		case *Voided:
			need = merge(need, s.changeNeeds(b.Target, next, f))
		case *TimeAccepted:
			need = merge(need, s.changeNeeds(b.Target, next, f))
		}
	}
	oldest := changes{}
	for _, e := range group {
		for _, k := range s.touchedBy(e.Kind, e.Body) {
			oldest.at(k, touches(e.Kind, e.At))
		}
	}
	for _, k := range oldest.keys() {
		need = merge(need, s.seriesNeeds(k, oldest[k].oldest, next, f))
	}
	return need, nil
}

// changedBody is the body of a record, or that of the report it changes.
func changedBody(e *Event, f Facts) any {
	switch b := e.Body.(type) {
	case *Amended:
		return b.New
	case *Voided:
		if old := f.ByID[b.Target]; old != nil {
			return old.Body
		}
	}
	return e.Body
}

// acting gives the record that a report of an act will lead to, as far as it is known before it is decided.
func acting(c, report *Command, n int) []*Event {
	switch report.Ask.(type) {
	case *Bath, *FixDone:
	default:
		return nil
	}
	return []*Event{{Kind: report.Kind, ID: RecordID(c.ID, n), At: report.At.UTC().Truncate(time.Millisecond), Body: report.Ask}}
}

func merge(a, b Need) Need {
	for _, r := range b.Ranges {
		if !slices.Contains(a.Ranges, r) {
			a.Ranges = append(a.Ranges, r)
		}
	}
	for _, id := range b.IDs {
		if !slices.Contains(a.IDs, id) {
			a.IDs = append(a.IDs, id)
		}
	}
	a.Leaves = append(a.Leaves, b.Leaves...)
	a.Roots = append(a.Roots, b.Roots...)
	a.Reporters = append(a.Reporters, b.Reporters...)
	return a
}

// changeNeeds wants the report to change, what has changed it before, and the series it touches.
func (s *State) changeNeeds(id string, next coming, f Facts) Need {
	need := targetNeeds(id, f)
	if !need.Empty() {
		return need
	}
	t := targetOf(id, f)
	if t == nil {
		return need
	}
	for _, k := range s.touchedBy(t.event.Kind, t.body) {
		need = merge(need, s.seriesNeeds(k, touches(t.event.Kind, t.event.At), next, f))
	}
	return need
}

// approvalNeeds wants the leaf of a report that a signature may come to rely on.
func approvalNeeds(id string, f Facts) Need {
	if e := f.ByID[id]; e != nil {
		return leafNeeds([]int64{e.Seq}, e.Seq, f)
	}
	return Need{}
}

func signatureNeeds(g *Signature, f Facts) Need {
	if g == nil || g.Head.Size < 1 {
		return Need{}
	}
	if _, ok := f.Roots[g.Head.Size]; ok {
		return Need{}
	}
	return Need{Roots: []int64{g.Head.Size}}
}

func leafNeeds(seqs []int64, size int64, f Facts) Need {
	var need Need
	for _, seq := range seqs {
		if _, ok := f.Leaves[seq]; !ok && seq >= 1 && seq <= size {
			need.Leaves = append(need.Leaves, seq)
		}
	}
	return need
}

// importNeeds wants to know which rows are recorded already, and the series from their oldest row on.
func (s *State) importNeeds(ask *Import, f Facts) Need {
	var need Need
	var oldest time.Time
	for i := range ask.Rows {
		row := &ask.Rows[i]
		id := ImportedID(s.Site.Site, ask.Check, ask.Place, row)
		e, ok := f.ByID[id]
		if !ok {
			need.IDs = append(need.IDs, id)
		}
		if e == nil && (oldest.IsZero() || row.At.Before(oldest)) {
			oldest = row.At
		}
	}
	if len(need.IDs) > 0 || oldest.IsZero() {
		return need
	}
	return s.touchNeeds(s.memo.feeds[key(ask.Check, ask.Place)], oldest, coming{}, f)
}

// touchedBy lists the series a report may touch.
func (s *State) touchedBy(kind string, body any) []string {
	switch b := body.(type) {
	case *Reading:
		return s.memo.feeds[key(b.Check, b.Place)]
	case *Bath:
		if kind == KindFilled || kind == KindDrained {
			return s.memo.seriesAt[b.Place]
		}
	case *LineStarted:
		var out []string
		for _, place := range s.memo.placesOf[b.Line] {
			out = append(out, s.memo.seriesAt[place]...)
		}
		return out
	case *FixDone:
		return []string{key(b.Point, b.Place)}
	case *instrument.Checked:
		return s.toolSeries(b.Instrument)
	case *instrument.Service:
		return s.toolSeries(b.Instrument)
	case *Missed:
		return s.missTouches(b.Check, b.Place, b.PlanVersion)
	}
	return nil
}

func (s *State) touchNeeds(keys []string, at time.Time, next coming, f Facts) Need {
	var need Need
	for _, k := range keys {
		need = merge(need, s.seriesNeeds(k, at, next, f))
	}
	return need
}
