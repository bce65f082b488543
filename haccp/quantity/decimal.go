package quantity

import (
	"encoding/json"
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"

	"github.com/govalues/decimal"
)

// MaxDigits is how many digits a decimal may have, leading zero included.
const MaxDigits = 18

// A Decimal is an exact decimal number as typed: its trailing zeros stay, since
// they carry the resolution. The zero Decimal is 0. Two decimals are == when
// they are written alike (1.5 is not == 1.50); use Cmp for the order of numbers.
type Decimal struct{ d decimal.Decimal }

// ParseDecimal reads -?(0|[1-9][0-9]*)(\.[0-9]+)? of at most 18 digits. Minus
// zero is refused. The error is an [ErrDecimal] that says what to type.
func ParseDecimal(s string) (Decimal, error) {
	coef, places, ok := scan(s)
	if !ok {
		return Decimal{}, fmt.Errorf("%w %s: %s", ErrDecimal, quoted(s), fault(s))
	}
	d, err := decimal.New(coef, places)
	if err != nil {
		return Decimal{}, fmt.Errorf("%w %s: %w", ErrDecimal, quoted(s), err)
	}
	return Decimal{d}, nil
}

// MustDecimal is ParseDecimal for constants in tables; it panics on a bad one.
func MustDecimal(s string) Decimal {
	d, err := ParseDecimal(s)
	if err != nil {
		panic(err)
	}
	return d
}

// scan reads the digits of s and how many stand after the point.
func scan(s string) (coef int64, places int, ok bool) {
	digits := strings.TrimPrefix(s, "-")
	point := -1
	for i := range len(digits) {
		switch c := digits[i]; {
		case c == '.' && point < 0 && i > 0:
			point = i
		case c < '0' || c > '9' || i > MaxDigits:
			return 0, 0, false
		default:
			coef = coef*10 + int64(c-'0')
		}
	}
	whole, count := len(digits), len(digits)
	if point >= 0 {
		whole, count, places = point, count-1, len(digits)-point-1
	}
	switch {
	case count == 0, count > MaxDigits, point >= 0 && places == 0:
		return 0, 0, false
	case whole > 1 && digits[0] == '0':
		return 0, 0, false
	case len(digits) == len(s):
		return coef, places, true
	}
	return -coef, places, coef != 0
}

// fault says what is wrong with a text that scan refused, and what to type.
func fault(s string) string {
	trimmed := strings.TrimSpace(s)
	lower := strings.ToLower(strings.TrimLeft(trimmed, "+-"))
	digits := strings.Trim(lower, "0123456789.,") == ""
	switch {
	case trimmed == "":
		return `nothing typed: give a number such as "1.50"`
	case trimmed != s || spaced(lower):
		return "no spaces in a number: type it without them"
	case lower == "nan" || lower == "inf" || lower == "infinity" || lower == "∞":
		return "not a number that can be measured: give digits such as \"1.50\", or leave the value out"
	case strings.Contains(lower, ",") && digits:
		return "a comma is not taken: use a point for decimals and nothing between thousands, as in \"1250.5\""
	case strings.HasPrefix(s, "+"):
		return "no plus sign: type the number without it"
	case exponent(lower):
		return "no power of ten: write the number out in full"
	case strings.HasPrefix(lower, "0x"):
		return "only decimal digits are taken"
	case !digits:
		return "only digits, one point and a leading minus are taken, as in \"-1.50\"; the unit goes in its own place"
	case strings.Trim(lower, ".") == "":
		return "no digits: a number such as \"1.50\" is wanted"
	case strings.Count(s, ".") > 1 || strings.Count(s, "-") > 1 || strings.LastIndex(s, "-") > 0:
		return "one point and one leading minus at most"
	case strings.HasPrefix(lower, "."):
		return "put a zero before the point, as in \"0.5\""
	case strings.HasSuffix(lower, "."):
		return "a digit is missing after the point: leave the point out or type the digit that was read"
	case len(strings.ReplaceAll(lower, ".", "")) > MaxDigits:
		return fmt.Sprintf("more than %d digits", MaxDigits)
	case strings.HasPrefix(s, "-") && strings.Trim(lower, "0.") == "":
		return "there is no minus zero: type it without the minus"
	case strings.HasPrefix(lower, "0"):
		return "no zeros before the number: type it without them"
	}
	return "a number such as \"1.50\" is wanted"
}

// spaced tells whether s is a number with spaces in it.
func spaced(s string) bool {
	return strings.ContainsAny(s, " \t\u00a0\u202f") && strings.Trim(s, "0123456789., \t\u00a0\u202f") == ""
}

func exponent(s string) bool {
	head, tail, found := strings.Cut(s, "e")
	return found && head != "" && strings.Trim(head, "0123456789.,") == "" &&
		strings.Trim(tail, "0123456789+-") == ""
}

// String returns the number exactly as typed.
func (d Decimal) String() string { return string(d.Append(make([]byte, 0, 24))) }

// Append adds the number, as typed, to dst.
func (d Decimal) Append(dst []byte) []byte {
	if d.d.IsNeg() {
		dst = append(dst, '-')
	}
	var buf [24]byte
	digits := strconv.AppendUint(buf[:0], d.d.Coef(), 10)
	places := d.d.Scale()
	whole := len(digits) - places
	if whole <= 0 {
		dst = append(dst, '0')
	} else {
		dst = append(dst, digits[:whole]...)
		digits = digits[whole:]
	}
	if places == 0 {
		return dst
	}
	dst = append(dst, '.')
	for range -min(whole, 0) {
		dst = append(dst, '0')
	}
	return append(dst, digits...)
}

// Cmp returns -1, 0 or 1 as d is less than, equal to or more than e, exactly
// and without allocating; 1.5 and 1.50 are equal numbers.
func (d Decimal) Cmp(e Decimal) int {
	if d.d.Scale() == e.d.Scale() || d.d.Sign() != e.d.Sign() {
		return d.d.Cmp(e.d)
	}
	return cmpScaled(d, e)
}

// cmpScaled compares two decimals of one sign by their whole part, then by the
// rest. The library's own way allocates when the two scales lie far apart.
func cmpScaled(d, e Decimal) int {
	dw, dr := split(d)
	ew, er := split(e)
	c := 0
	switch {
	case dw != ew:
		c = 1
		if dw < ew {
			c = -1
		}
	case dr != er:
		c = 1
		if dr < er {
			c = -1
		}
	}
	return c * d.d.Sign()
}

// split returns the whole part and the rest in units of 1e-18, without sign.
func split(d Decimal) (whole, rest uint64) {
	places := d.d.Scale()
	unit := powers[places]
	return d.d.Coef() / unit, d.d.Coef() % unit * powers[MaxDigits-places]
}

// powers holds the powers of ten up to 1e18.
var powers = func() (p [MaxDigits + 1]uint64) {
	p[0] = 1
	for i := 1; i < len(p); i++ {
		p[i] = p[i-1] * 10
	}
	return p
}()

// Sign returns -1, 0 or 1.
func (d Decimal) Sign() int { return d.d.Sign() }

// IsZero tells whether the number is 0, with whatever decimals.
func (d Decimal) IsZero() bool { return d.d.IsZero() }

// Scale returns how many digits stand after the point.
func (d Decimal) Scale() int { return d.d.Scale() }

// Neg returns -d; the negative of 0 is 0.
func (d Decimal) Neg() Decimal { return Decimal{d.d.Neg()} }

// Add returns d + e exactly, with the longer of both scales, or [ErrDigits].
func (d Decimal) Add(e Decimal) (Decimal, error) {
	sum, err := d.d.AddExact(e.d, max(d.Scale(), e.Scale()))
	return fits(sum, err, "sum")
}

// Sub returns d - e exactly, with the longer of both scales, or [ErrDigits].
func (d Decimal) Sub(e Decimal) (Decimal, error) {
	diff, err := d.d.SubExact(e.d, max(d.Scale(), e.Scale()))
	return fits(diff, err, "difference")
}

// fits keeps every result in the digits that ParseDecimal reads back.
func fits(d decimal.Decimal, err error, what string) (Decimal, error) {
	if err != nil || max(d.Prec(), d.Scale()+1) > MaxDigits {
		return Decimal{}, fmt.Errorf("%s needs %w", what, ErrDigits)
	}
	return Decimal{d}, nil
}

// Round returns d with at most places decimals, ties to the even digit. A number
// with fewer stays as it is: rounding invents no resolution.
func (d Decimal) Round(places int) Decimal { return Decimal{d.d.Round(max(places, 0))} }

// Float64 returns the nearest float64, for drawing and statistics only.
func (d Decimal) Float64() float64 {
	f, _ := d.d.Float64()
	return f
}

// FromFloat rounds f to places decimals, a tie of its exact binary value going
// to the even digit. NaN, infinities and numbers that need more than 18 digits
// are refused.
func FromFloat(f float64, places int) (Decimal, error) {
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return Decimal{}, fmt.Errorf("%w: %v is no number that can be recorded", ErrDecimal, f)
	}
	if math.Abs(f) >= 1e18 {
		return Decimal{}, fmt.Errorf("%v needs %w", f, ErrDigits)
	}
	return fromRat(new(big.Rat).SetFloat64(f), places)
}

// rat returns d as an exact fraction.
func (d Decimal) rat() *big.Rat {
	num := new(big.Int).SetUint64(d.d.Coef())
	if d.d.IsNeg() {
		num.Neg(num)
	}
	return new(big.Rat).SetFrac(num, new(big.Int).SetUint64(powers[d.d.Scale()]))
}

// fromRat rounds r to exactly places decimals, ties to the even digit.
func fromRat(r *big.Rat, places int) (Decimal, error) {
	if places < 0 || places >= MaxDigits {
		return Decimal{}, fmt.Errorf("%d decimals cannot be kept: 0 to %d can", places, MaxDigits-1)
	}
	num := new(big.Int).Mul(r.Num(), new(big.Int).SetUint64(powers[places]))
	quo, rest := new(big.Int).QuoRem(num, r.Denom(), new(big.Int))
	twice := rest.Abs(rest).Lsh(rest, 1)
	if c := twice.Cmp(r.Denom()); c > 0 || c == 0 && quo.Bit(0) == 1 {
		quo.Add(quo, big.NewInt(int64(r.Sign())))
	}
	if !quo.IsInt64() {
		return Decimal{}, fmt.Errorf("result needs %w", ErrDigits)
	}
	d, err := decimal.New(quo.Int64(), places)
	return fits(d, err, "result")
}

// MarshalJSON writes a JSON string.
func (d Decimal) MarshalJSON() ([]byte, error) { return d.AppendJSON(nil), nil }

// AppendJSON adds the number to dst as a JSON string.
func (d Decimal) AppendJSON(dst []byte) []byte {
	return append(d.Append(append(dst, '"')), '"')
}

// UnmarshalJSON reads a JSON string; a JSON number is refused, because its
// trailing zeros and its exact digits may be lost on the way.
func (d *Decimal) UnmarshalJSON(b []byte) error {
	if len(b) == 0 || b[0] != '"' {
		return fmt.Errorf("%w %s: give it as a string, e.g. \"1.50\"", ErrDecimal, quoted(string(b)))
	}
	var s string
	if err := json.Unmarshal(b, &s); err != nil {
		return fmt.Errorf("%w: %w", ErrDecimal, err)
	}
	parsed, err := ParseDecimal(s)
	if err != nil {
		return err
	}
	*d = parsed
	return nil
}

// MarshalText writes the number as typed.
func (d Decimal) MarshalText() ([]byte, error) { return d.Append(nil), nil }

// UnmarshalText reads what [ParseDecimal] reads.
func (d *Decimal) UnmarshalText(b []byte) error {
	parsed, err := ParseDecimal(string(b))
	if err != nil {
		return err
	}
	*d = parsed
	return nil
}
