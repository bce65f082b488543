package chart

import (
	"cmp"
	"slices"
	"strings"
)

// Merged says which nodes stand for others in a graph that was made smaller: by the key of each, the keys of all that it
// stands for, itself the first. A node that stands for itself alone is not listed.
type Merged map[string][]string

// Merge draws nodes of a group as one until a graph has at most so many: first those that come from and lead to the same
// nodes, then those that at least come from the same or lead to the same, then all of a group. A node without a group always stays.
func Merge(g Graph, most int) (Graph, Merged) {
	all := Merged{}
	for _, same := range []func(ins, outs string) string{
		func(ins, outs string) string { return ins + "\x00" + outs },
		func(ins, outs string) string {
			if outs != "" {
				return "\x01" + outs
			}
			return ins
		},
		func(_, _ string) string { return "" },
	} {
		if len(g.Nodes) <= most {
			break
		}
		g = merge(g, all, same)
	}
	return g, all
}

func merge(g Graph, all Merged, same func(ins, outs string) string) Graph {
	ins, outs := map[string][]string{}, map[string][]string{}
	for _, e := range g.Edges {
		ins[e.To], outs[e.From] = append(ins[e.To], e.From), append(outs[e.From], e.To)
	}
	text := func(list []string) string {
		slices.Sort(list)
		return strings.Join(slices.Compact(list), "\x02")
	}
	stands := map[string]string{} // node -> the one it is drawn as
	firsts := map[string]string{}
	var out Graph
	for _, n := range g.Nodes {
		key := n.Group + "\x03" + same(text(ins[n.Key]), text(outs[n.Key]))
		first, there := firsts[key]
		if n.Group == "" || !there {
			firsts[key], stands[n.Key] = n.Key, n.Key
			out.Nodes = append(out.Nodes, n)
			continue
		}
		stands[n.Key] = first
		own := all[n.Key]
		if own == nil {
			own = []string{n.Key}
		}
		if all[first] == nil {
			all[first] = []string{first}
		}
		all[first] = append(all[first], own...)
		delete(all, n.Key)
	}
	seen := map[Edge]bool{}
	for _, e := range g.Edges {
		x := Edge{From: stands[e.From], To: stands[e.To]}
		if x.From != "" && x.To != "" && x.From != x.To && !seen[x] {
			seen[x] = true
			out.Edges = append(out.Edges, x)
		}
	}
	slices.SortStableFunc(out.Edges, func(a, b Edge) int { return cmp.Or(cmp.Compare(a.From, b.From), cmp.Compare(a.To, b.To)) })
	return out
}
