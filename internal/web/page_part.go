package web

import (
	"encoding/base64"
	"errors"
	"slices"
	"strconv"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/access"
	"linewarden/internal/gate"
	"linewarden/internal/web/frame"
)

// signing makes the signature block of a page, at the head as it stands.
func (s *Server) signing(f *frame.Frame, statement string, roles ...string) *frame.Signing {
	head := s.site.Head()
	g := &frame.Signing{Statement: statement, Name: f.Person, Size: head.Size, Root: base64.StdEncoding.EncodeToString(head.Root[:])}
	for _, r := range roles {
		if g.Role == "" && slices.Contains(f.Roles, r) {
			g.Role = r
		}
	}
	if g.Role == "" {
		g.Wanted = f.Words("role", roles)
	}
	return g
}

// sign checks the password again and gives the signature for what the page showed. The statement is made anew
// by the server: another one than was shown means that something changed.
func (s *Server) sign(c *fiber.Ctx, f *frame.Frame, g *frame.Signing, meaning string) (haccp.Signature, error) {
	if f.Stale {
		return haccp.Signature{}, gate.ErrFormToken
	}
	size, err := strconv.ParseInt(c.FormValue("head_size"), 10, 64)
	if err != nil || c.FormValue("statement") != g.Statement {
		return haccp.Signature{}, &haccp.Refusal{Kind: haccp.ErrConflict, Code: "changed-since", Message: f.T("refusal.changed-since")}
	}
	password := c.FormValue("password")
	if password == "" {
		return haccp.Signature{}, &gate.Fault{Status: fiber.StatusUnprocessableEntity, Code: "missing", Field: "password", Message: f.T("refusal.missing")}
	}
	err = s.door.Reauthenticate(c.UserContext(), f.Who.Person.ID, password, s.gate.Source(c, ""), s.clock())
	if errors.Is(err, access.ErrSignIn) {
		return haccp.Signature{}, &gate.Fault{Status: fiber.StatusForbidden, Code: "signature-password", Field: "password",
			Message: f.T("refusal.signature-password")}
	}
	if err != nil {
		return haccp.Signature{}, err
	}
	return haccp.Signature{Head: haccp.Head{Size: size, Root: c.FormValue("head_root")}, Language: string(f.Lang), Meaning: meaning,
		Statement: g.Statement}, nil
}

// decide sends a signed decision: the person is known by the password just given.
func (s *Server) decide(c *fiber.Ctx, f *frame.Frame, form *frame.Form, kind, role string, ask any) error {
	now := s.clock()
	by := gate.Actor(f.State, f.Who, kind, now, role)
	by.Known = haccp.KnownPassword
	_, err := s.do(c, f, &haccp.Command{ID: form.Command, Kind: kind, At: now, AtKnown: haccp.AtServer, By: by, Ask: ask})
	return err
}

// partPage is the form of one part of a case with its signature.
type partPage struct {
	*frame.Frame
	Form         frame.Form
	Case         *frame.CaseView
	Part, Action string
	Fields       []frame.Field
	Sign         *frame.Signing
}

func (s *Server) newPartPage(c *fiber.Ctx, f *frame.Frame) (*partPage, *haccp.Deviation, error) {
	d, _, err := s.findCase(c.UserContext(), f, c.Params("id"))
	if err != nil {
		return nil, nil, err
	}
	part := c.Params("part")
	p := &partPage{Frame: f, Form: frame.NewForm(), Case: f.View(d), Part: part, Action: "/deviations/" + d.Deviation + "/parts/" + part}
	if !p.fields() {
		return nil, nil, noPage()
	}
	if field, ok := f.CureField(d); ok && part == plan.ProductEvaluated {
		p.Fields = append(p.Fields, field)
	}
	v := p.Case
	statement := f.T("say."+part, "word", f.Word("case", v.Word), "number", v.NumberText(), "place", v.Place, "point", v.Point, "span", v.Span)
	p.Sign = s.signing(f, statement, frame.RolesFor(f.PlanOf(d), d, part)...)
	return p, d, nil
}

// fields lays out the form of a part; false where there is no such part.
func (p *partPage) fields() bool {
	add := func(typ, name string, required bool) *frame.Field {
		p.Fields = append(p.Fields, frame.Field{Type: typ, Name: name, Label: p.T("part.field." + name), Required: required})
		return &p.Fields[len(p.Fields)-1]
	}
	yesNo := []frame.Choice{{Code: "yes", Word: p.T("answer.yes")}, {Code: "no", Word: p.T("answer.no")}}
	switch p.Part {
	case plan.ControlRestored:
		add("area", "restored", true)
	case plan.ProductEvaluated:
		add("choice", "exposed", true).Options = yesNo
		add("text", "codes", false).Hint = p.T("part.codes-or")
		add("text", "description", false).Hint = p.T("part.codes-or")
		add("amount", "mass", false).Options = frame.Units(quantity.Mass)
		add("text", "held_where", false)
		add("area", "evaluation", false)
		add("area", "outcome", false)
		for i := range p.Fields {
			if fd := &p.Fields[i]; !fd.Required && fd.Hint == "" {
				fd.Hint = p.T("part.if-exposed")
			}
		}
		add("area", "evidence", false).Hint = p.T("part.if-none")
	case plan.CauseAndAction:
		add("area", "cause", true)
		add("choice", "in_error", true).Options = yesNo
		add("area", "action", true)
	case plan.Effectiveness:
		add("choice", "effective", true).Options = yesNo
		add("area", "reason", true)
	case haccp.PartFixOnly:
		add("area", "reason", true).Label = p.T("part.field.reason-fix")
	case haccp.PartTakenInTime, plan.Closed:
	default:
		return false
	}
	return true
}

func (s *Server) partForm(c *fiber.Ctx, f *frame.Frame) error {
	p, _, err := s.newPartPage(c, f)
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "part", f.Word("part", p.Part), p)
}

func (s *Server) partSign(c *fiber.Ctx, f *frame.Frame) error {
	p, d, err := s.newPartPage(c, f)
	if err != nil {
		return err
	}
	p.Form = frame.ReadForm(c)
	body, ok := p.read(c, d)
	if !ok {
		p.Problem = p.T("form.look-below")
		return s.show(c, fiber.StatusUnprocessableEntity, "part", f.Word("part", p.Part), p)
	}
	if body.Signature, err = s.sign(c, f, p.Sign, p.Part); err == nil {
		err = s.decide(c, f, &p.Form, haccp.AskSignPart, p.Sign.Role, &haccp.SignPart{DeviationSigned: *body})
	}
	if err == nil {
		return s.redirect(c, "/deviations/"+d.Deviation)
	}
	members := map[string]string{"product": "exposed", "password": "password"}
	for i := range p.Fields {
		members[p.Fields[i].Name], members["product."+p.Fields[i].Name] = p.Fields[i].Name, p.Fields[i].Name
	}
	status := s.refused(c, f, &p.Form, err, members)
	frame.MarkFields(p.Fields, p.Form.Wrong)
	p.Sign.Wrong = p.Form.Wrong["password"]
	for i := range f.Items { // the parts that are still to be signed
		f.Items[i] = f.Word("part", f.Items[i])
	}
	return s.show(c, status, "part", f.Word("part", p.Part), p)
}

// read turns the form into the body of the part.
func (p *partPage) read(c *fiber.Ctx, d *haccp.Deviation) (*haccp.DeviationSigned, bool) {
	frame.FillFields(c, p.Fields)
	get := func(name string) string { return frame.FieldValue(p.Fields, name) }
	b := &haccp.DeviationSigned{Deviation: d.Deviation, Part: p.Part, Restored: get("restored"), Cause: get("cause"), Action: get("action"),
		Reason: get("reason"), InError: get("in_error") == "yes"}
	if e := get("effective"); e != "" {
		b.Effective = new(e == "yes")
	}
	if p.Part != plan.ProductEvaluated || get("exposed") == "" {
		return b, true
	}
	b.Product = &haccp.Product{Exposed: get("exposed") == "yes", Codes: frame.Codes(get("codes")), Description: get("description"),
		HeldWhere: get("held_where"), Evaluation: get("evaluation"), Outcome: get("outcome"), Evidence: get("evidence"), CuredBy: get("cured_by")}
	for i := range p.Fields {
		if v, given := p.Fields[i].Amount(p.Frame); given {
			b.Product.Mass = &v
		}
		if p.Fields[i].Wrong != "" {
			return b, false
		}
	}
	return b, true
}
