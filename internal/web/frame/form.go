package frame

import (
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"github.com/gofiber/fiber/v2"
	"github.com/google/uuid"

	"linewarden/haccp/quantity"
)

// Form is what every form carries beside its own fields.
type Form struct {
	Command    string // UUID; sending the form twice records it once
	Opened     string // device's clock when the form was opened
	Typed      string // time typed by hand, as a datetime-local field writes it
	LateReason string
	Twice      bool              // the typed time came twice: ask which
	Wrong      map[string]string // field to what is wrong with it
}

// NewForm makes an empty form with a command id of its own.
func NewForm() Form { return Form{Command: uuid.NewString(), Wrong: map[string]string{}} }

// ReadForm takes back what a form carried, so that nothing typed is lost.
func ReadForm(c *fiber.Ctx) Form {
	f := Form{Command: c.FormValue("command"), Opened: c.FormValue("opened"), Typed: c.FormValue("at"),
		LateReason: strings.TrimSpace(c.FormValue("late_reason")), Wrong: map[string]string{}}
	if _, err := uuid.Parse(f.Command); err != nil {
		f.Command = uuid.NewString()
	}
	f.Command = strings.ToLower(f.Command)
	return f
}

// What can be wrong with a typed local time; the texts are codes of wording.
var (
	ErrBadTime = errors.New("bad-time")
	ErrSkipped = errors.New("time-skipped")
	ErrTwice   = errors.New("time-twice")
)

// LocalTime reads a local time of a zone. One that the clocks skipped is refused, one that came twice wants
// "first" or "second".
func LocalTime(typed string, zone *time.Location, which string) (time.Time, error) {
	var wall time.Time
	err := ErrBadTime
	for _, layout := range []string{"2006-01-02T15:04", "2006-01-02T15:04:05", "2006-01-02 15:04", "2006-01-02 15:04:05"} {
		if t, perr := time.Parse(layout, strings.TrimSpace(typed)); perr == nil {
			wall, err = t, nil
			break
		}
	}
	if err != nil {
		return time.Time{}, err
	}
	same := func(t time.Time) bool { return t.In(zone).Format("20060102150405") == wall.Format("20060102150405") }
	var found []time.Time
	guess := time.Date(wall.Year(), wall.Month(), wall.Day(), wall.Hour(), wall.Minute(), wall.Second(), 0, zone)
	// A change of the clocks moves them by 2 hours at most; half hours occur (Lord Howe Island).
	for d := -3 * time.Hour; d <= 3*time.Hour; d += 30 * time.Minute {
		if t := guess.Add(d); same(t) {
			found = append(found, t)
		}
	}
	switch {
	case len(found) == 0:
		return time.Time{}, ErrSkipped
	case len(found) == 1 || which == "first":
		return found[0], nil
	case which == "second":
		return found[len(found)-1], nil
	}
	return time.Time{}, ErrTwice
}

// Choice is a code with its words, for lists and radio buttons.
type Choice struct {
	Code, Word, Text string
	Chosen           bool
}

// Field is a field of a simple form.
type Field struct {
	Type     string // text, date, area, amount or choice
	Name     string
	Label    string
	Hint     string // in place of "may be left empty"
	Value    string
	Unit     string // amount
	Options  []Choice
	Required bool
	Wrong    string
	Asked    bool     // what stands in Wrong is a question
	Meant    string   // how a number with a comma is meant, of Ways
	Ways     []string // the readings of a number with a comma
}

// Units lists the units of quantities, as choices of a field.
func Units(ids ...quantity.ID) []Choice {
	var out []Choice
	for _, id := range ids {
		if q, err := quantity.Get(id); err == nil {
			for _, u := range q.Units() {
				out = append(out, Choice{Code: string(u), Word: u.Symbol()})
			}
		}
	}
	return out
}

// FillFields takes back what was typed.
func FillFields(c *fiber.Ctx, fields []Field) {
	for i := range fields {
		fields[i].Value = strings.TrimSpace(c.FormValue(fields[i].Name))
		if fields[i].Type == "amount" {
			fields[i].Unit = c.FormValue(fields[i].Name + ".unit")
			fields[i].Meant = c.FormValue(fields[i].Name + ".meant")
		}
	}
}

// Values gives every value of a field that may be ticked more than once.
func Values(c *fiber.Ctx, name string) []string {
	var out []string
	for _, v := range c.Request().PostArgs().PeekMulti(name) {
		out = append(out, string(v))
	}
	return out
}

// FieldValue gives what was typed into a field.
func FieldValue(fields []Field, name string) string {
	if i := slices.IndexFunc(fields, func(x Field) bool { return x.Name == name }); i >= 0 {
		return fields[i].Value
	}
	return ""
}

// MarkFields puts what is wrong at its fields.
func MarkFields(fields []Field, wrong map[string]string) {
	for i := range fields {
		if w := wrong[fields[i].Name]; w != "" {
			fields[i].Wrong = w
		}
	}
}

// Amount reads the value of a field with a unit; ok is false where nothing was typed or it is no number.
func (fd *Field) Amount(f *Frame) (quantity.Value, bool) {
	if fd.Type != "amount" || fd.Value == "" {
		return quantity.Value{}, false
	}
	if !fd.Number(f) {
		return quantity.Value{}, false
	}
	d, err := quantity.ParseDecimal(fd.Value)
	if err != nil {
		fd.Wrong, fd.Asked = f.T("form.bad-number"), false
		return quantity.Value{}, false
	}
	return quantity.Exact(d, quantity.Unit(fd.Unit)), true
}

// Codes splits what was typed with commas or line ends between.
func Codes(typed string) []string {
	var out []string
	for _, part := range strings.FieldsFunc(typed, func(r rune) bool { return r == ',' || r == ';' || r == '\n' }) {
		if part = strings.TrimSpace(part); part != "" {
			out = append(out, part)
		}
	}
	return out
}

// File gives the file that was chosen in a field; no name where none was.
func File(c *fiber.Ctx, field string) (name, text string, err error) {
	head, err := c.FormFile(field)
	if err != nil || head.Size == 0 {
		return "", "", nil //nolint:nilerr // a form without a file
	}
	file, err := head.Open()
	if err != nil {
		return "", "", fmt.Errorf("read file of the form: %w", err)
	}
	b, err := io.ReadAll(file)
	if err = errors.Join(err, file.Close()); err != nil {
		return "", "", fmt.Errorf("read file of the form: %w", err)
	}
	return head.Filename, string(b), nil
}
