package intake

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

// A Shape knows how to read one Go type from JSON. It is made once and may be used by several goroutines.
type Shape struct {
	read func(d *decoder, v reflect.Value) error
}

// A Part is a member of a struct, as its tags say: json gives the name, omitempty or omitzero that it may be missing;
// enum lists what a text may be, max bounds the characters of a text or the entries of a list, and doc
// says what it means.
type Part struct {
	Name     string
	Index    []int // for reflect.Value.FieldByIndex
	Optional bool
	Tag      reflect.StructTag
	Type     reflect.Type
}

// PartsOf lists the members of a struct, those of embedded ones among them.
func PartsOf(t reflect.Type) []Part {
	var out []Part
	for i := range t.NumField() {
		f := t.Field(i)
		name, opts, _ := strings.Cut(f.Tag.Get("json"), ",")
		if f.Anonymous && name == "" {
			inner := f.Type
			if inner.Kind() == reflect.Pointer {
				inner = inner.Elem()
			}
			for _, p := range PartsOf(inner) {
				p.Index = append([]int{i}, p.Index...)
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
		out = append(out, Part{Name: name, Index: []int{i}, Optional: strings.HasPrefix(opts, "omit"), Tag: f.Tag, Type: f.Type})
	}
	return out
}

// MaxOf gives the bound that the tag max of a member sets, or else the general one.
func MaxOf(tag reflect.StructTag, otherwise int) int {
	n, err := strconv.Atoi(tag.Get("max"))
	if err != nil {
		return otherwise
	}
	return n
}

// For gives the shape of a struct; it panics on a type that no request can have.
func For[T any]() *Shape { return shapeOf(reflect.TypeFor[T](), "") }

// shapeOf gives the shape of a type; it panics on a type no request has, which a test would find.
func shapeOf(t reflect.Type, tag reflect.StructTag) *Shape {
	switch t {
	case typeTime:
		return &Shape{func(d *decoder, v reflect.Value) error { return put(v, d.moment) }}
	case typeValue:
		return &Shape{func(d *decoder, v reflect.Value) error { return put(v, d.value) }}
	case typeDate:
		return &Shape{readDate}
	case typeRaw:
		return &Shape{readRaw}
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
		return &Shape{func(d *decoder, v reflect.Value) error { return put(v, d.boolean) }}
	case reflect.Int, reflect.Int64:
		return &Shape{func(d *decoder, v reflect.Value) error {
			n, err := d.integer()
			if err == nil {
				v.SetInt(n)
			}
			return err
		}}
	}
	panic("intake: no shape for " + t.String())
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
	*v.Addr().Interface().(*plan.Date) = plan.Date(strings.Clone(s))
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

func structShape(t reflect.Type) *Shape {
	parts := PartsOf(t)
	if len(parts) > 64 {
		panic("intake: too many members in " + t.String())
	}
	names, shapes := make([]string, len(parts)), make([]*Shape, len(parts))
	var wanted uint64
	for i, p := range parts {
		names[i], shapes[i] = p.Name, shapeOf(p.Type, p.Tag)
		if !p.Optional {
			wanted |= 1 << i
		}
	}
	return &Shape{func(d *decoder, v reflect.Value) error {
		var got uint64
		err := d.object(names, func(i int) error {
			got |= 1 << i
			return shapes[i].read(d, v.FieldByIndex(parts[i].Index))
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

func pointerShape(t reflect.Type, tag reflect.StructTag) *Shape {
	inner := shapeOf(t.Elem(), tag)
	return &Shape{func(d *decoder, v reflect.Value) error {
		n := reflect.New(t.Elem())
		if err := inner.read(d, n.Elem()); err != nil {
			return err
		}
		v.Set(n)
		return nil
	}}
}

func sliceShape(t reflect.Type, tag reflect.StructTag) *Shape {
	inner, most := shapeOf(t.Elem(), ""), MaxOf(tag, MaxItems)
	return &Shape{func(d *decoder, v reflect.Value) error {
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

func stringShape(tag reflect.StructTag) *Shape {
	most := MaxOf(tag, MaxText)
	var choices []string
	if e := tag.Get("enum"); e != "" {
		choices = strings.Split(e, ",")
	}
	return &Shape{func(d *decoder, v reflect.Value) error {
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
		v.SetString(strings.Clone(s))
		return nil
	}}
}

// Missing refuses a request that lacks a member.
func Missing(field, what string) error {
	return &haccp.Refusal{Kind: haccp.ErrInvalid, Field: field, Code: "missing", Message: fmt.Sprintf("%s is missing", what)}
}
