package frame

import (
	"testing"

	"linewarden/internal/wording"
)

// What a comma does to a value that is to be recorded: nothing before it was shown back.
func TestCommaIsShownBeforeItIsRecorded(t *testing.T) {
	f := &Frame{Lang: wording.Spanish}
	for _, c := range []struct {
		name, value, high, meant, sign string
		want, shown                    string // "": not recorded yet; what the field shows then
	}{
		{"comma", "6,85", "", "", SignExact, "", "6.85"},
		{"the same, saved again", "6.85", "", "", SignExact, "6.85 kg", ""},
		{"two ways", "1,250", "", "", SignExact, "", "1,250"},
		{"chosen", "1,250", "", "1250", SignExact, "1250 kg", ""},
		{"chosen, with its zeros", "1,250", "", "1.250", SignExact, "1.250 kg", ""},
		{"band", "2,5", "5,0", "", SignBand, "", "2.5"},
		{"upper end only", "2.5", "5,0", "", SignBand, "", "2.5"},
		{"upper end that reads in two ways", "2.5", "5,000", "", SignBand, "", "2.5"},
		{"an upper end that no band has", "2.5", "5,0", "", SignExact, "2.5 kg", ""},
	} {
		e := Entry{Value: c.value, High: c.high, Meant: c.meant, Sign: c.sign, Unit: "kg", Required: true}
		x, ok := e.read(f)
		if ok != (c.want != "") || ok && x.Read.String() != c.want || !ok && (e.Value != c.shown || !e.Asked || e.Wrong == "") {
			t.Errorf("%s: %v %s, shows %q, says %q; want %q or shown %q", c.name, ok, x.Read, e.Value, e.Wrong, c.want, c.shown)
		}
		if c.sign == SignBand {
			continue
		}
		fd := Field{Type: "amount", Value: c.value, Meant: c.meant, Unit: "kg"}
		v, given := fd.Amount(f)
		if given != (c.want != "") || given && v.String() != c.want || !given && (fd.Value != c.shown || !fd.Asked || fd.Wrong == "") {
			t.Errorf("%s in a field: %v %s, shows %q, says %q", c.name, given, v, fd.Value, fd.Wrong)
		}
	}
}
