// Package intake reads the JSON of a request into Go values, strictly: what is unknown, repeated, missing, of
// another type or not JSON at all is refused, and the refusal names the member. Nothing is coerced; a measured
// value is taken as a string of digits only.
package intake

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf16"
	"unicode/utf8"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/gate"
)

// Bounds of what a request may hold, where a field does not say otherwise.
const (
	MaxText  = 4000 // characters of a text
	MaxItems = 500  // entries of a list
	maxDepth = 16   // nesting of JSON
)

// A decoder reads one JSON text into Go values, strictly: a member that is unknown or stands twice, a number
// where a decimal string is wanted, a missing member and anything that is not JSON are refused, and the
// refusal names the member.
type decoder struct {
	s     string
	i     int
	depth int
	path  []segment
	top   []Member // of the outermost object, in the order they came
}

// decoders holds decoders with the room they have grown.
var decoders = sync.Pool{New: func() any { return &decoder{path: make([]segment, 0, 8)} }}

// put gives a decoder back with nothing of the text in it.
func (d *decoder) put() {
	clear(d.path[:cap(d.path)])
	*d = decoder{path: d.path[:0]}
	decoders.Put(d)
}

type segment struct {
	name  string
	index int // -1: a member
}

// Member is a member of the outermost object as it was sent.
type Member struct{ Name, Raw string }

// field gives the path as people read it: entries[0].read.value.
func (d *decoder) field() string {
	var b strings.Builder
	for _, s := range d.path {
		switch {
		case s.index >= 0:
			b.WriteString("[" + strconv.Itoa(s.index) + "]")
		case b.Len() > 0:
			b.WriteString("." + s.name)
		default:
			b.WriteString(s.name)
		}
	}
	return b.String()
}

func (d *decoder) refuse(code, format string, args ...any) *haccp.Refusal {
	return &haccp.Refusal{Kind: haccp.ErrInvalid, Field: d.field(), Code: code, Message: fmt.Sprintf(format, args...)}
}

func (d *decoder) refuseWanted(wanted string) *haccp.Refusal {
	r := d.refuse("wrong-type", "this must be %s", wanted)
	r.Data = map[string]string{"wanted": wanted}
	return r
}

// broken says that the text is no JSON, at which member and byte.
func (d *decoder) broken(what string) error {
	return &gate.Fault{Status: 400, Code: "broken-json", Field: d.field(), Data: map[string]string{"byte": strconv.Itoa(d.i)},
		Message: fmt.Sprintf("not JSON at byte %d: %s", d.i, what)}
}

func (d *decoder) space() {
	for d.i < len(d.s) && (d.s[d.i] == ' ' || d.s[d.i] == '\n' || d.s[d.i] == '\t' || d.s[d.i] == '\r') {
		d.i++
	}
}

func (d *decoder) peek() byte {
	if d.i < len(d.s) {
		return d.s[d.i]
	}
	return 0
}

// Read reads the whole of a body into the struct that into points to, and gives the members of the object as
// they were sent. Errors are *haccp.Refusal, or *gate.Fault for what is not JSON.
func (sh *Shape) Read(body []byte, into any) ([]Member, error) {
	if !utf8.Valid(body) {
		return nil, &gate.Fault{Status: 400, Code: "not-text", Message: "the body is not UTF-8 text"}
	}
	d, _ := decoders.Get().(*decoder)
	defer d.put()
	d.s, d.top = string(body), make([]Member, 0, 12)
	d.space()
	if d.i == len(d.s) {
		return nil, d.broken("the body is empty: send a JSON object")
	}
	if d.s[d.i] != '{' {
		if err := d.skip(); err != nil {
			return nil, err
		}
		return nil, d.refuseWanted("a JSON object")
	}
	if err := sh.read(d, reflect.ValueOf(into).Elem()); err != nil {
		return nil, err
	}
	d.space()
	if d.i != len(d.s) {
		return nil, d.broken("something follows the end of the object")
	}
	return d.top, nil
}

// ReadInside reads one value, already known to be JSON, into the struct that into points to; path says where in
// the request it stood.
func (sh *Shape) ReadInside(raw Raw, into any, path ...string) error {
	d := &decoder{s: string(raw), depth: 1}
	for _, name := range path {
		d.path = append(d.path, segment{name, -1})
	}
	return sh.read(d, reflect.ValueOf(into).Elem())
}

// object calls fn with the place of each member's name among names.
func (d *decoder) object(names []string, fn func(i int) error) error {
	d.depth++
	defer func() { d.depth-- }()
	if d.depth > maxDepth {
		return &gate.Fault{Status: 400, Code: "too-deep", Field: d.field(), Message: "the JSON is nested too deeply"}
	}
	if d.peek() != '{' {
		return d.notA("an object")
	}
	var seen uint64
	return d.members(func(name string) error {
		i := slices.Index(names, name)
		if i < 0 {
			r := d.refuse("unknown-member", "there is no such member here; known are: %s", strings.Join(names, ", "))
			r.Data = map[string]string{"known": strings.Join(names, ", ")}
			return r
		}
		if seen&(1<<i) != 0 {
			return d.refuse("given-twice", "this member is given twice: give it once")
		}
		seen |= 1 << i
		start := d.i
		if err := fn(i); err != nil {
			return err
		}
		if d.depth == 1 {
			d.top = append(d.top, Member{names[i], d.s[start:d.i]})
		}
		return nil
	})
}

// members walks through an object, the value of each member read by fn.
func (d *decoder) members(fn func(name string) error) error {
	d.i++ // {
	d.space()
	if d.peek() == '}' {
		d.i++
		return nil
	}
	for {
		d.space()
		if d.peek() != '"' {
			return d.broken("the name of a member is wanted, in quotes")
		}
		name, err := d.text()
		if err != nil {
			return err
		}
		d.path = append(d.path, segment{shorten(name), -1})
		d.space()
		if d.peek() != ':' {
			return d.broken("a colon is wanted after the name of a member")
		}
		d.i++
		d.space()
		if err := fn(name); err != nil {
			return err
		}
		d.path = d.path[:len(d.path)-1]
		d.space()
		switch d.peek() {
		case ',':
			d.i++
		case '}':
			d.i++
			return nil
		default:
			return d.broken("a comma or the end of the object is wanted")
		}
	}
}

// shorten keeps a name fit to be shown.
func shorten(name string) string {
	const most = 60
	if len(name) <= most && !strings.ContainsFunc(name, func(r rune) bool { return r < ' ' || r > '~' }) {
		return name
	}
	clean := strings.Map(func(r rune) rune {
		if strconv.IsPrint(r) {
			return r
		}
		return '?'
	}, name)
	if r := []rune(clean); len(r) > most {
		return string(r[:most]) + "…"
	}
	return clean
}

// elements walks through an array, each element read by fn.
func (d *decoder) elements(most int, fn func(i int) error) error {
	d.depth++
	defer func() { d.depth-- }()
	if d.depth > maxDepth {
		return &gate.Fault{Status: 400, Code: "too-deep", Field: d.field(), Message: "the JSON is nested too deeply"}
	}
	if d.peek() != '[' {
		return d.notA("a list")
	}
	d.i++
	d.space()
	if d.peek() == ']' {
		d.i++
		return nil
	}
	for n := 0; ; n++ {
		if n >= most {
			return d.refuse("too-many", "a list here has at most %d entries", most)
		}
		d.path = append(d.path, segment{"", n})
		d.space()
		if err := fn(n); err != nil {
			return err
		}
		d.path = d.path[:len(d.path)-1]
		d.space()
		switch d.peek() {
		case ',':
			d.i++
		case ']':
			d.i++
			return nil
		default:
			return d.broken("a comma or the end of the list is wanted")
		}
	}
}

// notA refuses a value of another JSON type, or text that is no JSON at all.
func (d *decoder) notA(wanted string) error {
	if err := d.skip(); err != nil {
		return err
	}
	return d.refuseWanted(wanted)
}

// text reads a string. It may share memory with the body: who keeps it clones it.
func (d *decoder) text() (string, error) {
	d.i++ // the quote
	start := d.i
	for d.i < len(d.s) {
		switch c := d.s[d.i]; {
		case c == '"':
			out := d.s[start:d.i]
			d.i++
			return out, nil
		case c == '\\':
			return d.escaped(start)
		case c < ' ':
			return "", d.broken("a control character stands in a string")
		}
		d.i++
	}
	return "", d.broken("a string does not end")
}

var escapes = map[byte]byte{'"': '"', '\\': '\\', '/': '/', 'b': '\b', 'f': '\f', 'n': '\n', 'r': '\r', 't': '\t'}

// escaped goes on with a string that has escapes.
func (d *decoder) escaped(start int) (string, error) {
	b := []byte(d.s[start:d.i])
	for d.i < len(d.s) {
		c := d.s[d.i]
		switch {
		case c == '"':
			d.i++
			return string(b), nil
		case c < ' ':
			return "", d.broken("a control character stands in a string")
		case c != '\\':
			b = append(b, c)
			d.i++
			continue
		}
		if d.i++; d.peek() == 'u' {
			r, err := d.unicode()
			if err != nil {
				return "", err
			}
			b = utf8.AppendRune(b, r)
			continue
		}
		plain, ok := escapes[d.peek()]
		if !ok {
			return "", d.broken("there is no such escape in a string")
		}
		b = append(b, plain)
		d.i++
	}
	return "", d.broken("a string does not end")
}

// unicode reads uXXXX, and a second one where the first is half of a pair. A half alone is refused, and so is NUL.
func (d *decoder) unicode() (rune, error) {
	r, ok := d.hex4()
	if ok && utf16.IsSurrogate(r) {
		ok = false
		if strings.HasPrefix(d.s[d.i:], `\u`) {
			d.i++
			low, lowOK := d.hex4()
			r = utf16.DecodeRune(r, low)
			ok = lowOK && r != utf8.RuneError
		}
	}
	if !ok || r == 0 {
		return 0, d.broken("there is no such character in a string")
	}
	return r, nil
}

func (d *decoder) hex4() (rune, bool) {
	if d.i+5 > len(d.s) {
		return 0, false
	}
	n, err := strconv.ParseUint(d.s[d.i+1:d.i+5], 16, 16)
	d.i += 5
	return rune(n), err == nil
}

// number reads a JSON number as it is written.
func (d *decoder) number() (string, error) {
	start := d.i
	if d.peek() == '-' {
		d.i++
	}
	digits := func() bool {
		from := d.i
		for d.peek() >= '0' && d.peek() <= '9' {
			d.i++
		}
		return d.i > from
	}
	leading := d.peek() == '0'
	from := d.i
	ok := digits() && (!leading || d.i == from+1)
	if ok && d.peek() == '.' {
		d.i++
		ok = digits()
	}
	if ok && (d.peek() == 'e' || d.peek() == 'E') {
		if d.i++; d.peek() == '+' || d.peek() == '-' {
			d.i++
		}
		ok = digits()
	}
	if !ok {
		d.i = start
		return "", d.broken("this is no number")
	}
	return d.s[start:d.i], nil
}

// skip reads over any value, seeing that it is JSON.
func (d *decoder) skip() error {
	switch c := d.peek(); {
	case c == '{':
		d.depth++
		defer func() { d.depth-- }()
		if d.depth > maxDepth {
			return &gate.Fault{Status: 400, Code: "too-deep", Field: d.field(), Message: "the JSON is nested too deeply"}
		}
		return d.members(func(string) error { return d.skip() })
	case c == '[':
		return d.elements(1<<20, func(int) error { return d.skip() })
	case c == '"':
		_, err := d.text()
		return err
	case c == '-' || (c >= '0' && c <= '9'):
		_, err := d.number()
		return err
	}
	for _, w := range []string{"true", "false", "null"} {
		if strings.HasPrefix(d.s[d.i:], w) {
			d.i += len(w)
			return nil
		}
	}
	return d.broken(`a value is wanted: a string in quotes, an object, a list, true or false`)
}

// value reads a measured value: an object with the number as a string.
func (d *decoder) value() (quantity.Value, error) {
	start := d.i
	if c := d.peek(); c == '-' || (c >= '0' && c <= '9') {
		if _, err := d.number(); err != nil {
			return quantity.Value{}, err
		}
		return quantity.Value{}, d.refuse("number-not-string", `give an object with the value as a string, such as {"value":"1.50","unit":"mg/L"}`)
	}
	if err := d.valueMembers(); err != nil {
		return quantity.Value{}, err
	}
	v, err := quantity.ParseValue([]byte(d.s[start:d.i]))
	if err == nil {
		return v, nil
	}
	if fe, ok := errors.AsType[*quantity.FieldError](err); ok {
		if fe.Field != "" {
			d.path = append(d.path, segment{shorten(fe.Field), -1})
		}
		err = fe.Err
	}
	code := "bad-value"
	if errors.Is(err, quantity.ErrDecimal) {
		code = "bad-number"
	}
	return v, d.refuse(code, "%v", err)
}

// valueMembers reads over a value, refusing a JSON number where the digits as typed are wanted.
func (d *decoder) valueMembers() error {
	if d.peek() != '{' {
		return d.skip()
	}
	return d.members(func(string) error {
		if c := d.peek(); c == '-' || (c >= '0' && c <= '9') {
			if _, err := d.number(); err != nil {
				return err
			}
			return d.refuse("number-not-string", `give the value as a string, such as "1.50": the digits as read are kept`)
		}
		return d.skip()
	})
}

// moment reads a time with its zone.
func (d *decoder) moment() (time.Time, error) {
	s, err := d.stringOr("a time as a string, such as \"2026-03-02T14:05:00Z\"")
	if err != nil {
		return time.Time{}, err
	}
	t, err := ParseTime(s)
	if err != nil {
		return t, d.refuse("bad-time", "%v", err)
	}
	return t, nil
}

// ParseTime reads RFC 3339 with a zone.
func ParseTime(s string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339Nano, s)
	if err != nil || t.Year() < 1 || len(s) > 40 {
		return time.Time{}, fmt.Errorf("%q is no time with its zone (RFC 3339): write it like 2026-03-02T14:05:00Z or 2026-03-02T08:05:00-06:00", shorten(s))
	}
	return t.UTC(), nil
}

func (d *decoder) stringOr(wanted string) (string, error) {
	if d.peek() != '"' {
		return "", d.notA(wanted)
	}
	return d.text()
}

// ParseInteger reads a whole number below 2^53 in magnitude and nothing else.
func ParseInteger(s string) (int64, bool) {
	d := decoder{s: s}
	n, err := d.integer()
	return n, err == nil && d.i == len(s)
}

// integer reads a whole number below 2^53 in magnitude.
func (d *decoder) integer() (int64, error) {
	if c := d.peek(); c != '-' && (c < '0' || c > '9') {
		return 0, d.notA("a whole number")
	}
	s, err := d.number()
	if err != nil {
		return 0, err
	}
	n, err := strconv.ParseInt(s, 10, 64)
	if err != nil || n >= 1<<53 || n <= -1<<53 || s == "-0" {
		return 0, d.refuse("bad-integer", "%s is no whole number that can be taken here", shorten(s))
	}
	return n, nil
}

func (d *decoder) boolean() (bool, error) {
	for _, w := range []string{"true", "false"} {
		if strings.HasPrefix(d.s[d.i:], w) {
			d.i += len(w)
			return w == "true", nil
		}
	}
	return false, d.notA("true or false")
}

var (
	typeTime  = reflect.TypeFor[time.Time]()
	typeValue = reflect.TypeFor[quantity.Value]()
	typeDate  = reflect.TypeFor[plan.Date]()
	typeRaw   = reflect.TypeFor[Raw]()
)

// Raw is a value that is read later, when its shape is known.
type Raw string
