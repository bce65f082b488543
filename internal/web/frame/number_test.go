package frame

import (
	"slices"
	"testing"

	"linewarden/haccp/quantity"
	"linewarden/internal/wording"
)

// A comma of whoever reads Spanish is understood and shown back, or asked about, and never guessed. src: ISO 80000-1:2022,
// 7.3.2 (decimal sign a comma or a point; digits grouped by neither); that three digits behind a comma are read as thousands
// by some and as decimals by others is common practice, no source.
func TestReadNumber(t *testing.T) {
	for _, c := range []struct {
		lang               wording.Language
		typed, meant, text string
		ask                bool
		ways               []string
	}{
		{wording.Spanish, "6,85", "", "6.85", true, nil},
		{wording.Spanish, "6.85", "", "6.85", false, nil},
		{wording.Spanish, "120", "", "120", false, nil},
		{wording.Spanish, "-1,5", "", "-1.5", true, nil},
		{wording.Spanish, "6,80", "", "6.80", true, nil}, // trailing zeros are the resolution
		{wording.Spanish, "0,125", "", "0.125", true, nil},
		{wording.Spanish, "1234,567", "", "1234.567", true, nil},
		{wording.Spanish, "1,2345", "", "1.2345", true, nil},
		{wording.Spanish, "1,234", "", "1,234", false, []string{"1.234", "1234"}},
		{wording.Spanish, "-12,000", "", "-12,000", false, []string{"-12.000", "-12000"}},
		{wording.Spanish, "999,999", "", "999,999", false, []string{"999.999", "999999"}},
		{wording.Spanish, "1,234", "1.234", "1.234", false, nil},
		{wording.Spanish, "1,234", "1234", "1234", false, nil},
		{wording.Spanish, "1,235", "1234", "1,235", false, []string{"1.235", "1235"}}, // chosen of another number
		{wording.Spanish, "1,234", "9", "1,234", false, []string{"1.234", "1234"}},
		{wording.Spanish, "6.85", "685", "6.85", false, nil},
		{wording.Spanish, "<1,5", "", "<1.5", true, nil},
		{wording.Spanish, "> 3,000", "", "> 3,000", false, []string{"> 3.000", "> 3000"}},
		{wording.Spanish, "1,5-2,5", "", "1.5-2.5", true, nil},
		{wording.Spanish, "1,500-2,500", "", "1,500-2,500", false, []string{"1.500-2.500", "1500-2500"}},
		{wording.Spanish, "1,234,567", "", "1,234,567", false, nil}, // no number: refused, not guessed
		{wording.Spanish, "1.234,5", "", "1.234,5", false, nil},
		{wording.Spanish, "1,234.5", "", "1,234.5", false, nil},
		{wording.Spanish, ",5", "", ",5", false, nil},
		{wording.Spanish, "6,", "", "6,", false, nil},
		{wording.Spanish, "6, 85", "", "6, 85", false, nil},
		{wording.Spanish, "yes", "", "yes", false, nil},
		{wording.English, "6,85", "", "6,85", false, nil},
		{wording.English, "1,234", "1234", "1,234", false, nil},
	} {
		got := ReadNumber(c.lang, c.typed, c.meant)
		if got.Text != c.text || got.Ask != c.ask || !slices.Equal(got.Ways, c.ways) {
			t.Errorf("%s %q meant %q: %+v; want %q, ask %v, %v", c.lang, c.typed, c.meant, got, c.text, c.ask, c.ways)
		}
	}
}

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

// Whatever is typed, a number that is recorded without a question has the very digits that were typed.
func FuzzReadNumber(f *testing.F) {
	for _, s := range []string{"6,85", "1,234", "<1,5", "1,5-2,500", "1.234,5", "-0,0"} {
		f.Add(s, "")
	}
	f.Fuzz(func(t *testing.T, typed, meant string) {
		got := ReadNumber(wording.Spanish, typed, meant)
		if !got.Ask && got.Ways == nil && got.Text != typed && got.Text != meant {
			t.Fatalf("%q became %q without a word", typed, got.Text)
		}
		if got.Ways != nil && (len(got.Ways) != 2 || got.Ways[0] == got.Ways[1]) {
			t.Fatalf("%q: %v", typed, got.Ways)
		}
		if d, err := quantity.ParseDecimal(typed); err == nil && got.Text != d.String() {
			t.Fatalf("%q is a number as it stands and became %q", typed, got.Text)
		}
	})
}
