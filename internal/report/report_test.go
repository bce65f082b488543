package report

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"flag"
	"iter"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

var update = flag.Bool("update", false, "write the golden files anew")

func golden(t *testing.T, name string, got []byte) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if *update {
		if err := os.WriteFile(path, got, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got, want) {
		t.Errorf("%s differs from the golden file; got:\n%s", name, got)
	}
}

func head(t *testing.T) Head {
	t.Helper()
	zone, err := time.LoadLocation("America/Merida")
	if err != nil {
		t.Fatal(err)
	}
	return Head{Site: "demo", Name: "Vallequince", Demo: true, Zone: zone, Made: time.Date(2026, 3, 3, 14, 0, 0, 0, time.UTC), Checkpoint: "41 abc="}
}

func at(hour, minute int) time.Time { return time.Date(2026, 3, 2, hour, minute, 0, 0, time.UTC) }

func sampleLog() haccp.Log {
	mass := quantity.Exact(quantity.MustDecimal("140"), quantity.Kilogram)
	return haccp.Log{Site: "demo", Name: "Vallequince", Demo: true, Zone: "America/Merida", From: at(11, 0), To: at(11, 0).AddDate(0, 0, 1), Versions: []int{1, 2},
		Checks: haccp.CheckCounts{Due: 18, Done: 12, Late: 3, Missed: 6},
		Days: []haccp.LogDay{{Day: "2026-03-02",
			Entries: []haccp.LogEntry{
				{Number: 7, Word: "deviation", Ground: haccp.GroundExcursion, Found: at(13, 0), FoundBy: "Inés Robledo", Class: plan.CCP, PointName: "Free chlorine",
					PlaceName: "Wash bath 1", Version: 1, Limits: []string{"free_chlorine 100 mg/L to 150 mg/L (critical)"},
					First: &haccp.SampleFacts{Value: "84 mg/L", At: at(13, 0)}, Worst: &haccp.SampleFacts{Value: "< 2 mg/L", At: at(13, 5)},
					Retest: &haccp.SampleFacts{Value: "123 mg/L", At: at(13, 20)}, Now: haccp.Span{Begin: at(12, 30), End: at(13, 20)},
					Widest:  haccp.Span{Begin: at(12, 30), End: at(13, 30)},
					Product: &haccp.Product{Exposed: true, Codes: []string{"L-17", "L-18"}, Mass: &mass, HeldWhere: "=cmd|' /C calc'!A0", Evaluation: "washed, \"again\"", Outcome: "held"},
					Fixes:   []haccp.FixFacts{{At: at(13, 4), By: "Inés Robledo", Fix: "add-hypochlorite", Note: "250 mL"}}, Restored: "dosed\nand tested", Cause: "-feed too fast",
					Action: "+stop at 110", Evaluated: "Marta Quijano", ClosedBy: "Marta Quijano", ClosedAt: at(20, 0), Status: "closed",
					Parts: []haccp.LogPart{{Part: "closed", By: "Marta Quijano", Role: "manager", At: at(20, 0)}}},
				{Number: 8, Word: "nonconformity", Ground: haccp.GroundMiss, Found: at(15, 0), Status: "open", FixOnly: "belt only", PointName: "Seal", PlaceName: "Filler", Version: 2,
					Product: &haccp.Product{Evidence: "line was empty"}}},
			Misses: []haccp.LogMiss{{CheckName: "Bag seal", PlaceName: "Filler", Due: at(14, 30), Until: at(14, 45), Recorded: at(14, 46), TakenInTime: true}},
			Changes: []haccp.ChangeEntry{{Seq: 30, Kind: haccp.KindAmended, Of: haccp.KindNote, At: at(12, 0), Made: at(12, 9), By: "Inés Robledo", Author: "Inés Robledo",
				Reason: "typo", Old: &haccp.Note{Text: "a"}, New: &haccp.Note{Text: "b"}}}}}}
}

func TestCorrectiveCSV(t *testing.T) {
	var b bytes.Buffer
	if err := CorrectiveCSV(&b, sampleLog(), head(t)); err != nil {
		t.Fatal(err)
	}
	golden(t, "corrective.csv", b.Bytes())
	rows := read(t, b.String())
	if len(rows) != 5 {
		t.Fatalf("%d rows, want a summary, two cases, a miss and an amendment", len(rows))
	}
	first := rows[1]
	for name, want := range map[string]string{"number": "7", "found": "2026-03-02T07:00:00-06:00", "held_where": "'=cmd|' /C calc'!A0", "cause": "'-feed too fast",
		"corrective_action": "'+stop at 110", "mass": "140 kg", "control_restored": "dosed\nand tested", "evaluation": `washed, "again"`,
		"closed_by": "Marta Quijano", "time_zone": "America/Merida", "checkpoint": "41 abc=", "plan_version": "1", "worst_value": "< 2 mg/L"} {
		if first[name] != want {
			t.Errorf("%s is %q, want %q", name, first[name], want)
		}
	}
	if rows[0]["checks_missed"] != "6" || rows[0]["plan_version"] != "1 2" {
		t.Errorf("summary: %v", rows[0])
	}
	for i, r := range rows {
		if r["mark"] != "Invented plant, for demo: limits are invented" || r["plant"] != "Vallequince" {
			t.Errorf("row %d does not say which plant, and that it is invented", i)
		}
	}
}

func TestCorrectiveOfAQuietPeriodSaysSo(t *testing.T) {
	l := sampleLog()
	l.Days = nil
	var b bytes.Buffer
	if err := CorrectiveCSV(&b, l, head(t)); err != nil {
		t.Fatal(err)
	}
	rows := read(t, b.String())
	if len(rows) != 1 || !strings.HasPrefix(rows[0]["text"], "no deviation") || rows[0]["checks_due"] != "18" {
		t.Errorf("%v", rows)
	}
}

func TestCorrectiveNDJSON(t *testing.T) {
	var b bytes.Buffer
	if err := CorrectiveNDJSON(&b, sampleLog(), head(t)); err != nil {
		t.Fatal(err)
	}
	golden(t, "corrective.ndjson", b.Bytes())
	lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
	if len(lines) != 5 {
		t.Fatalf("%d lines", len(lines))
	}
	for i, l := range lines {
		if !json.Valid([]byte(l)) {
			t.Errorf("line %d is no JSON", i+1)
		}
	}
}

func event(seq int64, r *haccp.Reading) *haccp.Event {
	return &haccp.Event{Kind: haccp.KindReading, Seq: seq, ID: string(rune('a' + seq)), At: at(13, int(seq)), AtKnown: haccp.AtDevice, RecordedAt: at(13, int(seq)).Add(250 * time.Millisecond),
		By: haccp.Actor{Name: "Inés Robledo", Role: "technician", Known: "PIN"}, Body: r}
}

func readings() (list []*haccp.Event, changes []*haccp.Event) {
	d := quantity.MustDecimal
	reading := func(e ...haccp.Entry) *haccp.Reading {
		return &haccp.Reading{Check: "bath-test", Place: "bath-1", Mode: "hand", Entries: e, PlanVersion: 1,
			Verdicts: []control.Verdict{{Point: "wash-chlorine", Limit: "free-chlorine", Verdict: control.Inside}}}
	}
	ninety := quantity.Exact(d("90.0"), quantity.MgPerL)
	list = []*haccp.Event{
		event(1, reading(haccp.Entry{Quantity: "free_chlorine", Read: quantity.Exact(d("120.50"), quantity.MgPerL)}, haccp.Entry{Quantity: "temperature", Read: quantity.Exact(d("-1.5"), quantity.Celsius)})),
		event(2, reading(haccp.Entry{Quantity: "free_chlorine", Read: quantity.Below(d("2"), quantity.MgPerL)})),
		event(3, reading(haccp.Entry{Quantity: "free_chlorine", Read: quantity.Band(d("50"), d("100"), quantity.PPM)})),
		event(4, reading(haccp.Entry{Quantity: "free_chlorine", Read: quantity.Exact(d("9"), quantity.MgPerL), Value: &ninety, Formula: "dilution/1", Dilution: &haccp.Dilution{Sample: 1, Total: 10}})),
		event(5, reading(haccp.Entry{Quantity: "yes_no", Read: quantity.Answer(true)})),
	}
	amended := reading(haccp.Entry{Quantity: "free_chlorine", Read: quantity.Exact(d("112"), quantity.MgPerL)})
	changes = []*haccp.Event{
		{Kind: haccp.KindAmended, Seq: 6, Amends: list[0].ID, By: haccp.Actor{Name: "Marta"}, Body: &haccp.Amended{New: amended, Reason: "@swapped", Target: list[0].ID}},
		{Kind: haccp.KindVoided, Seq: 7, Amends: list[1].ID, By: haccp.Actor{Name: "Inés Robledo"}, Body: &haccp.Voided{Reason: "wrong bath", Target: list[1].ID}},
	}
	return list, changes
}

func seq(list []*haccp.Event) iter.Seq2[*haccp.Event, error] {
	return func(yield func(*haccp.Event, error) bool) {
		for _, e := range list {
			if !yield(e, nil) {
				return
			}
		}
	}
}

func TestReadings(t *testing.T) {
	list, changes := readings()
	var b bytes.Buffer
	if err := ReadingsCSV(&b, seq(list), NewChanges(changes), head(t)); err != nil {
		t.Fatal(err)
	}
	golden(t, "readings.csv", b.Bytes())
	rows := read(t, b.String())
	if len(rows) != 5 { // the amendment took one quantity away
		t.Fatalf("%d rows", len(rows))
	}
	for i, want := range []map[string]string{
		{"value": "112", "standing": "amended", "change_reason": "'@swapped", "at": "2026-03-02T07:01:00-06:00", "recorded_at": "2026-03-02T07:01:00.25-06:00"},
		{"sign": "<", "value": "2", "standing": "void"}, {"low": "50", "high": "100", "value": "", "unit": "ppm"},
		{"value": "90.0", "as_read": "9 mg/L", "dilution": "1 in 10", "formula": "dilution/1"}, {"value": "yes"}} {
		for name, v := range want {
			if rows[i][name] != v {
				t.Errorf("row %d: %s is %q, want %q", i+1, name, rows[i][name], v)
			}
		}
	}
	b.Reset()
	if err := ReadingsNDJSON(&b, seq(list), NewChanges(changes), head(t)); err != nil {
		t.Fatal(err)
	}
	golden(t, "readings.ndjson", b.Bytes())
}

// src: OWASP, CSV Injection (cells that begin with = + - @ TAB CR); the exception for numbers is ours.
func TestCell(t *testing.T) {
	for in, want := range map[string]string{"": "", "a": "a", "-1.5": "-1.5", "+3": "+3", "1e3": "1e3", "-1.5 °C": "'-1.5 °C", "=1+1": "'=1+1", "+A1": "'+A1",
		"-A1": "'-A1", "@SUM(A1)": "'@SUM(A1)", "\tx": "'\tx", "\rx": "'\rx", "--1": "'--1", "-": "'-", "-1\n=2": "'-1\n=2", "ünder": "ünder", "< 2": "< 2"} {
		if got := Cell(in); got != want {
			t.Errorf("Cell(%q) = %q, want %q", in, got, want)
		}
	}
}

// read reads a CSV with the reader of the standard library, and checks the line ends of RFC 4180 section 2.
func read(t *testing.T, text string) []map[string]string {
	t.Helper()
	if strings.HasPrefix(text, "\ufeff") || !strings.Contains(text, "\r\n") || !strings.HasSuffix(text, "\r\n") {
		t.Error("no byte order mark, and lines end with CRLF")
	}
	rows, err := csv.NewReader(strings.NewReader(text)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	var out []map[string]string
	for _, r := range rows[1:] {
		m := map[string]string{}
		for i, c := range r {
			m[rows[0][i]] = c
		}
		out = append(out, m)
	}
	return out
}
