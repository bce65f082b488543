package frame

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"linewarden/haccp"
)

// CaseView is a case as pages word it.
type CaseView struct {
	ID, Word, Place, Point, Ground, Status, FoundBy string
	Number                                          int64
	Found, EffectDue                                time.Time
	PlanVersion                                     int
	Limits, Lacking, Lots                           []string
	Span, Widest, Missing                           string
	Samples                                         []sampleRow
	Fixes                                           []haccp.FixFacts
	Reopened                                        []time.Time
	Closed                                          bool
}

// NumberText is the running number.
func (v *CaseView) NumberText() string { return strconv.FormatInt(v.Number, 10) }

// PlanVersionText is the plan version that judged.
func (v *CaseView) PlanVersionText() string { return strconv.Itoa(v.PlanVersion) }

type sampleRow struct {
	Label, ID, Value, By string
	At                   time.Time
}

// SignedRow is a part of a case as somebody signed it, with what they wrote.
type SignedRow struct {
	At    time.Time
	By    string
	Stale bool
	// Changed says that a report the signature covers was changed since; empty where none was.
	Changed string
	Texts   []What
}

// View words a case.
func (f *Frame) View(d *haccp.Deviation) *CaseView {
	e := f.State.LogEntry(d, f.Now)
	v := &CaseView{ID: d.Deviation, Word: e.Word, Place: f.PlaceName(d.Place), Point: e.PointName, Ground: d.Ground, Status: e.Status,
		FoundBy: f.Reporter(d.FoundBy), Number: d.Number, Found: d.Found, EffectDue: d.EffectDue, PlanVersion: d.PlanVersion,
		Lacking: f.Lackings(d.Lacking), Lots: d.Lots, Fixes: slices.Clone(d.Fixes), Reopened: d.Reopened, Closed: d.IsClosed, Span: f.span(d.Now)}
	if d.Lot != "" {
		v.Place = strings.TrimPrefix(v.Place+", "+f.T("lot.title", "lot", d.Lot), ", ")
	}
	if d.Widest != d.Now && !d.Widest.Begin.IsZero() {
		v.Widest = f.span(d.Widest)
	}
	if pt := FindPoint(f.PlanOf(d), d.Point); pt != nil {
		for _, l := range pt.Limits {
			if len(d.Limits) == 0 || slices.Contains(d.Limits, l.ID) {
				v.Limits = append(v.Limits, f.Bounds(l)+" ("+f.Word("limit", l.Kind)+")")
			}
		}
	}
	if d.Result != nil {
		v.Limits = append(v.Limits, d.Result.Rule)
	}
	for i := range v.Fixes {
		v.Fixes[i].Fix = f.fixName(v.Fixes[i].Fix)
	}
	v.sample(f, "deviation.first", d, e.First)
	if e.Worst != nil && (e.First == nil || e.Worst.Reading != e.First.Reading) {
		v.sample(f, "deviation.worst", d, e.Worst)
	}
	v.sample(f, "deviation.retest", d, e.Retest)
	if !d.IsClosed {
		missing := d.Missing(f.PlanOf(d))
		for i := range missing {
			missing[i] = f.Word("part", missing[i])
		}
		v.Missing = strings.Join(missing, ", ")
	}
	return v
}

func (v *CaseView) sample(f *Frame, label string, d *haccp.Deviation, x *haccp.SampleFacts) {
	if x == nil {
		return
	}
	by := x.By
	if p, ok := f.State.Person(x.By); ok {
		by = p.Name
	}
	v.Samples = append(v.Samples, sampleRow{Label: label, ID: x.Reading, Value: f.measured(d.PlanVersion, d.Point, x), By: by, At: x.At})
}

// span words a span of time of a case.
func (f *Frame) span(x haccp.Span) string {
	switch {
	case x.Begin.IsZero():
		return f.T("deviation.dissolved")
	case x.End.IsZero():
		return f.At(x.Begin) + " " + f.T("deviation.to") + " … (" + f.T("deviation.open-end") + ")"
	}
	return f.At(x.Begin) + " " + f.T("deviation.to") + " " + f.At(x.End) + " (" + span(x.End.Sub(x.Begin)) + ")"
}

// ChangedSince words that the record seq changed what a signature covers; empty for 0.
func (f *Frame) ChangedSince(seq int64) string {
	if seq == 0 {
		return ""
	}
	return f.T("signature.changed", "seq", strconv.FormatInt(seq, 10))
}

// SignedRow words a signed part: who, when, and what was written.
func (f *Frame) SignedRow(x *haccp.SignedPart) SignedRow {
	row := SignedRow{At: x.At, By: x.By.Name + ", " + f.Word("role", x.By.Role), Stale: x.Stale, Changed: f.ChangedSince(x.Changed)}
	add := func(name, t string) {
		if t != "" {
			row.Texts = append(row.Texts, What{f.T("part.field." + name), t})
		}
	}
	b := x.Body
	add("restored", b.Restored)
	if p := b.Product; p != nil {
		add("exposed", f.YesNo(&p.Exposed))
		add("codes", strings.Join(p.Codes, ", "))
		add("description", p.Description)
		if p.Mass != nil {
			add("mass", p.Mass.String())
		}
		add("held_where", p.HeldWhere)
		add("evaluation", p.Evaluation)
		add("outcome", p.Outcome)
		add("evidence", p.Evidence)
		if p.CuredBy != "" {
			add("cured_by", f.PlaceName(p.CuredBy))
		}
	}
	add("cause", b.Cause)
	if b.InError {
		add("in_error", f.T("answer.yes"))
	}
	add("action", b.Action)
	if b.Effective != nil {
		add("effective", f.YesNo(b.Effective))
	}
	add("reason", b.Reason)
	return row
}
