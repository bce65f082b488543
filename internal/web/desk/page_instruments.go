package desk

import (
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/instrument"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/web/frame"
)

// InstrumentsPage lists the instruments of the plan and takes a check of one.
type InstrumentsPage struct {
	*frame.Frame
	Form   frame.Form
	Tools  []ToolRow
	Fields []frame.Field
	May    bool
}

// ToolRow is an instrument in the list.
type ToolRow struct {
	Name, Kind, Standing, Mark string
	Due, Last, Out             string
}

func (d *Desk) routeInstruments(app fiber.Router, in func(Handler) fiber.Handler) {
	app.Get("/instruments", in(d.instrumentList))
	app.Post("/instruments", in(d.instrumentCheck))
}

var standingMarks = map[string]string{instrument.InDate: "inside", instrument.NotPlanned: "closed", instrument.Overdue: "outside",
	instrument.Failed: "outside", instrument.NeverChecked: "open", instrument.OutOfService: "not-in-use"}

func newInstrumentsPage(f *frame.Frame) *InstrumentsPage {
	p := &InstrumentsPage{Frame: f, Form: frame.NewForm(), May: f.May(haccp.KindInstrumentChecked)}
	var tools, results []frame.Choice
	var measured []quantity.ID
	if f.Plan != nil {
		for i := range f.Plan.Instruments {
			in := &f.Plan.Instruments[i]
			p.Tools = append(p.Tools, toolRow(f, in))
			tools = append(tools, frame.Choice{Code: in.ID, Word: in.Name})
		}
		for _, m := range f.Plan.Methods {
			if q, err := quantity.Get(quantity.ID(m.Quantity)); err == nil && !q.IsYesNo() {
				measured = append(measured, q.ID())
			}
		}
	}
	for _, r := range instrument.Results() {
		results = append(results, frame.Choice{Code: r, Word: f.Word("checkresult", r)})
	}
	var what []frame.Choice
	seen := map[quantity.ID]bool{}
	for _, id := range measured {
		if !seen[id] {
			what = append(what, frame.Choice{Code: string(id), Word: f.Word("quantity", id)})
		}
		seen[id] = true
	}
	units := unitsOf(measured)
	add := func(typ, name string, required bool, options ...frame.Choice) {
		p.Fields = append(p.Fields, frame.Field{Type: typ, Name: name, Label: f.T("instruments." + name), Required: required, Options: options})
	}
	add("choice", "which", true, tools...)
	add("choice", "result", true, results...)
	add("choice", "what", false, what...)
	add("amount", "ref", false, units...)
	add("amount", "found", false, units...)
	add("text", "std", false)
	return p
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

func toolRow(f *frame.Frame, in *plan.Instrument) ToolRow {
	t := f.State.Tool(in.ID)
	r := ToolRow{Name: in.Name, Kind: in.Kind, Standing: f.State.ToolStanding(in.ID, f.Now)}
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
	return d.show(c, fiber.StatusOK, "instruments", f.T("instruments.title"), newInstrumentsPage(f))
}

func (d *Desk) instrumentCheck(c *fiber.Ctx, f *frame.Frame) error {
	p := newInstrumentsPage(f)
	if !p.May {
		return mayNot(f)
	}
	p.Form = frame.ReadForm(c)
	frame.FillFields(c, p.Fields)
	get := func(name string) string { return frame.FieldValue(p.Fields, name) }
	b := &instrument.Checked{Instrument: get("which"), Result: get("result"), Standard: get("std"), NextDue: time.Time{}}
	var values []quantity.Value
	wrong := false
	for i := range p.Fields {
		if v, given := p.Fields[i].Amount(f); given {
			values = append(values, v)
		}
		wrong = wrong || p.Fields[i].Wrong != ""
	}
	if wrong || len(values) == 1 {
		p.Problem = f.T("form.look-below")
		if !wrong {
			frame.MarkFields(p.Fields, map[string]string{"found": f.T("instruments.both"), "ref": f.T("instruments.both")})
		}
		return d.show(c, fiber.StatusUnprocessableEntity, "instruments", f.T("instruments.title"), p)
	}
	if len(values) == 2 {
		b.Points = []instrument.Point{{Quantity: get("what"), Reference: values[0], Found: values[1]}}
	}
	if _, err := d.Commands.Report(c, f, &p.Form, haccp.KindInstrumentChecked, b); err != nil {
		status := d.Pages.Refused(c, f, &p.Form, err, map[string]string{"instrument": "which", "result": "result", "standard": "std",
			"points[0].quantity": "what", "points[0].found": "found", "points[0].reference": "ref", "at": "at"})
		frame.MarkFields(p.Fields, p.Form.Wrong)
		return d.show(c, status, "instruments", f.T("instruments.title"), p)
	}
	return d.Pages.Redirect(c, "/instruments")
}
