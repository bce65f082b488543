package web

import (
	"slices"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// bathPage is the form of one thing done to the water or the service of a place.
type bathPage struct {
	*Frame
	Form        Form
	Place, Kind string
	Action      string
	Cautions    []string
	Fields      []Field

	place *plan.Place
}

// bathActs maps the last part of an address to the kind of its record.
var bathActs = map[string]string{
	"filled": haccp.KindFilled, "added": haccp.KindAdded, "part-replaced": haccp.KindPartReplaced, "drained": haccp.KindDrained,
	"cleaned": haccp.KindCleaned, "in-service": haccp.KindInService, "out-of-service": haccp.KindOutOfService,
}

func (s *Server) newBathPage(c *fiber.Ctx, f *Frame) (*bathPage, error) {
	kind, id := bathActs[c.Params("act")], c.Params("place")
	pl := ever(f, func(p *plan.Plan) *plan.Place { return findPlace(p, id) })
	service := kind == haccp.KindInService || kind == haccp.KindOutOfService
	if kind == "" || pl == nil || (pl.Kind != plan.Bath && !service) {
		return nil, noPage()
	}
	p := &bathPage{Frame: f, Form: newForm(), Place: pl.Name, Kind: kind, Action: "/baths/" + id + "/" + c.Params("act"), place: pl}
	p.fields(kind)
	p.Cautions = cautionsFor(kind == haccp.KindAdded || kind == haccp.KindFilled || kind == haccp.KindPartReplaced)
	return p, nil
}

func units(ids ...quantity.ID) []Choice {
	var out []Choice
	for _, id := range ids {
		if q, err := quantity.Get(id); err == nil {
			for _, u := range q.Units() {
				out = append(out, Choice{Code: string(u), Word: u.Symbol()})
			}
		}
	}
	return out
}

// fields lays out the form of a kind.
func (p *bathPage) fields(kind string) {
	add := func(typ, name string, required bool, options []Choice) {
		p.Fields = append(p.Fields, Field{Type: typ, Name: name, Label: p.T("bath." + name), Required: required, Options: options})
	}
	switch kind {
	case haccp.KindAdded:
		var products []Choice
		if p.plan != nil {
			for _, c := range p.plan.Chemicals {
				products = append(products, Choice{Code: c.ID, Word: c.Name})
			}
		}
		typ := "choice"
		if len(products) == 0 {
			typ = "text"
		}
		add(typ, "chemical", true, products)
		add("amount", "amount", true, units(quantity.Volume, quantity.Mass))
		add("text", "measure", false, nil)
		add("text", "material-lot", false, nil)
		add("text", "reason", false, nil)
	case haccp.KindFilled, haccp.KindPartReplaced:
		add("text", "water", true, nil)
		add("amount", "level", false, units(quantity.WaterLevel))
		add("amount", "volume", false, units(quantity.Volume))
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
	if p.plan == nil {
		return
	}
	for _, c := range p.plan.Chemicals {
		p.Fields = append(p.Fields,
			Field{Type: "amount", Name: "first." + c.ID, Label: p.T("bath.first", "chemical", c.Name), Options: units(quantity.Mass, quantity.Volume)},
			Field{Type: "text", Name: "firstlot." + c.ID, Label: p.T("bath.first-lot", "chemical", c.Name)})
	}
}

func (s *Server) bathForm(c *fiber.Ctx, f *Frame) error {
	p, err := s.newBathPage(c, f)
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "bath", p.Place, p)
}

func (s *Server) bathSave(c *fiber.Ctx, f *Frame) error {
	p, err := s.newBathPage(c, f)
	if err != nil {
		return err
	}
	p.Form = readForm(c)
	b, members, ok := p.read(c)
	if !ok {
		p.Problem = p.T("form.look-below")
		return s.show(c, fiber.StatusUnprocessableEntity, "bath", p.Place, p)
	}
	res, err := s.report(c, f, &p.Form, p.Kind, b)
	if err != nil {
		members["at"] = "at"
		status := s.refused(c, f, &p.Form, err, members)
		markFields(p.Fields, p.Form.Wrong)
		return s.show(c, status, "bath", p.Place, p)
	}
	to := "/places"
	if len(res.Events) > 0 {
		to = "/records/" + res.Events[0].ID
	}
	return c.Redirect(to, fiber.StatusSeeOther)
}

// read turns the form into the body of the report, and maps its members to the form's fields.
func (p *bathPage) read(c *fiber.Ctx) (*haccp.Bath, map[string]string, bool) {
	fillFields(c, p.Fields)
	b := &haccp.Bath{Place: p.place.ID}
	members := map[string]string{}
	ok := true
	for i := range p.Fields {
		fd := &p.Fields[i]
		v, given := fd.amount(p.Frame)
		ok = ok && fd.Wrong == ""
		id, isFirst := strings.CutPrefix(fd.Name, "first.")
		switch {
		case isFirst && given:
			members["first["+text(len(b.First))+"]"] = fd.Name
			b.First = append(b.First, haccp.BathDose{Amount: v, Chemical: id, MaterialLot: fieldValue(p.Fields, "firstlot."+id)})
		case given && fd.Name == "amount":
			b.Amount = &v
		case given && fd.Name == "level":
			b.Level = &v
		case given && fd.Name == "volume":
			b.Volume = &v
		}
		members[strings.ReplaceAll(fd.Name, "-", "_")] = fd.Name
	}
	get := func(name string) string { return fieldValue(p.Fields, name) }
	b.Chemical, b.Measure, b.MaterialLot, b.Reason = get("chemical"), get("measure"), get("material-lot"), get("reason")
	b.Water, b.Note = get("water"), get("note")
	return b, members, ok
}

// fillFields takes back what was typed.
func fillFields(c *fiber.Ctx, fields []Field) {
	for i := range fields {
		fields[i].Value = strings.TrimSpace(c.FormValue(fields[i].Name))
		if fields[i].Type == "amount" {
			fields[i].Unit = c.FormValue(fields[i].Name + ".unit")
		}
	}
}

func fieldValue(fields []Field, name string) string {
	if i := slices.IndexFunc(fields, func(x Field) bool { return x.Name == name }); i >= 0 {
		return fields[i].Value
	}
	return ""
}

func markFields(fields []Field, wrong map[string]string) {
	for i := range fields {
		if w := wrong[fields[i].Name]; w != "" {
			fields[i].Wrong = w
		}
	}
}

// amount reads the value of a field with a unit; ok is false where nothing was typed or it is no number.
func (fd *Field) amount(f *Frame) (quantity.Value, bool) {
	if fd.Type != "amount" || fd.Value == "" {
		return quantity.Value{}, false
	}
	d, err := quantity.ParseDecimal(fd.Value)
	if err != nil {
		fd.Wrong = f.T("refusal.bad-number")
		return quantity.Value{}, false
	}
	return quantity.Exact(d, quantity.Unit(fd.Unit)), true
}
