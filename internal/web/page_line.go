package web

import (
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/internal/plant"
	"linewarden/internal/web/frame"
)

// linePage starts and stops a line, and shows the conditions of a start item by item.
type linePage struct {
	*frame.Frame
	Form, Form2, Form3          frame.Form
	Line, Address               string
	Running                     bool
	Since                       time.Time
	MayStart, MayStop, MayBreak bool
	Reason, Note                string
	Baths, Places               []frame.Choice
	Checks                      []preOpRow
	Tests                       []testRow
	Refused                     bool // leave was refused once: offer the start without proof
	Runs                        []haccp.Run

	line *plan.Line
}

type preOpRow struct{ ID, Name, Value string }

type testRow struct {
	Place, Check, Text, Path string
	Done                     bool
}

func newLinePage(f *frame.Frame, id string) (*linePage, error) {
	l := frame.Ever(f, func(p *plan.Plan) *plan.Line { return frame.FindLine(p, id) })
	if l == nil {
		return nil, noPage()
	}
	p := &linePage{Frame: f, Form: frame.NewForm(), Form2: frame.NewForm(), Form3: frame.NewForm(), Line: l.Name, Address: "/lines/" + id, line: l,
		MayStart: f.May(haccp.AskStart), MayStop: f.May(haccp.KindLineStopped), MayBreak: f.May(haccp.KindCleanBreak)}
	runs := f.State.LineRuns(id)
	if n := len(runs); n > 0 {
		p.Running, p.Since = runs[n-1].To.IsZero(), runs[n-1].From
		if !p.Running {
			p.Since = runs[n-1].To
		}
	}
	for _, r := range slices.Backward(runs) {
		if len(p.Runs) < 10 {
			p.Runs = append(p.Runs, r)
		}
	}
	for _, x := range l.PreOp {
		p.Checks = append(p.Checks, preOpRow{ID: x.ID, Name: x.Name})
	}
	p.places(id)
	p.tests()
	return p, nil
}

func (p *linePage) places(id string) {
	if p.Plan == nil {
		return
	}
	for _, pl := range p.Plan.Places {
		if pl.Line != id {
			continue
		}
		p.Places = append(p.Places, frame.Choice{Code: pl.ID, Word: pl.Name})
		if pl.Kind == plan.Bath {
			p.Baths = append(p.Baths, frame.Choice{Code: pl.ID, Word: pl.Name})
		}
	}
}

// tests lists the start tests of the plan at each place, and whether the state finds them done.
func (p *linePage) tests() {
	lacking := p.State.StartConditions(p.line.ID, nil, p.Now)
	for _, t := range p.line.StartTests {
		c := frame.FindCheck(p.Plan, t.Check)
		if c == nil {
			continue
		}
		for _, id := range c.Places {
			pl := frame.FindPlace(p.Plan, id)
			if pl == nil {
				continue
			}
			row := testRow{Place: pl.Name, Check: c.Name, Path: checkPath(c.ID, id), Done: true}
			if slices.ContainsFunc(lacking, func(x string) bool { return strings.HasPrefix(x, c.Name+" at "+pl.Name+":") }) {
				row.Done, row.Text = false, p.T("line.test-wanted", "within", t.Within.String())
			} else if _, in := p.State.FillingAt(id, p.Now); pl.Kind == plan.Bath && !in {
				row.Done, row.Text = false, p.T("line.not-filled")
			}
			p.Tests = append(p.Tests, row)
		}
	}
}

func (s *Server) lineShow(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newLinePage(f, c.Params("line"))
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "line", p.Line, p)
}

// lineAct starts, stops or breaks.
func (s *Server) lineAct(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newLinePage(f, c.Params("line"))
	if err != nil {
		return err
	}
	p.Form = frame.ReadForm(c)
	p.Reason, p.Note = strings.TrimSpace(c.FormValue("reason")), strings.TrimSpace(c.FormValue("note"))
	switch c.Params("act") {
	case "start":
		err = s.lineStart(c, p)
	case "started":
		_, err = s.report(c, f, &p.Form, haccp.KindLineStarted, &haccp.LineStarted{Line: p.line.ID, Note: p.Note})
	case "stop":
		_, err = s.lineStop(c, p)
	case "break":
		_, err = s.report(c, f, &p.Form, haccp.KindCleanBreak, &haccp.CleanBreak{Line: p.line.ID, Note: p.Note, Places: formValues(c, "place")})
	default:
		return noPage()
	}
	if err == nil {
		return s.redirect(c, p.Address)
	}
	status := s.refused(c, f, &p.Form, err, map[string]string{"reason": "reason", "at": "at"})
	var r *haccp.Refusal
	p.Refused = errors.As(err, &r) && r.Code == "start-lacks"
	p.Items = p.Lackings(p.Items)
	if p.Refused {
		p.Problem = p.T("refusal.start-lacks")
	}
	p.Form.Command, p.Form2.Typed = frame.NewForm().Command, p.Form.Typed
	return s.show(c, status, "line", p.Line, p)
}

func (s *Server) lineStart(c *fiber.Ctx, p *linePage) error {
	b := &haccp.LineStarted{Line: p.line.ID, Note: p.Note, WithoutProof: c.FormValue("without_proof") == "yes"}
	now := s.clock()
	for i := range p.Checks {
		row := &p.Checks[i]
		row.Value = c.FormValue("item." + row.ID)
		switch row.Value {
		case "good":
			b.PreOp = append(b.PreOp, haccp.PreOp{At: now, By: p.Who.Person.ID, Item: row.ID, OK: true})
		case "failed":
			b.PreOp = append(b.PreOp, haccp.PreOp{At: now, By: p.Who.Person.ID, Item: row.ID})
		case "recleaned":
			b.PreOp = append(b.PreOp, haccp.PreOp{At: now.Add(-time.Millisecond), By: p.Who.Person.ID, Item: row.ID},
				haccp.PreOp{At: now, By: p.Who.Person.ID, Item: row.ID, OK: true, Note: "re-cleaned and re-inspected"})
		}
	}
	_, err := s.ask(c, p.Frame, &p.Form, haccp.AskStart, b)
	return err
}

func (s *Server) lineStop(c *fiber.Ctx, p *linePage) (plant.Result, error) {
	b := &haccp.LineStopped{Line: p.line.ID, Reason: p.Reason, ProductInBaths: formValues(c, "product")}
	for i := range p.Baths {
		p.Baths[i].Chosen = slices.Contains(b.ProductInBaths, p.Baths[i].Code)
	}
	return s.report(c, p.Frame, &p.Form, haccp.KindLineStopped, b)
}

// formValues gives every value of a field that may be ticked more than once.
func formValues(c *fiber.Ctx, name string) []string {
	var out []string
	for _, v := range c.Request().PostArgs().PeekMulti(name) {
		out = append(out, string(v))
	}
	return out
}

// placesPage shows every place with its points, their state and the age of their values.
type placesPage struct {
	*frame.Frame
	Lines  []lineRow
	Places []placeRow
}

type lineRow struct{ ID, Name, Text string }

type placeRow struct {
	Name, Kind, Water string
	Change            []string
	Points            []pointRow
	Acts              []link
}

type pointRow struct {
	Name, Class, State, Value string
	At                        time.Time
}

func (s *Server) placeList(c *fiber.Ctx, f *frame.Frame) error {
	p := &placesPage{Frame: f}
	if f.Plan != nil {
		states := f.State.PointStates(f.Now)
		for _, l := range f.Plan.Lines {
			lp, err := newLinePage(f, l.ID)
			if err != nil {
				return err
			}
			p.Lines = append(p.Lines, lineRow{l.ID, l.Name, lp.standing()})
		}
		for i := range f.Plan.Places {
			p.Places = append(p.Places, newPlaceRow(f, &f.Plan.Places[i], states))
		}
	}
	return s.show(c, fiber.StatusOK, "places", f.T("places.title"), p)
}

func (p *linePage) standing() string {
	switch {
	case p.Running:
		return p.T("line.running", "since", p.At(p.Since))
	case p.Since.IsZero():
		return p.T("line.never")
	}
	return p.T("line.stopped", "since", p.At(p.Since))
}

func newPlaceRow(f *frame.Frame, pl *plan.Place, states []haccp.PointState) placeRow {
	row := placeRow{Name: pl.Name, Kind: string(pl.Kind)}
	for _, ps := range states {
		if ps.Place != pl.ID {
			continue
		}
		r := pointRow{Name: ps.PointName, Class: string(ps.Class), State: ps.State}
		if ps.Last != nil {
			r.At = ps.Last.At
			var values []string
			for _, v := range ps.Last.Verdicts {
				if v.Value != "" && v.Kind != plan.Operating {
					values = append(values, f.Value(v.Value)+" ("+f.Word("verdict", v.Verdict)+")")
				} else if v.Verdict == control.NotEvaluated {
					values = append(values, v.Limit+": "+f.Word("verdict", v.Verdict))
				}
			}
			r.Value = strings.Join(values, ", ")
		}
		row.Points = append(row.Points, r)
	}
	acts := []string{"out-of-service", "in-service"}
	if pl.Kind == plan.Bath {
		acts = []string{"added", "filled", "part-replaced", "drained", "cleaned", "out-of-service", "in-service"}
		row.Water = f.T("places.empty")
		if fl, in := f.State.FillingAt(pl.ID, f.Now); in {
			row.Water, row.Change = f.T("places.filled", "since", f.At(fl.From), "count", frame.Text(fl.Additions)), fl.ChangeWater
		}
	}
	for _, a := range acts {
		if f.May(bathActs[a]) {
			row.Acts = append(row.Acts, link{"/baths/" + pl.ID + "/" + a, f.Word("do", bathActs[a])})
		}
	}
	return row
}
