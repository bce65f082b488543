package importer_test

import (
	"bytes"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/internal/importer"
	"linewarden/internal/plant"
)

// epa gives the options to import the readings of station B, see testdata/epa-station-b/SOURCES.md.
func epa(t testing.TB, s *plant.Site) importer.Options {
	t.Helper()
	return importer.Options{
		Site: s, File: "readings.csv", Check: "station-reading", Place: "station-b", By: console,
		Open: func() (io.ReadCloser, error) {
			return os.Open(repoFile(t, "testdata", "epa-station-b", "readings.csv"))
		},
		TimeColumn: "TimeStep", TimeLayout: "MM/DD/YYYY hh:mm:ss",
		Columns: []importer.Column{
			{Quantity: "free_chlorine", Column: "B_CL2_VAL", Unit: "mg/L", Method: "analyser"},
			{Quantity: "ph", Column: "B_PH_VAL"},
			{Quantity: "temperature", Column: "B_TEMP_VAL", Unit: "°F"},
			{Quantity: "conductivity", Column: "B_COND_VAL", Unit: "uS/cm"},
			{Quantity: "turbidity", Column: "B_TURB_VAL", Unit: "NTU"},
		},
		Clock: func() time.Time { return today },
	}
}

// TestStationB imports a real file. How many rows lack a value, how many are below 1.0 mg/L and where the
// long spans lie was counted in the file by other means: with awk, over the raw text.
func TestStationB(t *testing.T) {
	eachStore(t, func(t *testing.T, s *plant.Site) {
		before := s.Head().Size
		r, err := importer.Run(t.Context(), epa(t, s))
		if err != nil {
			t.Fatal(err)
		}
		if r.Rows != 7200 || r.Kept != 7197 || r.Already != 0 || r.Outside != 2428 || r.Opened != 3 || r.BadRows != 3 {
			t.Errorf("got %+v", r)
		}
		if r.File != "37093d3417a0e19a228bb0f91aca6e5041991c0f9b4c82acce9f589cdecfdb66" {
			t.Errorf("hash of the file is %s", r.File)
		}
		checkBadNight(t, r)
		checkStationCases(t, s)
		state := s.View()
		if state.Counts.Missed != 0 || state.Counts.Imported != 7197 || s.Head().Size != before+7197+3 {
			t.Errorf("counts %+v, %d records", state.Counts, s.Head().Size-before)
		}
		again(t, s)
	})
}

// checkBadNight wants the three rows of the night on which clocks went from 02:00 to 03:00.
func checkBadNight(t *testing.T, r importer.Report) {
	t.Helper()
	want := []string{"2006-04-02 02:00:00", "2006-04-02 02:20:00", "2006-04-02 02:40:00"}
	if len(r.Bad) != len(want) {
		t.Fatalf("%d bad rows: %v", len(r.Bad), r.Bad)
	}
	for i, b := range r.Bad {
		all := strings.Join(b.Faults, "; ")
		if len(b.Faults) != 2 || !strings.Contains(all, "no value in column B_CL2_VAL") ||
			!strings.Contains(all, "this local time does not exist") || !strings.Contains(all, want[i]) {
			t.Errorf("line %d: %v", b.Line, b.Faults)
		}
	}
}

func checkStationCases(t *testing.T, s *plant.Site) {
	t.Helper()
	cases := s.View().Cases()
	if len(cases) != 3 {
		t.Fatalf("%d open cases", len(cases))
	}
	zone := s.View().Zone()
	local := func(at time.Time) string { return at.In(zone).Format("2006-01-02 15:04") }
	first := cases[0]
	if local(first.First.At) != "2006-02-22 20:20" || local(first.Now.Begin) != "2006-02-22 20:00" || local(first.Now.End) != "2006-03-28 10:20" {
		t.Errorf("first case: outside since %s, %s to %s", local(first.First.At), local(first.Now.Begin), local(first.Now.End))
	}
	for _, c := range cases {
		if c.Ground != haccp.GroundExcursion || c.IsClosed || c.Now.End.IsZero() {
			t.Errorf("case %d: %s, %v", c.Number, c.Ground, c.Now)
		}
	}
}

// again imports the file twice more, once as somebody else: nothing is added.
func again(t *testing.T, s *plant.Site) {
	t.Helper()
	size := s.Head().Size
	o := epa(t, s)
	for _, name := range []string{"console", "elsewhere"} {
		o.By.ID = name
		r, err := importer.Run(t.Context(), o)
		if err != nil || r.Kept != 0 || r.Already != 7197 || r.BadRows != 3 || s.Head().Size != size {
			t.Errorf("as %s: %v, kept %d, already %d, %d new records", name, err, r.Kept, r.Already, s.Head().Size-size)
		}
	}
}

// TestStationBFilledIn puts a value into a row whose time does not exist: it stays bad for its time.
func TestStationBFilledIn(t *testing.T) {
	s := sqliteSite(t)
	src, err := os.ReadFile(repoFile(t, "testdata", "epa-station-b", "readings.csv"))
	if err != nil {
		t.Fatal(err)
	}
	filled := bytes.Replace(src, []byte("04/02/2006 02:20:00,,"), []byte("04/02/2006 02:20:00,1.9,"), 1)
	if bytes.Equal(src, filled) {
		t.Fatal("the file has no such row")
	}
	o := epa(t, s)
	o.Open = func() (io.ReadCloser, error) { return io.NopCloser(bytes.NewReader(filled)), nil }
	r, err := importer.Run(t.Context(), o)
	if err != nil || r.Kept != 7197 || len(r.Bad) != 3 {
		t.Fatalf("%v, %+v", err, r)
	}
	if f := r.Bad[1].Faults; len(f) != 1 || !strings.Contains(f[0], "does not exist") {
		t.Errorf("02:20 with a value: %v", f)
	}
}
