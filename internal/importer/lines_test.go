package importer

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"
)

// readAll gives the rows, and how many lines were refused.
func readAll(t *testing.T, text string) (rows [][]string, refused int) {
	t.Helper()
	r := newLineReader(strings.NewReader(text), ',')
	last := int64(0)
	for {
		cells, line, err := r.next()
		_, bad := errors.AsType[*errLine](err)
		switch {
		case errors.Is(err, io.EOF):
			return rows, refused
		case bad:
			refused++
		case err != nil:
			return nil, -1
		default:
			row := make([]string, len(cells))
			for i, c := range cells {
				row[i] = string(c)
			}
			rows = append(rows, row)
		}
		if line <= last {
			t.Fatalf("line %d comes after line %d", line, last)
		}
		last = line
	}
}

// FuzzLines holds the reader against the one of the standard library: what that takes whole (RFC 4180),
// this one takes alike. On any other text it ends, and numbers its lines upwards.
func FuzzLines(f *testing.F) {
	for _, s := range []string{
		"a,b\n1,2\n", "\xef\xbb\xbfa,b\r\n1,2\r\n", "a,\"b\"\"c\",\n\n,\n\"x\ny\",2", "\"open\n1,2\n3,4\n", "a,\"b\"c\n1,2", "\"\"\n\"\",\"\"\n", "a\r", "\"a\r\nb\",c\r\n",
	} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, text string) {
		rows, refused := readAll(t, text)
		std := csv.NewReader(strings.NewReader(strings.TrimPrefix(text, "\xef\xbb\xbf")))
		std.FieldsPerRecord = -1
		want, err := std.ReadAll()
		if err != nil || refused < 0 || strings.Count(text, "\n") > maxFolded {
			return
		}
		want = slices.DeleteFunc(want, func(row []string) bool { return strings.TrimSpace(strings.Join(row, "")) == "" })
		if refused > 0 || !slices.EqualFunc(rows, want, slices.Equal[[]string]) {
			t.Errorf("%q: got %q and %d refused, the standard library %q", text, rows, refused, want)
		}
	})
}

// TestOpenQuoteSpoilsOneLine wants all lines after one with an open quote, however many.
func TestOpenQuoteSpoilsOneLine(t *testing.T) {
	rows, refused := readAll(t, "a,\"b\n"+strings.Repeat("1,2\n", 1000))
	if len(rows) != 1000 || refused != 1 {
		t.Errorf("%d rows, %d refused", len(rows), refused)
	}
}

// TestLongLines wants the lines after one that is too long, and no more memory than that.
func TestLongLines(t *testing.T) {
	long := bytes.Repeat([]byte("x"), 3*maxLine)
	rows, refused := readAll(t, "1,2\n"+string(long)+"\n3,4\n")
	if len(rows) != 2 || refused != 1 {
		t.Errorf("%d rows, %d refused", len(rows), refused)
	}
}

func TestParseTime(t *testing.T) {
	want := time.Date(2025, 3, 4, 17, 6, 9, 0, time.UTC)
	for spec, cell := range map[string]string{
		"When:MM/DD/YYYY hh:mm:ss":      "03/04/2025 17:06:09",
		"When:DD.MM.YYYY hh:mm:ss":      "04.03.2025 17:06:09",
		"When:D/M/YY h:mm:ss":           "4/3/25 17:06:09",
		"When:YYYYMMDDThhmmss":          "20250304T170609",
		"When:MM/DD/YYYY hh:mm:ss pm":   "03/04/2025 05:06:09 pm",
		"When:D MMM YYYY hh:mm:ss":      "4 Mar 2025 17:06:09",
		"When:YYYY-MM-DD hh:mm:ss.SSSZ": "2025-03-04 18:06:09.000+01:00",
		"When:01/02/2006 15:04:05":      "03/04/2025 17:06:09",
		"When":                          "2025-03-04 17:06:09",
	} {
		column, layout, err := ParseTime(spec)
		if err != nil || column != "When" {
			t.Errorf("%s: %q, %v", spec, column, err)
			continue
		}
		r, err := newTimeReader(layout, time.UTC, TwiceAsk)
		if err != nil {
			t.Fatal(err)
		}
		if at, fault := r.read(cell); fault != "" || !at.Equal(want) {
			t.Errorf("%s: %s %s", spec, at, fault)
		}
	}
	for _, spec := range []string{"", ":DD", "When:", "When:DD/MM/YYYY", "When:hh:mm", "When:mm/DD/YYYY hh:MM", "When:date", "When:02/01/06"} {
		if _, layout, err := ParseTime(spec); err == nil {
			t.Errorf("%q is taken as %q", spec, layout)
		}
	}
}

func TestParseColumn(t *testing.T) {
	for spec, want := range map[string]Column{
		"ph=pH":                 {Quantity: "ph", Column: "pH"},
		"free_chlorine=B:mg/L":  {Quantity: "free_chlorine", Column: "B", Unit: "mg/L"},
		"temperature=T: in:°C":  {Quantity: "temperature", Column: "T: in", Unit: "°C"},
		"temperature=T: in:":    {Quantity: "temperature", Column: "T: in"},
		"conductivity=a=b:mS/m": {Quantity: "conductivity", Column: "a=b", Unit: "mS/m"},
	} {
		if got, err := ParseColumn(spec); err != nil || got != want {
			t.Errorf("%s: %+v, %v", spec, got, err)
		}
	}
	for _, spec := range []string{"", "ph", "=pH", "ph=", "ph=:mg/L"} {
		if c, err := ParseColumn(spec); err == nil {
			t.Errorf("%q is taken as %+v", spec, c)
		}
	}
}

// TestLocalTimes holds every quarter of an hour of years with odd changes of the clocks against the
// standard library: a local time is given by the moments that show it, and by no others.
func TestLocalTimes(t *testing.T) {
	for zone, year := range map[string]int{
		"America/New_York": 2006, "Europe/Madrid": 2026, "Australia/Lord_Howe": 2025, "Africa/Casablanca": 2024,
		"America/Merida": 2026, "Pacific/Apia": 2011, "Asia/Kathmandu": 1986,
	} {
		loc, err := time.LoadLocation(zone)
		if err != nil {
			t.Fatal(err)
		}
		const step = 15 * time.Minute
		shown := map[time.Time][]time.Time{}
		for at := time.Date(year-1, 12, 30, 0, 0, 0, 0, time.UTC); at.Year() <= year; at = at.Add(step) {
			_, seconds := at.In(loc).Zone()
			wall := at.Add(time.Duration(seconds) * time.Second)
			shown[wall] = append(shown[wall], at)
		}
		r, err := newTimeReader("", loc, TwiceAsk)
		if err != nil {
			t.Fatal(err)
		}
		for wall := time.Date(year, 1, 1, 0, 0, 0, 0, time.UTC); wall.Before(time.Date(year, 12, 30, 0, 0, 0, 0, time.UTC)); wall = wall.Add(step) {
			at, fault := r.local(wall)
			switch want := shown[wall]; len(want) {
			case 0:
				if !strings.Contains(fault, "does not exist") {
					t.Fatalf("%s: %s is %s, %q", zone, wall, at, fault)
				}
			case 1:
				if !at.Equal(want[0]) {
					t.Fatalf("%s: %s is %s, not %s, %q", zone, wall, at, want[0], fault)
				}
			default:
				if !strings.Contains(fault, "comes twice") {
					t.Fatalf("%s: %s is %s, %q", zone, wall, at, fault)
				}
			}
		}
	}
}
