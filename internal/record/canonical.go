package record

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"sync"
	"unicode/utf8"
)

// maxInteger is the largest magnitude of a JSON number here: 2^53 - 1.
const maxInteger = 1<<53 - 1

// Canonical gives the canonical form (RFC 8785) of one JSON value. Numbers must
// be integers below 2^53 in magnitude, written without fraction or exponent;
// doubled member names, lone surrogates, invalid UTF-8, nesting over MaxDepth
// and texts over MaxJSONBytes are refused with ErrInvalid and the byte where.
func Canonical(json []byte) ([]byte, error) {
	p, _ := parsers.Get().(*parser)
	defer p.put()
	return p.canonical(make([]byte, 0, len(json)), json)
}

// CanonicalHash gives the SHA-256 of what Canonical gives.
func CanonicalHash(json []byte) ([sha256.Size]byte, error) {
	p, _ := parsers.Get().(*parser)
	defer p.put()
	out, err := p.canonical(p.out[:0], json)
	if err != nil {
		return [sha256.Size]byte{}, err
	}
	p.out = out
	return sha256.Sum256(out), nil
}

// canonical appends the canonical form of a text to out.
func (p *parser) canonical(out, json []byte) ([]byte, error) {
	if len(json) > MaxJSONBytes {
		return nil, fmt.Errorf("%w: JSON text of %d bytes is over %d", ErrInvalid, len(json), MaxJSONBytes)
	}
	p.s = string(json)
	p.utf8 = utf8.ValidString(p.s)
	p.space()
	out, err := p.value(out, 0)
	if err != nil {
		return nil, err
	}
	p.space()
	if p.i != len(p.s) {
		return nil, p.errorf("text after the end of the value")
	}
	return out, nil
}

// IsCanonical reports whether the text is one JSON value in the form that
// Canonical gives.
func IsCanonical(json []byte) bool {
	return len(json) <= MaxJSONBytes && isCanonical(string(json)) == nil
}

// isCanonical gives nil, or an error that says where the text is not canonical.
func isCanonical(s string) error {
	c := cursor{s: s}
	if err := c.skipValue(0); err != nil {
		return err
	}
	return c.end()
}

// parsers holds parsers with the room they have grown.
var parsers = sync.Pool{New: func() any { return new(parser) }}

// put gives a parser back with nothing of the text in it.
func (p *parser) put() {
	clear(p.members[:cap(p.members)])
	*p = parser{members: p.members[:0], spare: p.spare[:0], out: p.out[:0]}
	if cap(p.members) <= 1<<10 && cap(p.spare) <= 1<<16 && cap(p.out) <= 1<<16 { // what a large text needed is let go
		parsers.Put(p)
	}
}

// parser reads any JSON text and writes it canonically.
type parser struct {
	s       string
	i       int
	utf8    bool     // all of the text is valid
	members []member // of the objects that are open, one behind the other
	spare   []byte
	out     []byte // of a text that is only hashed
}

func (p *parser) errorf(format string, args ...any) error {
	return fmt.Errorf("%w: JSON byte %d: %s", ErrInvalid, p.i, fmt.Sprintf(format, args...))
}

func (p *parser) space() {
	for p.i < len(p.s) && (p.s[p.i] == ' ' || p.s[p.i] == '\n' || p.s[p.i] == '\t' || p.s[p.i] == '\r') {
		p.i++
	}
}

func (p *parser) peek() byte {
	if p.i < len(p.s) {
		return p.s[p.i]
	}
	return 0
}

func (p *parser) value(dst []byte, depth int) ([]byte, error) {
	switch c := p.peek(); {
	case c == '{':
		return p.object(dst, depth+1)
	case c == '[':
		return p.array(dst, depth+1)
	case c == '"':
		s, err := p.text()
		if err != nil {
			return nil, err
		}
		return AppendString(dst, s), nil
	case c == '-' || c >= '0' && c <= '9':
		return p.number(dst)
	}
	for _, word := range [...]string{"true", "false", "null"} {
		if len(p.s)-p.i >= len(word) && p.s[p.i:p.i+len(word)] == word {
			p.i += len(word)
			return append(dst, word...), nil
		}
	}
	return nil, p.errorf("a JSON value is wanted")
}

func (p *parser) number(dst []byte) ([]byte, error) {
	c := cursor{s: p.s, i: p.i}
	if _, err := c.integer(); err != nil {
		return nil, p.errorf("a number must be an integer below 2^53 in magnitude, without fraction, exponent or minus zero; give measured values as strings")
	}
	dst = append(dst, p.s[p.i:c.i]...)
	p.i = c.i
	return dst, nil
}

func (p *parser) array(dst []byte, depth int) ([]byte, error) {
	if depth > MaxDepth {
		return nil, p.errorf("nested deeper than %d", MaxDepth)
	}
	p.i++
	dst = append(dst, '[')
	p.space()
	if p.peek() == ']' {
		p.i++
		return append(dst, ']'), nil
	}
	for {
		p.space()
		var err error
		if dst, err = p.value(dst, depth); err != nil {
			return nil, err
		}
		p.space()
		c := p.peek()
		if c != ',' && c != ']' {
			return nil, p.errorf("a comma or the end of the list is wanted")
		}
		p.i++
		dst = append(dst, c)
		if c == ']' {
			return dst, nil
		}
	}
}

// member is one of an object: its name, and where it was written with its value.
type member struct {
	name     string
	from, to int
}

func (p *parser) object(dst []byte, depth int) ([]byte, error) {
	if depth > MaxDepth {
		return nil, p.errorf("nested deeper than %d", MaxDepth)
	}
	p.i++
	p.space()
	dst = append(dst, '{')
	if p.peek() == '}' {
		p.i++
		return append(dst, '}'), nil
	}
	first := len(p.members)
	for {
		var err error
		if dst, err = p.member(dst, depth); err != nil {
			return nil, err
		}
		c := p.peek()
		if c != ',' && c != '}' {
			return nil, p.errorf("a comma or the end of the object is wanted")
		}
		p.i++
		dst = append(dst, c)
		if c == '}' {
			err := p.sort(dst, p.members[first:])
			p.members = p.members[:first]
			return dst, err
		}
	}
}

func (p *parser) member(dst []byte, depth int) ([]byte, error) {
	p.space()
	if p.peek() != '"' {
		return nil, p.errorf("a member name in double quotes is wanted")
	}
	name, err := p.text()
	if err != nil {
		return nil, err
	}
	p.space()
	if p.peek() != ':' {
		return nil, p.errorf("a colon is wanted after member name %q", clip(name))
	}
	p.i++
	p.space()
	from := len(dst)
	dst, err = p.value(append(AppendString(dst, name), ':'), depth)
	if err != nil {
		return nil, err
	}
	p.members = append(p.members, member{name, from, len(dst)})
	p.space()
	return dst, nil
}

// sort puts the members, which stand at the end of out with a comma or the last brace behind each, into order.
func (p *parser) sort(out []byte, members []member) error {
	start, ordered := members[0].from, true
	for i := 1; i < len(members) && ordered; i++ {
		ordered = compareUTF16(members[i-1].name, members[i].name) < 0
	}
	if ordered {
		return nil
	}
	slices.SortStableFunc(members, func(a, b member) int { return compareUTF16(a.name, b.name) })
	p.spare = append(p.spare[:0], out[start:]...)
	to := start
	for i, m := range members {
		if i > 0 && members[i-1].name == m.name {
			return p.errorf("member name %q stands twice in one object", clip(m.name))
		}
		to += copy(out[to:], p.spare[m.from-start:m.to-start])
		if i < len(members)-1 {
			out[to] = ','
		}
		to++
	}
	return nil
}

// text reads a JSON string with any escapes.
func (p *parser) text() (string, error) {
	p.i++
	start := p.i
	for p.i < len(p.s) && p.s[p.i] != '"' && p.s[p.i] != '\\' && p.s[p.i] >= 0x20 && (p.utf8 || p.s[p.i] < 0x80) {
		p.i++
	}
	if p.peek() == '"' {
		p.i++
		return p.s[start : p.i-1], nil
	}
	out := []byte(p.s[start:p.i])
	for p.i < len(p.s) {
		c := p.s[p.i]
		switch {
		case c == '"':
			p.i++
			return string(out), nil
		case c == '\\':
			r, err := p.escape()
			if err != nil {
				return "", err
			}
			out = utf8.AppendRune(out, r)
		case c < 0x20:
			return "", p.errorf("a control character in a string must be escaped")
		default:
			r, n := utf8.DecodeRuneInString(p.s[p.i:])
			if r == utf8.RuneError && n == 1 {
				return "", p.errorf("a string is not valid UTF-8")
			}
			out = append(out, p.s[p.i:p.i+n]...)
			p.i += n
		}
	}
	return "", p.errorf("a string has no end")
}

func (p *parser) escape() (rune, error) {
	p.i++
	c := p.peek()
	p.i++
	switch c {
	case '"', '\\', '/':
		return rune(c), nil
	case 'b':
		return '\b', nil
	case 't':
		return '\t', nil
	case 'n':
		return '\n', nil
	case 'f':
		return '\f', nil
	case 'r':
		return '\r', nil
	case 'u':
		return p.unicode()
	}
	return 0, p.errorf("unknown escape in a string")
}

func (p *parser) unicode() (rune, error) {
	r, err := p.hex4()
	if err != nil || r < 0xD800 || r > 0xDFFF {
		return r, err
	}
	if r > 0xDBFF || len(p.s)-p.i < 6 || p.s[p.i] != '\\' || p.s[p.i+1] != 'u' {
		return 0, p.errorf("half of a surrogate pair in a string")
	}
	p.i += 2
	low, err := p.hex4()
	if err != nil {
		return 0, err
	}
	if low < 0xDC00 || low > 0xDFFF {
		return 0, p.errorf("half of a surrogate pair in a string")
	}
	return 0x10000 + (r-0xD800)<<10 + (low - 0xDC00), nil
}

func (p *parser) hex4() (rune, error) {
	if len(p.s)-p.i < 4 {
		return 0, p.errorf("four hexadecimal digits are wanted")
	}
	var r rune
	for range 4 {
		c := p.s[p.i]
		if c >= 'A' && c <= 'F' {
			c += 'a' - 'A'
		}
		d := lowerHex(c)
		if d < 0 {
			return 0, p.errorf("four hexadecimal digits are wanted")
		}
		r = r<<4 | rune(d)
		p.i++
	}
	return r, nil
}

// compareUTF16 orders two valid UTF-8 texts by their UTF-16 code units
// (RFC 8785 section 3.2.3).
func compareUTF16(a, b string) int {
	for len(a) > 0 && len(b) > 0 {
		if a[0] == b[0] && a[0] < utf8.RuneSelf {
			a, b = a[1:], b[1:]
			continue
		}
		ra, na := utf8.DecodeRuneInString(a)
		rb, nb := utf8.DecodeRuneInString(b)
		if ra != rb {
			return int(utf16Rank(ra)) - int(utf16Rank(rb))
		}
		a, b = a[na:], b[nb:]
	}
	return len(a) - len(b)
}

// utf16Rank maps a rune to a number in the order of UTF-16 code units: those
// beyond the basic plane begin with D800 to DBFF and so come before E000.
func utf16Rank(r rune) rune {
	switch {
	case r >= 0x10000:
		return r - 0x10000 + 0xD800
	case r >= 0xE000:
		return r + 0x100000
	}
	return r
}

const hexDigits = "0123456789abcdef"

// plain marks the ASCII bytes that stand for themselves in a JSON string.
var plain = func() (t [256]bool) {
	for c := 0x20; c < 0x80; c++ {
		t[c] = c != '"' && c != '\\'
	}
	return t
}()

// AppendString appends a JSON string as RFC 8785 section 3.2.2.2 wants it. The
// text must be valid UTF-8.
func AppendString(dst []byte, s string) []byte {
	dst = append(dst, '"')
	start := 0
	for i := 0; i < len(s); i++ {
		c := s[i]
		if plain[c] || c >= 0x80 {
			continue
		}
		dst = append(dst, s[start:i]...)
		start = i + 1
		switch c {
		case '"', '\\':
			dst = append(dst, '\\', c)
		case '\b':
			dst = append(dst, '\\', 'b')
		case '\t':
			dst = append(dst, '\\', 't')
		case '\n':
			dst = append(dst, '\\', 'n')
		case '\f':
			dst = append(dst, '\\', 'f')
		case '\r':
			dst = append(dst, '\\', 'r')
		default:
			dst = append(dst, '\\', 'u', '0', '0', hexDigits[c>>4], hexDigits[c&15])
		}
	}
	dst = append(dst, s[start:]...)
	return append(dst, '"')
}
