package frame

import (
	"errors"
	"testing"
	"time"
	_ "time/tzdata"

	"linewarden/haccp"
	"linewarden/haccp/quantity"
	"linewarden/internal/wording"
)

// src: IANA time zone data, America/New_York 2026: no 2026-03-08 02:30, two 2026-11-01 01:30.
func TestLocalTime(t *testing.T) {
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		typed, which, want string
		err                error
	}{
		{"2026-03-02T14:05", "", "2026-03-02T19:05:00Z", nil},
		{"2026-03-08T02:30", "", "", ErrSkipped},
		{"2026-11-01T01:30", "", "", ErrTwice},
		{"2026-11-01T01:30", "first", "2026-11-01T05:30:00Z", nil},
		{"2026-11-01T01:30", "second", "2026-11-01T06:30:00Z", nil},
		{"02.03.2026 14:05", "", "", ErrBadTime},
	} {
		got, err := LocalTime(c.typed, zone, c.which)
		if !errors.Is(err, c.err) || (err == nil && got.UTC().Format(time.RFC3339) != c.want) {
			t.Errorf("%s %s: %s, %v; want %s, %v", c.typed, c.which, got.UTC(), err, c.want, c.err)
		}
	}
}

// What is typed becomes the value of a record exactly as typed, or a message at its field.
func TestEntryRead(t *testing.T) {
	f := &Frame{Lang: wording.English}
	for _, c := range []struct {
		name string
		in   Entry
		want string
		bad  bool
	}{
		{"trailing zero kept", Entry{Value: "6.80", Unit: "pH", Required: true}, "pH 6.80", false},
		{"below", Entry{Value: "2", Unit: "mg/L", Sign: SignBelow}, "< 2 mg/L", false},
		{"over range", Entry{Value: "300", Unit: "mg/L", Sign: SignAbove}, "> 300 mg/L", false},
		{"step of a strip", Entry{Value: "50", High: "100", Unit: "ppm", Sign: SignBand}, "50–100 ppm", false},
		{"strip without upper end", Entry{Value: "50", Unit: "ppm", Sign: SignBand}, "", true},
		{"yes", Entry{Value: "yes", YesNo: true}, "yes", false},
		{"neither yes nor no", Entry{Value: "maybe", YesNo: true}, "", true},
		{"comma", Entry{Value: "6,8", Unit: "pH"}, "", true},
		{"exponent", Entry{Value: "1e309", Unit: "mg/L"}, "", true},
		{"infinity", Entry{Value: "Inf", Unit: "mg/L"}, "", true},
		{"missing", Entry{Required: true}, "", true},
		{"a sign that no form has", Entry{Value: "9", Unit: "mg/L", Sign: "about"}, "", true},
		{"half a dilution", Entry{Value: "9", Unit: "mg/L", Sample: "1"}, "", true},
		{"no such expiry", Entry{Value: "9", Unit: "mg/L", Lot: "A1", Expiry: "31.12.2026"}, "", true},
	} {
		e := c.in
		x, ok := e.read(f)
		if c.bad != (e.Wrong != "") || ok == c.bad {
			t.Errorf("%s: ok %v, wrong %q", c.name, ok, e.Wrong)
		}
		if ok && x.Read.String() != c.want {
			t.Errorf("%s: %q, want %q", c.name, x.Read, c.want)
		}
	}
	empty := Entry{}
	if _, ok := empty.read(f); ok || empty.Wrong != "" {
		t.Error("an optional field left empty is neither a value nor wrong")
	}
}

// What was recorded and is shown again for an amendment reads back as the same value.
func TestEntrySetReadsBack(t *testing.T) {
	f := &Frame{Lang: wording.English}
	d := quantity.MustDecimal
	for _, v := range []quantity.Value{quantity.Exact(d("120.50"), quantity.MgPerL), quantity.Below(d("2"), quantity.MgPerL),
		quantity.Above(d("300"), quantity.MgPerL), quantity.Band(d("50"), d("100"), quantity.PPM)} {
		e := Entry{Name: "q", Sign: SignExact}
		e.Set(&haccp.Entry{Quantity: "free_chlorine", Read: v, Dilution: &haccp.Dilution{Sample: 1, Total: 10}})
		x, ok := e.read(f)
		if !ok || x.Read != v || x.Dilution == nil || x.Dilution.Total != 10 {
			t.Errorf("%s came back as %s (%q)", v, x.Read, e.Wrong)
		}
	}
}
