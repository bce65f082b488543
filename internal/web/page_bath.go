package web

import (
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/web/frame"
)

// bathPage is the form of one thing done to the water or the service of a place.
type bathPage struct {
	*frame.Frame
	Form        frame.Form
	Place, Kind string
	Action      string
	Cautions    []string
	Fields      []frame.Field

	place *plan.Place
}

// bathActs maps the last part of an address to the kind of its record.
var bathActs = map[string]string{
	"filled": haccp.KindFilled, "added": haccp.KindAdded, "part-replaced": haccp.KindPartReplaced, "drained": haccp.KindDrained,
	"cleaned": haccp.KindCleaned, "in-service": haccp.KindInService, "out-of-service": haccp.KindOutOfService,
}

// Act is what is done when a tablet may keep its report; "": it is done online only.
func (p *bathPage) Act() string {
	switch p.Kind {
	case haccp.KindInService, haccp.KindOutOfService:
		return ""
	}
	return p.Action[strings.LastIndexByte(p.Action, '/')+1:]
}

// PlaceID names the bath.
func (p *bathPage) PlaceID() string { return p.place.ID }

func (s *Server) newBathPage(c *fiber.Ctx, f *frame.Frame) (*bathPage, error) {
	kind, id := bathActs[c.Params("act")], c.Params("place")
	pl := frame.Ever(f, func(p *plan.Plan) *plan.Place { return frame.FindPlace(p, id) })
	service := kind == haccp.KindInService || kind == haccp.KindOutOfService
	if kind == "" || pl == nil || (pl.Kind != plan.Bath && !service) {
		return nil, noPage()
	}
	p := &bathPage{Frame: f, Form: frame.NewForm(), Place: pl.Name, Kind: kind, Action: "/baths/" + id + "/" + c.Params("act"), place: pl}
	p.fields(kind)
	p.Cautions = frame.CautionsFor(kind == haccp.KindAdded || kind == haccp.KindFilled || kind == haccp.KindPartReplaced)
	return p, nil
}

// fields lays out the form of a kind.
func (p *bathPage) fields(kind string) {
	add := func(typ, name string, required bool, options []frame.Choice) {
		p.Fields = append(p.Fields, frame.Field{Type: typ, Name: name, Label: p.T("bath." + name), Required: required, Options: options})
	}
	switch kind {
	case haccp.KindAdded:
		var products []frame.Choice
		if p.Plan != nil {
			for _, c := range p.Plan.Chemicals {
				products = append(products, frame.Choice{Code: c.ID, Word: c.Name})
			}
		}
		typ := "choice"
		if len(products) == 0 {
			typ = "text"
		}
		add(typ, "chemical", true, products)
		add("amount", "amount", true, frame.Units(quantity.Volume, quantity.Mass))
		add("text", "measure", false, nil)
		add("text", "material-lot", false, nil)
		p.Fields[len(p.Fields)-1].Hint = p.UsableLots()
		add("text", "reason", false, nil)
	case haccp.KindFilled, haccp.KindPartReplaced:
		add("text", "water", true, nil)
		add("amount", "level", false, frame.Units(quantity.WaterLevel))
		add("amount", "volume", false, frame.Units(quantity.Volume))
		if kind == haccp.KindFilled {
			p.firstDoses()
		}
	case haccp.KindOutOfService:
		add("text", "reason", true, nil)
	}
	add("area", "note", false, nil)
}

// firstDoses adds a field for each product of the plan put in at filling.
func (p *bathPage) firstDoses() {
	if p.Plan == nil {
		return
	}
	for _, c := range p.Plan.Chemicals {
		p.Fields = append(p.Fields,
			frame.Field{Type: "amount", Name: "first." + c.ID, Label: p.T("bath.first", "chemical", c.Name), Options: frame.Units(quantity.Mass, quantity.Volume)},
			frame.Field{Type: "text", Name: "firstlot." + c.ID, Label: p.T("bath.first-lot", "chemical", c.Name)})
	}
}

func (s *Server) bathForm(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newBathPage(c, f)
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "bath", p.Place, p)
}

func (s *Server) bathSave(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newBathPage(c, f)
	if err != nil {
		return err
	}
	p.Form = frame.ReadForm(c)
	b, members, ok := p.read(c)
	if !ok {
		p.Problem = p.T("form.look-below")
		return s.show(c, fiber.StatusUnprocessableEntity, "bath", p.Place, p)
	}
	res, err := s.report(c, f, &p.Form, p.Kind, b)
	if err != nil {
		members["at"] = "at"
		status := s.refused(c, f, &p.Form, err, members)
		frame.MarkFields(p.Fields, p.Form.Wrong)
		return s.show(c, status, "bath", p.Place, p)
	}
	to := "/places"
	if len(res.Events) > 0 {
		to = "/records/" + res.Events[0].ID
	}
	return s.redirect(c, to)
}

// read turns the form into the body of the report, and maps its members to the form's fields.
func (p *bathPage) read(c *fiber.Ctx) (*haccp.Bath, map[string]string, bool) {
	frame.FillFields(c, p.Fields)
	b := &haccp.Bath{Place: p.place.ID}
	members := map[string]string{}
	ok := true
	for i := range p.Fields {
		fd := &p.Fields[i]
		v, given := fd.Amount(p.Frame)
		ok = ok && fd.Wrong == ""
		id, isFirst := strings.CutPrefix(fd.Name, "first.")
		switch {
		case isFirst && given:
			members["first["+frame.Text(len(b.First))+"]"] = fd.Name
			b.First = append(b.First, haccp.BathDose{Amount: v, Chemical: id, MaterialLot: frame.FieldValue(p.Fields, "firstlot."+id)})
		case given && fd.Name == "amount":
			b.Amount = &v
		case given && fd.Name == "level":
			b.Level = &v
		case given && fd.Name == "volume":
			b.Volume = &v
		}
		members[strings.ReplaceAll(fd.Name, "-", "_")] = fd.Name
	}
	get := func(name string) string { return frame.FieldValue(p.Fields, name) }
	b.Chemical, b.Measure, b.MaterialLot, b.Reason = get("chemical"), get("measure"), get("material-lot"), get("reason")
	b.Water, b.Note = get("water"), get("note")
	return b, members, ok
}
