package web

import (
	"context"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/plant"
)

// deviationsPage lists the open cases.
type deviationsPage struct {
	*Frame
	Open   []*caseView
	Effect []*caseView // closed, effect still to be checked
}

// deviationPage is one case with its separately signed parts.
type deviationPage struct {
	*Frame
	Form         Form
	Case         *caseView
	Instructions string
	Cautions     []string
	Parts        []partRow
	MayFix       bool
	Fixes        []Choice
	Note         string
	Records      []recordRow
}

// caseView is a case as pages word it.
type caseView struct {
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
func (v *caseView) NumberText() string { return strconv.FormatInt(v.Number, 10) }

// PlanVersionText is the plan version that judged.
func (v *caseView) PlanVersionText() string { return strconv.Itoa(v.PlanVersion) }

type sampleRow struct {
	Label, ID, Value, By string
	At                   time.Time
}

type partRow struct {
	Part, Roles, Path string
	Done              bool
	Signed            []signedRow
}

type signedRow struct {
	At    time.Time
	By    string
	Stale bool
	Texts []What
}

func (s *Server) routeCases(app fiber.Router, in func(func(*fiber.Ctx, *Frame) error) fiber.Handler) {
	app.Get("/deviations", in(s.deviationList))
	app.Get("/deviations/:id", in(s.deviationShow))
	app.Post("/deviations/:id/fix", in(s.fixSave))
	app.Get("/deviations/:id/parts/:part", in(s.partForm))
	app.Post("/deviations/:id/parts/:part", in(s.partSign))
}

// view words a case.
func (f *Frame) view(d *haccp.Deviation) *caseView {
	e := f.state.LogEntry(d, f.Now)
	v := &caseView{ID: d.Deviation, Word: e.Word, Place: f.PlaceName(d.Place), Point: e.PointName, Ground: d.Ground, Status: e.Status,
		FoundBy: d.FoundBy.Name, Number: d.Number, Found: d.Found, EffectDue: d.EffectDue, PlanVersion: d.PlanVersion,
		Lacking: f.lackings(d.Lacking), Lots: d.Lots, Fixes: slices.Clone(d.Fixes), Reopened: d.Reopened, Closed: d.IsClosed, Span: f.span(d.Now)}
	if d.Widest != d.Now && !d.Widest.Begin.IsZero() {
		v.Widest = f.span(d.Widest)
	}
	if pt := findPoint(f.planOf(d), d.Point); pt != nil {
		for _, l := range pt.Limits {
			if len(d.Limits) == 0 || slices.Contains(d.Limits, l.ID) {
				v.Limits = append(v.Limits, f.Bounds(l)+" ("+f.Word("limit", l.Kind)+")")
			}
		}
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
		missing := d.Missing(f.planOf(d))
		for i := range missing {
			missing[i] = f.Word("part", missing[i])
		}
		v.Missing = strings.Join(missing, ", ")
	}
	return v
}

func (v *caseView) sample(f *Frame, label string, d *haccp.Deviation, x *haccp.SampleFacts) {
	if x == nil {
		return
	}
	by := x.By
	if p, ok := f.state.Person(x.By); ok {
		by = p.Name
	}
	v.Samples = append(v.Samples, sampleRow{Label: label, ID: x.Reading, Value: f.measured(d.PlanVersion, d.Point, x), By: by, At: x.At})
}

func (f *Frame) fixName(id string) string {
	if x := ever(f, func(p *plan.Plan) *plan.Fix {
		return find(p, func(p *plan.Plan) []plan.Fix { return p.Fixes }, func(x *plan.Fix) bool { return x.ID == id })
	}); x != nil {
		return x.Name
	}
	return id
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

// planOf is the plan version that judged a case.
func (f *Frame) planOf(d *haccp.Deviation) *plan.Plan {
	if d.PlanVersion < 1 || d.PlanVersion > len(f.state.Plans) {
		return f.plan
	}
	return f.state.Plans[d.PlanVersion-1].Plan
}

func (s *Server) deviationList(c *fiber.Ctx, f *Frame) error {
	p := &deviationsPage{Frame: f}
	for _, d := range slices.Backward(f.state.HeldCases()) {
		switch {
		case !d.IsClosed:
			p.Open = append(p.Open, f.view(d))
		case !d.EffectDue.IsZero():
			v := f.view(d)
			if f.Now.After(d.EffectDue) {
				v.Status = "overdue"
			}
			p.Effect = append(p.Effect, v)
		}
	}
	return s.show(c, fiber.StatusOK, "deviations", f.T("deviations.title"), p)
}

// findCase gives a case from the state, or folds it from its records.
func (s *Server) findCase(ctx context.Context, f *Frame, id string) (*haccp.Deviation, []*haccp.Event, error) {
	events, _, err := s.site.Find(ctx, plant.Query{About: "deviation:" + id})
	if err != nil {
		return nil, nil, err
	}
	slices.SortFunc(events, func(a, b *haccp.Event) int { return int(a.Seq - b.Seq) })
	d, ok := f.state.Case(id)
	if !ok {
		d = haccp.FoldCase(events)
	}
	if d == nil {
		return nil, nil, noPage()
	}
	return d, events, nil
}

func (s *Server) newDeviationPage(ctx context.Context, f *Frame, id string) (*deviationPage, *haccp.Deviation, error) {
	d, events, err := s.findCase(ctx, f, id)
	if err != nil {
		return nil, nil, err
	}
	p := &deviationPage{Frame: f, Form: newForm(), Case: f.view(d)}
	for _, e := range events {
		p.Records = append(p.Records, recordRow{ID: e.ID, Seq: e.Seq, Kind: e.Kind, At: e.At, By: e.By.Name})
	}
	pt := findPoint(f.planOf(d), d.Point)
	if pt != nil && !d.IsClosed {
		p.Instructions = pt.Instructions
		p.Cautions = cautionsFor(slices.ContainsFunc(pt.Limits, func(l plan.Limit) bool { return involvesChlorine(l.Quantity) }))
	}
	if p.MayFix = pt != nil && !d.IsClosed && f.may(haccp.KindFixDone); p.MayFix {
		p.fixes(f.planOf(d), pt)
	}
	p.parts(d)
	return p, d, nil
}

func (p *deviationPage) fixes(pl *plan.Plan, pt *plan.Point) {
	for _, id := range pt.Fixes {
		for _, x := range pl.Fixes {
			if x.ID == id {
				p.Fixes = append(p.Fixes, Choice{Code: x.ID, Word: x.Name, Text: x.Instructions})
			}
		}
	}
	p.Fixes = append(p.Fixes, Choice{Code: "other", Word: p.T("fix.other")})
}

func (s *Server) deviationShow(c *fiber.Ctx, f *Frame) error {
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
func (s *Server) fixSave(c *fiber.Ctx, f *Frame) error {
	p, d, err := s.newDeviationPage(c.UserContext(), f, c.Params("id"))
	if err != nil {
		return err
	}
	p.Form, p.Note = readForm(c), strings.TrimSpace(c.FormValue("note"))
	fix := c.FormValue("fix")
	for i := range p.Fixes {
		p.Fixes[i].Chosen = p.Fixes[i].Code == fix
	}
	_, err = s.report(c, f, &p.Form, haccp.KindFixDone, &haccp.FixDone{Deviation: d.Deviation, Fix: fix, Note: p.Note, Place: d.Place, Point: d.Point})
	if err != nil {
		status := s.refused(c, f, &p.Form, err, map[string]string{"fix": "fix", "note": "note", "at": "at"})
		return s.show(c, status, "deviation", p.title(), p)
	}
	return c.Redirect("/deviations/"+d.Deviation, fiber.StatusSeeOther)
}

// rolesFor lists the roles that sign a part, by the plan that judged the case; the manager where it is silent.
func rolesFor(p *plan.Plan, d *haccp.Deviation, part string) []string {
	if p != nil {
		for _, r := range p.Classes {
			for _, c := range r.Closing {
				if r.Class == d.Class && c.Part == part {
					return c.Roles
				}
			}
		}
	}
	return []string{haccp.RoleManager}
}

// parts lists the parts of a case in their order, with who signed them and who may.
func (p *deviationPage) parts(d *haccp.Deviation) {
	pl := p.planOf(d)
	_, taken := p.state.TakenInTime(d)
	for _, part := range []string{haccp.PartTakenInTime, plan.ControlRestored, plan.ProductEvaluated, plan.CauseAndAction,
		haccp.PartFixOnly, plan.Closed, plan.Effectiveness} {
		row := partRow{Part: part, Done: d.Part(part) != nil}
		for i := range d.Parts {
			if x := &d.Parts[i]; x.Body.Part == part {
				row.Signed = append(row.Signed, p.signedRow(x))
			}
		}
		switch {
		case part == haccp.PartTakenInTime && !taken && len(row.Signed) == 0,
			part == haccp.PartFixOnly && (d.Critical || d.IsClosed) && len(row.Signed) == 0,
			part == plan.Effectiveness && d.EffectDue.IsZero() && len(row.Signed) == 0:
			continue
		}
		roles := rolesFor(pl, d, part)
		words := make([]string, len(roles))
		for i, r := range roles {
			words[i] = p.Word("role", r)
		}
		row.Roles = strings.Join(words, ", ")
		open := !d.IsClosed || part == plan.Effectiveness
		may := slices.ContainsFunc(p.Roles, func(r string) bool { return slices.Contains(roles, r) && p.state.May(r, haccp.AskSignPart, p.Now) })
		if !row.Done && open && may {
			row.Path = "/deviations/" + d.Deviation + "/parts/" + part
		}
		p.Parts = append(p.Parts, row)
	}
}

// signedRow words a signed part: who, when, and what was written.
func (f *Frame) signedRow(x *haccp.SignedPart) signedRow {
	row := signedRow{At: x.At, By: x.By.Name + ", " + f.Word("role", x.By.Role), Stale: x.Stale}
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
