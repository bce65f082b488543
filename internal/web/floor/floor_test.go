package floor_test

import (
	"bytes"
	"encoding/json"
	"flag"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/planfile"
	"linewarden/internal/web/floor"
	"linewarden/internal/web/frame"
	"linewarden/internal/wording"
)

var update = flag.Bool("update", false, "write the cases for the script of the tablet anew")

// judged is one sample of the bath test with what package haccp says about each of its direct limits; the script of
// the tablet is held against it in internal/web/testdata/judge.test.mjs.
type judged struct {
	Entries  []typed           `json:"entries"`
	Verdicts map[string]string `json:"verdicts"` // by quantity and bounds
}

type typed struct {
	Quantity string `json:"quantity"`
	Value    string `json:"value"`
	Unit     string `json:"unit"`
}

// TestSheetAgainstHACCP walks values over, on and between all bounds of the demo plan's bath test, writes what package
// haccp says about them, and sees that the sheet holds each of these limits.
func TestSheetAgainstHACCP(t *testing.T) {
	src, err := os.ReadFile(filepath.Join("..", "..", "demo", "plan.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	p := planfile.Check("plan.yaml", src, plan.Options{}).Plan
	f := &frame.Frame{Lang: wording.English, Plan: p, Now: time.Unix(0, 0)}
	check, place := frame.FindCheck(p, "bath-test"), frame.FindPlace(p, "bath-1")
	sheet := floor.SheetOf(f, p, check, place)
	if len(sheet.Limits) != 6 || len(sheet.Later) != 1 {
		t.Fatalf("%d limits for the tablet and %d for the server, want 6 and 1: %+v", len(sheet.Limits), len(sheet.Later), sheet)
	}
	var cases []judged
	for _, b := range sheet.Limits {
		for _, end := range []string{b.Min, b.Max} {
			d := quantity.MustDecimal(end)
			for _, text := range around(d) {
				cases = append(cases, judge(t, p, check, sheet, typed{b.Quantity, text, b.Unit}))
			}
		}
	}
	got, err := json.MarshalIndent(map[string]any{"sheet": sheet, "cases": cases}, "", " ")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join("..", "testdata", "judge.json")
	if *update {
		if err := os.WriteFile(file, append(got, '\n'), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil || !bytes.Equal(append(got, '\n'), want) {
		t.Errorf("%s differs from what package haccp says (%v): run with -update and read the difference", file, err)
	}
}

// around gives a bound in other writings, and values a hair to both sides.
func around(d quantity.Decimal) []string {
	v := d.Float64()
	f := func(x float64, places int) string { return strconv.FormatFloat(x, 'f', places, 64) }
	return []string{d.String(), f(v, 3), f(v-0.001, 3), f(v+0.001, 3), f(v-1, 1), f(v+1, 1), f(v*1.5, 0), f(v/2, 2)}
}

func judge(t *testing.T, p *plan.Plan, check *plan.Check, sheet floor.Sheet, x typed) judged {
	t.Helper()
	out := judged{Entries: []typed{x}, Verdicts: map[string]string{}}
	v := quantity.Exact(quantity.MustDecimal(x.Value), quantity.Unit(x.Unit))
	for _, verdict := range control.Judge(p, check, "bath-1", []control.Measured{{Quantity: x.Quantity, Value: v}}) {
		l := control.FindLimit(p, verdict.Point, verdict.Limit)
		for _, b := range sheet.Limits {
			if l.Quantity == x.Quantity && b.Quantity == x.Quantity && b.Point == verdict.Point && b.Kind == string(verdict.Kind) {
				out.Verdicts[b.Quantity+" "+b.Text] = verdict.Verdict
			}
		}
	}
	if len(out.Verdicts) == 0 {
		t.Fatalf("%v has no verdict", x)
	}
	return out
}
