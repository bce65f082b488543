package importer_test

import (
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/internal/importer"
	"linewarden/internal/memstore"
	"linewarden/internal/plant"
)

func memorySite(t testing.TB) *plant.Site {
	t.Helper()
	return newSite(t, memstore.New().Site("station-demo"), nil)
}

// TestRows gives rows one by one: kept as they stand, or listed with the reason. The clocks of the site are
// those of America/New_York (IANA time zone database): in 2025 forward on 9 March at 02:00, back on
// 2 November at 02:00.
func TestRows(t *testing.T) {
	s := memorySite(t)
	for name, c := range map[string]struct {
		row  string
		want string // part of each fault, with "&" between; "": kept
	}{
		"good":                {"2025-03-01 10:00:00,1.50", ""},
		"RFC 3339":            {"2025-03-01T10:00:00-05:00,1.50", ""},
		"no seconds":          {"2025-03-01 10:00,1.50", ""},
		"spaces around":       {" 2025-03-01 10:01:00 , 1.50 ", ""},
		"quoted":              {`"2025-03-01 10:02:00","1.50"`, ""},
		"below":               {"2025-03-01 10:03:00,<0.02", ""},
		"above":               {"2025-03-01 10:04:00,> 5", ""},
		"more empty cells":    {"2025-03-01 10:05:00,1.50,,", ""},
		"empty":               {"2025-03-01 11:00:00,", "no value in column Cl2"},
		"comma decimal":       {`2025-03-01 11:00:00,"1,50"`, "a comma is not taken"},
		"comma splits":        {"2025-03-01 11:00:00,1,50", "3 cells, the header line 2"},
		"too few":             {"2025-03-01 11:00:00", "1 cells, the header line 2"},
		"word":                {"2025-03-01 11:00:00,n/a", "Cl2"},
		"NaN":                 {"2025-03-01 11:00:00,NaN", "not a number"},
		"infinite":            {"2025-03-01 11:00:00,-Inf", "not a number"},
		"1e309":               {"2025-03-01 11:00:00,1e309", "power of ten"},
		"hexadecimal":         {"2025-03-01 11:00:00,0x10", "decimal digits"},
		"minus zero":          {"2025-03-01 11:00:00,-0.0", "minus zero"},
		"unit in cell":        {"2025-03-01 11:00:00,1.5 mg/L", "Cl2"},
		"negative":            {"2025-03-01 11:00:00,-1.5", "Cl2"},
		"far too high":        {"2025-03-01 11:00:00,900000000", "Cl2"},
		"19 digits":           {"2025-03-01 11:00:00,1.000000000000000000", "18 digits"},
		"only a sign":         {"2025-03-01 11:00:00,<", "nothing typed"},
		"no time":             {",1.5", "no time"},
		"no such day":         {"2025-02-30 11:00:00,1.5", "is not like"},
		"other layout":        {"03/01/2025 11:00:00,1.5", "COLUMN:LAYOUT"},
		"future":              {"2027-03-01 11:00:00,1.5", "future"},
		"too fine":            {"2025-03-01 11:00:00.0005,1.5", "finer than a millisecond"},
		"gap":                 {"2025-03-09 02:30:00,1.5", "does not exist"},
		"gap, and no value":   {"2025-03-09 02:30:00,", "no value&does not exist"},
		"before the gap":      {"2025-03-09 01:59:59,1.5", ""},
		"after the gap":       {"2025-03-09 03:00:00,1.5", ""},
		"twice":               {"2025-11-02 01:30:00,1.5", "comes twice"},
		"before twice":        {"2025-11-02 00:59:59,1.5", ""},
		"after twice":         {"2025-11-02 02:00:00,1.5", ""},
		"quote left open":     {`2025-03-01 11:00:00,"1.5`, "opened and not closed"},
		"text after a quote":  {`2025-03-01 11:00:00,"1.5"x`, "after a closing quote"},
		"a lone quote inside": {`2025-03-01 11:00:00,1"5`, "Cl2"},
		"not UTF-8":           {"2025-03-01 11:00:00,\xff\xfe", "Cl2"},
		"zero byte":           {"2025-03-01 11:00:00,1\x005", "Cl2"},
		"long line":           {"2025-03-01 11:00:00,1" + strings.Repeat("0", 1<<20), "longer than"},
		"long cell":           {"2025-03-01 11:00:00," + strings.Repeat("9", 100_000), "Cl2"},
	} {
		t.Run(name, func(t *testing.T) {
			// A good row of another day follows: a bad one never takes it away.
			r, err := importer.Run(t.Context(), fromText(s, "Time,Cl2\n"+c.row+"\n2024-01-01 00:00:00,1.23\n"))
			if err != nil {
				t.Fatal(err)
			}
			if c.want == "" {
				if len(r.Bad) > 0 || r.Kept+r.Already != 2 {
					t.Fatalf("%+v", r)
				}
				return
			}
			if len(r.Bad) != 1 || r.Kept+r.Already != 1 || r.Bad[0].Line != 2 {
				t.Fatalf("%+v", r)
			}
			want := strings.Split(c.want, "&")
			if len(r.Bad[0].Faults) != len(want) {
				t.Errorf("faults %q", r.Bad[0].Faults)
			}
			for i, w := range want {
				if !strings.Contains(r.Bad[0].Faults[min(i, len(r.Bad[0].Faults)-1)], w) {
					t.Errorf("faults %q lack %q", r.Bad[0].Faults, w)
				}
			}
		})
	}
}

// TestFiles gives whole files as instruments and office programs write them.
func TestFiles(t *testing.T) {
	for name, c := range map[string]struct {
		text      string
		kept, bad int64
	}{
		"byte order mark, CR LF": {"\xef\xbb\xbfTime,Cl2\r\n2025-03-01 10:00:00,1.5\r\n2025-03-01 10:20:00,1.6\r\n", 2, 0},
		"no line end at the end": {"Time,Cl2\n2025-03-01 10:00:00,1.5", 1, 0},
		"blank lines":            {"\n\nTime,Cl2\n\n2025-03-01 10:00:00,1.5\n  \n,\n\r\n2025-03-01 10:20:00,1.6\n\n", 2, 0},
		"out of order":           {"Time,Cl2\n2025-03-01 11:00:00,1.5\n2025-03-01 10:00:00,1.6\n2025-03-01 10:30:00,1.7\n", 3, 0},
		"header only":            {"Time,Cl2\n", 0, 0},
		"semicolons":             {"Time;Note;Cl2\n2025-03-01 10:00:00;a,b;1.5\n2025-03-01 10:20:00;;1,6\n", 1, 1},
		"tabs":                   {"Time\tCl2\n2025-03-01 10:00:00\t1.5\n", 1, 0},
		"quoted header":          {"\"Time\",\"Cl2\"\n2025-03-01 10:00:00,1.5\n", 1, 0},
		"cell over two lines":    {"Time,Cl2,Note\n2025-03-01 10:00:00,1.5,\"one\ntwo, \"\"three\"\"\"\n2025-03-01 10:20:00,1.6,x\n", 2, 0},
		"open quote, then good":  {"Time,Cl2,Note\n2025-03-01 10:00:00,1.5,\"oh\n2025-03-01 10:20:00,1.6,x\n2025-03-01 10:40:00,1.7,\"y\"\n", 2, 1},
		"same rows":              {"Time,Cl2\n2025-03-01 10:00:00,1.5\n2025-03-01 10:00:00,1.5\n2025-03-01 10:00:00,1.50\n", 3, 0},
		"same rows far apart":    {"Time,Cl2\n2025-03-01 10:00:00,1.5\n2025-03-02 10:00:00,1.5\n2025-03-01 10:00:00,1.5\n", 3, 0},
	} {
		t.Run(name, func(t *testing.T) {
			s := memorySite(t)
			for range 2 {
				r, err := importer.Run(t.Context(), fromText(s, c.text))
				if err != nil || r.Kept+r.Already != c.kept || r.BadRows != c.bad || s.View().Counts.Imported != c.kept {
					t.Fatalf("%v, %+v", err, r)
				}
			}
		})
	}
}

// TestRefused gives options and files that cannot be imported at all; nothing is stored.
func TestRefused(t *testing.T) {
	s := memorySite(t)
	for name, c := range map[string]struct {
		change func(o *importer.Options)
		text   string
		want   string
	}{
		"unknown check":    {func(o *importer.Options) { o.Check = "bath" }, "", "station-reading"},
		"unknown place":    {func(o *importer.Options) { o.Place = "bath" }, "", "station-b"},
		"unknown quantity": {func(o *importer.Options) { o.Columns[0].Quantity = "clorine" }, "", "free_chlorine"},
		"not measured":     {func(o *importer.Options) { o.Columns[0].Quantity = "cod" }, "", "does not measure"},
		"unknown unit":     {func(o *importer.Options) { o.Columns[0].Unit = "mol" }, "", "mg/L"},
		"ppm of what":      {func(o *importer.Options) { o.Columns[0].Unit = "ppm" }, "", "method"},
		"unknown method":   {func(o *importer.Options) { o.Columns[0].Method = "nose" }, "", "nose"},
		"unknown column":   {func(o *importer.Options) { o.Columns[0].Column = "Chlor" }, "", `"Time", "Cl2"`},
		"unknown time":     {func(o *importer.Options) { o.TimeColumn = "When" }, "", "When"},
		"bad layout":       {func(o *importer.Options) { o.TimeLayout = "DD/MM" }, "", "layout"},
		"bad twice":        {func(o *importer.Options) { o.Twice = "third" }, "", "first or second"},
		"no columns":       {func(o *importer.Options) { o.Columns = nil }, "", "at least one"},
		"same quantity":    {func(o *importer.Options) { o.Columns = append(o.Columns, o.Columns[0]) }, "", "twice"},
		"empty file":       {nil, " ", "column"},
		"two columns":      {nil, "Time,Cl2,Cl2\n", "more than one"},
		"UTF-16":           {nil, "\xff\xfeT\x00i\x00", "UTF-16"},
		"a workbook":       {nil, "PK\x03\x04....", "workbook"},
	} {
		t.Run(name, func(t *testing.T) {
			text := c.text
			if text == "" {
				text = "Time,Cl2\n2025-03-01 10:00:00,1.5\n"
			}
			o := fromText(s, text)
			if c.change != nil {
				c.change(&o)
			}
			r, err := importer.Run(t.Context(), o)
			if err == nil || !strings.Contains(err.Error(), c.want) || r.Kept > 0 {
				t.Errorf("%v, %+v", err, r)
			}
		})
	}
	if n := s.View().Counts.Readings; n != 0 {
		t.Errorf("%d readings stored", n)
	}
}

// TestMayNot wants the site's own refusal to come through, with the lines it is about.
func TestMayNot(t *testing.T) {
	o := fromText(memorySite(t), "Time,Cl2\n2025-03-01 10:00:00,1.5\n")
	o.By = haccp.Actor{ID: "someone", Name: "Someone", Role: haccp.RoleTechnician, Known: haccp.KnownPassword}
	if _, err := importer.Run(t.Context(), o); !errors.Is(err, haccp.ErrForbidden) || !strings.Contains(err.Error(), "lines 2 to 2") {
		t.Error(err)
	}
}

// TestTwice takes one local time of 2 November 2025 both ways: 01:30 EDT is 05:30 UTC, 01:30 EST 06:30 UTC.
func TestTwice(t *testing.T) {
	for twice, want := range map[string]int{importer.TwiceFirst: 5, importer.TwiceSecond: 6} {
		o := fromText(memorySite(t), "Time,Cl2\n2025-11-02 01:30:00,1.5\n")
		o.Twice = twice
		r, err := importer.Run(t.Context(), o)
		if want := time.Date(2025, 11, 2, want, 30, 0, 0, time.UTC); err != nil || !r.First.Equal(want) {
			t.Errorf("%s: %v, %s", twice, err, r.First)
		}
	}
}

// TestAllOrNothing records nothing where one row is bad, and all where none is.
func TestAllOrNothing(t *testing.T) {
	s := memorySite(t)
	o := fromText(s, "Time,Cl2\n2025-03-01 10:00:00,1.5\n2025-03-01 10:20:00,\n")
	o.AllOrNothing = true
	r, err := importer.Run(t.Context(), o)
	if !errors.Is(err, importer.ErrBadRows) || r.BadRows != 1 || r.Kept != 0 || s.View().Counts.Readings != 0 {
		t.Errorf("%v, %+v", err, r)
	}
	o = fromText(s, "Time,Cl2\n2025-03-01 10:00:00,1.5\n")
	o.AllOrNothing = true
	if r, err := importer.Run(t.Context(), o); err != nil || r.Kept != 1 {
		t.Errorf("%v, %+v", err, r)
	}
}

// TestOptionalColumns keeps a row that lacks a value beside its first one.
func TestOptionalColumns(t *testing.T) {
	s := memorySite(t)
	o := fromText(s, "Time,Cl2,pH\n2025-03-01 10:00:00,1.5,\n2025-03-01 10:20:00,,7.1\n2025-03-01 10:40:00,1.6,7.2\n2025-03-01 11:00:00,1.6,7;2\n")
	o.Columns = append(o.Columns, importer.Column{Quantity: "ph", Column: "pH"})
	r, err := importer.Run(t.Context(), o)
	if err != nil || r.Kept != 2 || r.BadRows != 2 {
		t.Fatalf("%v, %+v", err, r)
	}
	events, _, err := s.Find(t.Context(), plant.Query{Kind: haccp.KindReading})
	if err != nil || len(events) != 2 {
		t.Fatal(err, len(events))
	}
	for i, n := range []int{1, 2} {
		if r, ok := events[i].Body.(*haccp.Reading); !ok || len(r.Entries) != n || r.From.Row != int64(2+2*i) {
			t.Errorf("reading %d: %+v", i, r)
		}
	}
}

// TestBrokenOff breaks an import off in the middle and goes on: every row is there once.
func TestBrokenOff(t *testing.T) {
	s := memorySite(t)
	file := string(minutes(12000))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	o := fromText(s, file)
	o.Progress = func(phase string, done, total int64) {
		if phase == importer.PhaseRecord && done < total {
			cancel()
		}
	}
	r, err := importer.Run(ctx, o)
	if err == nil || r.Kept == 12000 {
		t.Fatalf("was not broken off: %v, kept %d", err, r.Kept)
	}
	o.Progress = nil
	r, err = importer.Run(t.Context(), o)
	if err != nil || r.Kept+r.Already != 12000 || r.Kept == 12000 || s.View().Counts.Imported != 12000 {
		t.Errorf("%v, kept %d, already %d, in the log %d", err, r.Kept, r.Already, s.View().Counts.Imported)
	}
}

// TestChangedWhileRead reports a file that is another one on the second reading.
func TestChangedWhileRead(t *testing.T) {
	o := fromText(memorySite(t), "")
	texts := []string{"Time,Cl2\n2025-03-01 10:00:00,1.5\n", "Time,Cl2\n2025-03-01 10:00:00,1.6\n"}
	o.Open = func() (io.ReadCloser, error) {
		text := texts[0]
		texts = texts[1:]
		return io.NopCloser(strings.NewReader(text)), nil
	}
	if _, err := importer.Run(t.Context(), o); err == nil || !strings.Contains(err.Error(), "changed while it was read") {
		t.Error(err)
	}
}
