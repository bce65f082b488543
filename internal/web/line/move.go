package line

import (
	"cmp"
	"context"
	"errors"
	"net/url"
	"slices"
	"strings"

	"github.com/gofiber/fiber/v2"
	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/haccp/lot"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
	"linewarden/internal/web/frame"
)

// movePage moves a lot on. Without a move it lists those there are.
type movePage struct {
	*frame.Frame
	Form      frame.Form
	Lot       frame.LotView
	Rows      []boardRow // where it is, with the ways on
	What      string
	From, To  string // as the form names them: step@place, and step
	FromName  string
	ToName    string
	Back      string // line to go back to
	Fields    []frame.Field
	Cautions  []string // of the chlorine products and acids that the step takes
	Asked     []askedRow
	Lacks     bool // leave was refused
	MayReport bool
	Water     string // the filling of the bath it goes into
	Unknown   bool   // nothing is known of it

	lot      *haccp.LotState
	from     *lot.Stay
	to       *plan.Step
	fromStep *plan.Step
}

// askedRow is one item of what was asked before the step.
type askedRow struct{ Mark, What, Text string }

func escape(s string) string { return url.QueryEscape(s) }

// lotOf finds a lot, also one that the state has forgotten.
func (s *Line) lotOf(ctx context.Context, f *frame.Frame, code string) (*haccp.LotState, *haccp.State, error) {
	if l, ok := f.State.Lot(code); ok {
		return l, f.State, nil
	}
	codes := []string{code}
	kin, err := s.Site.Gather(ctx, f.State, haccp.Facts{}, func(x haccp.Facts) haccp.Need { return f.State.LotNeeds(codes, x) })
	if err != nil {
		return nil, nil, err
	}
	state := f.State.WithLots(codes, kin)
	if l, ok := state.Lot(code); ok {
		return l, state, nil
	}
	return nil, nil, noPage()
}

// newMovePage reads what is to be moved from the values of an address or a form.
func (s *Line) newMovePage(c *fiber.Ctx, f *frame.Frame, value func(string) string) (*movePage, error) {
	code, err := url.PathUnescape(c.Params("lot"))
	if err != nil {
		return nil, noPage()
	}
	if !f.May(haccp.AskLotEnter) {
		return nil, mayNot(f)
	}
	l, state, err := s.lotOf(c.UserContext(), f, code)
	if err != nil {
		return nil, err
	}
	book := state.LotBook()
	p := &movePage{Frame: f, Form: frame.NewForm(), Lot: f.LotView(book, state.TouchesOf(book, code), l), What: value("what"), From: value("from"), To: value("to"),
		Back: value("line"), MayReport: f.May(haccp.KindLotEntered), lot: l}
	if f.Plan == nil {
		return nil, noPage()
	}
	for _, stay := range openStays(l) {
		step := findStep(f.Plan, stay.Step)
		if step == nil {
			continue
		}
		p.Rows = append(p.Rows, newRow(f, book, l, step, stay))
		if p.From == stay.Step+"@"+stay.Place {
			p.from, p.fromStep, p.FromName = stay, step, step.Name
		}
	}
	if step, ok := lastStep(f.Plan, l); ok && len(p.Rows) == 0 {
		p.Rows = append(p.Rows, newRow(f, book, l, findStep(f.Plan, step), nil))
	}
	if p.to = findStep(f.Plan, p.To); p.to != nil {
		p.ToName = p.to.Name
	}
	return p, p.lay(value)
}

// lay checks that the move is one, and lays out what it asks.
func (p *movePage) lay(value func(string) string) error {
	switch p.What {
	case "":
		return nil
	case moveOn, moveFirst, moveLast:
		if p.to == nil || (p.What == moveLast && p.from == nil) {
			return noPage()
		}
	case moveOut:
		if p.from == nil {
			return noPage()
		}
		p.to, p.To, p.ToName = nil, "", ""
	default:
		return noPage()
	}
	if p.to != nil {
		p.entering(value)
	}
	if p.from != nil && p.What != moveFirst {
		p.leaving()
	}
	p.add(frame.Field{Type: "amount", Name: "temperature", Label: p.T("move.temperature"), Options: temperatures()})
	var tools []frame.Choice
	for i := range p.Plan.Instruments {
		tools = append(tools, frame.Choice{Code: p.Plan.Instruments[i].ID, Word: p.Plan.Instruments[i].Name})
	}
	if len(tools) > 0 {
		p.add(frame.Field{Type: "select", Name: "instrument", Label: p.T("move.instrument"), Options: tools})
	}
	p.add(frame.Field{Type: "area", Name: "note", Label: p.T("form.note")})
	return nil
}

func (p *movePage) add(fd frame.Field) { p.Fields = append(p.Fields, fd) }

// entering lays out what the step asks that the lot comes to.
func (p *movePage) entering(value func(string) string) {
	places := p.to.Where()
	if len(places) == 0 { // the plan says no place: any may be meant
		for i := range p.Plan.Places {
			places = append(places, p.Plan.Places[i].ID)
		}
	}
	place := value("place")
	if len(places) == 1 {
		place = places[0]
	}
	fd := frame.Field{Type: "choice", Name: "place", Label: p.T("move.place", "step", p.to.Name), Value: place, Required: true}
	bath, table := false, false
	for _, id := range places {
		pl := frame.FindPlace(p.Plan, id)
		if pl == nil {
			continue
		}
		bath, table = bath || pl.Kind == plan.Bath, table || pl.Kind == plan.Table
		fd.Options = append(fd.Options, frame.Choice{Code: id, Word: pl.Name})
	}
	p.add(fd)
	if water, in := p.State.FillingAt(place, p.Now); in {
		p.Water = p.T("move.water", "since", p.At(water.From))
	}
	p.materials(p.to.ID, materialsOf(p.Plan, p.to.ID), p.to.Name)
	if bath {
		p.add(frame.Field{Type: "amount", Name: "in-mass", Label: p.T("move.mass-bath"), Options: masses()})
	} else if p.from == nil || p.What == moveFirst {
		p.add(frame.Field{Type: "amount", Name: "in-mass", Label: p.T("move.mass"), Options: masses()})
	}
	if table {
		p.add(frame.Field{Type: "number", Name: "crew", Label: p.T("move.crew")})
	}
}

// leaving lays out what the step asks that the lot leaves.
func (p *movePage) leaving() {
	p.materials(p.fromStep.ID, unnamed(p.Plan, p.lot, p.fromStep.ID), p.fromStep.Name)
	if packs(p.Plan, p.fromStep.ID) {
		p.add(frame.Field{Type: "text", Name: "prefix", Label: p.T("move.box-prefix")})
		p.add(frame.Field{Type: "number", Name: "box-from", Label: p.T("move.box-from")})
		p.add(frame.Field{Type: "number", Name: "box-to", Label: p.T("move.box-to")})
		p.add(frame.Field{Type: "amount", Name: "box-mass", Label: p.T("move.box-mass"), Options: masses()})
		return
	}
	p.add(frame.Field{Type: "amount", Name: "out-mass", Label: p.T("move.mass-out", "step", p.fromStep.Name), Options: masses()})
}

// materials adds the fields of the materials of a step.
func (p *movePage) materials(step string, list []*plan.Material, name string) {
	for _, m := range list {
		for _, x := range material.Cautions(m.Kind) {
			if key := "caution." + string(x.Code); !slices.Contains(p.Cautions, key) {
				p.Cautions = append(p.Cautions, key)
			}
		}
		fd := frame.Field{Type: "choice", Name: "lot." + step + "." + m.ID, Label: p.T("move.material", "material", m.Name, "step", name), Options: p.LotsOf(m.ID)}
		if len(fd.Options) == 0 {
			fd.Type, fd.Hint = "text", p.T("move.no-lots")
		}
		p.add(fd)
		unit := m.Unit
		p.add(frame.Field{Type: "amount", Name: "amount." + step + "." + m.ID, Label: p.T("move.amount", "material", m.Name), Options: p.StockUnits(), Unit: unit})
	}
}

// errorsAt maps the members of a body to the fields of the form.
func (p *movePage) errorsAt() map[string]string {
	return map[string]string{"at": "at", "place": "place", "temperature": "temperature", "crew": "crew", "instrument": "instrument", "note": "note", "boxes": "box-from"}
}

func (s *Line) moveForm(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newMovePage(c, f, func(name string) string { return c.Query(name) })
	if err != nil {
		return err
	}
	if b, ok := p.entered(c); ok && b.Place != "" {
		if err := s.ask(c.UserContext(), p, b); err != nil {
			return err
		}
	}
	return s.show(c, fiber.StatusOK, "move", p.title(), p)
}

// ID is the line to go back to.
func (p *movePage) ID() string { return p.Back }

func (p *movePage) title() string { return p.T("move.title", "lot", p.Lot.Code) }

// ask asks before the step begins what stands against it, item by item.
func (s *Line) ask(ctx context.Context, p *movePage, b *haccp.LotMoved) error {
	codes := []string{b.Lot}
	facts, err := s.Site.Gather(ctx, p.State, haccp.Facts{}, func(x haccp.Facts) haccp.Need { return p.State.LotNeeds(codes, x) })
	if err != nil {
		return err
	}
	items, err := p.State.AskStep(b, nil, facts, p.Now)
	if _, ok := errors.AsType[*haccp.Refusal](err); ok {
		return nil // what is malformed is said when the form is sent
	}
	if err != nil {
		return err
	}
	p.Asked = nil
	for _, a := range items {
		p.Asked = append(p.Asked, p.asked(&a))
	}
	return nil
}

func (p *movePage) asked(a *haccp.Asked) askedRow {
	row := askedRow{Mark: "outside", What: p.Word("askeditem", a.Item) + " " + p.nameOf(a.Item, a.Subject)}
	switch a.State {
	case haccp.AskedGood:
		row.Mark, row.Text = "inside", p.T("move.in-order")
		return row
	case haccp.AskedMissing:
		row.Mark = "act"
	}
	data := map[string]string{}
	for k, v := range a.Data {
		data[k] = p.nameOf(k, v)
	}
	row.Text = p.Lang.Finding(haccp.Finding{Code: a.Code, Data: data})
	return row
}

// nameOf names what an item of an answer is about.
func (p *movePage) nameOf(item, id string) string {
	switch item {
	case "place":
		return p.PlaceName(id)
	case "line":
		return Name(p.Frame, id)
	case "point":
		return p.PointName(id)
	case "instrument":
		return p.ToolName(id)
	case "material":
		if p.Plan.Material(id) != nil {
			return p.MaterialName(id)
		}
	case "step":
		return p.StepName(id)
	}
	return id
}

// Name names a line as the newest plan does.
func Name(f *frame.Frame, id string) string {
	if id == "" {
		return ""
	}
	if l := frame.Ever(f, func(p *plan.Plan) *plan.Line { return frame.FindLine(p, id) }); l != nil {
		return l.Name
	}
	return id
}

// entered gives the body of the lot coming to the step; false where it comes to none.
func (p *movePage) entered(_ *fiber.Ctx) (*haccp.LotMoved, bool) {
	if p.to == nil {
		return nil, false
	}
	get := func(name string) string { return frame.FieldValue(p.Fields, name) }
	b := &haccp.LotMoved{Lot: p.Lot.Code, Step: p.to.ID, Place: get("place"), Crew: whole(get("crew")), Note: get("note"), Materials: p.used(p.to.ID)}
	if water, in := p.State.FillingAt(b.Place, p.Now); in {
		b.Filling = water.ID
	}
	b.Mass, b.Temperature = p.amount("in-mass"), p.amount("temperature")
	if b.Mass != nil || p.amount("out-mass") == nil {
		b.Instrument = get("instrument")
	}
	return b, true
}

// left gives the body of the lot leaving its step; false where it leaves none.
func (p *movePage) left() (*haccp.LotMoved, bool) {
	if p.from == nil || p.What == moveFirst {
		return nil, false
	}
	get := func(name string) string { return frame.FieldValue(p.Fields, name) }
	b := &haccp.LotMoved{Lot: p.Lot.Code, Step: p.from.Step, Place: p.from.Place, Filling: p.from.Filling, Mass: p.amount("out-mass"), Materials: p.used(p.from.Step)}
	if get("box-from") != "" || get("box-to") != "" {
		b.Boxes = []haccp.BoxRange{{Prefix: get("prefix"), From: whole(get("box-from")), To: whole(cmp.Or(get("box-to"), get("box-from"))), Mass: p.amount("box-mass")}}
	}
	if b.Mass != nil || p.to == nil {
		b.Instrument = get("instrument")
	}
	if p.to == nil {
		b.Temperature, b.Note = p.amount("temperature"), get("note")
	}
	return b, true
}

func (s *Line) moveSave(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newMovePage(c, f, func(name string) string { return c.FormValue(name) })
	if err != nil {
		return err
	}
	if p.What == "" {
		return noPage()
	}
	p.Form = frame.ReadForm(c)
	place := frame.FieldValue(p.Fields, "place")
	frame.FillFields(c, p.Fields)
	p.fix("place", place) // the only one there is needs no choice
	if !p.numbers() {
		p.Problem = f.T("form.look-below")
		return s.show(c, fiber.StatusUnprocessableEntity, "move", p.title(), p)
	}
	if err := s.move(c, p); err != nil {
		return s.notMoved(c, p, err)
	}
	line := p.Back
	if line == "" && p.to != nil {
		line = f.State.LineOf(frame.FieldValue(p.Fields, "place"))
	}
	if line == "" && p.from != nil {
		line = f.State.LineOf(p.from.Place)
	}
	if line == "" {
		return s.Pages.Redirect(c, "/lots/"+p.Lot.Path())
	}
	return s.Pages.Redirect(c, "/lines/"+url.PathEscape(line)+"?moved="+escape(p.Lot.Code))
}

// move asks for leave to begin the next step, or reports it where it was done already, then reports that the lot left
// the one before.
func (s *Line) move(c *fiber.Ctx, p *movePage) error {
	report := c.FormValue("do") == "report"
	if b, ok := p.entered(c); ok {
		var err error
		if report {
			_, err = s.Commands.Report(c, p.Frame, &p.Form, haccp.KindLotEntered, b)
		} else {
			_, err = s.Commands.Ask(c, p.Frame, &p.Form, haccp.AskLotEnter, b)
		}
		if err != nil {
			return err
		}
	}
	b, ok := p.left()
	if !ok {
		return nil
	}
	own := p.Form
	own.Command = uuid.NewSHA1(touchSpace, []byte(p.Form.Command+"\nleft")).String()
	began := p.from.FirstOut
	if p.What == moveLast {
		for _, stay := range openStays(p.lot) {
			if stay.Step == p.To && (began.IsZero() || stay.From.Before(began)) {
				began = stay.From // when the first of it came to the next step
			}
		}
	}
	if !report {
		own.Typed = "" // leave is given for now
	}
	_, err := s.Commands.ReportFrom(c, p.Frame, &own, began, haccp.KindLotLeft, b)
	p.Form.Wrong, p.Form.Twice = own.Wrong, own.Twice
	return err
}

// notMoved shows the form again, with what stands against the step.
func (s *Line) notMoved(c *fiber.Ctx, p *movePage, err error) error {
	status := s.Pages.Refused(c, p.Frame, &p.Form, err, p.errorsAt())
	frame.MarkFields(p.Fields, p.Form.Wrong)
	var r *haccp.Refusal
	if b, ok := p.entered(c); ok && errors.As(err, &r) && r.Code == "step-lacks" {
		if err := s.ask(c.UserContext(), p, b); err != nil {
			return err
		}
		p.Lacks, p.Items, p.Problem = true, nil, p.T("move.lacks", "step", p.ToName)
		p.Form.Command = frame.NewForm().Command
	}
	return s.show(c, status, "move", p.title(), p)
}

// fix sets a field that was not sent.
func (p *movePage) fix(name, value string) {
	for i := range p.Fields {
		if p.Fields[i].Name == name && p.Fields[i].Value == "" {
			p.Fields[i].Value = value
		}
	}
}

// numbers marks the fields that hold no number where one is wanted.
func (p *movePage) numbers() bool { return numbers(p.Frame, p.Fields) }

func (p *movePage) amount(name string) *amountValue { return amountOf(p.Frame, p.Fields, name) }

// used lists the materials of a step as typed.
func (p *movePage) used(step string) []haccp.MaterialUse {
	var out []haccp.MaterialUse
	for i := range p.Fields {
		id, ok := strings.CutPrefix(p.Fields[i].Name, "lot."+step+".")
		if !ok || p.Fields[i].Value == "" {
			continue
		}
		out = append(out, haccp.MaterialUse{Lot: p.Fields[i].Value, Material: id, Amount: p.amount("amount." + step + "." + id)})
	}
	return out
}

// scan leads to what a label names: a lot, a box, or the label of a bath.
func (s *Line) scan(c *fiber.Ctx, f *frame.Frame) error {
	label := strings.TrimSpace(c.Query("label"))
	line := c.Query("line")
	back := "/lots"
	if line != "" {
		back = "/lines/" + url.PathEscape(line)
	}
	if u, err := url.Parse(label); err == nil && strings.Contains(u.Path, "/b/") { // the label of a place
		return s.Pages.Redirect(c, u.Path[strings.LastIndex(u.Path, "/b/"):])
	}
	code, ok := found(f.State, label)
	if !ok {
		return s.Pages.Redirect(c, back+"?unknown="+escape(label))
	}
	return s.Pages.Redirect(c, "/lots/"+url.PathEscape(code)+"/move?line="+escape(line))
}

// found finds the lot that a label names: by its code, without regard to case where that is one lot, or by a box.
func found(s *haccp.State, label string) (string, bool) {
	if i := strings.LastIndex(label, "/lots/"); i >= 0 {
		if code, err := url.PathUnescape(label[i+len("/lots/"):]); err == nil {
			label = code
		}
	}
	if label == "" {
		return "", false
	}
	if s.KnowsLot(label) {
		return label, true
	}
	var same []string
	for _, l := range s.Lots() {
		if strings.EqualFold(l.Code, label) {
			same = append(same, l.Code)
		}
	}
	cut := len(strings.TrimRight(label, "0123456789"))
	if n := whole(label[cut:]); cut < len(label) && len(same) == 0 {
		same = s.LotsOfBox(label[:cut], n)
	}
	slices.Sort(same)
	if len(same) != 1 {
		return "", false
	}
	return same[0], true
}
