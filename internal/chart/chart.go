// Package chart turns numbers and links into pictures: it works out where everything stands, and leaves drawing to whoever
// has the words. The same input gives the same picture, to the last digit.
package chart

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
)

// Graph is things and what leads from one to another. The order of the nodes decides where nothing else does.
type Graph struct {
	Nodes []Node
	Edges []Edge
}

// Node is one thing, with the lines of text that stand in its box.
type Node struct {
	Key   string
	Lines int    // lines of text; the box grows with them
	Group string // nodes of one group may be drawn as one, where there are too many; "": never
}

// Edge leads from a node to another.
type Edge struct {
	From, To string
}

// Picture is a graph laid out in columns, left to right, in pixels. No two boxes touch, and no line runs through a box that it does
// not belong to.
type Picture struct {
	Width, Height int
	Boxes         []Box  // in the order of the nodes
	Lines         []Line // in the order of the edges; those from or to a node that is not there are left out
}

// Box is where a node stands.
type Box struct {
	Key        string
	Column     int
	X, Y, W, H int
}

// Line is the way of an edge: smooth between columns, level through them.
type Line struct {
	Edge   int // its index among the edges
	Points []Point
	// LabelX and LabelY are where a short label stands clear of others: right of the first box, or left of the last where
	// AtEnd is set.
	LabelX, LabelY int
	AtEnd          bool
	Back           bool // it closes a circle and is drawn against its direction
}

// Point is a corner of a line.
type Point struct{ X, Y int }

// Sizes of a picture, in pixels.
const (
	BoxWidth  = 200
	LineText  = 18 // height of a line of text
	padding   = 12
	gapX      = 132 // between columns: room for a label
	gapY      = 18
	port      = 16 // between lines at one side of a box
	laneTall  = 10 // of a line that passes a column
	margin    = 8
	labelLift = 4
	labelSide = 6
)

// Path writes the line as the data of an SVG path.
func (l *Line) Path() string {
	var b strings.Builder
	fmt.Fprintf(&b, "M%d %d", l.Points[0].X, l.Points[0].Y)
	for i := 1; i < len(l.Points); i++ {
		p, q := l.Points[i-1], l.Points[i]
		if i%2 == 0 || p.Y == q.Y { // through a column
			fmt.Fprintf(&b, "H%d", q.X)
			continue
		}
		mid := (p.X + q.X) / 2
		fmt.Fprintf(&b, "C%d %d %d %d %d %d", mid, p.Y, mid, q.Y, q.X, q.Y)
	}
	return b.String()
}

// layout is a graph on its way to a picture. Slots are nodes and the places where lines pass a column.
type layout struct {
	g       Graph
	at      map[string]int // node -> index
	edges   []laid
	column  []int
	slots   []slot
	columns [][]int // slots by column, top to bottom
}

type laid struct {
	edge     int
	from, to int // nodes, in the direction it is drawn
	back     bool
	via      []int // slots between
}

type slot struct {
	node int // -1: a line passes
	x, y int
	h    int
	in   []int // edges that come in here, and go out
	out  []int
}

// Lay lays a graph out.
func Lay(g Graph) Picture {
	l := &layout{g: g, at: map[string]int{}}
	for i := range g.Nodes {
		l.at[g.Nodes[i].Key] = i
	}
	l.takeEdges()
	l.takeColumns()
	l.takeSlots()
	l.order()
	return l.draw()
}

// takeEdges turns the edges that close a circle around.
func (l *layout) takeEdges() {
	outs := make([][]int, len(l.g.Nodes))
	for i, e := range l.g.Edges {
		from, ok := l.at[e.From]
		to, also := l.at[e.To]
		if !ok || !also || from == to {
			continue
		}
		outs[from] = append(outs[from], len(l.edges))
		l.edges = append(l.edges, laid{edge: i, from: from, to: to})
	}
	const open, done = 1, 2
	mark := make([]int, len(l.g.Nodes))
	var visit func(int)
	visit = func(n int) {
		mark[n] = open
		for _, i := range outs[n] {
			switch e := &l.edges[i]; mark[e.to] {
			case open:
				e.back = true
			case 0:
				visit(e.to)
			}
		}
		mark[n] = done
	}
	for n := range l.g.Nodes {
		if mark[n] == 0 {
			visit(n)
		}
	}
	for i := range l.edges {
		if e := &l.edges[i]; e.back {
			e.from, e.to = e.to, e.from
		}
	}
}

// takeColumns puts every node right of all that lead to it, and what nothing leads to just left of the first it leads to.
func (l *layout) takeColumns() {
	l.column = make([]int, len(l.g.Nodes))
	for changed := true; changed; { // ends, since no circle is left
		changed = false
		for _, e := range l.edges {
			if l.column[e.to] <= l.column[e.from] {
				l.column[e.to], changed = l.column[e.from]+1, true
			}
		}
	}
	first := make([]int, len(l.g.Nodes))
	led := make([]bool, len(l.g.Nodes))
	for _, e := range l.edges {
		led[e.to] = true
		if first[e.from] == 0 || l.column[e.to] < first[e.from] {
			first[e.from] = l.column[e.to]
		}
	}
	for n := range l.g.Nodes {
		if !led[n] && first[n] > 0 {
			l.column[n] = first[n] - 1
		}
	}
}

func (l *layout) takeSlots() {
	last := 0
	for n := range l.g.Nodes {
		last = max(last, l.column[n])
	}
	l.columns = make([][]int, last+1)
	put := func(s slot, column int) int {
		l.slots = append(l.slots, s)
		l.columns[column] = append(l.columns[column], len(l.slots)-1)
		return len(l.slots) - 1
	}
	for n := range l.g.Nodes {
		put(slot{node: n, h: 2*padding + LineText*l.g.Nodes[n].Lines}, l.column[n])
	}
	for i := range l.edges {
		e := &l.edges[i]
		l.slots[e.from].out = append(l.slots[e.from].out, i)
		for c := l.column[e.from] + 1; c < l.column[e.to]; c++ {
			e.via = append(e.via, put(slot{node: -1, h: laneTall, in: []int{i}, out: []int{i}}, c))
		}
		l.slots[e.to].in = append(l.slots[e.to].in, i)
	}
	for n := range l.g.Nodes {
		s := &l.slots[n]
		s.h = max(s.h, port*(max(len(s.in), len(s.out))+1))
	}
}

// sweeps is how often the order within the columns is bettered, each time by both neighbours.
const sweeps = 6

// order puts the slots of each column near the middle of what they are tied to in the column beside, so that few lines cross.
func (l *layout) order() {
	place := make([]float64, len(l.slots))
	note := func() {
		for _, col := range l.columns {
			for i, s := range col {
				place[s] = (float64(i) + 0.5) / float64(len(col))
			}
		}
	}
	note()
	for range sweeps {
		for c := 1; c < len(l.columns); c++ {
			l.sort(c, place, func(s *slot) []int { return s.in }, l.before)
			note()
		}
		for c := len(l.columns) - 2; c >= 0; c-- {
			l.sort(c, place, func(s *slot) []int { return s.out }, l.after)
			note()
		}
	}
}

func (l *layout) sort(c int, place []float64, edges func(*slot) []int, next func(edge, slot int) int) {
	want := map[int]float64{}
	for _, s := range l.columns[c] {
		ties := edges(&l.slots[s])
		sum := 0.0
		for _, e := range ties {
			sum += place[next(e, s)]
		}
		want[s] = place[s]
		if len(ties) > 0 {
			want[s] = sum / float64(len(ties))
		}
	}
	slices.SortStableFunc(l.columns[c], func(a, b int) int { return cmp.Compare(want[a], want[b]) })
}

// before is the slot of an edge in the column before that of a slot, after the one in the column after it.
func (l *layout) before(edge, s int) int {
	e := &l.edges[edge]
	i := slices.Index(e.via, s)
	switch {
	case i > 0:
		return e.via[i-1]
	case i < 0 && len(e.via) > 0:
		return e.via[len(e.via)-1]
	}
	return e.from
}

func (l *layout) after(edge, s int) int {
	e := &l.edges[edge]
	i := slices.Index(e.via, s)
	switch {
	case i >= 0 && i < len(e.via)-1:
		return e.via[i+1]
	case i < 0 && len(e.via) > 0:
		return e.via[0]
	}
	return e.to
}

// draw gives every slot its place, and every line its way.
func (l *layout) draw() Picture {
	p := Picture{Width: 2*margin + len(l.columns)*BoxWidth + (len(l.columns)-1)*gapX}
	tall := make([]int, len(l.columns))
	for c, col := range l.columns {
		for _, s := range col {
			tall[c] += l.slots[s].h + gapY
		}
		tall[c] = max(0, tall[c]-gapY)
		p.Height = max(p.Height, tall[c]+2*margin)
	}
	rank := make([]int, len(l.slots))
	for c, col := range l.columns {
		y := (p.Height - tall[c]) / 2
		for i, s := range col {
			l.slots[s].x, l.slots[s].y = margin+c*(BoxWidth+gapX), y
			y += l.slots[s].h + gapY
			rank[s] = i
		}
	}
	for n := range l.g.Nodes {
		s := &l.slots[n]
		p.Boxes = append(p.Boxes, Box{Key: l.g.Nodes[n].Key, Column: l.column[n], X: s.x, Y: s.y, W: BoxWidth, H: s.h})
		slices.SortStableFunc(s.out, func(a, b int) int { return cmp.Compare(rank[l.after(a, n)], rank[l.after(b, n)]) })
		slices.SortStableFunc(s.in, func(a, b int) int { return cmp.Compare(rank[l.before(a, n)], rank[l.before(b, n)]) })
	}
	for i := range l.edges {
		p.Lines = append(p.Lines, l.line(i))
	}
	return p
}

// line follows an edge from the right side of its first box through the columns between to the left side of its last.
func (l *layout) line(i int) Line {
	e := &l.edges[i]
	from, to := &l.slots[e.from], &l.slots[e.to]
	out := Line{Edge: e.edge, Back: e.back}
	a := Point{from.x + BoxWidth, from.y + side(from.h, len(from.out), slices.Index(from.out, i))}
	b := Point{to.x, to.y + side(to.h, len(to.in), slices.Index(to.in, i))}
	out.Points = append(out.Points, a)
	for _, v := range e.via {
		s := &l.slots[v]
		out.Points = append(out.Points, Point{s.x, s.y + s.h/2}, Point{s.x + BoxWidth, s.y + s.h/2})
	}
	out.Points = append(out.Points, b)
	out.LabelX, out.LabelY = a.X+labelSide, a.Y-labelLift
	if len(from.out) > len(to.in) {
		out.LabelX, out.LabelY, out.AtEnd = b.X-2*labelSide, b.Y-labelLift, true
	}
	return out
}

// side is how far down a side of a box the nth of some lines begins.
func side(h, n, nth int) int { return h * (nth + 1) / (n + 1) }
