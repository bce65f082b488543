package frame

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"linewarden/haccp"
	"linewarden/haccp/control"
)

// Changed is one thing that differs between two bodies.
type Changed struct{ What, Old, New string }

// Diff lists what differs between two bodies, in the order of the names.
func Diff(f *Frame, was, now any) []Changed {
	a, b := plainOf(f, was), plainOf(f, now)
	names := map[string]bool{}
	for k := range a {
		names[k] = true
	}
	for k := range b {
		names[k] = true
	}
	var out []Changed
	for _, k := range slices.Sorted(maps.Keys(names)) {
		if a[k] != b[k] {
			out = append(out, Changed{k, orDash(a[k]), orDash(b[k])})
		}
	}
	return out
}

// plainOf gives what a body says as names and texts. A reading is worded; other bodies give their members.
func plainOf(f *Frame, body any) map[string]string {
	out := map[string]string{}
	if r, ok := body.(*haccp.Reading); ok {
		for i := range r.Entries {
			e := &r.Entries[i]
			out[f.Word("quantity", e.Quantity)] = f.Value(e.Result().String())
			if e.Instrument != "" {
				out[f.T("form.instrument")+", "+f.Word("quantity", e.Quantity)] = f.ToolName(e.Instrument)
			}
		}
		for _, v := range r.Verdicts {
			out[f.pointName(v.Point)+": "+f.LimitName(f.signed(r.PlanVersion), v.Point, v.Limit)] = f.Word("verdict", v.Verdict)
		}
		put(out, f.T("form.note"), r.Note)
		put(out, f.T("check.sample-point"), r.SamplePoint)
		put(out, f.T("check.lots"), strings.Join(r.Lots, ", "))
		return out
	}
	b, err := json.Marshal(body)
	if err != nil {
		return map[string]string{"": err.Error()}
	}
	var v any
	if err := json.Unmarshal(b, &v); err != nil {
		return map[string]string{"": string(b)}
	}
	flatten(out, "", v)
	return out
}

func put(m map[string]string, name, text string) {
	if text != "" {
		m[name] = text
	}
}

// flatten writes the members of a JSON value as paths; a measured value stays one text.
func flatten(out map[string]string, path string, v any) {
	switch x := v.(type) {
	case map[string]any:
		if value, ok := x["value"].(string); ok {
			unit, _ := x["unit"].(string)
			sign, _ := x["sign"].(string)
			out[path] = strings.TrimSpace(sign + " " + value + " " + unit)
			return
		}
		for k, y := range x {
			flatten(out, strings.TrimPrefix(path+"."+k, "."), y)
		}
	case []any:
		for i, y := range x {
			flatten(out, path+"["+strconv.Itoa(i+1)+"]", y)
		}
	case nil:
	default:
		out[path] = fmt.Sprint(x)
	}
}

// What is a line of facts: a name and its text.
type What struct{ What, Text string }

// Facts gives a body as lines, in the order of the names.
func Facts(f *Frame, body any) []What {
	m := plainOf(f, body)
	out := make([]What, 0, len(m))
	for _, k := range slices.Sorted(maps.Keys(m)) {
		if t := m[k]; t != "" && len(t) < 4000 {
			out = append(out, What{k, t})
		}
	}
	return out
}

// WorstOf is the worst verdict of a reading.
func WorstOf(r *haccp.Reading) string { return control.Worst(r.Verdicts) }
