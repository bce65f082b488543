package tracing

import (
	"slices"
	"strconv"

	"linewarden/haccp/genealogy"
	"linewarden/haccp/lot"
	"linewarden/internal/chart"
	"linewarden/internal/web/frame"
)

// Picture is a trace as it is drawn: boxes with words, and lines with what went over them.
type Picture struct {
	Width, Height int
	Boxes         []Drawn
	Lines         []DrawnLine
	Merged        int // nodes that are drawn together with others
}

// Drawn is a node in the picture.
type Drawn struct {
	chart.Box
	Kind, Path, Full string
	Lines            []DrawnText
	Mark, Word       string
	MarkX, MarkY     int
	WordX, WordY     int
	AffX, AffY       int
	Begin, Affected  bool
}

// DrawnText is a line of text.
type DrawnText struct {
	X, Y  int
	Text  string
	Style string // over, name or plain
}

// DrawnLine is a link in the picture.
type DrawnLine struct {
	D, Label       string
	LabelX, LabelY int
	AtEnd, Back    bool
	Water          bool
}

// mostDrawn is how many boxes a picture has before nodes that are alike are drawn as one.
const mostDrawn = 40

// letters that fit into a box, of the name and of the other lines, and beside a line.
const (
	nameLetters  = 17
	plainLetters = 23
	labelLetters = 14
)

// picture lays a trace out.
func (t *Tracing) picture(f *frame.Frame, tr *genealogy.Trace) *Picture {
	var g chart.Graph
	nodes, texts := map[string]*genealogy.Node{}, map[string][]DrawnText{}
	for i := range tr.Nodes {
		n := &tr.Nodes[i]
		nodes[n.Key], texts[n.Key] = n, textsOf(f, n)
		x := chart.Node{Key: n.Key, Lines: len(texts[n.Key]), Group: n.Kind}
		if n.Begin && len(tr.Begin) < mostDrawn/2 {
			x.Group = ""
		}
		if n.State != "" {
			x.Lines++
		}
		if len(n.Cases) > 0 {
			x.Lines++
		}
		g.Nodes = append(g.Nodes, x)
	}
	for i := range tr.Links {
		e := chart.Edge{From: tr.Links[i].From, To: tr.Links[i].To}
		if !slices.Contains(g.Edges, e) {
			g.Edges = append(g.Edges, e)
		}
	}
	g, merged := chart.Merge(g, mostDrawn)
	for i := range g.Nodes {
		if all := merged[g.Nodes[i].Key]; all != nil {
			g.Nodes[i].Lines = 2 + lines(nodes, all)
		}
	}
	laid := chart.Lay(g)
	p := &Picture{Width: laid.Width, Height: laid.Height, Merged: len(tr.Nodes) - len(g.Nodes)}
	for _, b := range laid.Boxes {
		if all := merged[b.Key]; all != nil {
			p.Boxes = append(p.Boxes, together(f, b, nodes, all))
			continue
		}
		p.Boxes = append(p.Boxes, t.drawn(f, b, nodes[b.Key], texts[b.Key]))
	}
	for i := range laid.Lines {
		p.Lines = append(p.Lines, drawnLine(f, tr, g.Edges[laid.Lines[i].Edge], merged, &laid.Lines[i]))
	}
	return p
}

// lines says whether a box of several nodes has a line that some of them are affected or on hold.
func lines(nodes map[string]*genealogy.Node, all []string) int {
	if affected(nodes, all) > 0 {
		return 1
	}
	return 0
}

func affected(nodes map[string]*genealogy.Node, all []string) (n int) {
	for _, key := range all {
		if len(nodes[key].Cases) > 0 {
			n++
		}
	}
	return n
}

// textsOf words the lines of a node: what it is, its name, and what helps to know it.
func textsOf(f *frame.Frame, n *genealogy.Node) []DrawnText {
	out := []DrawnText{{Text: f.T("trace.kind-" + n.Kind), Style: "over"}, {Text: short(titleOf(f, n), nameLetters), Style: "name"}}
	add := func(text string) {
		if text != "" {
			out = append(out, DrawnText{Text: short(text, plainLetters), Style: "plain"})
		}
	}
	switch n.Kind {
	case genealogy.Field:
		add(n.From)
		if n.Mass != nil {
			add(n.Mass.String())
		}
	case genealogy.Material:
		add(nameOf(f, n))
	case genealogy.Made:
		add(n.Name)
	case genealogy.Boxes:
		add(f.Count("boxes", n.Count))
	case genealogy.Consignee:
		if n.Count > 0 {
			add(f.Count("boxes", n.Count))
		}
		if n.Mass != nil {
			add(n.Mass.String())
		}
	}
	return out
}

// drawn puts the words of a node into its box.
func (t *Tracing) drawn(f *frame.Frame, b chart.Box, n *genealogy.Node, texts []DrawnText) Drawn {
	d := Drawn{Box: b, Kind: n.Kind, Path: pathTo(n), Begin: n.Begin, Affected: len(n.Cases) > 0}
	d.Full = f.T("trace.kind-"+n.Kind) + " " + titleOf(f, n)
	d.Mark, d.Word = stateOf(f, n)
	d.put(texts)
	if d.Word != "" {
		d.Full += ", " + d.Word
	}
	if d.Affected {
		d.Full += ", " + f.T("trace.affected")
	}
	return d
}

// together is the box of nodes that are drawn as one.
func together(f *frame.Frame, b chart.Box, nodes map[string]*genealogy.Node, all []string) Drawn {
	first := nodes[all[0]]
	count := strconv.Itoa(len(all))
	d := Drawn{Box: b, Kind: first.Kind, Path: "#listed", Affected: affected(nodes, all) > 0, Full: f.T("trace.together-"+first.Kind, "count", count)}
	d.put([]DrawnText{{Text: f.T("trace.kind-" + first.Kind), Style: "over"}, {Text: short(d.Full, nameLetters), Style: "name"}})
	return d
}

// put sets the lines of text one under the other, the state and the word "affected" last.
func (d *Drawn) put(texts []DrawnText) {
	y := d.Y + 12
	for i := range texts {
		y += chart.LineText
		d.Lines = append(d.Lines, DrawnText{X: d.X + 12, Y: y - 5, Text: texts[i].Text, Style: texts[i].Style})
	}
	if d.Word != "" {
		d.MarkX, d.MarkY, d.WordX, d.WordY = d.X+12, y+1, d.X+34, y+chart.LineText-5
		y += chart.LineText
	}
	d.AffX, d.AffY = d.X+12, y+1
}

// drawnLine words what went over a line, adding up the links that it stands for.
func drawnLine(f *frame.Frame, tr *genealogy.Trace, e chart.Edge, merged chart.Merged, l *chart.Line) DrawnLine {
	out := DrawnLine{D: l.Path(), LabelX: l.LabelX, LabelY: l.LabelY, AtEnd: l.AtEnd, Back: l.Back, Water: true}
	from, to := standsFor(merged, e.From), standsFor(merged, e.To)
	var sum lot.Mass
	var one *genealogy.Link
	n, weighed := 0, true
	for i := range tr.Links {
		k := &tr.Links[i]
		if !slices.Contains(from, k.From) || !slices.Contains(to, k.To) {
			continue
		}
		one, n = k, n+1
		out.Water = out.Water && k.How == genealogy.InWater
		if k.Mass == nil {
			weighed = false
		} else {
			sum += *k.Mass
		}
	}
	switch {
	case n == 1 && one.How != genealogy.FilledIn && one.How != genealogy.InWater:
		out.Label = amountOf(f, one)
	case n == 1 && one.How == genealogy.InWater:
		out.Label = f.T("trace.in-water")
	case n > 1 && weighed:
		out.Label = sum.String()
	}
	out.Label = short(out.Label, labelLetters)
	return out
}

func standsFor(merged chart.Merged, key string) []string {
	if all := merged[key]; all != nil {
		return all
	}
	return []string{key}
}

// short cuts a text to so many letters.
func short(s string, most int) string {
	r := []rune(s)
	if len(r) <= most {
		return s
	}
	return string(r[:most-1]) + "…"
}
