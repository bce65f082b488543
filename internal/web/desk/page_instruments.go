package desk

import (
	"slices"
	"strconv"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/instrument"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/web/frame"
)

// InstrumentsPage lists the instruments of the plan.
type InstrumentsPage struct {
	*frame.Frame
	Tools []ToolRow
}

// ToolRow is an instrument in the list.
type ToolRow struct {
	ID, Name, Kind, Standing, Mark string
	Due, Last, Out                 string
}

// InstrumentPage is one instrument: how it stands, its checks, and the forms of a check and of its service.
type InstrumentPage struct {
	*frame.Frame
	Form            frame.Form
	Tool            ToolRow
	Fields          []frame.Field
	Checks          []ToolCheck
	Service         []frame.What
	MayCheck        bool
	MayOut, MayBack bool
	Reason          string
	quantities      []quantity.ID
}

// ToolCheck is a check that was made.
type ToolCheck struct {
	Record, Head, Mark, Result string
	Points                     []string
}

func (d *Desk) routeInstruments(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/instruments", in(d.instrumentList))
	app.Get("/instruments/:id", in(d.instrumentShow))
	app.Post("/instruments/:id", in(d.instrumentAct))
}

var standingMarks = map[string]string{instrument.InDate: "inside", instrument.NotPlanned: "closed", instrument.Overdue: "outside",
	instrument.Failed: "outside", instrument.NeverChecked: "open", instrument.OutOfService: "not-in-use"}

var resultMarks = map[string]string{instrument.Pass: "inside", instrument.Fail: "outside", instrument.Adjusted: "act"}

// checkPoints is how many points of a check the form takes.
const checkPoints = 3

func toolRow(f *frame.Frame, in *plan.Instrument) ToolRow {
	t := f.State.Tool(in.ID)
	r := ToolRow{ID: in.ID, Name: in.Name, Kind: in.Kind, Standing: f.State.ToolStanding(in.ID, f.Now)}
	r.Mark = standingMarks[r.Standing]
	if due := t.Due(in.CheckEvery.Std(), f.Now); !due.IsZero() {
		r.Due = f.T("instruments.due", "time", f.At(due))
	}
	if last := t.Last(f.Now); last != nil {
		r.Last = f.T("instruments.last", "time", f.At(last.At), "result", f.Word("checkresult", last.Body.Result))
	}
	if out := t.Out(f.Now); out != nil {
		r.Out = out.Reason
	}
	return r
}

func (d *Desk) instrumentList(c *fiber.Ctx, f *frame.Frame) error {
	p := &InstrumentsPage{Frame: f}
	if f.Plan != nil {
		for i := range f.Plan.Instruments {
			p.Tools = append(p.Tools, toolRow(f, &f.Plan.Instruments[i]))
		}
	}
	return d.show(c, fiber.StatusOK, "instruments", f.T("instruments.title"), p)
}

func newInstrumentPage(f *frame.Frame, id string) (*InstrumentPage, error) {
	in := frame.Ever(f, func(p *plan.Plan) *plan.Instrument { return p.Instrument(id) })
	if in == nil {
		return nil, noSuchPage(f)
	}
	p := &InstrumentPage{Frame: f, Form: frame.NewForm(), Tool: toolRow(f, in), MayCheck: f.May(haccp.KindInstrumentChecked)}
	t := f.State.Tool(id)
	out := t.Out(f.Now) != nil
	p.MayOut, p.MayBack = !out && f.May(haccp.KindInstrumentOut), out && f.May(haccp.KindInstrumentBack)
	if t != nil {
		p.history(t)
	}
	p.measured(in)
	p.lay()
	return p, nil
}

// history words the checks and the service of an instrument, the newest first.
func (p *InstrumentPage) history(t *instrument.Tool) {
	for i := len(t.Checks) - 1; i >= 0 && len(p.Checks) < 20; i-- {
		x := &t.Checks[i]
		row := ToolCheck{Record: x.ID, Head: p.At(x.At) + " · " + x.By, Mark: resultMarks[x.Body.Result], Result: p.Word("checkresult", x.Body.Result)}
		for _, pt := range x.Body.Points {
			text := p.Word("quantity", pt.Quantity) + ": " + p.T("instruments.shown", "reference", pt.Reference.String(), "found", pt.Found.String())
			if pt.Left != nil {
				text += ", " + p.T("instruments.then", "left", pt.Left.String())
			}
			row.Points = append(row.Points, text)
		}
		if x.Body.Standard != "" {
			row.Points = append(row.Points, p.T("instruments.std")+": "+x.Body.Standard)
		}
		p.Checks = append(p.Checks, row)
	}
	for i := len(t.Service) - 1; i >= 0 && len(p.Service) < 20; i-- {
		x := &t.Service[i]
		kind := haccp.KindInstrumentBack
		if x.Out {
			kind = haccp.KindInstrumentOut
		}
		p.Service = append(p.Service, frame.What{What: p.At(x.At) + " · " + p.Word("kind", kind), Text: x.Reason})
	}
}

// measured lists what an instrument measures: by its methods, or all that the plan's methods do.
func (p *InstrumentPage) measured(in *plan.Instrument) {
	if p.Plan == nil {
		return
	}
	seen := map[quantity.ID]bool{}
	for _, m := range p.Plan.Methods {
		if len(in.Methods) > 0 && !slices.Contains(in.Methods, m.ID) {
			continue
		}
		if q, err := quantity.Get(quantity.ID(m.Quantity)); err == nil && !q.IsYesNo() && !seen[q.ID()] {
			p.quantities = append(p.quantities, q.ID())
			seen[q.ID()] = true
		}
	}
}

// lay lays out the form of a check.
func (p *InstrumentPage) lay() {
	add := func(typ, name, label string, required bool, options ...frame.Choice) {
		p.Fields = append(p.Fields, frame.Field{Type: typ, Name: name, Label: label, Required: required, Options: options})
	}
	var results, what []frame.Choice
	for _, r := range instrument.Results() {
		results = append(results, frame.Choice{Code: r, Word: p.Word("checkresult", r)})
	}
	for _, id := range p.quantities {
		what = append(what, frame.Choice{Code: string(id), Word: p.Word("quantity", id)})
	}
	units := unitsOf(p.quantities)
	add("choice", "result", p.T("instruments.result"), true, results...)
	for i := range checkPoints {
		if len(what) == 0 {
			break
		}
		n := strconv.Itoa(i + 1)
		if len(what) > 1 {
			add("select", "what-"+n, p.T("instruments.what", "n", n), false, what...)
		}
		add("amount", "ref-"+n, p.T("instruments.ref", "n", n), false, units...)
		add("amount", "found-"+n, p.T("instruments.found", "n", n), false, units...)
		add("amount", "left-"+n, p.T("instruments.left", "n", n), false, units...)
	}
	add("text", "std", p.T("instruments.std"), false)
	add("date", "next", p.T("instruments.next"), false)
	add("area", "note", p.T("form.note"), false)
}

// unitsOf lists the units of quantities, each once.
func unitsOf(ids []quantity.ID) []frame.Choice {
	var out []frame.Choice
	seen := map[string]bool{}
	for _, u := range frame.Units(ids...) {
		if !seen[u.Code] {
			out = append(out, u)
		}
		seen[u.Code] = true
	}
	return out
}

func (d *Desk) instrumentShow(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newInstrumentPage(f, c.Params("id"))
	if err != nil {
		return err
	}
	return d.show(c, fiber.StatusOK, "instrument", p.Tool.Name, p)
}

// instrumentAct takes a check, or takes the instrument out of service or back in.
func (d *Desk) instrumentAct(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newInstrumentPage(f, c.Params("id"))
	if err != nil {
		return err
	}
	p.Form, p.Reason = frame.ReadForm(c), c.FormValue("reason")
	members := map[string]string{"result": "result", "standard": "std", "next_due": "next", "note": "note", "reason": "reason", "at": "at"}
	switch c.FormValue("do") {
	case "out":
		_, err = d.Commands.Report(c, f, &p.Form, haccp.KindInstrumentOut, &instrument.Service{Instrument: p.Tool.ID, Reason: p.Reason})
	case "back":
		_, err = d.Commands.Report(c, f, &p.Form, haccp.KindInstrumentBack, &instrument.Service{Instrument: p.Tool.ID, Note: p.Reason})
	default:
		frame.FillFields(c, p.Fields)
		b, ok := p.read(members)
		if !ok {
			p.Problem = f.T("form.look-below")
			return d.show(c, fiber.StatusUnprocessableEntity, "instrument", p.Tool.Name, p)
		}
		_, err = d.Commands.Report(c, f, &p.Form, haccp.KindInstrumentChecked, b)
	}
	if err == nil {
		return d.Pages.Redirect(c, "/instruments/"+p.Tool.ID)
	}
	status := d.Pages.Refused(c, f, &p.Form, err, members)
	frame.MarkFields(p.Fields, p.Form.Wrong)
	return d.show(c, status, "instrument", p.Tool.Name, p)
}

// read turns the form into the body of a check, and maps its members to the fields.
func (p *InstrumentPage) read(members map[string]string) (*instrument.Checked, bool) {
	get := func(name string) string { return frame.FieldValue(p.Fields, name) }
	amounts, ok := map[string]quantity.Value{}, true
	for i := range p.Fields {
		v, given := p.Fields[i].Amount(p.Frame)
		ok = ok && p.Fields[i].Wrong == ""
		if given {
			amounts[p.Fields[i].Name] = v
		}
	}
	b := &instrument.Checked{Instrument: p.Tool.ID, Result: get("result"), Standard: get("std"), Note: get("note")}
	for i := range checkPoints {
		n := strconv.Itoa(i + 1)
		ref, hasRef := amounts["ref-"+n]
		found, hasFound := amounts["found-"+n]
		left, hasLeft := amounts["left-"+n]
		if !hasRef && !hasFound && !hasLeft {
			continue
		}
		if !hasRef || !hasFound {
			frame.MarkFields(p.Fields, map[string]string{"ref-" + n: p.T("instruments.both"), "found-" + n: p.T("instruments.both")})
			ok = false
			continue
		}
		pt := instrument.Point{Quantity: get("what-" + n), Reference: ref, Found: found}
		if len(p.quantities) == 1 {
			pt.Quantity = string(p.quantities[0])
		}
		if hasLeft {
			pt.Left = &left
		}
		at := "points[" + strconv.Itoa(len(b.Points)) + "]"
		members[at+".quantity"], members[at+".reference"], members[at+".found"], members[at+".left"] = "what-"+n, "ref-"+n, "found-"+n, "left-"+n
		b.Points = append(b.Points, pt)
	}
	if day := get("next"); day != "" {
		at, err := frame.LocalTime(day+"T23:59", p.Location, "first")
		if err != nil {
			frame.MarkFields(p.Fields, map[string]string{"next": p.T("refusal." + err.Error())})
			return b, false
		}
		b.NextDue = at
	}
	return b, ok
}
