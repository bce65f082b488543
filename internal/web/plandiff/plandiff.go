// Package plandiff lists for people what differs between two versions of a plan.
package plandiff

import (
	"cmp"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"linewarden/haccp/plan"
	"linewarden/internal/web/frame"
)

// Of lists what differs between two versions of a plan. Parts of a list that have an id are matched by it,
// wherever they stand in the list.
func Of(f *frame.Frame, was, now *plan.Plan) ([]frame.Changed, error) {
	a, err := plainPlan(was)
	if err != nil {
		return nil, err
	}
	b, err := plainPlan(now)
	if err != nil {
		return nil, err
	}
	d := &differ{f: f}
	d.compare(nil, a, b)
	return d.out, nil
}

func plainPlan(p *plan.Plan) (any, error) {
	b, err := json.Marshal(p)
	if err != nil {
		return nil, fmt.Errorf("compare plans: %w", err)
	}
	var v any
	if err := json.Unmarshal(b, &v); err != nil {
		return nil, fmt.Errorf("compare plans: %w", err)
	}
	return v, nil
}

type differ struct {
	f   *frame.Frame
	out []frame.Changed
}

func (d *differ) compare(path []string, a, b any) {
	x, isMap := a.(map[string]any)
	y, bothMaps := b.(map[string]any)
	s, isList := a.([]any)
	t, bothLists := b.([]any)
	switch {
	case isMap && bothMaps && !measured(x) && !measured(y):
		d.members(path, x, y)
	case isList && bothLists && named(s) && named(t):
		d.parts(path, s, t)
	default:
		if p, q := d.plain(a), d.plain(b); p != q {
			d.out = append(d.out, frame.Changed{What: strings.Join(path, " › "), Old: cmp.Or(p, "–"), New: cmp.Or(q, "–")})
		}
	}
}

func (d *differ) members(path []string, x, y map[string]any) {
	keys := map[string]bool{}
	for k := range x {
		keys[k] = true
	}
	for k := range y {
		keys[k] = true
	}
	for _, k := range slices.Sorted(maps.Keys(keys)) {
		d.compare(append(slices.Clone(path), d.word(k)), x[k], y[k])
	}
}

// parts compares two lists whose parts have ids.
func (d *differ) parts(path []string, s, t []any) {
	at := func(list []any, id string) any {
		for _, v := range list {
			if idOf(v) == id {
				return v
			}
		}
		return nil
	}
	var ids []string
	for _, v := range append(slices.Clone(s), t...) {
		if id := idOf(v); !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	for _, id := range ids {
		x, y := at(s, id), at(t, id)
		name := nameOf(x)
		if name == "" {
			name = nameOf(y)
		}
		if name == "" {
			name = id
		}
		d.compare(append(slices.Clone(path), name), x, y)
	}
}

// measured reports whether a member is a value with its unit.
func measured(m map[string]any) bool {
	_, value := m["value"].(string)
	_, unit := m["unit"].(string)
	return value && unit
}

// named reports whether every part of a list has an id.
func named(list []any) bool {
	return !slices.ContainsFunc(list, func(v any) bool { return idOf(v) == "" })
}

func idOf(v any) string {
	m, _ := v.(map[string]any)
	id, _ := m["id"].(string)
	return id
}

func nameOf(v any) string {
	m, _ := v.(map[string]any)
	name, _ := m["name"].(string)
	return name
}

// plain writes a part of a plan in one line.
func (d *differ) plain(v any) string {
	switch x := v.(type) {
	case nil:
		return ""
	case bool:
		return d.f.YesNo(&x)
	case float64:
		return strconv.FormatFloat(x, 'f', -1, 64)
	case []any:
		texts := make([]string, len(x))
		for i, y := range x {
			texts[i] = d.plain(y)
		}
		return strings.Join(texts, ", ")
	case map[string]any:
		if measured(x) {
			return fmt.Sprint(x["value"], " ", x["unit"])
		}
		var texts []string
		for _, k := range slices.Sorted(maps.Keys(x)) {
			texts = append(texts, d.word(k)+": "+d.plain(x[k]))
		}
		return strings.Join(texts, "; ")
	}
	return fmt.Sprint(v)
}

// word names a key of the plan file; one without a word of its own is shown as the file writes it.
func (d *differ) word(key string) string {
	if w := d.f.Word("plankey", key); w != key {
		return w
	}
	return strings.ReplaceAll(key, "_", " ")
}
