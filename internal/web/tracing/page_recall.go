package tracing

import (
	"net/url"
	"strconv"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/genealogy"
	"linewarden/internal/web/frame"
)

// RecallsPage lists released and shipped product that cases affect.
type RecallsPage struct {
	*frame.Frame
	Cases        []RecallCase
	Instructions string
}

// RecallCase is the list of one case.
type RecallCase struct {
	Path, Head, Where, Found string
	Mark, Word               string
	Lots                     []RecallLot
	Totals                   []frame.What
}

// RecallLot is a lot of a list.
type RecallLot struct {
	Code, Path, Trace, Mark, Word, How, Known string
	Answered                                  bool
	Here                                      string
	Shipments                                 []RecallShipment
}

// RecallShipment is a shipment of a lot.
type RecallShipment struct {
	When, To, Contact, Boxes, Mass, Document string
}

func (t *Tracing) recallList(c *fiber.Ctx, f *frame.Frame) error {
	ids := genealogy.RecallCases(f.State)
	if id := c.Params("id"); id != "" {
		if _, ok := f.State.Case(id); !ok {
			return noPage(f)
		}
		ids = []string{id}
	}
	p := &RecallsPage{Frame: f}
	if f.Plan != nil {
		p.Instructions = f.Plan.Recall.Instructions
	}
	for _, id := range ids {
		facts, err := t.Log.Gather(c.UserContext(), f.State, haccp.Facts{}, func(had haccp.Facts) haccp.Need { return f.State.AtLargeNeeds(id, had) })
		if err != nil {
			return err
		}
		if r, ok := genealogy.RecallOf(f.State, id, facts); ok {
			p.Cases = append(p.Cases, recallCase(f, &r))
		}
	}
	return t.Pages.Show(c, fiber.StatusOK, "recalls", f.T("recall.title"), p)
}

func recallCase(f *frame.Frame, r *genealogy.Recall) RecallCase {
	x := RecallCase{Path: "/deviations/" + r.Deviation, Head: f.T("deviation.head", "word", f.Word("case", r.Word), "number", strconv.FormatInt(r.Number, 10)),
		Found: f.At(r.Found), Mark: "outside", Word: f.T("recall.open", "count", strconv.Itoa(r.Open))}
	if r.Open == 0 {
		x.Mark, x.Word = "closed", f.T("recall.answered")
	}
	var where []string
	if r.Point != "" {
		where = append(where, f.PointName(r.Point))
	}
	if r.Place != "" {
		where = append(where, f.PlaceName(r.Place))
	}
	x.Where = strings.Join(append(where, f.Word("ground", r.Ground)), " · ")
	for i := range r.Lots {
		l := &r.Lots[i]
		y := RecallLot{Code: l.Lot, Path: "/lots/" + url.PathEscape(l.Lot), Trace: "/trace/lot?code=" + url.QueryEscape(l.Lot), Mark: marks[l.State], Word: f.Word("lot", l.State), How: f.Word("how", l.How), Known: f.At(l.Known), Answered: l.Answered}
		if len(l.Here) > 0 {
			y.Here = boxText(f, l.Here, 12)
			if l.Vague {
				y.Here += " (" + f.T("recall.vague") + ")"
			}
		}
		y.Here = strings.TrimPrefix(y.Here+" · "+l.Left+" kg", " · ")
		for j := range l.Shipments {
			k := &l.Shipments[j]
			s := RecallShipment{When: f.At(k.At), To: k.Consignee.Name, Contact: strings.TrimPrefix(k.Consignee.Phone+" · "+k.Consignee.Address, " · "), Boxes: boxText(f, k.Boxes, 12), Mass: f.T("trace.not-weighed")}
			s.Contact = strings.TrimSuffix(s.Contact, " · ")
			if k.KG != "" {
				s.Mass = k.KG + " kg"
			}
			if k.Document != nil {
				s.Document = k.Document.Kind + " " + k.Document.Number
			}
			y.Shipments = append(y.Shipments, s)
		}
		x.Lots = append(x.Lots, y)
	}
	for _, k := range r.Consignees {
		x.Totals = append(x.Totals, frame.What{What: k.Name, Text: f.T("exercise.consignee-of", "boxes", f.Count("boxes", k.Boxes), "mass", k.Mass.String(), "shipments", f.Count("shipments", k.Shipments))})
	}
	return x
}
