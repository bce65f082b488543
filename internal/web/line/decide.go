package line

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/web/frame"
)

// disposing is the act that decides an outcome.
func disposing(outcome string) *act {
	return &act{kind: haccp.AskLotDispose, meaning: haccp.MeaningLotPrefix + outcome, fields: (*actPage).disposeFields, body: (*actPage).dispose, signed: signDisposition,
		states: map[bool][]string{true: nil, false: {haccp.LotInProcess, haccp.LotOnHold, haccp.LotReleased}}[outcome == plan.Release]}
}

// signers are the roles that may sign the act.
func (p *actPage) signers() []string {
	switch p.Act {
	case "review":
		return []string{haccp.RoleManager}
	case "evaluate":
		if d, ok := p.state.Case(p.hidden("deviation")); ok {
			return frame.RolesFor(p.PlanOf(d), d, plan.ProductEvaluated)
		}
		return []string{haccp.RoleManager}
	}
	if p.Plan == nil {
		return []string{haccp.RoleManager}
	}
	return p.Plan.Disposition(p.Act).Roles
}

// statement is what is signed.
func (p *actPage) statement() string {
	switch p.Act {
	case "review", "evaluate":
		return p.T("say.lot-"+p.Act, "lot", p.Lot.Code)
	}
	return p.T("say.lot-"+p.Act, "lot", p.Lot.Code, "state", p.Word("lot", p.Lot.State))
}

func (p *actPage) reviewFields() { p.add("area", "findings", false) }

func (p *actPage) review(*fiber.Ctx) any {
	return &haccp.LotReviewed{Lot: p.Lot.Code, Findings: p.get("findings")}
}

func signReview(body any, g haccp.Signature) any {
	b, _ := body.(*haccp.LotReviewed)
	b.Signature = g
	return b
}

func (p *actPage) disposeFields() {
	switch p.Act {
	case plan.Release:
		for _, x := range p.state.Unchecked(p.lot, p.Now) {
			p.Confirm = append(p.Confirm, frame.Choice{Code: x, Word: p.Word("unchecked", x)})
		}
	case plan.Rework:
		p.add("text", "into", true).Label = p.T("lotact.field.into-new")
	default:
		p.add("amount", "mass", true, masses()...)
		p.add("text", "where", true).Label = p.T("lotact.field.where-" + p.Act)
	}
	p.add("area", "reason", true)
}

func (p *actPage) dispose(c *fiber.Ctx) any {
	confirmed := frame.Values(c, "confirmed")
	for i := range p.Confirm {
		p.Confirm[i].Chosen = slices.Contains(confirmed, p.Confirm[i].Code)
	}
	return &haccp.LotDisposed{Lot: p.Lot.Code, Outcome: p.Act, Reason: p.get("reason"), Into: p.get("into"), Mass: p.amount("mass"), Where: p.get("where"), Confirmed: confirmed}
}

func signDisposition(body any, g haccp.Signature) any {
	b, _ := body.(*haccp.LotDisposed)
	b.Signature = g
	return b
}

// evaluated are the members by which an evaluation says what it is of.
var evaluated = []string{"deviation", "point", "place", "from", "to", "instrument", "material", "material_lot"}

// hide keeps what the link to the form says is evaluated.
func (p *actPage) hide(c *fiber.Ctx) {
	if p.Act != "evaluate" {
		return
	}
	for _, name := range evaluated {
		if v := cmp.Or(c.FormValue("of."+name), c.Query(name)); v != "" {
			p.Hidden = append(p.Hidden, frame.What{What: "of." + name, Text: v})
		}
	}
}

func (p *actPage) hidden(name string) string {
	for _, x := range p.Hidden {
		if x.What == "of."+name {
			return x.Text
		}
	}
	return ""
}

func (p *actPage) evaluateFields() {
	p.about()
	p.add("area", "facts", true)
	var decisions []frame.Choice
	for _, x := range []string{haccp.EvaluatedNoEffect, haccp.EvaluatedFit, haccp.EvaluatedUnfit} {
		decisions = append(decisions, frame.Choice{Code: x, Word: p.Word("evaluated", x)})
	}
	p.add("choice", "decision", true, decisions...)
	p.add("area", "basis", true)
}

// about words what is evaluated.
func (p *actPage) about() {
	put := func(key, text string) {
		if text != "" {
			p.About = append(p.About, frame.What{What: p.T("lotact.of-" + key), Text: text})
		}
	}
	if d, ok := p.state.Case(p.hidden("deviation")); ok {
		v := p.View(d)
		put("case", p.T("deviation.head", "word", p.Word("case", v.Word), "number", strconv.FormatInt(d.Number, 10))+" · "+v.Place+" · "+v.Point)
		put("span", v.Span)
	}
	if x := p.hidden("point"); x != "" {
		put("point", p.PointName(x))
	}
	if x := p.hidden("place"); x != "" {
		put("place", p.PlaceName(x))
	}
	if from := moment(p.hidden("from")); !from.IsZero() {
		text := p.At(from)
		if to := moment(p.hidden("to")); !to.IsZero() {
			text += " – " + p.At(to)
		}
		put("span", text)
	}
	if x := p.hidden("instrument"); x != "" {
		put("instrument", p.ToolName(x))
	}
	if x := p.hidden("material"); x != "" {
		put("material", p.MaterialName(x))
	}
	put("material-lot", p.hidden("material_lot"))
}

func (p *actPage) evaluate(*fiber.Ctx) any {
	return &haccp.LotEvaluated{Lot: p.Lot.Code, Deviation: p.hidden("deviation"), Point: p.hidden("point"), Place: p.hidden("place"), From: moment(p.hidden("from")), To: moment(p.hidden("to")),
		Instrument: p.hidden("instrument"), Material: p.hidden("material"), MaterialLot: p.hidden("material_lot"), Facts: p.get("facts"), Decision: p.get("decision"), Basis: p.get("basis")}
}

func signEvaluation(body any, g haccp.Signature) any {
	b, _ := body.(*haccp.LotEvaluated)
	b.Signature = g
	return b
}

// EvaluationOf leads to the evaluation of what stands between a lot and its release; "" where a signed evaluation does
// not answer it.
func EvaluationOf(f *frame.Frame, lot string, m haccp.Missing) string {
	if !f.May(haccp.AskLotEvaluate) {
		return ""
	}
	q := ""
	put := func(name, value string) {
		if value != "" {
			q += "&" + name + "=" + escape(value)
		}
	}
	stamp := func(t time.Time) string {
		if t.IsZero() {
			return ""
		}
		return t.UTC().Format(time.RFC3339Nano)
	}
	switch m.What {
	case haccp.MissingEvidence, haccp.MissingTime:
		put("point", m.Point)
		put("place", m.Place)
		put("from", stamp(m.From))
		put("to", stamp(m.To))
	case haccp.MissingEvaluation:
		put("deviation", m.Deviation)
	case haccp.MissingMaterial, haccp.MissingInstrument:
		put("instrument", m.Instrument)
		put("material", m.Material)
		put("material_lot", m.MaterialLot)
	case haccp.MissingFinding:
		return "/lots/" + url.PathEscape(lot) + "/do/evaluate"
	default:
		return ""
	}
	return "/lots/" + url.PathEscape(lot) + "/do/evaluate?" + q[1:]
}
