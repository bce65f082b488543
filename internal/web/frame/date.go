package frame

import (
	"strconv"
	"time"
)

// A date names its month, so that nobody has to know which number stands first: where English is spoken that differs.

// At writes a moment as date and time of the plant.
func (f *Frame) At(t time.Time) string {
	if t.IsZero() {
		return "–"
	}
	local := t.In(f.Location)
	return f.date(local) + local.Format(" 15:04")
}

// Day writes a date that comes as YYYY-MM-DD; anything else is shown as it stands.
func (f *Frame) Day(text string) string {
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return text
	}
	return f.date(t)
}

func (f *Frame) date(t time.Time) string { return f.dayMonth(t) + t.Format(" 2006") }

func (f *Frame) dayMonth(t time.Time) string {
	return strconv.Itoa(t.Day()) + " " + f.Word("month", int(t.Month()))
}
