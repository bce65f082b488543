package api

import (
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"linewarden/haccp"
	"linewarden/haccp/plan"
)

// A shape knows how to read one Go type from JSON. It is made once, when the API is made.
type shape struct {
	read func(d *decoder, v reflect.Value) error
}

// A member of a struct, as its tags say: json gives the name, omitempty or omitzero that it may be missing;
// enum lists what a text may be, max bounds the characters of a text or the entries of a list, and doc
// says what it means.
type part struct {
	name     string
	index    []int
	optional bool
	tag      reflect.StructTag
	typ      reflect.Type
}

// partsOf lists the members of a struct, those of embedded ones among them.
func partsOf(t reflect.Type) []part {
	var out []part
	for i := range t.NumField() {
		f := t.Field(i)
		name, opts, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Anonymous && name == "" {
			inner := f.Type
			if inner.Kind() == reflect.Pointer {
				inner = inner.Elem()
			}
			for _, p := range partsOf(inner) {
				p.index = append([]int{i}, p.index...)
				out = append(out, p)
			}
			continue
		}
		if name == "-" || !f.IsExported() {
			continue
		}
		if name == "" {
			name = f.Name
		}
		out = append(out, part{name: name, index: []int{i}, optional: strings.HasPrefix(opts, "omit"), tag: f.Tag, typ: f.Type})
	}
	return out
}

func number(tag reflect.StructTag, name string, otherwise int) int {
	n, err := strconv.Atoi(tag.Get(name))
	if err != nil {
		return otherwise
	}
	return n
}

// shapeOf gives the shape of a type; it panics on a type no request has, which a test would find.
func shapeOf(t reflect.Type, tag reflect.StructTag) *shape {
	switch t {
	case typeTime:
		return &shape{func(d *decoder, v reflect.Value) error { return put(v, d.moment) }}
	case typeValue:
		return &shape{func(d *decoder, v reflect.Value) error { return put(v, d.value) }}
	case typeDate:
		return &shape{readDate}
	case typeRaw:
		return &shape{readRaw}
	}
	switch t.Kind() {
	case reflect.Struct:
		return structShape(t)
	case reflect.Pointer:
		return pointerShape(t, tag)
	case reflect.Slice:
		return sliceShape(t, tag)
	case reflect.String:
		return stringShape(tag)
	case reflect.Bool:
		return &shape{func(d *decoder, v reflect.Value) error { return put(v, d.boolean) }}
	case reflect.Int, reflect.Int64:
		return &shape{func(d *decoder, v reflect.Value) error {
			n, err := d.integer()
			if err == nil {
				v.SetInt(n)
			}
			return err
		}}
	}
	panic("api: no shape for " + t.String())
}

func put[T any](v reflect.Value, read func() (T, error)) error {
	x, err := read()
	if err != nil {
		return err
	}
	*v.Addr().Interface().(*T) = x
	return nil
}

func readDate(d *decoder, v reflect.Value) error {
	s, err := d.stringOr("a date as a string, such as \"2026-03-31\"")
	if err != nil {
		return err
	}
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		return d.refuse("bad-date", "%q is no date: write it like 2026-03-31", shorten(s))
	}
	*v.Addr().Interface().(*plan.Date) = plan.Date(s)
	return nil
}

func readRaw(d *decoder, v reflect.Value) error {
	start := d.i
	if err := d.skip(); err != nil {
		return err
	}
	v.SetString(strings.Clone(d.s[start:d.i]))
	return nil
}

func structShape(t reflect.Type) *shape {
	parts := partsOf(t)
	if len(parts) > 64 {
		panic("api: too many members in " + t.String())
	}
	names, shapes := make([]string, len(parts)), make([]*shape, len(parts))
	var wanted uint64
	for i, p := range parts {
		names[i], shapes[i] = p.name, shapeOf(p.typ, p.tag)
		if !p.optional {
			wanted |= 1 << i
		}
	}
	return &shape{func(d *decoder, v reflect.Value) error {
		var got uint64
		err := d.object(names, func(i int) error {
			got |= 1 << i
			return shapes[i].read(d, v.FieldByIndex(parts[i].index))
		})
		if err != nil || got&wanted == wanted {
			return err
		}
		for i := range parts {
			if wanted&^got&(1<<i) != 0 {
				d.path = append(d.path, segment{names[i], -1})
				break
			}
		}
		return d.refuse("missing", "this must be given")
	}}
}

func pointerShape(t reflect.Type, tag reflect.StructTag) *shape {
	inner := shapeOf(t.Elem(), tag)
	return &shape{func(d *decoder, v reflect.Value) error {
		n := reflect.New(t.Elem())
		if err := inner.read(d, n.Elem()); err != nil {
			return err
		}
		v.Set(n)
		return nil
	}}
}

func sliceShape(t reflect.Type, tag reflect.StructTag) *shape {
	inner, most := shapeOf(t.Elem(), ""), number(tag, "max", maxItems)
	return &shape{func(d *decoder, v reflect.Value) error {
		out := reflect.MakeSlice(t, 0, 4)
		err := d.elements(most, func(i int) error {
			out = reflect.Append(out, reflect.Zero(t.Elem()))
			return inner.read(d, out.Index(i))
		})
		if err != nil {
			return err
		}
		v.Set(out)
		return nil
	}}
}

func stringShape(tag reflect.StructTag) *shape {
	most := number(tag, "max", maxText)
	var choices []string
	if e := tag.Get("enum"); e != "" {
		choices = strings.Split(e, ",")
	}
	return &shape{func(d *decoder, v reflect.Value) error {
		s, err := d.stringOr("a string")
		if err != nil {
			return err
		}
		if utf8.RuneCountInString(s) > most {
			return d.refuse("too-long", "this is longer than %d characters", most)
		}
		if choices != nil && !slices.Contains(choices, s) {
			r := d.refuse("not-a-choice", "%q is none of: %s", shorten(s), strings.Join(choices, ", "))
			r.Data = map[string]string{"wanted": strings.Join(choices, ", ")}
			return r
		}
		v.SetString(s)
		return nil
	}}
}

// missing refuses a request that lacks a member.
func missing(field, what string) error {
	return &haccp.Refusal{Kind: haccp.ErrInvalid, Field: field, Code: "missing", Message: fmt.Sprintf("%s is missing", what)}
}
