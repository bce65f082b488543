package line

import (
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/web/frame"
)

// linePage starts and stops a line, shows the conditions of a start item by item, and the lots in its steps.
type linePage struct {
	*frame.Frame
	Form, Form2, Form3          frame.Form
	Line, Address, ID           string
	Running                     bool
	Since                       time.Time
	MayStart, MayStop, MayBreak bool
	Reason, Note                string
	Baths, Places               []frame.Choice
	Checks                      []preOpRow
	Tests                       []testRow
	Refused                     bool // leave was refused once: offer the start without proof
	Runs                        []haccp.Run
	Board                       *board
	Done                        string // what was just recorded, in words
	MayMove, MayReceive         bool

	line *plan.Line
}

type preOpRow struct{ ID, Name, Value string }

type testRow struct {
	Place, Check, Text, Path string
	Done                     bool
}

// Standing says whether a line runs, and since when.
func Standing(f *frame.Frame, id string) string {
	running, since := stands(f.State.LineRuns(id))
	switch {
	case running:
		return f.T("line.running", "since", f.At(since))
	case since.IsZero():
		return f.T("line.never")
	}
	return f.T("line.stopped", "since", f.At(since))
}

func stands(runs []haccp.Run) (running bool, since time.Time) {
	if len(runs) == 0 {
		return false, time.Time{}
	}
	last := runs[len(runs)-1]
	if last.To.IsZero() {
		return true, last.From
	}
	return false, last.To
}

func newLinePage(f *frame.Frame, id string) (*linePage, error) {
	l := frame.Ever(f, func(p *plan.Plan) *plan.Line { return frame.FindLine(p, id) })
	if l == nil {
		return nil, noPage()
	}
	p := &linePage{Frame: f, Form: frame.NewForm(), Form2: frame.NewForm(), Form3: frame.NewForm(), Line: l.Name, Address: "/lines/" + id, ID: id, line: l,
		MayStart: f.May(haccp.AskStart), MayStop: f.May(haccp.KindLineStopped), MayBreak: f.May(haccp.KindCleanBreak)}
	runs := f.State.LineRuns(id)
	p.Running, p.Since = stands(runs)
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
	p.MayMove, p.MayReceive = f.May(haccp.AskLotEnter), f.May(haccp.KindLotReceived)
	p.Board = newBoard(f, id)
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
			row := testRow{Place: pl.Name, Check: c.Name, Path: "/checks/" + c.ID + "/" + id, Done: true}
			if slices.ContainsFunc(lacking, func(x string) bool { return strings.HasPrefix(x, c.Name+" at "+pl.Name+":") }) {
				row.Done, row.Text = false, p.T("line.test-wanted", "within", t.Within.String())
			} else if _, in := p.State.FillingAt(id, p.Now); pl.Kind == plan.Bath && !in {
				row.Done, row.Text = false, p.T("line.not-filled")
			}
			p.Tests = append(p.Tests, row)
		}
	}
}

func (s *Line) lineShow(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newLinePage(f, c.Params("line"))
	if err != nil {
		return err
	}
	if code := c.Query("moved"); code != "" {
		p.Done = p.T("line.moved", "lot", code)
	}
	if label := c.Query("unknown"); label != "" {
		p.Problem = p.T("line.unknown-label", "label", label)
	}
	return s.show(c, fiber.StatusOK, "line", p.Line, p)
}

// lineAct starts, stops or breaks.
func (s *Line) lineAct(c *fiber.Ctx, f *frame.Frame) error {
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
		_, err = s.Commands.Report(c, f, &p.Form, haccp.KindLineStarted, &haccp.LineStarted{Line: p.line.ID, Note: p.Note})
	case "stop":
		err = s.lineStop(c, p)
	case "break":
		_, err = s.Commands.Report(c, f, &p.Form, haccp.KindCleanBreak, &haccp.CleanBreak{Line: p.line.ID, Note: p.Note, Places: frame.Values(c, "place")})
	case "emptied":
		_, err = s.Commands.Report(c, f, &p.Form, haccp.KindPlaceEmptied, &haccp.PlaceEmptied{Place: c.FormValue("place"), Note: p.Note})
	default:
		return noPage()
	}
	if err == nil {
		return s.Pages.Redirect(c, p.Address)
	}
	status := s.Pages.Refused(c, f, &p.Form, err, map[string]string{"reason": "reason", "at": "at"})
	var r *haccp.Refusal
	p.Refused = errors.As(err, &r) && r.Code == "start-lacks"
	p.Items = p.Lackings(p.Items)
	if p.Refused {
		p.Problem = p.T("refusal.start-lacks")
	}
	p.Form.Command, p.Form2.Typed = frame.NewForm().Command, p.Form.Typed
	return s.show(c, status, "line", p.Line, p)
}

func (s *Line) lineStart(c *fiber.Ctx, p *linePage) error {
	b := &haccp.LineStarted{Line: p.line.ID, Note: p.Note, WithoutProof: c.FormValue("without_proof") == "yes"}
	now := s.Clock()
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
	_, err := s.Commands.Ask(c, p.Frame, &p.Form, haccp.AskStart, b)
	return err
}

func (s *Line) lineStop(c *fiber.Ctx, p *linePage) error {
	b := &haccp.LineStopped{Line: p.line.ID, Reason: p.Reason, ProductInBaths: frame.Values(c, "product")}
	for i := range p.Baths {
		p.Baths[i].Chosen = slices.Contains(b.ProductInBaths, p.Baths[i].Code)
	}
	_, err := s.Commands.Report(c, p.Frame, &p.Form, haccp.KindLineStopped, b)
	return err
}
