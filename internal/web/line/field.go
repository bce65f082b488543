package line

import (
	"strconv"
	"strings"

	"linewarden/haccp/quantity"
	"linewarden/internal/web/frame"
)

type amountValue = quantity.Value

func masses() []frame.Choice { return frame.Units(quantity.Mass) }

func temperatures() []frame.Choice { return frame.Units(quantity.Temperature) }

// whole reads a whole number; 0 where it is none.
func whole(text string) int64 {
	n, err := strconv.ParseInt(strings.TrimSpace(text), 10, 40)
	if err != nil {
		return 0
	}
	return n
}

// numbers marks the fields that hold no number where one is wanted.
func numbers(f *frame.Frame, fields []frame.Field) bool {
	ok := true
	for i := range fields {
		fd := &fields[i]
		if fd.Type == "number" && fd.Value != "" {
			if n, err := strconv.ParseInt(fd.Value, 10, 40); err != nil || n < 0 {
				fd.Wrong = f.T("refusal.bad-number")
			}
		}
		fd.Amount(f)
		ok = ok && fd.Wrong == ""
	}
	return ok
}

// amountOf gives what was typed into the field of an amount; nil where nothing was.
func amountOf(f *frame.Frame, fields []frame.Field, name string) *quantity.Value {
	for i := range fields {
		if fields[i].Name == name {
			if v, given := fields[i].Amount(f); given {
				return &v
			}
		}
	}
	return nil
}
