package desk

import (
	"net/url"
	"strconv"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/haccp/wash"
	"linewarden/internal/gate"
	"linewarden/internal/web/frame"
)

// MaterialsPage lists the materials of the plan with their lots.
type MaterialsPage struct {
	*frame.Frame
	Materials []MaterialGroup
	May       bool // a delivery may be reported
}

// MaterialGroup is a material with its lots.
type MaterialGroup struct {
	Name, Kind string
	Lots       []MaterialRow
}

// MaterialRow is a lot of a material in the list.
type MaterialRow struct {
	Code, Supplier, State, Mark string
	Left, Expires               string
}

// Path is its code as a part of an address.
func (r MaterialRow) Path() string { return url.PathEscape(r.Code) }

// ReceivePage takes a delivery.
type ReceivePage struct {
	*frame.Frame
	Form     frame.Form
	Fields   []frame.Field
	Cautions []string
}

// MaterialPage is the file of a lot of a material, with the forms to rule on it and to count it.
type MaterialPage struct {
	*frame.Frame
	Form     frame.Form
	Code     string
	Name     string
	Row      MaterialRow
	Facts    []frame.What
	Stated   string
	Today    string
	Cautions []string
	Rulings  []frame.What
	Uses     []frame.What
	Decision string // approve, reject or count: the form that is open
	Reason   string
	Sign     *frame.Signing
	Fields   []frame.Field // of a count, or of a certificate
	// Uncertified says that the plan wants a certificate and none was received.
	Uncertified bool
}

func (d *Desk) routeMaterials(app fiber.Router, in func(frame.Handler) fiber.Handler) {
	app.Get("/materials", in(d.materialList))
	app.Get("/materials/receive", in(d.receiveForm))
	app.Post("/materials/receive", in(d.receiveSave))
	app.Get("/materials/lots/:lot", in(d.materialShow))
	app.Get("/materials/lots/:lot/:act", in(d.materialShow))
	app.Post("/materials/lots/:lot/:act", in(d.materialAct))
}

var materialMarks = map[string]string{material.StateReceived: "open", material.StateApproved: "inside", material.StateRejected: "outside",
	material.StateExpired: "outside", material.StateUsedUp: "closed"}

func materialRow(f *frame.Frame, l *material.Lot) MaterialRow {
	r := MaterialRow{Code: l.Code, State: l.State(f.Now, f.State.DayOf(f.Now))}
	r.Mark = materialMarks[r.State]
	if len(l.Receipts) > 0 {
		r.Supplier = l.Receipts[0].Body.Supplier
	}
	s := l.Stock()
	key := "materials.left"
	if !s.Known {
		key = "materials.unsure"
	}
	r.Left = f.T(key, "amount", f.Pieces(s.Left.String()))
	if x := l.Expiry(); x != "" {
		r.Expires = f.T("materials.expires", "day", f.Day(string(x)))
	}
	return r
}

func (d *Desk) materialList(c *fiber.Ctx, f *frame.Frame) error {
	p := &MaterialsPage{Frame: f, May: f.May(haccp.KindMaterialReceived)}
	if f.Plan != nil {
		for _, m := range f.Plan.Materials {
			g := MaterialGroup{Name: m.Name, Kind: f.Word("materialkind", m.Kind)}
			for _, l := range f.State.MaterialLots() {
				if l.Material() == m.ID {
					g.Lots = append(g.Lots, materialRow(f, l))
				}
			}
			p.Materials = append(p.Materials, g)
		}
	}
	return d.show(c, fiber.StatusOK, "materials", f.T("materials.title"), p)
}

// newReceivePage lays out the form of a delivery.
func newReceivePage(f *frame.Frame) (*ReceivePage, error) {
	if !f.May(haccp.KindMaterialReceived) {
		return nil, mayNot(f)
	}
	p := &ReceivePage{Frame: f, Form: frame.NewForm(), Cautions: frame.CautionsFor(true)}
	add := func(typ, name string, required bool, options ...frame.Choice) {
		p.Fields = append(p.Fields, frame.Field{Type: typ, Name: name, Label: f.T("materials." + name), Required: required, Options: options})
	}
	var materials []frame.Choice
	if f.Plan != nil {
		for _, m := range f.Plan.Materials {
			materials = append(materials, frame.Choice{Code: m.ID, Word: m.Name})
		}
	}
	units := append(frame.Units(quantity.Mass, quantity.Volume), frame.Choice{Code: plan.Pieces, Word: f.T("materials.pieces")})
	add("choice", "material", true, materials...)
	add("text", "lot", true)
	add("text", "supplier", true)
	add("text", "their-lot", false)
	add("amount", "quantity", true, units...)
	add("date", "expiry", false)
	add("text", "cert", false)
	add("text", "cert-hash", false)
	add("amount", "strength", false, frame.Choice{Code: string(wash.TradeUnit), Word: f.T("strength.trade-percent")},
		frame.Choice{Code: string(wash.AvailableUnit), Word: f.T("strength.available-percent")},
		frame.Choice{Code: string(wash.NaOClUnit), Word: f.T("strength.naocl-percent")}, frame.Choice{Code: string(wash.DegreeUnit), Word: f.T("strength.chlorometric-degrees")})
	add("amount", "gravity", false, frame.Choice{Code: string(material.KilogramPerL), Word: string(material.KilogramPerL)})
	add("date", "tested", false)
	add("area", "note", false)
	return p, nil
}

func (d *Desk) receiveForm(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newReceivePage(f)
	if err != nil {
		return err
	}
	return d.show(c, fiber.StatusOK, "receive", f.T("materials.receive"), p)
}

// read turns the form into the body of the report.
func (p *ReceivePage) read(c *fiber.Ctx) (*material.Received, bool) {
	frame.FillFields(c, p.Fields)
	get := func(name string) string { return frame.FieldValue(p.Fields, name) }
	b := &material.Received{Lot: get("lot"), Material: get("material"), Supplier: get("supplier"), SupplierLot: get("their-lot"), Expiry: plan.Date(get("expiry")), Note: get("note")}
	if name, hash := get("cert"), get("cert-hash"); name != "" || hash != "" {
		b.Certificate = &material.Certificate{Name: name, Hash: hash}
	}
	ok := true
	amounts := map[string]*quantity.Value{}
	for i := range p.Fields {
		v, given := p.Fields[i].Amount(p.Frame)
		ok = ok && p.Fields[i].Wrong == ""
		if given {
			amounts[p.Fields[i].Name] = &v
		}
	}
	b.Quantity = amounts["quantity"]
	if x := amounts["strength"]; x != nil {
		b.Strength = &material.Strength{Value: *x, Gravity: amounts["gravity"], On: plan.Date(get("tested"))}
	}
	return b, ok
}

func (d *Desk) receiveSave(c *fiber.Ctx, f *frame.Frame) error {
	p, err := newReceivePage(f)
	if err != nil {
		return err
	}
	p.Form = frame.ReadForm(c)
	b, ok := p.read(c)
	if !ok {
		p.Problem = f.T("form.look-below")
		return d.show(c, fiber.StatusUnprocessableEntity, "receive", f.T("materials.receive"), p)
	}
	if _, err = d.Commands.Report(c, f, &p.Form, haccp.KindMaterialReceived, b); err != nil {
		status := d.Pages.Refused(c, f, &p.Form, err, map[string]string{"lot": "lot", "material": "material", "supplier": "supplier", "supplier_lot": "their-lot", "quantity": "quantity",
			"expiry": "expiry", "certificate.name": "cert", "certificate.hash": "cert-hash", "strength": "strength", "strength.on": "tested", "note": "note", "at": "at"})
		frame.MarkFields(p.Fields, p.Form.Wrong)
		return d.show(c, status, "receive", f.T("materials.receive"), p)
	}
	return d.Pages.Redirect(c, "/materials/lots/"+url.PathEscape(b.Lot))
}

// The acts on a lot of a material, by the last part of their address.
var materialActs = map[string]struct{ kind, meaning string }{
	"approve": {haccp.AskMaterialApprove, haccp.MeaningMaterialApproved},
	"reject":  {haccp.AskMaterialReject, haccp.MeaningMaterialRejected},
	"count":   {kind: haccp.KindMaterialCounted},
	// The certificate that came after the delivery.
	"certificate": {kind: haccp.KindMaterialReceived},
}

// newMaterialPage shows a lot of a material, with the form of an act on it where one is asked for.
func (d *Desk) newMaterialPage(c *fiber.Ctx, f *frame.Frame) (*MaterialPage, error) {
	code, err := url.PathUnescape(c.Params("lot"))
	if err != nil {
		return nil, noSuchPage(f)
	}
	l, ok := f.State.MaterialLot(code)
	act := c.Params("act")
	if _, known := materialActs[act]; !ok || act != "" && !known {
		return nil, noSuchPage(f)
	}
	p := &MaterialPage{Frame: f, Form: frame.NewForm(), Code: code, Name: l.Material(), Row: materialRow(f, l), Decision: act}
	s := l.Stock()
	for _, x := range [][2]string{{"received", s.Received.String()}, {"used", s.Used.String()}, {"adjusted", s.Adjusted.String()}} {
		p.Facts = append(p.Facts, frame.What{What: f.T("material." + x[0]), Text: f.Pieces(x[1])})
	}
	var m *plan.Material
	if f.Plan != nil {
		m = f.Plan.Material(l.Material())
	}
	roles := []string{haccp.RoleManager}
	if m != nil {
		p.Name, roles = m.Name, m.Approvers()
		for _, x := range material.Cautions(m.Kind) {
			p.Cautions = append(p.Cautions, "caution."+string(x.Code))
		}
	}
	for _, r := range l.Receipts {
		if x := r.Body.Certificate; x != nil {
			p.Facts = append(p.Facts, frame.What{What: f.T("material.certificate"), Text: x.Name + " · " + x.Hash})
		}
	}
	p.strength(l, m)
	for _, r := range l.Rulings {
		word := "approved"
		if !r.Approved {
			word = "rejected"
		}
		p.Rulings = append(p.Rulings, frame.What{What: f.Word("materialstate", word) + " · " + f.At(r.At) + " · " + r.By, Text: r.Reason})
	}
	for i := range l.Uses {
		u := &l.Uses[i]
		x := frame.What{What: f.At(u.At) + " · " + f.PlaceName(u.Place)}
		if u.Amount != nil {
			x.Text = f.Pieces(u.Amount.String())
		}
		if u.Lot != "" {
			x.What += " · " + u.Lot
		}
		p.Uses = append(p.Uses, x)
	}
	p.Uncertified = m != nil && m.Certificate && !l.Certified() && f.May(haccp.KindMaterialReceived)
	if act == "certificate" {
		p.Fields = []frame.Field{{Type: "text", Name: "cert", Label: f.T("materials.cert"), Required: true}, {Type: "text", Name: "cert-hash", Label: f.T("materials.cert-hash"), Required: true}}
	}
	if g := materialActs[act]; g.meaning != "" {
		p.Sign = d.Commands.Signing(f, f.T("say."+g.meaning, "lot", code, "material", p.Name), roles...)
	} else if act == "count" {
		units := append(frame.Units(quantity.Mass, quantity.Volume), frame.Choice{Code: plan.Pieces, Word: f.T("materials.pieces")})
		p.Fields = []frame.Field{{Type: "amount", Name: "found", Label: f.T("material.found"), Required: true, Options: units, Unit: string(s.Left.Unit)},
			{Type: "text", Name: "why", Label: f.T("material.why"), Required: true}}
	}
	return p, nil
}

// strength words the strength of a chlorine product as it was stated, and as it is worked out for today.
func (p *MaterialPage) strength(l *material.Lot, m *plan.Material) {
	x := l.Strength()
	if x == nil {
		return
	}
	p.Stated = p.T("material.stated", "value", x.Value.String()+" ("+p.Day(string(x.On))+")")
	var store *plan.Amount
	if m != nil {
		store = m.StoredAt
	}
	r, err := x.AtDay(p.State.DayOf(p.Now), store)
	if err != nil {
		p.Today = p.T("material.no-today")
		return
	}
	p.Today = strconv.FormatFloat(r.Value, 'f', 1, 64) + " " + string(r.Unit) + " (" + string(r.Formula) + "/" + strconv.Itoa(r.Version) + ", " + r.Source + ")"
	for _, k := range r.Cautions {
		p.Cautions = append(p.Cautions, "caution."+string(k.Code))
	}
}

func noSuchPage(f *frame.Frame) error {
	return &gate.Fault{Status: fiber.StatusNotFound, Code: "not-found", Message: f.T("refusal.not-found")}
}

func (d *Desk) materialShow(c *fiber.Ctx, f *frame.Frame) error {
	p, err := d.newMaterialPage(c, f)
	if err != nil {
		return err
	}
	return d.show(c, fiber.StatusOK, "material", f.T("material.title", "lot", p.Code, "material", p.Name), p)
}

func (d *Desk) materialAct(c *fiber.Ctx, f *frame.Frame) error {
	p, err := d.newMaterialPage(c, f)
	if err != nil {
		return err
	}
	p.Form, p.Reason = frame.ReadForm(c), c.FormValue("reason")
	g := materialActs[p.Decision]
	frame.FillFields(c, p.Fields)
	switch p.Decision {
	case "count":
		found, ok := p.Fields[0].Amount(f)
		if ok {
			_, err = d.Commands.Report(c, f, &p.Form, g.kind, &material.Counted{Lot: p.Code, Quantity: found, Reason: frame.FieldValue(p.Fields, "why")})
		} else {
			why := p.Fields[0].Wrong
			if why == "" {
				why = f.T("refusal.missing")
			}
			err = &haccp.Refusal{Kind: haccp.ErrInvalid, Field: "quantity", Code: "bad-number", Message: why}
		}
	case "certificate":
		_, err = d.Commands.Report(c, f, &p.Form, g.kind, p.certificate())
	default:
		err = d.Commands.Signed(c, f, &p.Form, p.Sign, g.meaning, g.kind, func(s haccp.Signature) any {
			return &haccp.MaterialRuled{Ruling: material.Ruling{Lot: p.Code, Reason: p.Reason}, Signature: s}
		})
	}
	if err != nil {
		status := d.Pages.Refused(c, f, &p.Form, err, map[string]string{"quantity": "found", "reason": p.reasonField(), "password": "password", "certificate.name": "cert", "certificate.hash": "cert-hash", "at": "at"})
		frame.MarkFields(p.Fields, p.Form.Wrong)
		if p.Sign != nil {
			p.Sign.Wrong = p.Form.Wrong["password"]
		}
		return d.show(c, status, "material", f.T("material.title", "lot", p.Code, "material", p.Name), p)
	}
	return d.Pages.Redirect(c, "/materials/lots/"+url.PathEscape(p.Code))
}

// certificate gives the report of a certificate that came after the delivery. Nothing more is received with it.
func (p *MaterialPage) certificate() *material.Received {
	b := &material.Received{Lot: p.Code, Note: p.T("material.certificate-later"),
		Certificate: &material.Certificate{Name: frame.FieldValue(p.Fields, "cert"), Hash: strings.ToLower(frame.FieldValue(p.Fields, "cert-hash"))}}
	if l, ok := p.State.MaterialLot(p.Code); ok && len(l.Receipts) > 0 {
		first := l.Receipts[0].Body
		none := quantity.Exact(quantity.MustDecimal("0"), l.Stock().Left.Unit)
		b.Material, b.Supplier, b.SupplierLot, b.Quantity = first.Material, first.Supplier, first.SupplierLot, &none
	}
	return b
}

// reasonField names the field of the reason in the form that is open.
func (p *MaterialPage) reasonField() string {
	if p.Decision == "count" {
		return "why"
	}
	return "reason"
}
