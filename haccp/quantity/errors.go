package quantity

import (
	"errors"
	"strconv"
	"unicode/utf8"
)

// Kinds of error, to be asked for with errors.Is. The text of an error is meant
// for the person who typed: what is wrong, and what to type.
var (
	// ErrDecimal is a number that is not written as this program takes it.
	ErrDecimal = errors.New("bad number")
	// ErrDigits is a result that needs more digits than a decimal has.
	ErrDigits = errors.New("more than 18 digits")
	// ErrValue is a value object of the wrong form.
	ErrValue = errors.New("bad value")
	// ErrQuantity is a quantity that is not in the table.
	ErrQuantity = errors.New("unknown quantity")
	// ErrUnit is a unit that the quantity does not have.
	ErrUnit = errors.New("unknown unit")
	// ErrConvert is a conversion that physics does not give.
	ErrConvert = errors.New("not convertible")
	// ErrKind is a number where yes or no is wanted, or the other way round.
	ErrKind = errors.New("wrong kind of value")
	// ErrRange is a value that the quantity cannot have.
	ErrRange = errors.New("outside the physical range")
)

// A FieldError says which member of a value object is wrong.
type FieldError struct {
	Field string // Field is the member's name, such as "low"; empty for the whole value.
	Err   error  // Err is what is wrong with it.
}

// Error names the field and what is wrong with it.
func (e *FieldError) Error() string {
	if e.Field == "" {
		return e.Err.Error()
	}
	return e.Field + ": " + e.Err.Error()
}

// Unwrap returns what is wrong with the field.
func (e *FieldError) Unwrap() error { return e.Err }

// quoted shows what was typed, shortened so that a message stays one line.
func quoted(s string) string {
	const limit = 40
	if len(s) <= limit {
		return strconv.Quote(s)
	}
	cut := limit
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return strconv.Quote(s[:cut]) + "…"
}
