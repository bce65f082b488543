package haccp

import (
	"cmp"
	"slices"
	"time"

	"linewarden/haccp/laboratory"
	"linewarden/haccp/lot"
)

// product is what the state holds about lots.
type product struct {
	lots      lotTable
	past      lot.Archive // lots that were forgotten
	emptied   []EmptiedAt // places that carry product over, found empty
	breaks    []BreakAt   // clean breaks
	lotsFrom  time.Time   // lots whose last record lies before it may have been forgotten
	lotsLast  time.Time   // the latest moment recorded about any lot
	lotsSwept time.Time   // what that was when lots were forgotten last
}

// LotState is a lot as the log knows it. It stays in the state until it and every lot it is tied to by a feed is
// done with and older than the horizon.
type LotState struct {
	lot.Lot
	Product     string        `json:"product,omitempty"`
	Source      *Source       `json:"source,omitempty"`
	Harvested   time.Time     `json:"harvested,omitzero"`
	Touched     int64         `json:"touched"`          // seq of the last record about it
	Reported    int64         `json:"reported"`         // seq of the last report on it, amendments and voids included
	Seqs        []int64       `json:"seqs,omitempty"`   // of the records about it, at most maxSeqs
	People      []string      `json:"people,omitempty"` // who reported on it
	Materials   []UsedAt      `json:"materials,omitempty"`
	Tools       []ToolAt      `json:"tools,omitempty"`
	Holds       []Hold        `json:"holds,omitempty"`
	Evaluations []Evaluation  `json:"evaluations,omitempty"`
	Reviews     []SignedMark  `json:"reviews,omitempty"`
	Signed      []Disposition `json:"signed,omitempty"`
	Shipments   []Shipment    `json:"shipments,omitempty"`
	Flags       []Flag        `json:"flags,omitempty"`
	Clocks      []ClockCase   `json:"clocks,omitempty"`
	// Laboratory is what is recorded of its samples, and Tested the cases that their results opened.
	Laboratory laboratory.File `json:"laboratory,omitempty"`
	Tested     []TestedCase    `json:"tested,omitempty"`
	Findings   []FoundAt       `json:"findings,omitempty"` // of its reports; they want a look before release
}

// maxSeqs bounds the records about a lot that a signature lists.
const maxSeqs = 400

// UsedAt is a material used on a lot.
type UsedAt struct {
	ID   string    `json:"id"` // of the record
	At   time.Time `json:"at"`
	Step string    `json:"step"`
	MaterialUse
}

// Hold is one reason why a lot may not leave.
type Hold struct {
	Seq       int64     `json:"seq"`
	At        time.Time `json:"at"`
	By        string    `json:"by"` // printed name
	Deviation string    `json:"deviation,omitempty"`
	Reason    string    `json:"reason,omitempty"`
	HeldLot
}

// SignedMark is a signature about a lot: its record and the size of the log it was shown at.
type SignedMark struct {
	Seq  int64     `json:"seq"`
	Head int64     `json:"head"`
	At   time.Time `json:"at"`
	By   Actor     `json:"by"`
}

// Evaluation is a signed evaluation of a lot.
type Evaluation struct {
	SignedMark
	Body *LotEvaluated `json:"body"`
}

// Disposition is one signature on what becomes of a lot. It is in effect where Effective is set.
type Disposition struct {
	SignedMark
	Effective bool         `json:"effective,omitempty"`
	Body      *LotDisposed `json:"body"`
}

// Shipment is product of a lot that left the plant.
type Shipment struct {
	Seq  int64       `json:"seq"`
	At   time.Time   `json:"at"`
	Body *LotShipped `json:"body"`
}

// Flag says that a running clock was flagged.
type Flag struct {
	Point string    `json:"point"`
	What  string    `json:"what"`
	At    time.Time `json:"at"`
}

// ClockCase is the case opened for a time of a lot that was outside.
type ClockCase struct {
	Point     string `json:"point"`
	Deviation string `json:"deviation"`
}

// FoundAt is a finding of a report about a lot that blocks its release until it was evaluated.
type FoundAt struct {
	Seq  int64  `json:"seq"`
	ID   string `json:"id"` // of the record
	Code string `json:"code"`
}

// The states of a lot.
const (
	LotInProcess = "in process"
	LotOnHold    = "on hold"
	LotReleased  = "released"
	LotReworked  = "reworked"
	LotDiverted  = "diverted"
	LotDestroyed = "destroyed"
	LotShippedAs = "shipped"
	LotUsedUp    = "used up" // nothing is left: it went into other lots
)

var stateAfter = map[string]string{"release": LotReleased, "rework": LotReworked, "divert": LotDiverted, "destroy": LotDestroyed}

// Disposed returns the disposition in effect, nil where there is none.
func (l *LotState) Disposed() *Disposition {
	for i := len(l.Signed) - 1; i >= 0; i-- {
		if l.Signed[i].Effective {
			return &l.Signed[i]
		}
	}
	return nil
}

// Standing lists the holds that no disposition lifted.
func (l *LotState) Standing() []Hold {
	var out []Hold
	for _, h := range l.Holds {
		if h.Shipped {
			continue
		}
		lifted := slices.ContainsFunc(l.Signed, func(d Disposition) bool {
			if !d.Effective || d.Seq < h.Seq {
				return false
			}
			return h.Deviation == "" && h.Seq <= d.Head || h.Deviation != "" && d.covers(h.Deviation) != nil
		})
		if !lifted {
			out = append(out, h)
		}
	}
	return out
}

func (d *Disposition) covers(deviation string) *CaseOver {
	for i := range d.Body.Covers {
		if d.Body.Covers[i].Deviation == deviation {
			return &d.Body.Covers[i]
		}
	}
	return nil
}

// State returns the state of the lot in one word.
func (l *LotState) State() string {
	if l.left() {
		return LotShippedAs
	}
	d := l.Disposed()
	if d != nil && d.Body.Outcome != "release" { // gone for good, whatever was put on hold since
		return stateAfter[d.Body.Outcome]
	}
	switch {
	case l.usedUp():
		return LotUsedUp
	case len(l.Standing()) > 0:
		return LotOnHold
	case d != nil:
		return LotReleased
	}
	return LotInProcess
}

// left reports whether all of the lot was shipped.
func (l *LotState) left() bool {
	return slices.ContainsFunc(l.Shipments, func(s Shipment) bool { return s.Body.All })
}

// usedUp reports whether all of the lot went into others.
func (l *LotState) usedUp() bool { return l.Ended.IsZero() && !l.Gone().IsZero() }

// done reports whether nothing of the lot is left in the plant.
func (l *LotState) done() bool { return !l.Gone().IsZero() }

// EmptiedAt is a record of a place found empty.
type EmptiedAt struct {
	ID string `json:"id"`
	lot.Emptied
}

// BreakAt is a clean break.
type BreakAt struct {
	ID string `json:"id"`
	lot.Break
}

// Lot returns a lot that the state holds.
func (s *State) Lot(code string) (*LotState, bool) { return s.lots.get(code) }

// Lots returns the lots that the state holds, in the order of their codes.
func (s *State) Lots() []*LotState {
	var out []*LotState
	for _, l := range s.lots.all() {
		out = append(out, l)
	}
	return out
}

// way is the flow of the steps as the newest plan has it.
func (s *State) way() *lot.Way { return s.memo.way }

// LotBook opens a book of the lots that the state holds.
func (s *State) LotBook() *lot.Book {
	f := lot.Facts{Past: s.past}
	for i := range s.emptied {
		f.Emptied = append(f.Emptied, s.emptied[i].Emptied)
	}
	for i := range s.breaks {
		f.Breaks = append(f.Breaks, s.breaks[i].Break)
	}
	for _, p := range s.places.all() {
		for _, w := range p.fillings() {
			f.Fillings = append(f.Fillings, lot.Filling{ID: w.ID, Place: p.ID, From: w.From, To: w.To})
		}
	}
	return lot.Open(s.way(), s.lots, s.lots.stays, f)
}

// codesOf lists the lots that the body of a record names, sorted.
func codesOf(body any) []string {
	var out []string
	switch b := body.(type) {
	case *DeviationOpened:
		if b.Lot != "" {
			out = []string{b.Lot}
		}
	case *LotReceived:
		out = []string{b.Lot}
	case *LotMoved:
		out = []string{b.Lot}
	case *LotRemoved:
		out = []string{b.Lot}
	case *LotFlagged:
		out = []string{b.Lot}
	case *LotEvaluated:
		out = []string{b.Lot}
	case *LotReviewed:
		out = []string{b.Lot}
	case *LotDisposed:
		out = []string{b.Lot}
	case *LotShipped:
		out = []string{b.Lot}
	case *LotFed:
		for _, p := range slices.Concat(b.From, b.To) {
			out = with(out, p.Lot)
		}
	case *LotHeld:
		for i := range b.Lots {
			out = with(out, b.Lots[i].Lot)
		}
	case laboratory.Body:
		out = []string{b.OfLot()}
	}
	return out
}

// aboutLots gives the keys of a record that names lots.
func aboutLots(body any) []string {
	out := []string{"lots"}
	for _, code := range codesOf(body) {
		out = append(out, "lot:"+code)
	}
	return out
}

// changeLot changes a lot by one record, bringing it back from the facts or into being where the state has none.
func (s *State) changeLot(code string, f Facts, change func(*LotState)) {
	s.bringBack([]string{code}, f)
	next := &LotState{Lot: lot.Lot{Code: code}}
	if old, ok := s.lots.get(code); ok {
		own := *old
		own.Lot = *old.Lot.Clone()
		next = &own
	}
	change(next)
	next.Settle(s.way())
	s.lots.set(code, next)
	s.lotsLast = latest(s.lotsLast, next.Last())
	s.loose.lots, s.loose.times = with(s.loose.lots, code), true
}

// foldLot folds a record about lots.
func (s *State) foldLot(e *Event, f Facts) {
	if b, ok := e.Body.(laboratory.Body); ok && s.foldSample(e, b) {
		return
	}
	for _, code := range codesOf(e.Body) {
		s.changeLot(code, f, func(l *LotState) { l.fold(e, s) })
	}
}

// fold changes a lot by one record about it; l must be the caller's own.
func (l *LotState) fold(e *Event, s *State) {
	l.Touched = max(l.Touched, e.Seq)
	l.Seqs = append(slices.Clip(l.Seqs), e.Seq)
	l.Seqs = l.Seqs[max(0, len(l.Seqs)-maxSeqs):]
	mark := SignedMark{Seq: e.Seq, At: e.At, By: e.By}
	switch b := e.Body.(type) {
	case *LotReceived, *LotMoved, *LotFed, *LotRemoved, laboratory.Body:
		l.reported(e)
		l.fact(e, b)
	case *LotFlagged:
		l.Flags = append(slices.Clip(l.Flags), Flag{b.Point, b.What, e.At})
	case *LotHeld:
		for _, h := range b.Lots {
			if h.Lot == l.Code {
				l.Holds = append(slices.Clip(l.Holds), Hold{Seq: e.Seq, At: e.At, By: e.By.Name, Deviation: b.Deviation, Reason: b.Reason, HeldLot: h})
			}
		}
	case *LotEvaluated:
		mark.Head = b.Signature.Head.Size
		l.Evaluations = append(slices.Clip(l.Evaluations), Evaluation{mark, b})
	case *LotReviewed:
		mark.Head = b.Signature.Head.Size
		l.Reviews = append(slices.Clip(l.Reviews), mark)
	case *LotDisposed:
		mark.Head = b.Signature.Head.Size
		l.dispose(e, Disposition{SignedMark: mark, Body: b}, s)
	case *LotShipped:
		l.reported(e)
		l.Shipments = append(slices.Clip(l.Shipments), Shipment{e.Seq, e.At, b})
		l.AddRemoval(lot.Removal{ID: e.ID, At: e.At, What: "shipped", Mass: massOf(b.Mass)})
		if b.All {
			l.Ended = e.At
		}
	}
}

// reported notes who reported on the lot and what was odd about it.
func (l *LotState) reported(e *Event) {
	l.Reported = max(l.Reported, e.Seq)
	l.People = with(l.People, e.By.ID)
	for _, x := range e.Findings {
		if slices.Contains(blocking, x.Code) {
			l.Findings = append(slices.Clip(l.Findings), FoundAt{e.Seq, e.ID, x.Code})
		}
	}
}

// changedBy notes an amendment or void of a report on the lot.
func (l *LotState) changedBy(seq int64) {
	l.Touched, l.Reported = max(l.Touched, seq), max(l.Reported, seq)
	l.Seqs = append(slices.Clip(l.Seqs), seq)
}

// fact puts a report of what happened to the lot in its place; a body amended since takes the place of the old.
func (l *LotState) fact(e *Event, body any) {
	l.weighed(e, body)
	switch b := body.(type) {
	case *LotReceived:
		l.AddReceipt(lot.Receipt{ID: e.ID, At: e.At, Step: b.Step, Place: b.Place, Mass: massOf(b.Mass)})
		l.Product, l.Source, l.Harvested = cmp.Or(b.Product, l.Product), b.Source, b.Harvested
	case *LotMoved:
		a := lot.Act{ID: e.ID, At: e.At, Until: e.Until, In: e.Kind == KindLotEntered, Step: b.Step, Place: b.Place, Filling: b.Filling}
		for _, r := range b.Boxes {
			a.Boxes = append(a.Boxes, lot.Boxes{Prefix: r.Prefix, From: r.From, To: r.To})
		}
		l.AddAct(a)
		l.Materials = slices.DeleteFunc(slices.Clone(l.Materials), func(m UsedAt) bool { return m.ID == e.ID })
		for _, m := range b.Materials {
			l.Materials = append(l.Materials, UsedAt{e.ID, e.At, b.Step, m})
		}
	case *LotFed:
		l.AddFeed(feedOf(e, b))
	case *LotRemoved:
		l.AddRemoval(lot.Removal{ID: e.ID, At: e.At, What: b.What, Mass: massOf(b.Mass)})
	case laboratory.Body:
		l.Laboratory = l.Laboratory.Put(laboratory.Act{ID: e.ID, Seq: e.Seq, At: e.At, By: e.By.ID, Name: e.By.Name}, b)
	}
}

func feedOf(e *Event, b *LotFed) lot.Feed {
	f := lot.Feed{ID: e.ID, At: e.At, Until: e.Until, How: b.How, Step: b.Step, Place: b.Place}
	for _, p := range b.From {
		f.From = append(f.From, lot.Part{Lot: p.Lot, Mass: massOf(p.Mass), All: p.All})
	}
	for _, p := range b.To {
		f.To = append(f.To, lot.Part{Lot: p.Lot, Mass: massOf(p.Mass)})
	}
	return f
}

// dispose adds a signature. The outcome takes effect when as many people as the plan wants have signed it, with no
// other outcome and no hold in between.
func (l *LotState) dispose(e *Event, d Disposition, s *State) {
	people := 1
	if v := s.versionAt(e.At); v != nil {
		people = v.Plan.Disposition(d.Body.Outcome).People
	}
	signers := []string{e.By.ID}
	for i := len(l.Signed) - 1; i >= 0; i-- {
		x := &l.Signed[i]
		if x.Effective || x.Body.Outcome != d.Body.Outcome || slices.ContainsFunc(l.Holds, func(h Hold) bool { return h.Seq > x.Seq }) {
			break
		}
		signers = with(slices.Sorted(slices.Values(signers)), x.By.ID)
	}
	d.Effective = len(signers) >= people
	l.Signed = append(slices.Clip(l.Signed), d)
	if !d.Effective || d.Body.Outcome == "release" || d.Body.Outcome == "rework" {
		return
	}
	l.Ended = e.At
	l.AddRemoval(lot.Removal{ID: e.ID, At: e.At, What: stateAfter[d.Body.Outcome], Mass: massOf(d.Body.Mass)})
}

// foldEmptied notes that a place was empty, or a line clean.
func (s *State) foldEmptied(e *Event) {
	switch b := e.Body.(type) {
	case *PlaceEmptied:
		s.emptied = append(slices.Clip(s.emptied), EmptiedAt{e.ID, lot.Emptied{Place: b.Place, At: e.At}})
	case *CleanBreak:
		s.breaks = append(slices.Clip(s.breaks), BreakAt{e.ID, lot.Break{Line: b.Line, Places: b.Places, At: e.At}})
	}
	s.loose.times = true // nothing new is affected by it, and no clock begins earlier
}

// dropEmptied takes out what was voided; what came through the hopper may be another lot's now.
func (s *State) dropEmptied(old *Event) {
	s.emptied = slices.DeleteFunc(slices.Clone(s.emptied), func(x EmptiedAt) bool { return x.ID == old.ID })
	s.breaks = slices.DeleteFunc(slices.Clone(s.breaks), func(x BreakAt) bool { return x.ID == old.ID })
	switch b := old.Body.(type) {
	case *PlaceEmptied:
		s.past.Unempty(b.Place, old.ID, old.At)
	case *CleanBreak:
		for _, place := range s.way().Cleaned(&lot.Break{Line: b.Line, Places: b.Places}) {
			s.past.Unempty(place, old.ID, old.At)
		}
		s.past.Unclean(b.Line, old.ID, old.At)
	}
	s.loose.hoppers, s.loose.times = true, true
}

// amendLot puts the new body of a report in the place of the old; dropLot takes out what was voided.
func (s *State) amendLot(old *Event, body any, f Facts) {
	for _, code := range codesOf(body) {
		s.changeLot(code, f, func(l *LotState) {
			l.changedBy(s.Size)
			l.fact(old, body)
		})
	}
}

func (s *State) dropLot(old *Event, f Facts) {
	for _, code := range codesOf(old.Body) {
		s.changeLot(code, f, func(l *LotState) {
			l.changedBy(s.Size)
			l.drop(old.ID)
		})
	}
}

// replay folds a record from the facts, amendments and voids among them.
func (l *LotState) replay(e *Event, all []*Event, s *State) {
	changed := func(target string) *Event {
		l.changedBy(e.Seq)
		if i := slices.IndexFunc(all, func(x *Event) bool { return x.ID == target }); i >= 0 {
			return all[i]
		}
		return e
	}
	switch b := e.Body.(type) {
	case *Amended:
		l.fact(changed(b.Target), b.New)
	case *Voided:
		l.drop(changed(b.Target).ID)
	case *DeviationOpened:
		l.caseOpened(b)
	default:
		l.fold(e, s)
	}
}

func (l *LotState) drop(id string) {
	l.Drop(id)
	l.Laboratory = l.Laboratory.Drop(id)
	l.Tools = slices.DeleteFunc(slices.Clone(l.Tools), func(t ToolAt) bool { return t.ID == id })
	l.Materials = slices.DeleteFunc(slices.Clone(l.Materials), func(m UsedAt) bool { return m.ID == id })
}

// MissingFor lists what stands between a lot and its release, from what the state holds.
func (s *State) MissingFor(code string, f Facts, now time.Time) []Missing {
	l, ok := s.lots.get(code)
	if !ok {
		return nil
	}
	return s.Missing(l, f, now)
}

// ReleaseNeeds asks for the readings that Missing wants beyond the state.
func (s *State) ReleaseNeeds(code string, f Facts) Need { return s.releaseNeeds(code, f) }

// TouchesOf lists what cases do to one lot, as the facts stand.
func (s *State) TouchesOf(book *lot.Book, code string) []lot.Touch {
	return slices.DeleteFunc(book.Affected(s.causesOf(func(string) bool { return true })), func(t lot.Touch) bool { return t.Lot != code })
}
