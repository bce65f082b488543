package codec

import (
	"cmp"
	"encoding"
	"encoding/json"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/internal/record"
)

// AppendBody appends a body in canonical form (RFC 8785): the members of its JSON tags, sorted; a member
// without a value is left out, never null; times in UTC with three decimals. A time finer than a
// millisecond, a fraction and a value that cannot be written are errors.
func AppendBody(dst []byte, body any) ([]byte, error) {
	switch b := body.(type) {
	case nil:
		return nil, fmt.Errorf("%w: a record without a body", record.ErrInvalid)
	case *haccp.Reading:
		return appendReading(dst, b)
	case json.RawMessage:
		return append(dst, b...), nil
	}
	return appendValue(dst, reflect.ValueOf(body))
}

var (
	timeType    = reflect.TypeFor[time.Time]()
	readingType = reflect.TypeFor[haccp.Reading]()
)

func appendValue(dst []byte, v reflect.Value) ([]byte, error) {
	if v.Type() == timeType {
		return appendTime(dst, v.Interface().(time.Time))
	}
	if v.Kind() != reflect.Pointer && v.Kind() != reflect.Interface {
		if out, done, err := appendMarshaler(dst, v); done {
			return out, err
		}
	}
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if v.IsNil() {
			return nil, fmt.Errorf("%w: a value is missing", record.ErrInvalid)
		}
		if v.Elem().Type() == readingType && v.Kind() == reflect.Pointer {
			return appendReading(dst, v.Interface().(*haccp.Reading))
		}
		return appendValue(dst, v.Elem())
	case reflect.Struct:
		return appendStruct(dst, v)
	case reflect.Slice, reflect.Array:
		return appendList(dst, v)
	case reflect.Map:
		return appendMap(dst, v)
	case reflect.String:
		return appendText(dst, v.String()), nil
	case reflect.Bool:
		return strconv.AppendBool(dst, v.Bool()), nil
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return appendInteger(dst, v.Int())
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32:
		return appendInteger(dst, int64(v.Uint()))
	}
	return nil, fmt.Errorf("%w: a %s cannot stand in a record", record.ErrInvalid, v.Type())
}

const maxInteger = 1<<53 - 1

func appendInteger(dst []byte, n int64) ([]byte, error) {
	if n > maxInteger || n < -maxInteger {
		return nil, fmt.Errorf("%w: the number %d is 2^53 or more in magnitude", record.ErrInvalid, n)
	}
	return strconv.AppendInt(dst, n, 10), nil
}

func appendTime(dst []byte, t time.Time) ([]byte, error) {
	if t.Nanosecond()%int(time.Millisecond) != 0 {
		return nil, fmt.Errorf("%w: time %s is finer than a millisecond", record.ErrInvalid, t.UTC().Format(time.RFC3339Nano))
	}
	if y := t.UTC().Year(); y < 1 || y > 9999 {
		return nil, fmt.Errorf("%w: year %d is outside 1 to 9999", record.ErrInvalid, y)
	}
	return append(append(append(dst, '"'), record.FormatTime(t)...), '"'), nil
}

// appendMarshaler writes a value by its own method, where it has one.
func appendMarshaler(dst []byte, v reflect.Value) (out []byte, done bool, err error) {
	if m, ok := reflect.TypeAssert[json.Marshaler](v); ok {
		b, err := m.MarshalJSON()
		if err == nil {
			b, err = record.Canonical(b)
		}
		return append(dst, b...), true, err
	}
	if m, ok := reflect.TypeAssert[encoding.TextMarshaler](v); ok {
		b, err := m.MarshalText()
		return appendText(dst, string(b)), true, err
	}
	return dst, false, nil
}

type fieldValue struct {
	name  string
	value reflect.Value
}

func appendStruct(dst []byte, v reflect.Value) ([]byte, error) {
	fields := structFields(nil, v)
	slices.SortFunc(fields, func(a, b fieldValue) int { return cmp.Compare(a.name, b.name) })
	dst = append(dst, '{')
	for i, f := range fields {
		if i > 0 {
			dst = append(dst, ',')
		}
		var err error
		if dst, err = appendValue(append(appendText(dst, f.name), ':'), f.value); err != nil {
			return nil, fmt.Errorf("%s: %w", f.name, err)
		}
	}
	return append(dst, '}'), nil
}

// structFields lists the members that have a value, those of embedded structs among them.
func structFields(fields []fieldValue, v reflect.Value) []fieldValue {
	for i := range v.NumField() {
		field, value := v.Type().Field(i), v.Field(i)
		name, options, _ := strings.Cut(field.Tag.Get("json"), ",")
		switch {
		case field.Anonymous && name == "" && value.Kind() == reflect.Struct:
			fields = structFields(fields, value)
			continue
		case !field.IsExported() || name == "-":
			continue
		case name == "":
			name = field.Name
		}
		if !left(options, value) {
			fields = append(fields, fieldValue{name, value})
		}
	}
	return fields
}

// left tells whether a member is left out.
func left(options string, v reflect.Value) bool {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface, reflect.Slice, reflect.Map:
		if v.IsNil() {
			return true
		}
	default:
	}
	if strings.Contains(options, "omitempty") && empty(v) {
		return true
	}
	if !strings.Contains(options, "omitzero") {
		return false
	}
	if z, ok := reflect.TypeAssert[interface{ IsZero() bool }](v); ok {
		return z.IsZero()
	}
	return v.IsZero()
}

func empty(v reflect.Value) bool {
	switch v.Kind() {
	case reflect.Slice, reflect.Map, reflect.Array, reflect.String:
		return v.Len() == 0
	case reflect.Struct:
		return false
	default:
		return v.IsZero()
	}
}

func appendList(dst []byte, v reflect.Value) ([]byte, error) {
	dst = append(dst, '[')
	for i := range v.Len() {
		if i > 0 {
			dst = append(dst, ',')
		}
		var err error
		if dst, err = appendValue(dst, v.Index(i)); err != nil {
			return nil, fmt.Errorf("[%d]: %w", i, err)
		}
	}
	return append(dst, ']'), nil
}

// appendMap writes a map with keys of the kind string; keys are in ASCII or of the basic plane, where
// the order of bytes is that of RFC 8785.
func appendMap(dst []byte, v reflect.Value) ([]byte, error) {
	if v.Type().Key().Kind() != reflect.String {
		return nil, fmt.Errorf("%w: a %s cannot stand in a record", record.ErrInvalid, v.Type())
	}
	keys := v.MapKeys()
	slices.SortFunc(keys, func(a, b reflect.Value) int { return cmp.Compare(a.String(), b.String()) })
	dst = append(dst, '{')
	for i, k := range keys {
		if i > 0 {
			dst = append(dst, ',')
		}
		var err error
		if dst, err = appendValue(append(appendText(dst, k.String()), ':'), v.MapIndex(k)); err != nil {
			return nil, fmt.Errorf("%s: %w", k.String(), err)
		}
	}
	return append(dst, '}'), nil
}

const hexDigits = "0123456789abcdef"

// appendText writes a JSON string as RFC 8785 section 3.2.2.2 wants it.
func appendText(dst []byte, s string) []byte {
	dst = append(dst, '"')
	start := 0
	for i := range len(s) {
		c := s[i]
		if c >= 0x20 && c != '"' && c != '\\' {
			continue
		}
		dst = append(dst, s[start:i]...)
		start = i + 1
		if short := strings.IndexByte("\b\t\n\f\r\"\\", c); short >= 0 {
			dst = append(dst, '\\', `btnfr"\`[short])
		} else {
			dst = append(dst, '\\', 'u', '0', '0', hexDigits[c>>4], hexDigits[c&15])
		}
	}
	return append(append(dst, s[start:]...), '"')
}
