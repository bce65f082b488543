package chart

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

// drawn makes any graph, circles and ends that are not there among it.
func drawn(t *rapid.T) Graph {
	var g Graph
	n := rapid.IntRange(1, 30).Draw(t, "nodes")
	for i := range n {
		g.Nodes = append(g.Nodes, Node{Key: fmt.Sprint("n", i), Lines: rapid.IntRange(1, 5).Draw(t, "lines"), Group: rapid.SampledFrom([]string{"", "a", "b"}).Draw(t, "group")})
	}
	for range rapid.IntRange(0, 50).Draw(t, "edges") {
		e := Edge{fmt.Sprint("n", rapid.IntRange(0, n).Draw(t, "from")), fmt.Sprint("n", rapid.IntRange(0, n).Draw(t, "to"))}
		if !slices.Contains(g.Edges, e) {
			g.Edges = append(g.Edges, e)
		}
	}
	return g
}

// at gives points along a line, as an SVG reader draws it: cubic curves between columns (de Casteljau), level through them.
func (l *Line) along() []Point {
	out := []Point{l.Points[0]}
	for i := 1; i < len(l.Points); i++ {
		p, q := l.Points[i-1], l.Points[i]
		mid := float64(p.X+q.X) / 2
		for k := 1; k <= 20; k++ {
			u := float64(k) / 20
			if i%2 == 0 {
				out = append(out, Point{p.X + int(u*float64(q.X-p.X)), p.Y})
				continue
			}
			a, b, c, d := (1-u)*(1-u)*(1-u), 3*u*(1-u)*(1-u), 3*u*u*(1-u), u*u*u
			out = append(out, Point{int(math.Round(a*float64(p.X) + b*mid + c*mid + d*float64(q.X))), int(math.Round((a+b)*float64(p.Y) + (c+d)*float64(q.Y)))})
		}
	}
	return out
}

func (b *Box) holds(p Point) bool { return p.X > b.X && p.X < b.X+b.W && p.Y > b.Y && p.Y < b.Y+b.H }

// Whatever the graph: no two boxes touch, no line runs through a box, everything lies in the picture, what leads to
// something stands left of it unless it closes a circle, labels of one side do not cover one another, and the same graph
// gives the same picture.
func TestLayout(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawn(t)
		p := Lay(g)
		for i := range p.Boxes {
			a := &p.Boxes[i]
			if a.X < 0 || a.Y < 0 || a.X+a.W > p.Width || a.Y+a.H > p.Height {
				t.Fatalf("%+v lies outside %d x %d", a, p.Width, p.Height)
			}
			for j := range i {
				b := &p.Boxes[j]
				if a.X < b.X+b.W && b.X < a.X+a.W && a.Y < b.Y+b.H && b.Y < a.Y+a.H {
					t.Fatalf("%+v covers %+v", a, b)
				}
			}
		}
		labels := map[[2]int]bool{}
		for i := range p.Lines {
			l := &p.Lines[i]
			for _, x := range l.along() {
				for j := range p.Boxes {
					if p.Boxes[j].holds(x) {
						t.Fatalf("the line of %+v runs through %+v at %+v", g.Edges[l.Edge], p.Boxes[j], x)
					}
				}
			}
			from, to := g.Edges[l.Edge].From, g.Edges[l.Edge].To
			if l.Back {
				from, to = to, from
			}
			if column(p, from) >= column(p, to) {
				t.Fatalf("%s stands in column %d, %s in %d", from, column(p, from), to, column(p, to))
			}
			at := [2]int{l.LabelX, l.LabelY}
			if labels[at] {
				t.Fatalf("two labels at %v", at)
			}
			labels[at] = true
			if l.LabelY < 0 || l.LabelY > p.Height {
				t.Fatalf("a label at %v", at)
			}
		}
		if !reflect.DeepEqual(p, Lay(g)) {
			t.Fatal("not the same again")
		}
	})
}

func column(p Picture, key string) int {
	return p.Boxes[slices.IndexFunc(p.Boxes, func(b Box) bool { return b.Key == key })].Column
}

// Merging leaves every node somewhere once, and no more nodes than asked for where groups allow it.
func TestMerge(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawn(t)
		most := rapid.IntRange(1, 30).Draw(t, "most")
		small, merged := Merge(g, most)
		var got []string
		alone := 0
		for _, n := range small.Nodes {
			if n.Group == "" {
				alone++
			}
			if all := merged[n.Key]; all != nil {
				got = append(got, all...)
			} else {
				got = append(got, n.Key)
			}
		}
		var want []string
		for _, n := range g.Nodes {
			want = append(want, n.Key)
		}
		slices.Sort(got)
		slices.Sort(want)
		if !slices.Equal(got, want) {
			t.Fatalf("%v, want %v", got, want)
		}
		if len(small.Nodes) > max(most, alone+2) {
			t.Fatalf("%d nodes, at most %d (%d stay)", len(small.Nodes), most, alone)
		}
		Lay(small)
	})
}

func TestNothing(t *testing.T) {
	if p := Lay(Graph{}); len(p.Boxes) != 0 || p.Height < 0 {
		t.Errorf("%+v", p)
	}
}

// A field lot split into two, one of them in boxes, an antioxidant beside: four columns, and the antioxidant stands just left of
// what it went into, not at the far left.
func TestColumns(t *testing.T) {
	g := Graph{Nodes: []Node{{Key: "field", Lines: 2}, {Key: "acid", Lines: 2}, {Key: "wash", Lines: 2}, {Key: "gel", Lines: 2}, {Key: "rest", Lines: 2}, {Key: "boxes", Lines: 2}},
		Edges: []Edge{{"field", "wash"}, {"wash", "gel"}, {"wash", "rest"}, {"acid", "gel"}, {"gel", "boxes"}, {"field", "boxes"}}}
	p := Lay(g)
	got := make([]string, 0, len(p.Boxes))
	for _, b := range p.Boxes {
		got = append(got, fmt.Sprint(b.Key, " ", b.Column))
	}
	if text := strings.Join(got, ", "); text != "field 0, acid 1, wash 1, gel 2, rest 2, boxes 3" {
		t.Error(text)
	}
	long := &p.Lines[5]
	if len(long.Points) != 6 || !strings.HasSuffix(long.Path(), "H872C938 169 938 101 1004 101") || !strings.HasPrefix(long.Path(), "M") {
		t.Errorf("%s %v", long.Path(), long.Points)
	}
}
