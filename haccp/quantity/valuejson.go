package quantity

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"unicode"
	"unicode/utf8"
)

// maxUnit is the longest unit name taken, in bytes.
const maxUnit = 32

// MarshalJSON writes v as AppendJSON does. Mind that json.Marshal itself turns
// the sign "<" into "\u003c" afterwards: canonical bytes come from AppendJSON.
func (v Value) MarshalJSON() ([]byte, error) {
	if v.IsZero() {
		return nil, fmt.Errorf("%w: nothing was read: leave the member out", ErrValue)
	}
	return v.AppendJSON(nil), nil
}

// AppendJSON adds v to dst as canonical JSON (RFC 8785: members in order, no
// spaces). The zero Value, which has no form, becomes null, and null is refused
// by UnmarshalJSON: ask IsZero first.
func (v Value) AppendJSON(dst []byte) []byte {
	switch v.kind {
	case KindExact:
		dst = append(dst, '{')
	case KindBelow:
		dst = append(dst, `{"sign":"<",`...)
	case KindAbove:
		dst = append(dst, `{"sign":">",`...)
	case KindBand:
		dst = v.high.AppendJSON(append(dst, `{"high":`...))
		dst = v.low.AppendJSON(append(dst, `,"low":`...))
		return append(appendString(append(dst, `,"unit":`...), string(v.unit)), '}')
	case KindYesNo:
		if v.yes {
			return append(dst, "true"...)
		}
		return append(dst, "false"...)
	default:
		return append(dst, "null"...)
	}
	dst = appendString(append(dst, `"unit":`...), string(v.unit))
	return append(v.low.AppendJSON(append(dst, `,"value":`...)), '}')
}

// appendString writes s as RFC 8785 does; s has no control characters.
func appendString(dst []byte, s string) []byte {
	dst = append(dst, '"')
	for i := range len(s) {
		if s[i] == '"' || s[i] == '\\' {
			dst = append(dst, '\\')
		}
		dst = append(dst, s[i])
	}
	return append(dst, '"')
}

// UnmarshalJSON reads the forms that AppendJSON writes, members in any order. It
// is strict: unknown, repeated and missing members, numbers in place of strings
// and null are refused with a [FieldError] that names the member. It looks at
// form alone; [Quantity.Check] looks at unit and range.
func (v *Value) UnmarshalJSON(b []byte) error {
	var m members
	if m.plain(b) {
		parsed, err := m.value()
		if err != nil {
			return err
		}
		*v = parsed
		return nil
	}
	if !json.Valid(b) {
		return fail("", "%w: broken JSON", ErrValue)
	}
	b = skipSpace(b)
	switch b[0] {
	case 't':
		*v = Answer(true)
		return nil
	case 'f':
		*v = Answer(false)
		return nil
	case '{':
		m = members{}
		if err := m.read(b); err != nil {
			return err
		}
		parsed, err := m.value()
		if err != nil {
			return err
		}
		*v = parsed
		return nil
	case 'n':
		return fail("", "%w: null is no value: leave the member out", ErrValue)
	}
	return fail("", `%w: give an object such as {"unit":"mg/L","value":"1.50"}, or true or false`, ErrValue)
}

// ParseValue reads one value object and nothing else.
func ParseValue(b []byte) (Value, error) {
	var v Value
	err := v.UnmarshalJSON(b)
	return v, err
}

func fail(field, format string, args ...any) error {
	return &FieldError{Field: field, Err: fmt.Errorf(format, args...)}
}

// members holds the strings of a value object; has tells which were there.
type members struct {
	text [memberCount][]byte
	has  [memberCount]bool
}

const (
	memberHigh = iota
	memberLow
	memberSign
	memberUnit
	memberValue
	memberCount
)

var memberNames = [memberCount]string{"high", "low", "sign", "unit", "value"}

// read walks through a valid JSON object.
func (m *members) read(b []byte) error {
	b = skipSpace(b[1:])
	for b[0] != '}' {
		name, rest, err := readString(b)
		if err != nil {
			return fail("", "%w: %w", ErrValue, err)
		}
		i, err := m.place(name)
		if err != nil {
			return err
		}
		b = skipSpace(rest)[1:] // the colon
		m.text[i], b, err = readString(skipSpace(b))
		if err != nil {
			return fail(memberNames[i], "%w", err)
		}
		m.has[i] = true
		if b = skipSpace(b); b[0] == ',' {
			b = skipSpace(b[1:])
		}
	}
	return nil
}

// plain walks through an object as services and tablets write it: known members, each once, of printable ASCII or whole
// UTF-8 without an escape, and no space. It reports false for all else, whether right or wrong, and tells nothing then.
func (m *members) plain(b []byte) bool {
	if len(b) < len(`{}`) || b[0] != '{' {
		return false
	}
	for sep := byte('{'); len(b) > 0 && b[0] == sep; sep = ',' {
		name, rest, ok := plainString(b[1:])
		if !ok || len(rest) == 0 || rest[0] != ':' {
			return false
		}
		i := slices.Index(memberNames[:], string(name))
		if i < 0 || m.has[i] {
			return false
		}
		if m.text[i], b, ok = plainString(rest[1:]); !ok {
			return false
		}
		m.has[i] = true
	}
	return string(b) == "}"
}

// plainString reads a string in which nothing is escaped.
func plainString(b []byte) (text, rest []byte, ok bool) {
	if len(b) == 0 || b[0] != '"' {
		return nil, nil, false
	}
	for i, c := range b[1:] {
		switch {
		case c == '"':
			text = b[1 : i+1]
			return text, b[i+2:], utf8.Valid(text)
		case c < ' ' || c == '\\':
			return nil, nil, false
		}
	}
	return nil, nil, false
}

// place returns the index of a member that was not there yet.
func (m *members) place(name []byte) (int, error) {
	for i, known := range memberNames {
		if string(name) != known {
			continue
		}
		if m.has[i] {
			return 0, fail(known, "%w: given twice", ErrValue)
		}
		return i, nil
	}
	return 0, fail(shorten(name), "%w: unknown member: a value has value and unit, with sign, or low, high and unit", ErrValue)
}

// shorten makes a member's name fit to be shown.
func shorten(name []byte) string {
	if len(name) <= maxUnit && unitForm(name) == nil {
		return string(name)
	}
	return quoted(string(name))
}

// readString reads the JSON string that b begins with.
func readString(b []byte) (text, rest []byte, err error) {
	if b[0] != '"' {
		return nil, nil, fmt.Errorf("%w: give it as a string, e.g. \"1.50\"", ErrValue)
	}
	plain := true
	for i := 1; ; i++ {
		switch b[i] {
		case '\\':
			plain = false
			i++
		case '"':
			if plain {
				return b[1:i], b[i+1:], nil
			}
			var s string
			err := json.Unmarshal(b[:i+1], &s)
			return []byte(s), b[i+1:], err
		}
	}
}

func skipSpace(b []byte) []byte {
	for len(b) > 0 && (b[0] == ' ' || b[0] == '\t' || b[0] == '\n' || b[0] == '\r') {
		b = b[1:]
	}
	return b
}

// value puts the members together.
func (m *members) value() (Value, error) {
	unit, err := m.unit()
	if err != nil {
		return Value{}, err
	}
	if m.has[memberLow] || m.has[memberHigh] {
		return m.band(unit)
	}
	d, err := m.decimal(memberValue)
	if err != nil {
		return Value{}, err
	}
	if !m.has[memberSign] {
		return Exact(d, unit), nil
	}
	switch string(m.text[memberSign]) {
	case "<":
		return Below(d, unit), nil
	case ">":
		return Above(d, unit), nil
	}
	return Value{}, fail("sign", `%w %s: "<" or ">" is wanted`, ErrValue, quoted(string(m.text[memberSign])))
}

func (m *members) band(unit Unit) (Value, error) {
	for _, i := range []int{memberValue, memberSign} {
		if m.has[i] {
			return Value{}, fail(memberNames[i], "%w: not beside low and high", ErrValue)
		}
	}
	low, err := m.decimal(memberLow)
	if err != nil {
		return Value{}, err
	}
	high, err := m.decimal(memberHigh)
	if err != nil {
		return Value{}, err
	}
	return Band(low, high, unit), nil
}

func (m *members) decimal(i int) (Decimal, error) {
	if !m.has[i] {
		return Decimal{}, fail(memberNames[i], "%w: missing", ErrValue)
	}
	d, err := ParseDecimal(string(m.text[i]))
	if err != nil {
		return Decimal{}, fail(memberNames[i], "%w", err)
	}
	return d, nil
}

// unit reads the unit's name and lets a known one share its string.
func (m *members) unit() (Unit, error) {
	if !m.has[memberUnit] {
		return "", fail("unit", "%w: missing", ErrValue)
	}
	name := m.text[memberUnit]
	if known, ok := exactUnits[string(name)]; ok {
		return known, nil
	}
	if err := unitForm(name); err != nil {
		return "", fail("unit", "%w: %w", ErrValue, err)
	}
	return Unit(name), nil
}

func unitForm(name []byte) error {
	switch {
	case len(name) == 0:
		return errors.New("empty")
	case len(name) > maxUnit:
		return fmt.Errorf("longer than %d bytes", maxUnit)
	case !utf8.Valid(name):
		return errors.New("not UTF-8")
	}
	for _, r := range string(name) {
		if !unicode.IsPrint(r) || r == utf8.RuneError {
			return fmt.Errorf("has the character %U", r)
		}
	}
	return nil
}
