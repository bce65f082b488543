package planfile

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// start is where a node begins; for a list or mapping, where its first entry does.
func start(n ast.Node) position {
	switch n := n.(type) {
	case nil:
		return position{1, 1}
	case *ast.MappingNode:
		if !n.IsFlowStyle && len(n.Values) > 0 {
			return start(n.Values[0])
		}
	case *ast.MappingValueNode:
		return at(n.Key.GetToken())
	}
	return at(n.GetToken())
}

func isMapping(n ast.Node) bool {
	switch n.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return true
	}
	return false
}

// entries lists the pairs of a mapping; the library gives a single pair a type of its own.
func entries(n ast.Node) []*ast.MappingValueNode {
	switch n := n.(type) {
	case *ast.MappingNode:
		return n.Values
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}
	}
	return nil
}

func isScalar(n ast.Node) bool {
	_, ok := rawText(n)
	return ok
}

// rawText returns a scalar as it stands in the file, without its quotes. Numbers keep their zeros.
func rawText(n ast.Node) (string, bool) {
	switch n := n.(type) {
	case *ast.StringNode:
		return n.Value, true
	case *ast.LiteralNode:
		return n.Value.Value, true
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return n.GetToken().Value, true
	}
	return "", false
}

func isText(n ast.Node) bool {
	switch n.(type) {
	case *ast.StringNode, *ast.LiteralNode:
		return true
	}
	return false
}

// kindOf says in a person's words what a node is.
func kindOf(n ast.Node) string {
	switch n := n.(type) {
	case nil, *ast.NullNode:
		return "nothing"
	case *ast.MappingNode, *ast.MappingValueNode:
		return "keys and values"
	case *ast.SequenceNode:
		return "a list"
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return "the number " + n.GetToken().Value
	case *ast.BoolNode:
		return n.GetToken().Value
	case *ast.StringNode, *ast.LiteralNode:
		raw, _ := rawText(n)
		return fmt.Sprintf("the text %q", shorten(raw))
	}
	return "a " + n.Type().String()
}

func shorten(s string) string {
	const limit = 40
	r := []rune(s)
	if len(r) <= limit {
		return s
	}
	return string(r[:limit]) + "…"
}

func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// fieldsOf maps the keys of a type of the plan to its fields.
func fieldsOf(t reflect.Type) map[string]int {
	m := make(map[string]int, t.NumField())
	for i := range t.NumField() {
		if key := t.Field(i).Tag.Get("yaml"); key != "" {
			m[key] = i
		}
	}
	return m
}

// keys lists the keys of a type in the order of its fields.
func keys(t reflect.Type) []string {
	var out []string
	for field := range t.Fields() {
		if key := field.Tag.Get("yaml"); key != "" {
			out = append(out, key)
		}
	}
	return out
}

// suggest finds the known key nearest to a wrong one, if any is near, and says what would be right.
func suggest(key string, known []string) (best, fix string) {
	least := 3
	for _, k := range known {
		if n := distance(strings.ToLower(key), k); n < least && n < len(k) {
			best, least = k, n
		}
	}
	if best != "" {
		return best, fmt.Sprintf("did you mean %q?", best)
	}
	return "", "known here: " + strings.Join(known, ", ")
}

// distance counts the single-letter changes between two keys (Levenshtein), for keys of sensible length.
func distance(a, b string) int {
	if len(a) > 60 || len(b) > 60 {
		return 60
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		prev := slices.Clone(row)
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			row[j+1] = min(prev[j]+cost, prev[j+1]+1, row[j]+1)
		}
	}
	return row[len(b)]
}
