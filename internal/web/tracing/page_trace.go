package tracing

import (
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/gofiber/fiber/v2"

	"linewarden/haccp"
	"linewarden/haccp/genealogy"
	"linewarden/haccp/lot"
	"linewarden/haccp/lot/recall"
	"linewarden/internal/web/frame"
)

// DoorPage asks what to trace.
type DoorPage struct {
	*frame.Frame
	Kind, Code, Number string
	Kinds              []frame.Choice
	Start              bool // of an exercise
	Form               frame.Form
	Reason             string
	Within             string
}

// TracePage is a trace as a picture and as tables.
type TracePage struct {
	*frame.Frame
	Title    string
	Ways     []Link
	Picture  *Picture
	Numbers  []frame.What
	Caveats  []string
	Nodes    []Row
	Links    []Row
	Left     int // rows that are not shown
	Exercise string
	Back     Link // to the file of what it begins with
}

// Link leads somewhere.
type Link struct {
	Path, Text string
	Here       bool
}

// Row is a node or a link in a table.
type Row struct {
	What, Text, Path, Mark, Word string
	From, To, FromPath, ToPath   string
	Amount, When, Note           string
	Affected                     bool
}

// mostRows bounds a table; what is left out is counted.
const mostRows = 500

// marks give the shape of a state of a lot of product or of a material; the word always stands beside it.
var marks = map[string]string{haccp.LotInProcess: "open", haccp.LotOnHold: "outside", haccp.LotReleased: "inside", haccp.LotShippedAs: "closed",
	haccp.LotReworked: "closed", haccp.LotDiverted: "closed", haccp.LotDestroyed: "closed", haccp.LotUsedUp: "closed",
	"received": "open", "approved": "inside", "rejected": "outside", "expired": "outside"}

func (t *Tracing) door(c *fiber.Ctx, f *frame.Frame) error {
	p := newDoor(c, f)
	if p.Code != "" || p.Number != "" {
		if x, err := subjectOf(f, p.Kind, p.Code, p.Number); err == nil && genealogy.Known(f.State, x) {
			return t.Pages.Redirect(c, pathOf(x, ""))
		}
		p.Problem = f.T("refusal.unknown-subject")
		return t.Pages.Show(c, fiber.StatusNotFound, "tracedoor", f.T("trace.title"), p)
	}
	return t.Pages.Show(c, fiber.StatusOK, "tracedoor", f.T("trace.title"), p)
}

func newDoor(c *fiber.Ctx, f *frame.Frame) *DoorPage {
	get := func(name string) string {
		if c.Method() == fiber.MethodPost {
			return strings.TrimSpace(c.FormValue(name))
		}
		return strings.TrimSpace(c.Query(name))
	}
	p := &DoorPage{Frame: f, Kind: get("kind"), Code: get("code"), Number: get("number"), Form: frame.NewForm()}
	if !slices.Contains(recall.Kinds(), p.Kind) {
		p.Kind = recall.FromBox
	}
	for _, k := range []string{recall.FromBox, recall.FromLot, recall.FromMaterial} {
		p.Kinds = append(p.Kinds, frame.Choice{Code: k, Word: f.T("trace.of-" + k), Chosen: k == p.Kind})
	}
	if f.Plan != nil && !f.Plan.Recall.Within.IsZero() {
		p.Within = f.Plan.Recall.Within.String()
	}
	return p
}

// subjectOf reads what a trace begins with.
func subjectOf(f *frame.Frame, kind, code, number string) (recall.Subject, error) {
	x := recall.Subject{Kind: kind, Code: code}
	if kind != recall.FromBox {
		return x, nil
	}
	n, err := strconv.ParseInt(number, 10, 64)
	if err != nil || n < 1 {
		return x, &haccp.Refusal{Kind: haccp.ErrInvalid, Field: "number", Code: "bad-box-number", Message: f.T("refusal.bad-box-number")}
	}
	x.Number = n
	return x, nil
}

// pathOf is the address of a trace.
func pathOf(x recall.Subject, way string) string {
	q := url.Values{}
	if x.Code != "" {
		q.Set("code", x.Code)
	}
	if x.Kind == recall.FromBox {
		q.Set("number", strconv.FormatInt(x.Number, 10))
	}
	if way != "" && way != genealogy.Both {
		q.Set("way", way)
	}
	return "/trace/" + x.Kind + "?" + q.Encode()
}

func (t *Tracing) traceShow(c *fiber.Ctx, f *frame.Frame) error {
	kind := c.Params("kind")
	if !slices.Contains(recall.Kinds(), kind) {
		return noPage(f)
	}
	x, err := subjectOf(f, kind, c.Query("code"), c.Query("number"))
	if err != nil {
		return err
	}
	way := c.Query("way", genealogy.Both)
	if !slices.Contains(genealogy.Ways(), way) {
		return noPage(f)
	}
	tr, err := t.follow(c, f, x, way)
	if err != nil {
		return err
	}
	p := &TracePage{Frame: f, Title: f.T("trace.title-"+kind, "name", x.Name())}
	for _, w := range genealogy.Ways() {
		p.Ways = append(p.Ways, Link{pathOf(x, w), f.T("trace.way-" + w), w == way})
	}
	p.Picture = t.picture(f, tr)
	p.rows(tr)
	r := tr.Result()
	p.Numbers = numbers(f, &r)
	p.Caveats = caveats(f, &r)
	if f.May(haccp.AskExerciseStart) {
		p.Exercise = "/exercises/new?kind=" + kind + "&" + strings.TrimPrefix(pathOf(x, ""), "/trace/"+kind+"?")
	}
	p.Back = Link{Path: "/lots/" + url.PathEscape(x.Code), Text: f.T("trace.file")}
	switch kind {
	case recall.FromMaterial:
		p.Back.Path = "/materials/lots/" + url.PathEscape(x.Code)
	case recall.FromBox:
		p.Back = Link{}
	}
	return t.Pages.Show(c, fiber.StatusOK, "trace", p.Title, p)
}

// pathTo is the address of what a node is.
func pathTo(n *genealogy.Node) string {
	switch n.Kind {
	case genealogy.Material:
		return "/materials/lots/" + url.PathEscape(n.Code)
	case genealogy.Consignee:
		return ""
	case genealogy.Boxes:
		if len(n.Boxes) > 0 {
			return pathOf(recall.Subject{Kind: recall.FromBox, Code: n.Boxes[0].Prefix, Number: n.Boxes[0].From}, "")
		}
	}
	return "/lots/" + url.PathEscape(n.Code)
}

// nameOf gives the name of a material in the plan, of anything else the name that it has.
func nameOf(f *frame.Frame, n *genealogy.Node) string {
	if n.Kind != genealogy.Material || n.Name == "" {
		return n.Name
	}
	return f.MaterialName(n.Name)
}

// stateOf words how a node stands.
func stateOf(f *frame.Frame, n *genealogy.Node) (mark, word string) {
	if n.State == "" {
		return "", ""
	}
	group := "lot"
	if n.Kind == genealogy.Material {
		group = "materialstate"
	}
	return marks[n.State], f.Word(group, n.State)
}

// boxText words runs of boxes, at most so many of them.
func boxText(f *frame.Frame, runs []lot.Boxes, most int) string {
	var out []string
	for i, b := range runs {
		if i == most {
			out = append(out, f.T("trace.more-runs", "count", strconv.Itoa(len(runs)-most)))
			break
		}
		text := b.Prefix + strconv.FormatInt(b.From, 10)
		if b.To > b.From {
			text += "–" + b.Prefix + strconv.FormatInt(b.To, 10)
		}
		out = append(out, text)
	}
	return strings.Join(out, ", ")
}

// titleOf is the first line of a node.
func titleOf(f *frame.Frame, n *genealogy.Node) string {
	if n.Kind == genealogy.Boxes {
		return boxText(f, n.Boxes, 1)
	}
	return n.Code
}

// rows fills the tables.
func (p *TracePage) rows(tr *genealogy.Trace) {
	f, names, paths := p.Frame, map[string]string{}, map[string]string{}
	for i := range tr.Nodes {
		n := &tr.Nodes[i]
		names[n.Key], paths[n.Key] = f.T("trace.kind-"+n.Kind)+" "+titleOf(f, n), pathTo(n)
		r := Row{What: f.T("trace.kind-" + n.Kind), Text: titleOf(f, n), Path: pathTo(n), Affected: len(n.Cases) > 0, When: f.At(n.At)}
		if n.At.IsZero() {
			r.When = ""
		}
		r.Mark, r.Word = stateOf(f, n)
		var notes []string
		for _, s := range []string{nameOf(f, n), n.From} {
			if s != "" {
				notes = append(notes, s)
			}
		}
		if n.Begin {
			notes = append(notes, f.T("trace.begins"))
		}
		if n.Kind == genealogy.Boxes {
			r.Text = boxText(f, n.Boxes, 6)
		}
		if n.Count > 0 {
			notes = append(notes, f.Count("boxes", n.Count))
		}
		r.Note = strings.Join(notes, " · ")
		if n.Mass != nil {
			r.Amount = n.Mass.String()
		}
		p.Nodes = append(p.Nodes, r)
	}
	for i := range tr.Links {
		k := &tr.Links[i]
		r := Row{What: f.Word("fed", k.How), From: names[k.From], To: names[k.To], FromPath: paths[k.From], ToPath: paths[k.To], Amount: amountOf(f, k), When: f.At(k.At)}
		if k.At.IsZero() {
			r.When = ""
		}
		var notes []string
		if len(k.Boxes) > 0 && k.How == genealogy.ShippedTo {
			notes = append(notes, boxText(f, k.Boxes, 6))
		}
		notes = append(notes, k.Documents...)
		if k.Times > 1 {
			notes = append(notes, f.Count("records", int64(k.Times)))
		}
		r.Note = strings.Join(notes, " · ")
		p.Links = append(p.Links, r)
	}
	p.Left = max(0, len(p.Nodes)-mostRows) + max(0, len(p.Links)-mostRows)
	p.Nodes, p.Links = p.Nodes[:min(len(p.Nodes), mostRows)], p.Links[:min(len(p.Links), mostRows)]
}

// amountOf words how much went over a link; that nobody weighed it is said, not left out.
func amountOf(f *frame.Frame, k *genealogy.Link) string {
	switch {
	case k.Mass != nil:
		return k.Mass.String()
	case k.Amount != "":
		return f.Pieces(k.Amount)
	case k.How == genealogy.FilledIn:
		return f.Count("boxes", genealogy.CountOf(k.Boxes))
	case k.How == genealogy.InWater || k.How == genealogy.UsedIn:
		return ""
	}
	return f.T("trace.not-weighed")
}
