package report

import (
	"bytes"
	"strings"
	"testing"

	"linewarden/haccp"
)

func TestNarrow(t *testing.T) {
	l := haccp.Log{Checks: haccp.CheckCounts{Due: 9}, Days: []haccp.LogDay{
		{Day: "2026-03-01", Misses: []haccp.LogMiss{{}}},
		{Day: "2026-03-02", Misses: []haccp.LogMiss{{}}, Entries: []haccp.LogEntry{{Number: 1, Point: "wash", Lots: []string{"A", "B"}}, {Number: 2, Point: "cold", Lots: []string{"A"}}}},
		{Day: "2026-03-03", Entries: []haccp.LogEntry{{Number: 3, Point: "wash"}}},
	}}
	for _, x := range []struct {
		point, lot string
		want       []int64
		days       int
	}{{"", "", []int64{1, 2, 3}, 3}, {"wash", "", []int64{1, 3}, 2}, {"", "A", []int64{1, 2}, 1}, {"cold", "A", []int64{2}, 1}, {"cold", "B", nil, 0}, {"", "a", nil, 0}} {
		got := Narrow(l, x.point, x.lot)
		var numbers []int64
		for _, d := range got.Days {
			for _, e := range d.Entries {
				numbers = append(numbers, e.Number)
			}
			if (x.point != "" || x.lot != "") && len(d.Misses) > 0 {
				t.Errorf("%+v: missed checks in a part of the log", x)
			}
		}
		if len(numbers) != len(x.want) || len(got.Days) != x.days {
			t.Errorf("%+v: cases %v on %d days", x, numbers, len(got.Days))
		}
		for i := range numbers {
			if numbers[i] != x.want[i] {
				t.Errorf("%+v: cases %v", x, numbers)
			}
		}
	}
	if len(l.Days[1].Entries) != 2 || len(l.Days[1].Misses) != 1 {
		t.Error("the log itself was changed")
	}
}

// A part of the log never says that nothing went wrong in the period.
func TestPartClaimsNothing(t *testing.T) {
	for _, write := range []func(h Head, b *bytes.Buffer) error{
		func(h Head, b *bytes.Buffer) error { return CorrectiveCSV(b, haccp.Log{}, h) },
		func(h Head, b *bytes.Buffer) error { return CorrectiveNDJSON(b, haccp.Log{}, h) },
	} {
		var whole, part bytes.Buffer
		if err := write(Head{}, &whole); err != nil {
			t.Fatal(err)
		}
		if err := write(Head{Part: Part("wash", "A")}, &part); err != nil {
			t.Fatal(err)
		}
		says := func(b *bytes.Buffer) bool {
			return strings.Contains(b.String(), "no deviation") || strings.Contains(b.String(), `"nothing":true`)
		}
		if !says(&whole) || says(&part) || !strings.Contains(part.String(), "control point wash, lot A") {
			t.Errorf("whole: %s\npart: %s", &whole, &part)
		}
	}
}
