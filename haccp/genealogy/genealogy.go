// Package genealogy follows product both ways, from a lot, a box or a lot of a material: what went into it, what became of
// it, and how much of its mass the records account for. It puts together what package haccp knows of lots, materials and
// shipments, as nodes and links for whoever draws or lists them, and as the result of an exercise.
//
// It answers from a state and the facts that Needs asks for; it does no input or output and reads no clock.
package genealogy

import (
	"cmp"
	"slices"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/lot"
	"linewarden/haccp/lot/recall"
	"linewarden/haccp/material"
)

// The ways to follow product.
const (
	Both     = "both"
	Backward = "backward"
	Forward  = "forward"
)

// Ways lists the ways to follow product, the default first.
func Ways() []string { return []string{Both, Backward, Forward} }

// The kinds of nodes.
const (
	Field     = "field"    // a lot that was received
	Made      = "lot"      // a lot that was made of others, or of which only later steps are recorded
	Material  = "material" // a lot of a material
	Boxes     = "boxes"    // all boxes filled from a lot
	Consignee = "consignee"
)

// The hows of links that are no feed of a lot into a lot.
const (
	UsedIn    = "used"    // a material in a step
	InWater   = "water"   // a material in the water of a bath that the lot passed
	FilledIn  = "filled"  // a lot into boxes
	ShippedTo = "shipped" // boxes or a lot to a consignee
)

// Node is something that product is, came from or went to.
type Node struct {
	Key   string    `json:"key"`
	Kind  string    `json:"kind"`
	Code  string    `json:"code"`            // of the lot; the name of a consignee
	Name  string    `json:"name,omitempty"`  // product, or id of the material
	From  string    `json:"from,omitempty"`  // source of a field lot, supplier of a material
	State string    `json:"state,omitempty"` // of a lot, or of a lot of a material
	Begin bool      `json:"begin,omitempty"` // the trace begins with it
	At    time.Time `json:"at,omitzero"`     // when it came to be
	// Cases are those that affect the lot, as the facts stand.
	Cases []string    `json:"cases,omitempty"`
	Boxes []lot.Boxes `json:"boxes,omitempty"`
	Count int64       `json:"count,omitempty"` // of boxes
	Mass  *lot.Mass   `json:"-"`               // received, or shipped to it, as far as weighed
	KG    string      `json:"kg,omitempty"`    // the same in kilograms
}

// Link is product or material that went from a node to another.
type Link struct {
	From      string      `json:"from"`
	To        string      `json:"to"`
	How       string      `json:"how"`
	At        time.Time   `json:"at"`
	Times     int         `json:"times,omitempty"` // how many records it adds up, where more than one
	Mass      *lot.Mass   `json:"-"`               // nil: not weighed, or not by mass
	KG        string      `json:"kg,omitempty"`
	Amount    string      `json:"amount,omitempty"`
	Boxes     []lot.Boxes `json:"boxes,omitempty"`
	Documents []string    `json:"documents,omitempty"`
	Records   []string    `json:"records,omitempty"` // ids
}

// Trace is what following product came upon.
type Trace struct {
	Subject recall.Subject
	Way     string
	Begin   []string // lots that it begins with, sorted
	Back    []string // with all that they were made of, sorted
	Ahead   []string // with all that was made of them, sorted
	Nodes   []Node   // field lots and materials first, by kind, time and code
	Links   []Link   // by time, from, to
	Unknown []string // lots that are named and not recorded

	state *haccp.State
	book  *lot.Book
	facts haccp.Facts
	now   time.Time
}

// Known reports whether anything is recorded of a subject.
func Known(s *haccp.State, x recall.Subject) bool {
	switch x.Kind {
	case recall.FromLot:
		return s.KnowsLot(x.Code)
	case recall.FromBox:
		return len(s.LotsOfBox(x.Code, x.Number)) > 0
	case recall.FromMaterial:
		_, ok := s.MaterialLot(x.Code)
		return ok
	}
	return false
}

// begins lists the lots that a subject stands for, as far as no facts are wanted for it.
func begins(s *haccp.State, x recall.Subject) []string {
	switch x.Kind {
	case recall.FromBox:
		return s.LotsOfBox(x.Code, x.Number)
	case recall.FromMaterial:
		var out []string
		if l, ok := s.MaterialLot(x.Code); ok {
			for i := range l.Uses {
				if c := l.Uses[i].Lot; c != "" {
					out = append(out, c)
				}
			}
		}
		slices.Sort(out)
		return slices.Compact(out)
	}
	return []string{x.Code}
}

// Needs asks for what a trace wants to know beyond a state. It is called until nothing more is wanted.
func Needs(s *haccp.State, x recall.Subject, f haccp.Facts) haccp.Need {
	codes := begins(s, x)
	if n := s.LotNeeds(codes, f); !n.Empty() || x.Kind == recall.FromMaterial {
		return n
	}
	with, need := s.WithLots(codes, f), haccp.Need{}
	for _, code := range codes {
		n := with.ReleaseNeeds(code, f)
		need.Ranges = append(need.Ranges, n.Ranges...)
		need.IDs, need.Leaves, need.Roots = append(need.IDs, n.IDs...), append(need.Leaves, n.Leaves...), append(need.Roots, n.Roots...)
	}
	return need
}

// Of traces a subject, with the facts that Needs asked for.
func Of(s *haccp.State, x recall.Subject, way string, f haccp.Facts, now time.Time) *Trace {
	codes := begins(s, x)
	with := s.WithLots(codes, f)
	var m *material.Lot
	if x.Kind == recall.FromMaterial {
		if m, _ = s.MaterialLot(x.Code); m != nil {
			codes = with.TouchedBy(m, f, now)
		}
	}
	t := &Trace{Subject: x, Way: way, Begin: codes, state: with, book: with.LotBook(), facts: f, now: now}
	back, ahead := t.book.Backward(codes...), t.book.Forward(codes...)
	t.Back, t.Ahead = back.Lots, ahead.Lots
	shown := map[string]bool{}
	var feeds []lot.Link
	if way != Forward && m == nil {
		feeds = append(feeds, back.Links...)
		t.Unknown = append(t.Unknown, back.Unknown...)
		mark(shown, back.Lots)
	}
	if way != Backward {
		feeds = append(feeds, ahead.Links...)
		t.Unknown = append(t.Unknown, ahead.Unknown...)
		mark(shown, ahead.Lots)
	}
	slices.Sort(t.Unknown)
	t.Unknown = slices.Compact(t.Unknown)
	t.lots(shown)
	t.feeds(feeds)
	switch {
	case m != nil:
		t.materialUses(m, shown)
	case way != Forward:
		t.materials()
	}
	if way != Backward {
		t.boxes()
	}
	t.sort()
	return t
}

func mark(shown map[string]bool, codes []string) {
	for _, c := range codes {
		shown[c] = true
	}
}

func lotKey(code string) string { return "lot:" + code }

// lots adds the nodes of lots.
func (t *Trace) lots(shown map[string]bool) {
	cases := map[string][]string{}
	for _, x := range t.state.Affected() {
		cases[x.Lot] = append(cases[x.Lot], x.Cause)
	}
	for code := range shown {
		l, ok := t.state.Lot(code)
		if !ok {
			continue
		}
		n := Node{Key: lotKey(code), Kind: Made, Code: code, Name: l.Product, State: l.State(), Begin: slices.Contains(t.Begin, code), At: l.Born(), Cases: cases[code]}
		if len(l.Received) > 0 {
			n.Kind = Field
			if l.Source != nil {
				n.From = l.Source.Name
			}
			n.Mass = received(&l.Lot)
		}
		t.Nodes = append(t.Nodes, n)
	}
}

func kilograms(m *lot.Mass) string {
	if m == nil {
		return ""
	}
	return m.Decimal()
}

func received(l *lot.Lot) *lot.Mass {
	var sum lot.Mass
	weighed := false
	for i := range l.Received {
		if m := l.Received[i].Mass; m != nil {
			sum, weighed = sum+*m, true
		}
	}
	if !weighed {
		return nil
	}
	return &sum
}

// feeds adds the links between lots, each feed of one lot into another once.
func (t *Trace) feeds(feeds []lot.Link) {
	slices.SortFunc(feeds, func(a, b lot.Link) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To), cmp.Compare(a.How, b.How), cmp.Compare(a.Feed, b.Feed))
	})
	feeds = slices.CompactFunc(feeds, func(a, b lot.Link) bool {
		return a.From == b.From && a.To == b.To && a.Feed == b.Feed && a.How == b.How && a.At.Equal(b.At)
	})
	for i := range feeds {
		k := &feeds[i]
		t.link(Link{From: lotKey(k.From), To: lotKey(k.To), How: k.How, At: k.At, Mass: k.Mass}, k.Feed)
	}
}

// link adds a link, to one that joins the same nodes in the same way where there is one.
func (t *Trace) link(k Link, record string) {
	i := slices.IndexFunc(t.Links, func(x Link) bool { return x.From == k.From && x.To == k.To && x.How == k.How })
	if i < 0 {
		k.Times = 1
		if record != "" {
			k.Records = []string{record}
		}
		t.Links = append(t.Links, k)
		return
	}
	x := &t.Links[i]
	x.Times++
	if record != "" && len(x.Records) < recall.Most {
		x.Records = append(x.Records, record)
	}
	if x.Mass != nil && k.Mass != nil {
		sum := *x.Mass + *k.Mass
		x.Mass = &sum
	} else {
		x.Mass = nil
	}
	x.Boxes, x.Documents = append(x.Boxes, k.Boxes...), append(x.Documents, k.Documents...)
	if x.Amount != k.Amount {
		x.Amount = ""
	}
}

// sort puts nodes and links in order and writes their masses.
func (t *Trace) sort() {
	for i := range t.Nodes {
		t.Nodes[i].KG = kilograms(t.Nodes[i].Mass)
	}
	for i := range t.Links {
		t.Links[i].KG, t.Links[i].Boxes = kilograms(t.Links[i].Mass), Joined(t.Links[i].Boxes)
	}
	order := []string{Field, Material, Made, Boxes, Consignee}
	slices.SortFunc(t.Nodes, func(a, b Node) int {
		return cmp.Or(cmp.Compare(slices.Index(order, a.Kind), slices.Index(order, b.Kind)), a.At.Compare(b.At), cmp.Compare(a.Key, b.Key))
	})
	slices.SortFunc(t.Links, func(a, b Link) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To), cmp.Compare(a.How, b.How))
	})
}
