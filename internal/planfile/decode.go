package planfile

import (
	"encoding"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml/ast"

	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// maxProblems bounds the list for a file that is wrong from end to end.
const maxProblems = 500

// maxEntries bounds each list, so that holding a plan against its rules takes a bounded time.
const maxEntries = 500

// decoder walks the YAML tree along the Go types of a plan. It goes on after a fault, so that one reading
// lists all of them.
type decoder struct {
	file     string
	plan     *plan.Plan // nil where the file is no YAML mapping
	at       map[string]position
	failed   map[string]bool // paths with a fault of form
	problems Problems
}

func decode(file string, src []byte) *decoder {
	d := &decoder{file: file, at: map[string]position{}, failed: map[string]bool{}}
	body, faults := tree(src)
	for _, f := range faults {
		d.add("", f.position, f.message, f.fix)
	}
	if body == nil {
		return d
	}
	if !isMapping(body) {
		d.add("", at(body.GetToken()), "a plan is a list of keys, not "+kindOf(body), "start from the template")
		return d
	}
	d.plan = &plan.Plan{}
	d.value(body, reflect.ValueOf(d.plan).Elem(), "")
	return d
}

func (d *decoder) add(path string, pos position, message, fix string) {
	d.failed[path] = true
	if len(d.problems) > maxProblems {
		return
	}
	if len(d.problems) == maxProblems {
		path, message, fix = "", fmt.Sprintf("more than %d problems; the rest is not listed", maxProblems), ""
	}
	d.problems = append(d.problems, Problem{File: d.file, Line: pos.line, Column: pos.column,
		Path: path, Message: message, Fix: fix})
}

// place gives a problem of the plan its line and column: those of its path, or of the nearest part above.
func (d *decoder) place(p plan.Problem) Problem {
	pos := position{1, 1}
	for path := p.Path; path != ""; path = parent(path) {
		if found, ok := d.at[path]; ok {
			pos = found
			break
		}
	}
	return Problem{File: d.file, Line: pos.line, Column: pos.column, Path: p.Path, Message: p.Message, Fix: p.Fix,
		Warning: p.Warning, Source: p.Source}
}

// failedNear reports whether the form of a part above, at or below path was at fault, so that a problem of
// meaning found there would only repeat it.
func (d *decoder) failedNear(path string) bool {
	for above := path; above != ""; above = parent(above) {
		if d.failed[above] {
			return true
		}
	}
	if path == "" {
		return d.failed[""]
	}
	for bad := range d.failed {
		if rest, below := strings.CutPrefix(bad, path); below && strings.ContainsAny(rest[:1], ".[") {
			return true
		}
	}
	return false
}

// sorted orders problems as the file goes.
func (d *decoder) sorted(ps Problems) Problems {
	slices.SortStableFunc(ps, func(a, b Problem) int {
		if a.Line != b.Line {
			return a.Line - b.Line
		}
		return a.Column - b.Column
	})
	return ps
}

// parent cuts the last step off a path.
func parent(path string) string {
	i := strings.LastIndexAny(path, ".[")
	return path[:max(i, 0)]
}

// value puts what n says into v.
func (d *decoder) value(n ast.Node, v reflect.Value, path string) {
	if _, seen := d.at[path]; !seen && path != "" {
		d.at[path] = start(n)
	}
	if n == nil || n.Type() == ast.NullType {
		return // A key without a value is a key not given.
	}
	if v.Kind() == reflect.Pointer {
		if _, ok := reflect.TypeAssert[*plan.Cron](v); ok {
			d.cron(n, v, path)
			return
		}
		made := reflect.New(v.Type().Elem())
		before := len(d.failed)
		d.value(n, made.Elem(), path)
		if len(d.failed) == before {
			v.Set(made)
		}
		return
	}
	switch v.Interface().(type) {
	case time.Time:
		d.moment(n, v, path)
		return
	case quantity.Decimal, plan.Amount, plan.Duration, plan.Clock, plan.Date:
		d.text(n, v.Addr().Interface().(encoding.TextUnmarshaler), path)
		return
	}
	switch v.Kind() {
	case reflect.Struct:
		d.mapping(n, v, path)
	case reflect.Slice:
		d.sequence(n, v, path)
	default:
		d.scalar(n, v, path)
	}
}

// mapping fills the fields of a struct; unknown and repeated keys are faults.
func (d *decoder) mapping(n ast.Node, v reflect.Value, path string) {
	if !isMapping(n) {
		d.add(path, start(n), "keys and values are wanted here, not "+kindOf(n), "one of "+strings.Join(keys(v.Type()), ", "))
		return
	}
	fields := fieldsOf(v.Type())
	seen := map[string]bool{}
	for _, entry := range entries(n) {
		key, pos := entry.Key.GetToken().Value, at(entry.Key.GetToken())
		under := join(path, key)
		index, known := fields[key]
		switch {
		case seen[key]:
			d.add(under, pos, fmt.Sprintf("the key %q stands here twice", key), "keep one of them")
			continue
		case !known:
			meant, fix := suggest(key, keys(v.Type()))
			d.add(under, pos, fmt.Sprintf("unknown key %q", shorten(key)), fix)
			if meant != "" {
				d.failed[join(path, meant)] = true // That it is missing would only say the same again.
			}
			continue
		}
		seen[key] = true
		if !isScalar(entry.Value) {
			d.at[under] = pos
		}
		d.value(entry.Value, v.Field(index), under)
	}
}

func (d *decoder) sequence(n ast.Node, v reflect.Value, path string) {
	list, ok := n.(*ast.SequenceNode)
	if !ok {
		d.add(path, start(n), "a list is wanted here, not "+kindOf(n), "write each entry on its own line after a dash")
		return
	}
	if len(list.Values) == 0 {
		return
	}
	if len(list.Values) > maxEntries {
		d.add(path, start(list.Values[maxEntries]), fmt.Sprintf("the list has %d entries, more than %d", len(list.Values), maxEntries), "split the plan by line or site")
		return
	}
	out := reflect.MakeSlice(v.Type(), len(list.Values), len(list.Values))
	for i, item := range list.Values {
		under := path + "[" + strconv.Itoa(i) + "]"
		if item == nil || item.Type() == ast.NullType {
			d.add(under, start(item), "the entry is empty", "fill it in or take the dash out")
			continue
		}
		d.value(item, out.Index(i), under)
	}
	v.Set(out)
}

// scalar reads text, yes or no, and whole numbers. Nothing is turned from one kind into another.
func (d *decoder) scalar(n ast.Node, v reflect.Value, path string) {
	raw, ok := rawText(n)
	if !ok {
		d.add(path, start(n), "one value is wanted here, not "+kindOf(n), "")
		return
	}
	switch v.Kind() {
	case reflect.String:
		if !isText(n) {
			d.add(path, start(n), fmt.Sprintf("text is wanted here, not %s", kindOf(n)), fmt.Sprintf("put it in quotes: %q", raw))
			return
		}
		v.SetString(strings.TrimSpace(raw))
	case reflect.Bool:
		if n.Type() != ast.BoolType {
			d.add(path, start(n), fmt.Sprintf("true or false is wanted here, not %q", raw), "write true or false without quotes")
			return
		}
		v.SetBool(strings.EqualFold(raw, "true"))
	case reflect.Int:
		whole, err := strconv.Atoi(raw)
		if err != nil || n.Type() != ast.IntegerType || whole < 0 || whole > 1_000_000 {
			d.add(path, start(n), fmt.Sprintf("a whole number is wanted here, not %q", raw), "write digits only, at most 1000000")
			return
		}
		v.SetInt(int64(whole))
	default:
		panic("planfile: no way to read a " + v.Type().String())
	}
}

// text reads a value that has a written form of its own. Its numbers are taken as typed.
func (d *decoder) text(n ast.Node, into encoding.TextUnmarshaler, path string) {
	raw, ok := rawText(n)
	if !ok {
		d.add(path, start(n), "one value is wanted here, not "+kindOf(n), "")
		return
	}
	if err := into.UnmarshalText([]byte(raw)); err != nil {
		d.add(path, start(n), err.Error(), "")
	}
}

func (d *decoder) moment(n ast.Node, v reflect.Value, path string) {
	raw, _ := rawText(n)
	t, err := time.Parse(time.RFC3339, raw)
	if err != nil || t.Nanosecond() != 0 || t.Year() < 1970 {
		d.add(path, start(n), fmt.Sprintf("%q is no moment in time", raw), `write date, time to the second and zone, such as "2026-03-01T00:00:00Z"`)
		return
	}
	v.Set(reflect.ValueOf(t.UTC()))
}

func (d *decoder) cron(n ast.Node, v reflect.Value, path string) {
	raw, ok := rawText(n)
	if !ok {
		d.add(path, start(n), "a cron text is wanted here, not "+kindOf(n), cronExample)
		return
	}
	c, err := parseCron(raw)
	if err != nil {
		d.add(path, start(n), err.Error(), cronExample)
		return
	}
	v.Set(reflect.ValueOf(c))
}
