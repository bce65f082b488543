package line

import (
	"cmp"
	"net/url"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/internal/web/frame"
)

// receivePage takes a lot that came in from outside.
type receivePage struct {
	*frame.Frame
	Form   frame.Form
	Fields []frame.Field
	Back   string // line to go back to
}

func (s *Line) newReceivePage(c *fiber.Ctx, f *frame.Frame) (*receivePage, error) {
	if !f.May(haccp.KindLotReceived) {
		return nil, mayNot(f)
	}
	p := &receivePage{Frame: f, Form: frame.NewForm(), Back: cmp.Or(c.FormValue("line"), c.Query("line"))}
	add := func(typ, name string, required bool, options ...frame.Choice) *frame.Field {
		p.Fields = append(p.Fields, frame.Field{Type: typ, Name: name, Label: f.T("receivelot." + name), Required: required, Options: options})
		return &p.Fields[len(p.Fields)-1]
	}
	add("text", "lot", true).Value = strings.TrimSpace(c.Query("lot"))
	add("amount", "mass", false, masses()...).Hint = f.T("receivelot.mass-hint")
	add("text", "source", true)
	add("text", "field", false)
	add("text", "source-lot", false)
	add("datetime-local", "harvested", false).Hint = f.T("form.site-time", "zone", f.Zone)
	add("amount", "temperature", false, temperatures()...)
	add("text", "condition", false)
	add("text", "product", false)
	if f.Plan != nil {
		if steps := firstSteps(f); len(steps) > 1 {
			add("choice", "step", true, steps...)
		}
		var tools []frame.Choice
		for i := range f.Plan.Instruments {
			tools = append(tools, frame.Choice{Code: f.Plan.Instruments[i].ID, Word: f.Plan.Instruments[i].Name})
		}
		if len(tools) > 0 {
			add("select", "instrument", false, tools...)
		}
	}
	add("text", "document-kind", false)
	add("text", "document", false)
	add("text", "harvester", false)
	add("text", "address", false)
	add("text", "phone", false)
	add("area", "note", false)
	return p, nil
}

// firstSteps lists the steps that no other leads to: product comes in there.
func firstSteps(f *frame.Frame) []frame.Choice {
	led := map[string]bool{}
	for i := range f.Plan.Steps {
		for _, next := range nextSteps(f.Plan, f.Plan.Steps[i].ID) {
			led[next.ID] = true
		}
	}
	var out []frame.Choice
	for i := range f.Plan.Steps {
		if st := &f.Plan.Steps[i]; !led[st.ID] {
			out = append(out, frame.Choice{Code: st.ID, Word: st.Name})
		}
	}
	return out
}

func (s *Line) receiveForm(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newReceivePage(c, f)
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "receivelot", f.T("receivelot.title"), p)
}

// read turns the form into the body of the report.
func (p *receivePage) read(c *fiber.Ctx) (*haccp.LotReceived, bool) {
	frame.FillFields(c, p.Fields)
	ok := numbers(p.Frame, p.Fields)
	get := func(name string) string { return frame.FieldValue(p.Fields, name) }
	b := &haccp.LotReceived{Lot: get("lot"), Step: get("step"), Product: get("product"), Condition: get("condition"), Instrument: get("instrument"), Note: get("note"),
		Mass: amountOf(p.Frame, p.Fields, "mass"), Temperature: amountOf(p.Frame, p.Fields, "temperature"),
		Source: &haccp.Source{Name: get("source"), Field: get("field"), Lot: get("source-lot"), Harvester: get("harvester"), Address: get("address"), Phone: get("phone")}}
	if b.Step == "" && p.Plan != nil {
		if steps := firstSteps(p.Frame); len(steps) > 0 {
			b.Step = steps[0].Code
		}
	}
	if get("document") != "" || get("document-kind") != "" {
		b.Document = &haccp.Document{Kind: get("document-kind"), Number: get("document")}
	}
	for i := range p.Fields {
		if fd := &p.Fields[i]; fd.Name == "harvested" && fd.Value != "" {
			at, err := frame.LocalTime(fd.Value, p.Location, "first")
			if err != nil {
				fd.Wrong, ok = p.T("refusal."+err.Error()), false
				continue
			}
			b.Harvested = at
		}
	}
	return b, ok
}

func (s *Line) receiveSave(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newReceivePage(c, f)
	if err != nil {
		return err
	}
	p.Form = frame.ReadForm(c)
	b, ok := p.read(c)
	if !ok {
		p.Problem = f.T("form.look-below")
		return s.show(c, fiber.StatusUnprocessableEntity, "receivelot", f.T("receivelot.title"), p)
	}
	if _, err := s.Commands.Report(c, f, &p.Form, haccp.KindLotReceived, b); err != nil {
		status := s.Pages.Refused(c, f, &p.Form, err, map[string]string{"lot": "lot", "step": "step", "mass": "mass", "temperature": "temperature", "harvested": "harvested",
			"source.name": "source", "source": "source", "document": "document", "document.kind": "document-kind", "condition": "condition", "product": "product",
			"instrument": "instrument", "note": "note", "at": "at"})
		frame.MarkFields(p.Fields, p.Form.Wrong)
		return s.show(c, status, "receivelot", f.T("receivelot.title"), p)
	}
	return s.Pages.Redirect(c, "/lots/"+url.PathEscape(b.Lot)+"/move?line="+escape(p.Back))
}
