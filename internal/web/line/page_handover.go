package line

import (
	"net/url"
	"slices"
	"strconv"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/shift"
	"linewarden/internal/web/frame"
)

// handoverPage hands a shift over to somebody by name, and accepts what was handed over.
type handoverPage struct {
	*frame.Frame
	Form    frame.Form
	Line    string // its id; empty: the whole site
	Name    string
	Lines   []frame.Way
	Waiting *handed // that waits for who looks at the page
	Now     openList
	People  []frame.Choice
	Note    string
	Past    []handed
	MayGive bool
	About   string // the handover that the form sent was about
}

// handed is a handover in words.
type handed struct {
	ID, From, To, At, Note, Reply, Where string
	Mark, State                          string
	Open                                 openList
}

// openList is what stands open, in words.
type openList struct {
	Deviations, Dues, Clocks, Holds, Alerts []openRow
	More                                    int64
}

// openRow is one thing that stands open. A path leads to it.
type openRow struct{ Path, Text, Mark, Word string }

// Empty reports whether nothing stands open.
func (o openList) Empty() bool {
	return len(o.Deviations)+len(o.Dues)+len(o.Clocks)+len(o.Holds)+len(o.Alerts) == 0
}

// Groups lists the kinds of things with their heads.
func (o openList) Groups() []openGroup {
	return []openGroup{{"handover.deviations", o.Deviations}, {"handover.dues", o.Dues}, {"handover.clocks", o.Clocks}, {"handover.holds", o.Holds}, {"handover.alerts", o.Alerts}}
}

// openGroup is the things of one kind.
type openGroup struct {
	Head string // key of its words
	Rows []openRow
}

func newHandoverPage(f *frame.Frame, line string) (*handoverPage, error) {
	p := &handoverPage{Frame: f, Form: frame.NewForm(), Line: line, MayGive: f.May(haccp.AskShiftHandOver)}
	if f.Plan != nil {
		if line == "" && len(f.Plan.Lines) == 1 {
			p.Line = f.Plan.Lines[0].ID
		}
		for _, l := range f.Plan.Lines {
			if len(f.Plan.Lines) > 1 {
				p.Lines = append(p.Lines, frame.Way{Path: "/handover?line=" + escape(l.ID), Text: l.Name, Here: l.ID == p.Line})
			}
		}
	}
	if p.Line != "" {
		if frame.Ever(f, func(x *plan.Plan) *plan.Line { return frame.FindLine(x, p.Line) }) == nil {
			return nil, noPage()
		}
		p.Name = Name(f, p.Line)
	}
	open := f.State.OpenAt(p.Line, f.Now)
	p.Now = openIn(f, &open)
	for _, x := range f.State.People() {
		may := slices.ContainsFunc(x.RolesNow(), func(r string) bool { return f.State.May(r, haccp.AskShiftAccept, f.Now) })
		if may && !x.DisabledNow() && x.ID != f.PersonID {
			p.People = append(p.People, frame.Choice{Code: x.ID, Word: x.Name})
		}
	}
	for _, h := range slices.Backward(f.State.Handovers()) {
		x := newHanded(f, &h)
		if h.Waits() && h.To == f.PersonID && p.Waiting == nil {
			p.Waiting = &x
		}
		if (p.Line == "" || h.Line == "" || h.Line == p.Line) && len(p.Past) < 12 {
			p.Past = append(p.Past, x)
		}
	}
	return p, nil
}

func newHanded(f *frame.Frame, h *shift.Handover) handed {
	x := handed{ID: h.HandedOver.Handover, From: h.ByName, To: h.ToName, At: f.At(h.At), Note: h.Note, Reply: h.Reply, Where: Name(f, h.Line), Open: openIn(f, &h.Open)}
	switch {
	case h.Waits():
		x.Mark, x.State = "act", f.T("handover.waits")
	case h.Replaced && h.AcceptedAt.IsZero():
		x.Mark, x.State = "not-known", f.T("handover.replaced")
	default:
		x.Mark, x.State = "closed", f.T("handover.accepted", "time", f.At(h.AcceptedAt))
	}
	return x
}

// openIn words what stood open.
func openIn(f *frame.Frame, o *shift.Open) openList {
	out := openList{More: o.More}
	for _, id := range o.Deviations {
		row := openRow{Path: "/deviations/" + id, Text: id}
		if d, ok := f.State.Case(id); ok {
			v := f.View(d)
			row.Text = f.T("deviations.number", "number", strconv.FormatInt(d.Number, 10)) + " · " + v.Place + " · " + v.Point
			row.Mark, row.Word = v.Status, f.Word("status", v.Status)
		}
		out.Deviations = append(out.Deviations, row)
	}
	for _, x := range o.Dues {
		out.Dues = append(out.Dues, openRow{Path: "/checks/" + x.Check + "/" + x.Place, Text: f.CheckName(x.Check) + " · " + f.PlaceName(x.Place) + " · " + f.Clock(x.Due), Mark: x.State, Word: f.Word("due", x.State)})
	}
	for _, x := range o.Clocks {
		row := openRow{Path: "/lots/" + url.PathEscape(x.Lot), Text: x.Lot + " · " + f.PointName(x.Point), Mark: "open", Word: f.T("handover.until", "time", f.Clock(x.LimitAt))}
		if f.Now.After(x.LimitAt) {
			row.Mark = "outside"
		}
		out.Clocks = append(out.Clocks, row)
	}
	for _, code := range o.Holds {
		out.Holds = append(out.Holds, openRow{Path: "/lots/" + url.PathEscape(code), Text: code, Mark: "outside", Word: f.Word("lot", haccp.LotOnHold)})
	}
	for _, id := range o.Alerts {
		row := openRow{Path: "/alerts", Text: id, Mark: "closed", Word: f.T("handover.cleared")}
		if a, ok := f.State.AlertByID(id); ok {
			row.Text, _ = f.Lang.Alert(f.State, a)
			if a.Open() {
				row.Mark, row.Word = map[string]string{"critical": "outside", "warning": "act"}[a.Severity], f.Word("severity", a.Severity)
			}
			if a.Ack != nil {
				row.Text += " · " + f.T("alerts.held", "name", a.Ack.Name, "doing", a.Ack.Doing)
			}
		}
		out.Alerts = append(out.Alerts, row)
	}
	return out
}

func (s *Line) handoverShow(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newHandoverPage(f, c.Query("line"))
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "handover", f.T("handover.title"), p)
}

// handoverAct hands over, or accepts.
func (s *Line) handoverAct(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newHandoverPage(f, c.FormValue("line"))
	if err != nil {
		return err
	}
	p.Form, p.Note = frame.ReadForm(c), c.FormValue("note")
	for i := range p.People {
		p.People[i].Chosen = p.People[i].Code == c.FormValue("to")
	}
	switch p.About = c.FormValue("handover"); c.Params("act") {
	case "give":
		_, err = s.Commands.Ask(c, f, &p.Form, haccp.AskShiftHandOver, &shift.HandedOver{Line: p.Line, To: c.FormValue("to"), Note: p.Note})
	case "accept":
		_, err = s.Commands.Ask(c, f, &p.Form, haccp.AskShiftAccept, &shift.Accepted{Handover: p.About, Note: p.Note})
	default:
		return noPage()
	}
	if err == nil {
		return s.Pages.Redirect(c, "/handover?line="+escape(p.Line))
	}
	status := s.Pages.Refused(c, f, &p.Form, err, map[string]string{"to": "to", "note": "note"})
	return s.show(c, status, "handover", f.T("handover.title"), p)
}
