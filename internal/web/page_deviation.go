package web

import (
	"context"
	"slices"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/genealogy"
	"linewarden/haccp/plan"
	"linewarden/internal/plant"
	"linewarden/internal/web/desk"
	"linewarden/internal/web/frame"
	"linewarden/internal/web/trends"
)

// deviationsPage lists the open cases.
type deviationsPage struct {
	*frame.Frame
	Open   []*frame.CaseView
	Effect []*frame.CaseView // closed, effect still to be checked
}

// deviationPage is one case with its separately signed parts.
type deviationPage struct {
	*frame.Frame
	Form         frame.Form
	Case         *frame.CaseView
	Instructions string
	Cautions     []string
	Parts        []partRow
	MayFix       bool
	Fixes        []frame.Choice
	Note         string
	Records      []frame.RecordRow
	Charts       []desk.TrendChart // the readings around it
	Trend        string
	Recall       bool // released or shipped product is affected
}

type partRow struct {
	Part, Roles, Path string
	Done              bool
	Signed            []frame.SignedRow
}

func (s *Server) routeCases(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/deviations", in(s.deviationList))
	app.Get("/deviations/:id", in(s.deviationShow))
	app.Post("/deviations/:id/fix", in(s.fixSave))
	app.Get("/deviations/:id/parts/:part", in(s.partForm))
	app.Post("/deviations/:id/parts/:part", in(s.partSign))
}

func (s *Server) deviationList(c *fiber.Ctx, f *frame.Frame) error {
	p := &deviationsPage{Frame: f}
	for _, d := range slices.Backward(f.State.HeldCases()) {
		switch {
		case !d.IsClosed:
			p.Open = append(p.Open, f.View(d))
		case !d.EffectDue.IsZero():
			v := f.View(d)
			if f.Now.After(d.EffectDue) {
				v.Status = "overdue"
			}
			p.Effect = append(p.Effect, v)
		}
	}
	return s.show(c, fiber.StatusOK, "deviations", f.T("deviations.title"), p)
}

// findCase gives a case from the state, or folds it from its records.
func (s *Server) findCase(ctx context.Context, f *frame.Frame, id string) (*haccp.Deviation, []*haccp.Event, error) {
	events, err := plant.All(ctx, s.site, plant.Query{About: "deviation:" + id})
	if err != nil {
		return nil, nil, err
	}
	plant.BySeq(events)
	d, ok := f.State.Case(id)
	if !ok {
		if d, err = s.site.FoldCase(ctx, events); err != nil {
			return nil, nil, err
		}
	}
	if d == nil {
		return nil, nil, noPage()
	}
	return d, events, nil
}

func (s *Server) newDeviationPage(ctx context.Context, f *frame.Frame, id string) (*deviationPage, *haccp.Deviation, error) {
	d, events, err := s.findCase(ctx, f, id)
	if err != nil {
		return nil, nil, err
	}
	p := &deviationPage{Frame: f, Form: frame.NewForm(), Case: f.View(d), Recall: slices.Contains(genealogy.RecallCases(f.State), d.Deviation)}
	for _, e := range events {
		p.Records = append(p.Records, frame.RecordRow{ID: e.ID, Seq: e.Seq, Kind: e.Kind, At: e.At, By: f.Reporter(e.By)})
	}
	pt := frame.FindPoint(f.PlanOf(d), d.Point)
	if pt != nil && !d.IsClosed {
		p.Instructions = pt.Instructions
		p.Cautions = frame.CautionsFor(slices.ContainsFunc(pt.Limits, func(l plan.Limit) bool { return frame.InvolvesChlorine(l.Quantity) }))
	}
	if p.MayFix = pt != nil && !d.IsClosed && f.May(haccp.KindFixDone); p.MayFix {
		p.fixes(f.PlanOf(d), pt)
	}
	p.parts(d)
	return p, d, s.chartsAround(ctx, p, d, pt)
}

// around is how much of the time before and after a case its chart shows.
const around = 3 * time.Hour

func (s *Server) chartsAround(ctx context.Context, p *deviationPage, d *haccp.Deviation, pt *plan.Point) error {
	if pt == nil || pt.Clock != nil || d.Now.Begin.IsZero() || d.Place == "" {
		return nil
	}
	to := p.Now
	if end := d.Now.End; !end.IsZero() && end.Add(around).Before(to) {
		to = end.Add(around)
	}
	var err error
	p.Charts, err = desk.Around(ctx, s.site, p.Frame, trends.Asked{Point: d.Point, Place: d.Place, From: d.Now.Begin.Add(-around), To: to})
	p.Trend = "/trends/" + d.Point + "/" + d.Place
	return err
}

func (p *deviationPage) fixes(pl *plan.Plan, pt *plan.Point) {
	for _, id := range pt.Fixes {
		for _, x := range pl.Fixes {
			if x.ID == id {
				p.Fixes = append(p.Fixes, frame.Choice{Code: x.ID, Word: x.Name, Text: x.Instructions})
			}
		}
	}
	p.Fixes = append(p.Fixes, frame.Choice{Code: "other", Word: p.T("fix.other")})
}

func (s *Server) deviationShow(c *fiber.Ctx, f *frame.Frame) error {
	p, _, err := s.newDeviationPage(c.UserContext(), f, c.Params("id"))
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "deviation", p.title(), p)
}

func (p *deviationPage) title() string {
	return p.T("deviation.head", "word", p.Word("case", p.Case.Word), "number", p.Case.NumberText())
}

// fixSave records an immediate fix.
func (s *Server) fixSave(c *fiber.Ctx, f *frame.Frame) error {
	p, d, err := s.newDeviationPage(c.UserContext(), f, c.Params("id"))
	if err != nil {
		return err
	}
	p.Form, p.Note = frame.ReadForm(c), strings.TrimSpace(c.FormValue("note"))
	fix := c.FormValue("fix")
	for i := range p.Fixes {
		p.Fixes[i].Chosen = p.Fixes[i].Code == fix
	}
	_, err = s.report(c, f, &p.Form, haccp.KindFixDone, &haccp.FixDone{Deviation: d.Deviation, Fix: fix, Note: p.Note, Place: d.Place, Point: d.Point})
	if err != nil {
		status := s.refused(c, f, &p.Form, err, map[string]string{"fix": "fix", "note": "note", "at": "at"})
		return s.show(c, status, "deviation", p.title(), p)
	}
	return s.redirect(c, "/deviations/"+d.Deviation)
}

// parts lists the parts of a case in their order, with who signed them and who may.
func (p *deviationPage) parts(d *haccp.Deviation) {
	pl := p.PlanOf(d)
	_, taken := p.State.TakenInTime(d)
	for _, part := range []string{haccp.PartTakenInTime, plan.ControlRestored, plan.ProductEvaluated, plan.CauseAndAction,
		haccp.PartFixOnly, plan.Closed, plan.Effectiveness} {
		row := partRow{Part: part, Done: d.Part(part) != nil}
		for i := range d.Parts {
			if x := &d.Parts[i]; x.Body.Part == part {
				row.Signed = append(row.Signed, p.SignedRow(x))
			}
		}
		switch {
		case part == haccp.PartTakenInTime && !taken && len(row.Signed) == 0,
			part == haccp.PartFixOnly && (d.Critical || d.IsClosed) && len(row.Signed) == 0,
			part == plan.Effectiveness && d.EffectDue.IsZero() && len(row.Signed) == 0:
			continue
		}
		roles := frame.RolesFor(pl, d, part)
		row.Roles = p.Words("role", roles)
		open := !d.IsClosed || part == plan.Effectiveness
		may := slices.ContainsFunc(p.Roles, func(r string) bool { return slices.Contains(roles, r) && p.State.May(r, haccp.AskSignPart, p.Now) })
		if !row.Done && open && may {
			row.Path = "/deviations/" + d.Deviation + "/parts/" + part
		}
		p.Parts = append(p.Parts, row)
	}
}
