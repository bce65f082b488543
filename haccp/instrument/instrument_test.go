package instrument

import (
	"testing"
	"time"
)

var monday = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func hours(n int) time.Time { return monday.Add(time.Duration(n) * time.Hour) }

func TestStanding(t *testing.T) {
	const day = 24 * time.Hour
	tool := &Tool{ID: "ph-meter-1"}
	check := func(id string, at int, result string, due time.Time) {
		tool.AddCheck(Check{ID: id, At: hours(at), Body: &Checked{Result: result, NextDue: due}})
	}
	check("b", 30, Fail, time.Time{}) // told before the older one
	check("a", 0, Pass, time.Time{})
	check("c", 32, Adjusted, time.Time{})
	check("d", 40, Pass, hours(44))
	tool.AddChange(Change{ID: "x", At: hours(41), Out: true, Reason: "dropped"})
	tool.AddChange(Change{ID: "y", At: hours(42)})
	for _, x := range []struct {
		at    int
		every time.Duration
		want  string
	}{
		{-1, day, NeverChecked}, {-1, 0, NotPlanned}, {0, day, InDate}, {24, day, InDate}, {25, day, Overdue}, {25, 0, NotPlanned},
		{30, day, Failed}, {31, 0, Failed}, {32, day, InDate}, {41, day, OutOfService}, {42, day, InDate}, {44, day, InDate}, {45, day, Overdue},
	} {
		if got := tool.Standing(x.every, hours(x.at)); got != x.want {
			t.Errorf("at %d, every %s: %s, want %s", x.at, x.every, got, x.want)
		}
	}
	if got := (*Tool)(nil).Standing(day, monday); got != NeverChecked {
		t.Error(got)
	}
	if got := tool.Due(day, hours(33)); !got.Equal(hours(56)) {
		t.Error(got)
	}
	// Of one minute: a failure counts, and it goes out before it comes back.
	check("e", 50, Fail, time.Time{})
	check("f", 50, Pass, time.Time{})
	if got := tool.Standing(day, hours(50)); got != Failed {
		t.Error(got)
	}
	tool.Drop("e")
	tool.AddChange(Change{ID: "1", At: hours(51)})
	tool.AddChange(Change{ID: "2", At: hours(51), Out: true, Reason: "looked at"})
	if got := tool.Standing(day, hours(51)); got != InDate {
		t.Error(got)
	}
	tool.Trim(15 * time.Hour)
	if len(tool.Checks) != 3 || tool.Standing(day, hours(35)) != InDate {
		t.Errorf("%d checks are left", len(tool.Checks))
	}
}
