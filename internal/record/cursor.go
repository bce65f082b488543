package record

import (
	"encoding/base64"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

// cursor walks over canonical JSON and refuses everything else. It allocates
// nothing but decoded strings with escapes.
type cursor struct {
	s string
	i int
}

func (c *cursor) errorf(format string, args ...any) error {
	return fmt.Errorf("%w: byte %d: %s", ErrNotCanonical, c.i, fmt.Sprintf(format, args...))
}

func (c *cursor) end() error {
	if c.i != len(c.s) {
		return c.errorf("text after the end of the value")
	}
	return nil
}

func (c *cursor) take(b byte) bool {
	if c.i < len(c.s) && c.s[c.i] == b {
		c.i++
		return true
	}
	return false
}

func (c *cursor) takeWord(w string) bool {
	if strings.HasPrefix(c.s[c.i:], w) {
		c.i += len(w)
		return true
	}
	return false
}

func (c *cursor) want(b byte) error {
	if !c.take(b) {
		return c.errorf("%q is wanted", b)
	}
	return nil
}

// integer reads a whole number below 2^53 in magnitude.
func (c *cursor) integer() (int64, error) {
	start := c.i
	negative := c.take('-')
	first := c.i
	var n int64
	for c.i < len(c.s) && c.s[c.i] >= '0' && c.s[c.i] <= '9' {
		n = n*10 + int64(c.s[c.i]-'0')
		if n > maxInteger {
			return 0, c.errorf("a number is 2^53 or more in magnitude")
		}
		c.i++
	}
	digits := c.s[first:c.i]
	if digits == "" || len(digits) > 1 && digits[0] == '0' || negative && n == 0 {
		c.i = start
		return 0, c.errorf("an integer is wanted")
	}
	if c.i < len(c.s) && (c.s[c.i] == '.' || c.s[c.i] == 'e' || c.s[c.i] == 'E') {
		return 0, c.errorf("a number has a fraction or an exponent")
	}
	if negative {
		n = -n
	}
	return n, nil
}

// span skips a string and tells whether it has escapes; the text between the
// quotes is s[from:to].
func (c *cursor) span() (from, to int, escaped bool, err error) {
	if err := c.want('"'); err != nil {
		return 0, 0, false, err
	}
	from = c.i
	for c.i < len(c.s) {
		b := c.s[c.i]
		switch {
		case plain[b]:
			c.i++
		case b == '"':
			c.i++
			return from, c.i - 1, escaped, nil
		case b == '\\':
			escaped = true
			if err := c.skipEscape(); err != nil {
				return 0, 0, false, err
			}
		case b < 0x20:
			return 0, 0, false, c.errorf("a control character stands in a string")
		default:
			r, n := utf8.DecodeRuneInString(c.s[c.i:])
			if r == utf8.RuneError && n == 1 {
				return 0, 0, false, c.errorf("a string is not valid UTF-8")
			}
			c.i += n
		}
	}
	return 0, 0, false, c.errorf("a string has no end")
}

// skipEscape takes only the escapes that the canonical form uses.
func (c *cursor) skipEscape() error {
	rest := c.s[c.i:]
	if len(rest) >= 2 && strings.IndexByte(`"\btnfr`, rest[1]) >= 0 {
		c.i += 2
		return nil
	}
	if len(rest) < 6 || rest[1] != 'u' || rest[2] != '0' || rest[3] != '0' || rest[4] > '1' || rest[4] < '0' || lowerHex(rest[5]) < 0 {
		return c.errorf("an escape that the canonical form does not use")
	}
	v := lowerHex(rest[4])<<4 | lowerHex(rest[5])
	if v == '\b' || v == '\t' || v == '\n' || v == '\f' || v == '\r' {
		return c.errorf("an escape that has a short form")
	}
	c.i += 6
	return nil
}

// text reads a string. Without escapes it shares memory with the input.
func (c *cursor) text() (string, error) {
	from, to, escaped, err := c.span()
	if err != nil {
		return "", err
	}
	if !escaped {
		return c.s[from:to], nil
	}
	return unescape(c.s[from:to]), nil
}

// unescape decodes a string that span has accepted.
func unescape(s string) string {
	out := make([]byte, 0, len(s))
	for {
		i := strings.IndexByte(s, '\\')
		if i < 0 {
			return string(append(out, s...))
		}
		out = append(out, s[:i]...)
		n := 2
		switch b := s[i+1]; b {
		case 'b':
			out = append(out, '\b')
		case 't':
			out = append(out, '\t')
		case 'n':
			out = append(out, '\n')
		case 'f':
			out = append(out, '\f')
		case 'r':
			out = append(out, '\r')
		case 'u':
			out = append(out, byte(lowerHex(s[i+4])<<4|lowerHex(s[i+5])))
			n = 6
		default:
			out = append(out, b)
		}
		s = s[i+n:]
	}
}

// skipValue checks one value of any kind.
func (c *cursor) skipValue(depth int) error {
	if c.i >= len(c.s) {
		return c.errorf("the text ends too early")
	}
	switch b := c.s[c.i]; {
	case b == '"':
		_, _, _, err := c.span()
		return err
	case b == '{':
		return c.skipObject(depth + 1)
	case b == '[':
		return c.skipArray(depth + 1)
	case b == '-' || b >= '0' && b <= '9':
		_, err := c.integer()
		return err
	}
	if c.takeWord("true") || c.takeWord("false") || c.takeWord("null") {
		return nil
	}
	return c.errorf("a JSON value is wanted")
}

func (c *cursor) skipArray(depth int) error {
	if depth > MaxDepth {
		return c.errorf("nested deeper than %d", MaxDepth)
	}
	c.i++
	if c.take(']') {
		return nil
	}
	for {
		if err := c.skipValue(depth); err != nil {
			return err
		}
		if c.take(']') {
			return nil
		}
		if err := c.want(','); err != nil {
			return err
		}
	}
}

func (c *cursor) skipObject(depth int) error {
	if depth > MaxDepth {
		return c.errorf("nested deeper than %d", MaxDepth)
	}
	c.i++
	if c.take('}') {
		return nil
	}
	last, first := "", true
	for {
		name, err := c.text()
		if err != nil {
			return err
		}
		if !first && compareUTF16(last, name) >= 0 {
			return c.errorf("member %q stands out of order or twice", clip(name))
		}
		last, first = name, false
		if err := c.want(':'); err != nil {
			return err
		}
		if err := c.skipValue(depth); err != nil {
			return err
		}
		if c.take('}') {
			return nil
		}
		if err := c.want(','); err != nil {
			return err
		}
	}
}

// fields reads an object whose members must stand in the order of known, each
// at most once, and calls read with the index of each.
func (c *cursor) fields(known []string, read func(index int) error) error {
	if err := c.want('{'); err != nil {
		return err
	}
	if c.take('}') {
		return nil
	}
	next := 0
	for {
		from, to, _, err := c.span()
		if err != nil {
			return err
		}
		name := c.s[from:to]
		index := next
		for index < len(known) && known[index] != name {
			index++
		}
		if index == len(known) {
			return c.errorf("member %q is unknown, out of order or stands twice", clip(name))
		}
		next = index + 1
		if err := c.want(':'); err != nil {
			return err
		}
		if err := read(index); err != nil {
			return err
		}
		if c.take('}') {
			return nil
		}
		if err := c.want(','); err != nil {
			return err
		}
	}
}

// list reads an array of at least one item.
func (c *cursor) list(read func() error) error {
	if err := c.want('['); err != nil {
		return err
	}
	for {
		if err := read(); err != nil {
			return err
		}
		if c.take(']') {
			return nil
		}
		if err := c.want(','); err != nil {
			return err
		}
	}
}

// filled reads a string that may not be empty.
func (c *cursor) filled(into *string) error {
	s, err := c.text()
	if err == nil && s == "" {
		err = c.errorf("an empty string; a member without a value is left out")
	}
	*into = s
	return err
}

func (c *cursor) number(into *int64) error {
	n, err := c.integer()
	*into = n
	return err
}

func (c *cursor) uuid(into *UUID) error {
	s, err := c.text()
	if err != nil {
		return err
	}
	*into, err = ParseUUID(s)
	return err
}

func (c *cursor) hash(into *[32]byte) error {
	s, err := c.text()
	if err != nil {
		return err
	}
	h, err := parseHash(s)
	*into = h
	return err
}

func (c *cursor) time(into *time.Time) error {
	s, err := c.text()
	if err != nil {
		return err
	}
	*into, err = ParseTime(s)
	return err
}

// parseHash reads 32 bytes of strict, padded base64.
func parseHash(s string) ([32]byte, error) {
	var h [32]byte
	var buf [33]byte
	if len(s) != 44 {
		return h, fmt.Errorf("%w: %q is not the base64 of 32 bytes", ErrInvalid, clip(s))
	}
	n, err := base64.StdEncoding.Strict().Decode(buf[:], []byte(s))
	if err != nil || n != 32 {
		return h, fmt.Errorf("%w: %q is not the base64 of 32 bytes", ErrInvalid, clip(s))
	}
	copy(h[:], buf[:32])
	return h, nil
}

// appendTime writes a time as the log wants it; it drops what is finer than a
// millisecond.
func appendTime(dst []byte, t time.Time) []byte {
	t = t.UTC()
	year, month, day := t.Date()
	hour, minute, second := t.Clock()
	dst = appendDigits(dst, year, 4)
	dst = appendDigits(append(dst, '-'), int(month), 2)
	dst = appendDigits(append(dst, '-'), day, 2)
	dst = appendDigits(append(dst, 'T'), hour, 2)
	dst = appendDigits(append(dst, ':'), minute, 2)
	dst = appendDigits(append(dst, ':'), second, 2)
	dst = appendDigits(append(dst, '.'), t.Nanosecond()/1e6, 3)
	return append(dst, 'Z')
}

func appendDigits(dst []byte, n, width int) []byte {
	var buf [4]byte
	for i := width - 1; i >= 0; i-- {
		buf[i] = byte('0' + n%10)
		n /= 10
	}
	return append(dst, buf[:width]...)
}

// FormatTime writes a time as it stands in a record, in UTC and whole
// milliseconds; finer parts are dropped.
func FormatTime(t time.Time) string { return string(appendTime(make([]byte, 0, 24), t)) }

// ParseTime reads a time as it stands in a record, for example
// 2026-01-02T03:04:05.678Z, and nothing else.
func ParseTime(s string) (time.Time, error) {
	n := [7]int{}
	const shape = "0000-11-22T33:44:55.666Z"
	if len(s) != len(shape) {
		return time.Time{}, timeError(s)
	}
	for i := range len(shape) {
		if k := shape[i] - '0'; k <= 6 {
			if s[i] < '0' || s[i] > '9' {
				return time.Time{}, timeError(s)
			}
			n[k] = n[k]*10 + int(s[i]-'0')
		} else if s[i] != shape[i] {
			return time.Time{}, timeError(s)
		}
	}
	t := time.Date(n[0], time.Month(n[1]), n[2], n[3], n[4], n[5], n[6]*1e6, time.UTC)
	if n[0] < 1 || t.Day() != n[2] || int(t.Month()) != n[1] || t.Hour() != n[3] || t.Minute() != n[4] || t.Second() != n[5] || t.IsZero() {
		return time.Time{}, timeError(s)
	}
	return t, nil
}

func timeError(s string) error {
	return fmt.Errorf("%w: %q is not a UTC time such as 2026-01-02T03:04:05.678Z", ErrInvalid, clip(s))
}
