package line

import (
	"context"
	"errors"
	"maps"
	"net/url"
	"slices"
	"strconv"
	"time"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/web/frame"
)

// actPage is the form of one thing done to a lot, or decided about it.
type actPage struct {
	*frame.Frame
	Form       frame.Form
	Lot        frame.LotView
	Act        string
	Heading    string
	Explain    string
	Grave      bool // what cannot be taken back
	Report     bool // it has taken place: its time may be typed
	Sign       *frame.Signing
	Fields     []frame.Field
	Confirm    []frame.Choice // what the system does not check and the signer confirms
	Missing    []string       // what stands between the lot and its release
	About      []frame.What   // what is evaluated
	Hidden     []frame.What   // values that go back with the form
	Reportable bool           // refused, and what has taken place may be reported all the same

	act     *act
	members map[string]string // members of the body to fields, where the names differ
	lot     *haccp.LotState
	state   *haccp.State
}

// act is a kind of thing that is done to a lot.
type act struct {
	kind    string // of the command
	meaning string // of its signature; "": none
	fields  func(*actPage)
	body    func(*actPage, *fiber.Ctx) any // without the signature
	signed  func(body any, g haccp.Signature) any
	// states are those of the lot in which it is offered; nil: in process and on hold.
	states []string
}

// acts lists them by the last part of their address.
var acts = map[string]*act{
	"split":    {kind: haccp.KindLotFed, fields: (*actPage).splitFields, body: (*actPage).split},
	"merge":    {kind: haccp.KindLotFed, fields: (*actPage).mergeFields, body: (*actPage).merge},
	"refill":   {kind: haccp.KindLotFed, fields: (*actPage).refillFields, body: (*actPage).refill, states: []string{haccp.LotReworked}},
	"removed":  {kind: haccp.KindLotRemoved, fields: (*actPage).removedFields, body: (*actPage).removed},
	"hold":     {kind: haccp.AskLotHold, fields: (*actPage).holdFields, body: (*actPage).hold, states: []string{haccp.LotInProcess, haccp.LotReleased}},
	"review":   {kind: haccp.AskLotReview, meaning: haccp.MeaningLotReviewed, fields: (*actPage).reviewFields, body: (*actPage).review, signed: signReview},
	"evaluate": {kind: haccp.AskLotEvaluate, meaning: haccp.MeaningLotEvaluated, fields: (*actPage).evaluateFields, body: (*actPage).evaluate, signed: signEvaluation, states: anyState},
	"release":  disposing(plan.Release), "rework": disposing(plan.Rework), "divert": disposing(plan.Divert), "destroy": disposing(plan.Destroy),
	"ship": {kind: haccp.AskLotShip, fields: (*actPage).shipFields, body: (*actPage).ship, states: []string{haccp.LotReleased}},
}

var anyState = []string{haccp.LotInProcess, haccp.LotOnHold, haccp.LotReleased, haccp.LotReworked, haccp.LotDiverted, haccp.LotShippedAs}

// Acts lists what may be done to a lot now by whoever looks at it, as links.
func Acts(f *frame.Frame, l *haccp.LotState) []frame.Way {
	var out []frame.Way
	path := "/lots/" + url.PathEscape(l.Code)
	state := l.State()
	if (state == haccp.LotInProcess || state == haccp.LotOnHold) && f.May(haccp.AskLotEnter) {
		out = append(out, frame.Way{Path: path + "/move", Text: f.T("lotact.move")})
	}
	if (state == haccp.LotInProcess || state == haccp.LotOnHold) && f.May(haccp.KindLotSampled) {
		out = append(out, frame.Way{Path: "/laboratory-sample?lot=" + escape(l.Code), Text: f.T("laboratory.take")})
	}
	for _, name := range []string{"split", "merge", "refill", "removed", "hold", "review", "release", "rework", "divert", "destroy", "ship"} {
		a := acts[name]
		if !f.May(a.kind) || !a.offered(state) || a.kind == haccp.AskLotDispose && !signs(f, name) {
			continue
		}
		out = append(out, frame.Way{Path: path + "/do/" + name, Text: f.T("lotact." + name)})
	}
	return out
}

// signs reports whether who looks at the page holds a role that decides an outcome.
func signs(f *frame.Frame, outcome string) bool {
	roles := []string{haccp.RoleManager}
	if f.Plan != nil {
		roles = f.Plan.Disposition(outcome).Roles
	}
	return slices.ContainsFunc(f.Roles, func(r string) bool { return slices.Contains(roles, r) })
}

func (a *act) offered(state string) bool {
	if a.states == nil {
		return state == haccp.LotInProcess || state == haccp.LotOnHold
	}
	return slices.Contains(a.states, state)
}

func (s *Line) newActPage(c *fiber.Ctx, f *frame.Frame) (*actPage, error) {
	code, err := url.PathUnescape(c.Params("lot"))
	a := acts[c.Params("act")]
	if err != nil || a == nil {
		return nil, noPage()
	}
	if !f.May(a.kind) {
		return nil, mayNot(f)
	}
	l, state, err := s.lotOf(c.UserContext(), f, code)
	if err != nil {
		return nil, err
	}
	name := c.Params("act")
	book := state.LotBook()
	p := &actPage{Frame: f, Form: frame.NewForm(), Lot: f.LotView(book, state.TouchesOf(book, code), l), Act: name, Heading: f.T("lotact." + name),
		Explain: f.T("lotact." + name + "-text"), Grave: name == plan.Destroy || name == plan.Divert, Report: a.meaning == "" && a.kind != haccp.AskLotHold, act: a, lot: l, state: state}
	if name == plan.Release || name == "evaluate" {
		if err := s.missing(c.UserContext(), p); err != nil {
			return nil, err
		}
	}
	p.hide(c)
	a.fields(p)
	if a.meaning != "" {
		p.Sign = s.Commands.Signing(f, p.statement(), p.signers()...)
	}
	return p, nil
}

// missing lists what stands between the lot and its release.
func (s *Line) missing(ctx context.Context, p *actPage) error {
	codes := []string{p.Lot.Code}
	kin, err := s.Site.Gather(ctx, p.State, haccp.Facts{}, func(x haccp.Facts) haccp.Need { return p.State.LotNeeds(codes, x) })
	if err != nil {
		return err
	}
	around, err := s.Site.Gather(ctx, p.State, kin, func(x haccp.Facts) haccp.Need { return p.state.ReleaseNeeds(p.Lot.Code, x) })
	if err != nil {
		return err
	}
	for _, m := range p.state.MissingFor(p.Lot.Code, around, p.Now) {
		p.Missing = append(p.Missing, p.Frame.Missing(m))
	}
	return nil
}

func (p *actPage) title() string { return p.Heading + ": " + p.Lot.Code }

func (p *actPage) add(typ, name string, required bool, options ...frame.Choice) *frame.Field {
	p.Fields = append(p.Fields, frame.Field{Type: typ, Name: name, Label: p.T("lotact.field." + name), Required: required, Options: options})
	return &p.Fields[len(p.Fields)-1]
}

func (p *actPage) get(name string) string { return frame.FieldValue(p.Fields, name) }

func (p *actPage) amount(name string) *amountValue { return amountOf(p.Frame, p.Fields, name) }

func (p *actPage) yes(name string) bool { return p.get(name) == "yes" }

func (p *actPage) yesNo() []frame.Choice {
	return []frame.Choice{{Code: "yes", Word: p.T("answer.yes")}, {Code: "no", Word: p.T("answer.no")}}
}

func (s *Line) actForm(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newActPage(c, f)
	if err != nil {
		return err
	}
	return s.show(c, fiber.StatusOK, "lotact", p.title(), p)
}

func (s *Line) actSave(c *fiber.Ctx, f *frame.Frame) error {
	p, err := s.newActPage(c, f)
	if err != nil {
		return err
	}
	p.Form = frame.ReadForm(c)
	frame.FillFields(c, p.Fields)
	if !numbers(f, p.Fields) {
		p.Problem = f.T("form.look-below")
		return s.show(c, fiber.StatusUnprocessableEntity, "lotact", p.title(), p)
	}
	body := p.act.body(p, c)
	switch {
	case p.act.meaning != "":
		err = s.Commands.Signed(c, f, &p.Form, p.Sign, p.act.meaning, p.act.kind, func(g haccp.Signature) any { return p.act.signed(body, g) })
	case p.act.kind == haccp.AskLotShip && c.FormValue("do") == "report":
		_, err = s.Commands.Report(c, f, &p.Form, haccp.KindLotShipped, body)
	case p.act.kind == haccp.AskLotHold || p.act.kind == haccp.AskLotShip:
		_, err = s.Commands.Ask(c, f, &p.Form, p.act.kind, body)
	default:
		_, err = s.Commands.Report(c, f, &p.Form, p.act.kind, body)
	}
	if err == nil {
		return s.Pages.Redirect(c, "/lots/"+p.Lot.Path())
	}
	members := map[string]string{"at": "at", "password": "password"}
	for i := range p.Fields {
		members[p.Fields[i].Name] = p.Fields[i].Name
	}
	maps.Copy(members, p.members)
	status := s.Pages.Refused(c, f, &p.Form, err, members)
	frame.MarkFields(p.Fields, p.Form.Wrong)
	if p.Sign != nil {
		p.Sign.Wrong = p.Form.Wrong["password"]
	}
	if r, ok := errors.AsType[*haccp.Refusal](err); ok {
		switch r.Code {
		case "release-lacks":
			p.Problem, p.Items = f.T("lotact.release-lacks"), nil
		case "not-released":
			p.Reportable = true
		}
	}
	return s.show(c, status, "lotact", p.title(), p)
}

// steps lists the steps, to say at which product went over.
func (p *actPage) steps() []frame.Choice {
	var out []frame.Choice
	if p.Plan == nil {
		return nil
	}
	for i := range p.Plan.Steps {
		out = append(out, frame.Choice{Code: p.Plan.Steps[i].ID, Word: p.Plan.Steps[i].Name})
	}
	return out
}

// parts is how many lots the form of a split or merge takes; what is more goes in a second report.
const parts = 4

func (p *actPage) partFields(word string) {
	for i := range parts {
		n := strconv.Itoa(i + 1)
		p.Fields = append(p.Fields, frame.Field{Type: "text", Name: "part-" + n, Label: p.T("lotact.field."+word, "n", n), Required: i == 0},
			frame.Field{Type: "amount", Name: "part-mass-" + n, Label: p.T("lotact.field.part-mass", "n", n), Options: masses()})
	}
}

func (p *actPage) partsTyped() []haccp.LotPart {
	var out []haccp.LotPart
	for i := range parts {
		n := strconv.Itoa(i + 1)
		if code := p.get("part-" + n); code != "" {
			out = append(out, haccp.LotPart{Lot: code, Mass: p.amount("part-mass-" + n)})
		}
	}
	return out
}

func (p *actPage) splitFields() {
	p.partFields("into")
	p.add("choice", "all", true, p.yesNo()...)
	p.add("select", "step", false, p.steps()...)
	p.add("area", "note", false)
	p.members = feedMembers("to", "from")
}

// feedMembers maps the members of a feed to the fields of a form in which one side names its lots.
func feedMembers(listed, own string) map[string]string {
	out := map[string]string{listed: "part-1", own: "mass", "how": "how"}
	for i := range parts {
		n := strconv.Itoa(i + 1)
		out[listed+"["+strconv.Itoa(i)+"].lot"], out[listed+"["+strconv.Itoa(i)+"].mass"] = "part-"+n, "part-mass-"+n
	}
	return out
}

func (p *actPage) split(*fiber.Ctx) any {
	return &haccp.LotFed{How: haccp.FedSplit, Step: p.get("step"), From: []haccp.LotPart{{Lot: p.Lot.Code, All: p.yes("all")}}, To: p.partsTyped(), Note: p.get("note")}
}

func (p *actPage) mergeFields() {
	var how []frame.Choice
	for _, x := range []string{haccp.FedMerged, haccp.FedToppedUp, haccp.FedHeel, haccp.FedReopened, haccp.FedFed} {
		how = append(how, frame.Choice{Code: x, Word: p.Word("feeding", x)})
	}
	p.add("choice", "how", true, how...)
	p.partFields("from")
	p.add("choice", "all", true, p.yesNo()...).Label = p.T("lotact.field.all-of-them")
	p.add("select", "step", false, p.steps()...)
	p.add("area", "note", false)
	p.members = feedMembers("from", "to")
}

func (p *actPage) merge(*fiber.Ctx) any {
	from := p.partsTyped()
	for i := range from {
		from[i].All = p.yes("all")
	}
	return &haccp.LotFed{How: p.get("how"), Step: p.get("step"), From: from, To: []haccp.LotPart{{Lot: p.Lot.Code}}, Note: p.get("note")}
}

func (p *actPage) refillFields() {
	p.add("text", "into-lot", true)
	if x := p.lot.Disposed(); x != nil {
		p.Fields[0].Value = x.Body.Into
	}
	p.add("amount", "mass-from", false, masses()...)
	p.add("amount", "mass-to", false, masses()...)
	p.add("choice", "all", true, p.yesNo()...)
	p.add("select", "step", true, p.steps()...)
	p.add("area", "note", false)
	p.members = map[string]string{"to[0].lot": "into-lot", "to[0].mass": "mass-to", "from[0].mass": "mass-from"}
}

func (p *actPage) refill(*fiber.Ctx) any {
	return &haccp.LotFed{How: haccp.FedReworked, Step: p.get("step"), From: []haccp.LotPart{{Lot: p.Lot.Code, Mass: p.amount("mass-from"), All: p.yes("all")}},
		To: []haccp.LotPart{{Lot: p.get("into-lot"), Mass: p.amount("mass-to")}}, Note: p.get("note")}
}

func (p *actPage) removedFields() {
	var what []frame.Choice
	for _, x := range []string{haccp.RemovedTrim, haccp.RemovedWaste, haccp.RemovedSample, haccp.RemovedStock} {
		what = append(what, frame.Choice{Code: x, Word: p.Word("removed", x)})
	}
	p.add("choice", "what", true, what...)
	p.add("amount", "mass", true, masses()...)
	p.add("select", "step", false, p.steps()...)
	p.add("area", "note", false)
}

func (p *actPage) removed(*fiber.Ctx) any {
	return &haccp.LotRemoved{Lot: p.Lot.Code, What: p.get("what"), Mass: p.amount("mass"), Step: p.get("step"), Note: p.get("note")}
}

func (p *actPage) holdFields() { p.add("area", "reason", true) }

func (p *actPage) hold(*fiber.Ctx) any {
	return &haccp.LotHeld{Reason: p.get("reason"), Lots: []haccp.HeldLot{{Lot: p.Lot.Code}}}
}

func (p *actPage) shipFields() {
	p.add("text", "consignee", true)
	p.add("text", "address", false)
	p.add("text", "phone", false)
	p.add("text", "document-kind", false)
	p.add("text", "document", false)
	p.add("text", "carrier", false)
	p.add("text", "prefix", false)
	p.add("number", "box-from", false).Hint = p.T("lotact.boxes-or-mass")
	p.add("number", "box-to", false)
	p.add("amount", "mass", false, masses()...).Hint = p.T("lotact.boxes-or-mass")
	p.add("choice", "all", true, p.yesNo()...)
	p.add("area", "note", false)
	p.members = map[string]string{"consignee.name": "consignee", "document.kind": "document-kind", "document.number": "document", "boxes": "box-from"}
}

func (p *actPage) ship(*fiber.Ctx) any {
	b := &haccp.LotShipped{Lot: p.Lot.Code, Consignee: haccp.Party{Name: p.get("consignee"), Address: p.get("address"), Phone: p.get("phone")}, Carrier: p.get("carrier"),
		Mass: p.amount("mass"), All: p.yes("all"), Note: p.get("note")}
	if p.get("document") != "" || p.get("document-kind") != "" {
		b.Document = &haccp.Document{Kind: p.get("document-kind"), Number: p.get("document")}
	}
	if from := p.get("box-from"); from != "" {
		to := p.get("box-to")
		if to == "" {
			to = from
		}
		b.Boxes = []haccp.BoxRange{{Prefix: p.get("prefix"), From: whole(from), To: whole(to)}}
	}
	return b
}

// moment reads a moment that the form of a link carries.
func moment(text string) time.Time {
	at, err := time.Parse(time.RFC3339Nano, text)
	if err != nil {
		return time.Time{}
	}
	return at
}
