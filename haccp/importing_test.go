package haccp_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
)

// rowsFrom makes rows of one quantity, one every ten minutes.
func rowsFrom(at time.Time, n int, value func(int) string) []haccp.ImportRow {
	rows := make([]haccp.ImportRow, n)
	for i := range rows {
		rows[i] = haccp.ImportRow{At: at.Add(time.Duration(i) * 10 * time.Minute), Occurrence: 1, Row: int64(i + 2),
			Values: []haccp.ImportValue{{Quantity: "free_chlorine", Value: mgL(value(i))}}}
	}
	return rows
}

func importOf(rows []haccp.ImportRow, file string) *haccp.Import {
	return &haccp.Import{Check: "bath-test", Place: "bath-1", File: strings.Repeat(file, 64), Rows: rows}
}

// The same rows add nothing the second time, whatever the file and the command; identical rows are told
// apart by their occurrence.
func TestImportingTwiceAddsNothing(t *testing.T) {
	w := newWorld(t)
	w.at(48 * time.Hour)
	rows := rowsFrom(monday, haccp.MaxImportRows, func(i int) string { return []string{"124", "90", "125"}[i%3] })
	first := w.must(haccp.AskImport, mara, importOf(rows, "a"))
	if len(first) <= haccp.MaxImportRows || w.state.Counts.Imported != haccp.MaxImportRows {
		t.Fatalf("%d records, %d imported", len(first), w.state.Counts.Imported)
	}
	for i := range rows {
		rows[i].Row += 7 // another file, in which they stand elsewhere
	}
	if again := w.must(haccp.AskImport, mara, importOf(rows, "b")); len(again) != 0 {
		t.Fatalf("the same rows again gave %v", kinds(again))
	}
	if both := w.must(haccp.AskImport, mara, importOf([]haccp.ImportRow{rows[0], rows[0]}, "c")); len(both) != 0 {
		t.Fatal(kinds(both))
	}
	twin := rows[0]
	twin.Occurrence = 2
	if got := w.must(haccp.AskImport, mara, importOf([]haccp.ImportRow{twin, twin}, "c")); !slices.Equal(kinds(got), []string{haccp.KindReading}) {
		t.Fatal(kinds(got))
	}
}

// Imported readings satisfy no due check, raise no finding of lateness, and are not taken for a check.
func TestImportedReadingsAreNoChecks(t *testing.T) {
	w := running(t)
	w.at(45 * time.Minute)
	got := w.must(haccp.AskImport, mara, importOf(rowsFrom(w.now.Add(-20*time.Minute), 1, func(int) string { return "124" }), "a"))
	if len(got) != 1 || got[0].AtKnown != haccp.AtImported || len(got[0].Findings) != 0 {
		t.Fatalf("%+v", got[0])
	}
	if b := got[0].Body.(*haccp.Reading); b.From == nil || b.From.Row != 2 {
		t.Fatalf("%+v", b.From)
	}
	missed := 0
	for _, e := range w.must(haccp.AskSweep, timetable, &haccp.Sweep{}) {
		if b, ok := e.Body.(*haccp.Missed); ok && b.Check == "bath-test" && b.Place == "bath-1" {
			missed++
		}
	}
	if missed != 1 {
		t.Fatalf("%d misses: an imported reading counted as the check", missed)
	}
}

// BenchmarkImport decides one command of 90 rows on a state that holds a horizon of readings: all inside, and
// a third outside in stretches of 300 rows, one case each.
func BenchmarkImport(b *testing.B) {
	inside := func(int) string { return "124" }
	stretches := func(i int) string {
		if i/300%3 == 0 {
			return "90"
		}
		return "124"
	}
	for name, values := range map[string]func(int) string{"inside": inside, "third-outside": stretches} {
		b.Run(name, func(b *testing.B) { benchmarkImport(b, values) })
	}
}

func benchmarkImport(b *testing.B, values func(int) string) {
	w := newWorld(b)
	w.replay = nil
	w.at(50 * 365 * 24 * time.Hour)
	n := 0
	next := func() *haccp.Command {
		from := n
		n += haccp.MaxImportRows
		rows := rowsFrom(monday.Add(time.Duration(from)*10*time.Minute), haccp.MaxImportRows, func(i int) string { return values(from + i) })
		return w.command(haccp.AskImport, mara, importOf(rows, "a"))
	}
	for range 12 {
		if _, err := w.try(next()); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportAllocs()
	for b.Loop() {
		b.StopTimer()
		c := next()
		f := w.facts(c)
		b.StartTimer()
		out, err := w.state.Decide(c, f, w.now)
		if err != nil {
			b.Fatal(err)
		}
		w.state = out.Next
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/1000/float64(b.N*haccp.MaxImportRows), "µs/row")
}
