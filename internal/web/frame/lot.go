package frame

import (
	"net/url"
	"strconv"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/lot"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/wording"
)

// LotView is a lot as the pages show it.
type LotView struct {
	Code, Product, Mark, State string
	Where                      string // the step and place it is at; empty: not known
	Holds                      []LotHold
	Clocks                     []LotClock
}

// Path is its code as a part of an address.
func (v LotView) Path() string { return url.PathEscape(v.Code) }

// LotHold is a standing hold. Case is empty where a person put it on hold.
type LotHold struct {
	Text, Case string
	Gone       bool // held, and no longer affected
}

// LotClock is a time of a lot under a control point.
type LotClock struct {
	Name, Mark, Text string
}

// LotView words a lot.
func (f *Frame) LotView(book *lot.Book, touches []lot.Touch, l *haccp.LotState) LotView {
	v := LotView{Code: l.Code, Product: l.Product, State: l.State(), Mark: lotMarks[l.State()]}
	for i := range l.Stays() {
		if s := &l.Stays()[i]; s.NoTo && s.To.IsZero() && !s.Unseen {
			v.Where = joinLines(v.Where, f.StepName(s.Step)+" ("+f.PlaceName(s.Place)+")")
		}
	}
	for _, h := range l.Standing() {
		x := LotHold{Text: joinLines(f.Word("how", h.How), h.Reason), Case: h.Deviation, Gone: h.Deviation != ""}
		for _, t := range touches {
			x.Gone = x.Gone && (t.Lot != l.Code || t.Cause != h.Deviation)
		}
		if d, ok := f.State.Case(h.Deviation); ok {
			x.Text = f.T("deviations.number", "number", strconv.FormatInt(d.Number, 10)) + ": " + x.Text
		}
		v.Holds = append(v.Holds, x)
	}
	for _, t := range f.State.LotTimes(book, l.Code) {
		v.Clocks = append(v.Clocks, f.lotClock(&t))
	}
	return v
}

// lotMarks gives the shape of each state; the word always stands beside it.
var lotMarks = map[string]string{haccp.LotInProcess: "open", haccp.LotOnHold: "outside", haccp.LotReleased: "inside", haccp.LotShippedAs: "closed",
	haccp.LotReworked: "closed", haccp.LotDiverted: "closed", haccp.LotDestroyed: "closed", haccp.LotUsedUp: "closed"}

func (f *Frame) lotClock(t *haccp.LotTime) LotClock {
	c := LotClock{Name: t.Name, Mark: t.Verdict}
	if !t.Running {
		c.Text = f.Word("verdict", t.Verdict)
		if t.Elapsed > 0 {
			c.Text = f.T("lot.took", "span", minutes(t.Elapsed)) + ", " + c.Text
		}
		return c
	}
	ran := minutes(f.Now.Sub(t.Start))
	left := t.Remaining(f.Now)
	switch {
	case t.LimitAt.IsZero():
		c.Mark, c.Text = "open", f.T("lot.runs", "span", ran)
	case left < 0:
		c.Mark, c.Text = "outside", f.T("lot.over", "span", ran, "over", minutes(-left))
	case !f.Now.Before(t.WarnAt):
		c.Mark, c.Text = "act", f.T("lot.left", "span", ran, "left", minutes(left))
	default:
		c.Mark, c.Text = "open", f.T("lot.left", "span", ran, "left", minutes(left))
	}
	return c
}

// minutes words a length of time in full minutes.
func minutes(d time.Duration) string { return wording.Span(d.Truncate(time.Minute)) }

// StepName names a step as the newest plan does.
func (f *Frame) StepName(id string) string {
	if n := len(f.State.Plans); n > 0 {
		for _, s := range f.State.Plans[n-1].Plan.Steps {
			if s.ID == id {
				return s.Name
			}
		}
	}
	return orDash(id)
}

// LotStay is a time of a lot at a place.
type LotStay struct {
	Step, Place, From, To, Note string
}

// LotStays words the way of a lot.
func (f *Frame) LotStays(l *haccp.LotState) []LotStay {
	var out []LotStay
	for i := range l.Stays() {
		s := &l.Stays()[i]
		x := LotStay{Step: f.StepName(s.Step), Place: f.PlaceName(s.Place), From: f.At(s.From), To: "–"}
		if !s.To.IsZero() {
			x.To = f.At(s.To)
		}
		switch {
		case s.Unseen:
			x.Note = f.T("lot.unseen")
		case s.NoFrom || s.NoTo:
			x.Note = f.T("lot.time-missing")
		}
		out = append(out, x)
	}
	return out
}

// Missing words one thing that stands between a lot and its release.
func (f *Frame) Missing(m haccp.Missing) string {
	at := f.PointName(m.Point) + ", " + f.PlaceName(m.Place)
	span := f.span(haccp.Span{Begin: m.From, End: m.To})
	number := strconv.FormatInt(m.Number, 10)
	switch m.What {
	case haccp.MissingEvidence:
		return f.T("lot.no-evidence", "lot", m.Lot, "point", at, "span", span)
	case haccp.MissingStep:
		return f.T("lot.no-step", "lot", m.Lot, "step", f.StepName(m.Step))
	case haccp.MissingTime:
		return f.T("lot.no-time", "lot", m.Lot, "point", f.PointName(m.Point))
	case haccp.MissingRestored:
		return f.T("lot.no-part", "number", number, "part", f.Word("part", "control-restored"))
	case haccp.MissingProduct:
		return f.T("lot.no-part", "number", number, "part", f.Word("part", "product-evaluated"))
	case haccp.MissingEvaluation:
		return f.T("lot.no-evaluation", "lot", m.Lot, "number", number)
	case haccp.MissingMaterial, haccp.MissingInstrument:
		return f.T("lot.no-material", "lot", m.Lot, "what", f.T("finding."+m.Code, "material", f.MaterialName(m.Material), "material_lot", m.MaterialLot, "instrument", f.ToolName(m.Instrument)))
	case haccp.MissingReview:
		return f.T("lot.no-review", "lot", m.Lot)
	case haccp.MissingSpecification, haccp.MissingResult, haccp.MissingPending, haccp.MissingFailing:
		return f.missingResult(m)
	}
	return f.T("lot.no-finding", "lot", m.Lot, "finding",
		f.T("finding."+m.Code, "lot", m.Lot, "step", "–", "place", "–", "line", "–", "filling", "–", "state", "–", "sample", orDash(m.Sample)))
}

// MaterialName names a material as the newest plan does.
func (f *Frame) MaterialName(id string) string {
	if f.Plan != nil {
		if m := f.Plan.Material(id); m != nil {
			return m.Name
		}
	}
	return orDash(id)
}

// ToolName names an instrument as the newest plan does.
func (f *Frame) ToolName(id string) string {
	if f.Plan != nil {
		if in := f.Plan.Instrument(id); in != nil {
			return in.Name
		}
	}
	return orDash(id)
}

// UsableLots lists the lots of materials for baths that are approved and in date, for whoever is about to add one.
func (f *Frame) UsableLots() string {
	var out []string
	for _, l := range f.State.MaterialLots() {
		if f.Plan == nil {
			break
		}
		m := f.Plan.Material(l.Material())
		if m != nil && m.Chemical != "" && l.State(f.Now, f.State.DayOf(f.Now)) == material.StateApproved {
			out = append(out, l.Code+" ("+m.Name+")")
		}
	}
	if len(out) == 0 {
		return f.T("bath.no-lots")
	}
	return f.T("bath.lots-in-date", "lots", strings.Join(out, ", "))
}

// LotsOf lists the lots of a material that are not used up, with how each stands where it may not be used.
func (f *Frame) LotsOf(id string) []Choice {
	var out []Choice
	for _, l := range f.State.MaterialLots() {
		state := l.State(f.Now, f.State.DayOf(f.Now))
		if l.Material() != id || state == material.StateUsedUp {
			continue
		}
		word := l.Code
		if state != material.StateApproved {
			word += " · " + f.Word("materialstate", state)
		}
		out = append(out, Choice{Code: l.Code, Word: word})
	}
	return out
}

// StockUnits lists the units in which materials are measured.
func (f *Frame) StockUnits() []Choice {
	return append(Units(quantity.Mass, quantity.Volume), Choice{Code: plan.Pieces, Word: f.T("materials.pieces")})
}
