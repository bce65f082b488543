package control

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"pgregory.net/rapid"

	"linewarden/haccp/plan"
)

func zone(t testing.TB, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

func span(from, to int) []int {
	var out []int
	for i := from; i <= to; i++ {
		out = append(out, i)
	}
	return out
}

// daily is a cron of the given hours and minutes on every day.
func daily(hours, minutes []int) *plan.Cron {
	return &plan.Cron{Hours: hours, Minutes: minutes, Days: span(1, 31), Months: span(1, 12), Weekdays: span(0, 6),
		AnyDay: true, AnyWeekday: true}
}

func stamps(ds []Due) string {
	var out []string
	for _, d := range ds {
		out = append(out, d.At.UTC().Format("01-02T15:04"))
	}
	return strings.Join(out, " ")
}

// The changes of the clocks are those of the IANA time zone database.
func TestCronOverChangesOfTheClocks(t *testing.T) {
	madrid, york := zone(t, "Europe/Madrid"), zone(t, "America/New_York")
	apia := zone(t, "Pacific/Apia")
	half := daily(span(0, 23), []int{0, 30})
	for _, tc := range []struct {
		name     string
		zone     *time.Location
		cron     *plan.Cron
		from, to string
		want     string
	}{
		{"02:30 does not exist", madrid, daily([]int{2}, []int{30}), "2027-03-27T12:00", "2027-03-29T12:00",
			"2027-03-28T01:00 2027-03-29T00:30"},
		{"02:30 comes twice", madrid, daily([]int{2}, []int{30}), "2026-10-24T12:00", "2026-10-26T12:00",
			"2026-10-25T00:30 2026-10-26T01:30"},
		{"half hours, an hour skipped", madrid, half, "2027-03-28T00:00", "2027-03-28T02:00",
			"2027-03-28T00:00 2027-03-28T00:30 2027-03-28T01:00 2027-03-28T01:30"},
		{"half hours, an hour twice", madrid, half, "2026-10-25T00:00", "2026-10-25T02:30",
			"2026-10-25T00:00 2026-10-25T00:30 2026-10-25T02:00"},
		{"New York, spring", york, daily([]int{2}, []int{15, 45}), "2027-03-14T00:00", "2027-03-15T12:00",
			"2027-03-14T07:00 2027-03-15T06:15 2027-03-15T06:45"},
		{"New York, autumn", york, daily([]int{1}, []int{0, 59}), "2026-11-01T00:00", "2026-11-02T12:00",
			"2026-11-01T05:00 2026-11-01T05:59 2026-11-02T06:00 2026-11-02T06:59"},
		{"a whole day skipped", apia, daily([]int{8}, []int{0}), "2011-12-29T00:00", "2012-01-01T00:00",
			"2011-12-29T18:00 2011-12-30T10:00 2011-12-30T18:00 2011-12-31T18:00"},
		{"day of month or of week", time.UTC, &plan.Cron{Hours: []int{6}, Minutes: []int{0}, Days: []int{1},
			Months: span(1, 12), Weekdays: []int{1}}, "2026-05-30T00:00", "2026-06-09T00:00",
			"2026-06-01T06:00 2026-06-08T06:00"},
		{"13th or Friday", time.UTC, &plan.Cron{Hours: []int{6}, Minutes: []int{0}, Days: []int{13},
			Months: []int{6}, Weekdays: []int{5}}, "2026-06-04T00:00", "2026-06-15T00:00",
			"2026-06-05T06:00 2026-06-12T06:00 2026-06-13T06:00"},
		{"Fridays only", time.UTC, &plan.Cron{Hours: []int{6}, Minutes: []int{0}, Days: span(1, 31), AnyDay: true,
			Months: []int{6}, Weekdays: []int{5}}, "2026-06-04T00:00", "2026-06-15T00:00",
			"2026-06-05T06:00 2026-06-12T06:00"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var got []string
			for _, at := range CronTimes(tc.cron, tc.zone, utc(t, tc.from), utc(t, tc.to)) {
				got = append(got, at.UTC().Format("2006-01-02T15:04"))
			}
			if strings.Join(got, " ") != tc.want {
				t.Errorf("got  %s\nwant %s", strings.Join(got, " "), tc.want)
			}
		})
	}
}

func utc(t testing.TB, s string) time.Time {
	t.Helper()
	at, err := time.Parse("2006-01-02T15:04", s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// Instant against a search of the zone minute by minute.
func TestInstantIsTheFirstShowing(t *testing.T) {
	zones := []*time.Location{zone(t, "Europe/Madrid"), zone(t, "America/New_York"), zone(t, "Australia/Lord_Howe"),
		zone(t, "America/Havana"), zone(t, "Africa/Casablanca"), zone(t, "Asia/Kathmandu"), zone(t, "Pacific/Apia")}
	days := []string{"2026-03-29", "2026-10-25", "2027-03-28", "2026-03-08", "2026-11-01", "2026-10-04", "2026-04-05", "2011-12-30", "2026-07-01", "2026-02-15"}
	rapid.Check(t, func(rt *rapid.T) {
		z := rapid.SampledFrom(zones).Draw(rt, "zone")
		day := utc(t, rapid.SampledFrom(days).Draw(rt, "day")+"T00:00")
		wall := day.Add(time.Duration(rapid.IntRange(0, 1439).Draw(rt, "minute")) * time.Minute)
		want := time.Time{}
		for at := wall.Add(-26 * time.Hour); at.Before(wall.Add(26 * time.Hour)); at = at.Add(time.Minute) {
			y, m, d := at.In(z).Date()
			local := time.Date(y, m, d, at.In(z).Hour(), at.In(z).Minute(), 0, 0, time.UTC)
			if !local.Before(wall) { // shown, or jumped over
				want = at
				break
			}
		}
		if got := Instant(wall, z); !got.Equal(want) {
			rt.Fatalf("%s in %s: got %s, want %s", wall, z, got, want)
		}
		if got := instants(day, z)(wall); !got.Equal(want) {
			rt.Fatalf("%s in %s by the day: got %s, want %s", wall, z, got, want)
		}
	})
}

func every(minutes int64) plan.Schedule { return plan.Schedule{Every: plan.Of(minutes, "min")} }

func at(hhmm string) time.Time {
	c, err := time.Parse("15:04", hhmm)
	if err != nil {
		panic(err)
	}
	return time.Date(2026, 6, 1, c.Hour(), c.Minute(), 0, 0, time.UTC)
}

func TestDues(t *testing.T) {
	v := func(s plan.Schedule) []Version {
		return []Version{{Number: 1, Schedule: s, Grace: 5 * time.Minute, Mixing: 10 * time.Minute}}
	}
	atStart := every(30)
	atStart.AtStart = true
	events := plan.Schedule{After: []string{"filled", "added"}}
	for _, tc := range []struct {
		name string
		c    DueContext
		want string
	}{
		{"one interval after the start", DueContext{Versions: v(every(30)), Runs: []Run{{From: at("06:10")}}},
			"06:40 07:10 07:40 08:10 08:40 09:10 09:40"},
		{"at the start", DueContext{Versions: v(atStart), Runs: []Run{{From: at("08:40")}}}, "08:40 09:10 09:40"},
		{"stopped without product, at a due", DueContext{Versions: v(every(30)),
			Runs: []Run{{From: at("06:00"), To: at("07:30")}}}, "06:30 07:00"},
		{"stopped hour, then a new row", DueContext{Versions: v(every(30)),
			Runs: []Run{{From: at("06:00"), To: at("07:10")}, {From: at("08:10")}}}, "06:30 07:00 08:40 09:10 09:40"},
		{"stopped hour with product", DueContext{Versions: v(every(30)),
			Runs: []Run{{From: at("06:00"), To: at("07:10"), Product: true}, {From: at("08:10")}}},
			"06:30 07:00 07:30 08:00 08:40 09:10 09:40"},
		{"stopped with product, then drained", DueContext{Versions: v(every(30)), Bath: true,
			Fillings: []Filling{{ID: "f", From: at("05:00"), To: at("08:15")}},
			Runs:     []Run{{From: at("06:00"), To: at("07:10"), Product: true}}}, "06:30 07:00 07:30 08:00"},
		{"a bath without a filling", DueContext{Versions: v(every(30)), Bath: true,
			Fillings: []Filling{{ID: "f", From: at("05:00"), To: at("07:00")}, {ID: "g", From: at("08:20")}},
			Runs:     []Run{{From: at("06:00")}}}, "06:30 08:30 09:00 09:30"},
		{"out of service", DueContext{Versions: v(every(30)), Runs: []Run{{From: at("06:00")}},
			Out: []Gap{{From: at("07:00"), To: at("08:30")}, {From: at("09:15")}}}, "06:30 08:30 09:00"},
		{"the interval of the version at the due before", DueContext{Runs: []Run{{From: at("06:00")}}, Versions: []Version{
			{Number: 1, Schedule: every(60)}, {Number: 2, From: at("07:30"), Schedule: every(20)}}},
			"07:00 08:00 08:20 08:40 09:00 09:20 09:40"},
		{"a longer interval from mid-run", DueContext{Runs: []Run{{From: at("06:00")}}, Versions: []Version{
			{Number: 1, Schedule: every(30)}, {Number: 2, From: at("07:30"), Schedule: every(60)}}}, "06:30 07:00 07:30 08:30 09:30"},
		{"a check brought in mid-run", DueContext{Runs: []Run{{From: at("06:00")}}, Versions: []Version{
			{Number: 1, None: true}, {Number: 2, From: at("07:30"), Schedule: every(60)}}}, "08:30 09:30"},
		{"a check taken out mid-run", DueContext{Runs: []Run{{From: at("06:00")}}, Versions: []Version{
			{Number: 1, Schedule: every(60)}, {Number: 2, From: at("07:30"), None: true}}}, "07:00"},
		{"nothing before live", DueContext{Runs: []Run{{From: at("06:00")}}, Versions: []Version{
			{Number: 1, Schedule: every(60), LiveFrom: at("08:00")}}}, "08:00 09:00"},
		{"after the mixing time", DueContext{Versions: v(events), Happenings: []Happening{
			{"filled", "e1", at("06:00")}, {"part-replaced", "e2", at("06:30")}, {"added", "e3", at("07:00")}}}, "06:10 07:10"},
		{"a later event takes its place", DueContext{Versions: v(events), Happenings: []Happening{
			{"added", "e1", at("06:00")}, {"added", "e2", at("06:09")}, {"added", "e3", at("06:19")},
			{"part-replaced", "e4", at("06:20")}, {"filled", "e5", at("07:00")}, {"added", "e6", at("07:00")}}}, "06:19 06:29 07:10"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			ds := Dues(tc.c, at("06:00"), at("10:00"))
			got := strings.ReplaceAll(stamps(ds), "06-01T", "")
			if got != tc.want {
				t.Errorf("got  %s\nwant %s", got, tc.want)
			}
		})
	}
}

func TestWindowsOfDues(t *testing.T) {
	c := DueContext{Runs: []Run{{From: at("06:00")}}, Versions: []Version{
		{Number: 1, Schedule: every(60), Grace: 10 * time.Minute},
		{Number: 2, From: at("07:30"), Schedule: plan.Schedule{Every: plan.Of(30, "min"), After: []string{"added"}, Cron: daily([]int{8, 9}, []int{15})},
			Grace: 5 * time.Minute, Mixing: 10 * time.Minute}},
		Happenings: []Happening{{"added", "e", at("08:25")}}}
	var got []string
	for _, d := range Dues(c, at("06:00"), at("09:00")) {
		got = append(got, fmt.Sprintf("%s %s %s-%s v%d%s", d.Row, d.At.Format("15:04"), d.From.Format("15:04"), d.Until.Format("15:04"), d.Version, d.Cause))
	}
	want := []string{
		"interval 07:00 06:00-07:10 v1", // the first: from the line start
		"interval 08:00 07:30-08:05 v2", // half an hour, half of the interval that led to it; grace of its own version
		"cron 08:15 20:45-08:20 v2",     // half of 23 h before
		"interval 08:30 08:15-08:35 v2",
		"event 08:35 08:35-08:40 v2e",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got  %q\nwant %q", got, want)
	}
}

// Any cut of a stretch gives the same dues as the whole.
func TestDuesOfPartsAreDuesOfTheWhole(t *testing.T) {
	z := zone(t, "Europe/Madrid")
	rapid.Check(t, func(t *rapid.T) {
		base := time.Date(2026, 10, 24, 0, 0, 0, 0, time.UTC)
		minute := func(name string, most int) time.Time {
			return base.Add(time.Duration(rapid.IntRange(0, most).Draw(t, name)) * time.Minute)
		}
		c := DueContext{Bath: rapid.Bool().Draw(t, "bath"), Fillings: []Filling{{ID: "f", From: base, To: minute("drained", 6000)}}}
		from := base.Add(-time.Duration(rapid.IntRange(0, 500000).Draw(t, "running for")) * time.Minute)
		c.Runs = []Run{{From: from, To: minute("stop", 2000), Product: rapid.Bool().Draw(t, "product")}, {From: base.Add(2100 * time.Minute)}}
		for i, f := range []time.Time{from.Add(-time.Hour), minute("v2", 3000)} {
			s := plan.Schedule{Every: plan.Of(int64(rapid.IntRange(0, 90).Draw(t, "every")), "min"), AtStart: rapid.Bool().Draw(t, "at start")}
			if rapid.Bool().Draw(t, "cron") {
				s.Cron = daily([]int{2, 3, 14}, []int{0, 30})
			}
			c.Versions = append(c.Versions, Version{From: f, Number: i + 1, Schedule: s, Zone: z, Grace: 5 * time.Minute})
		}
		to := base.Add(5000 * time.Minute)
		whole := Dues(c, base, to)
		cut := minute("cut", 5000)
		parts := append(Dues(c, base, cut), Dues(c, cut, to)...)
		if fmt.Sprint(whole) != fmt.Sprint(parts) {
			t.Fatalf("whole %v\nparts %v", whole, parts)
		}
		for i, d := range whole {
			if d.From.After(d.At) || d.Until.Before(d.At) || i > 0 && d.Row == whole[i-1].Row && d.At.Equal(whole[i-1].At) {
				t.Fatalf("odd due %v", d)
			}
		}
		if next, ok := Next(c, base); ok && len(whole) > 0 && whole[0].At.After(base) && next != whole[0] {
			t.Fatalf("next is %v, the first due %v", next, whole[0])
		}
	})
}

func TestMatch(t *testing.T) {
	c := DueContext{Runs: []Run{{From: at("06:00")}}, Versions: []Version{{Number: 1,
		Schedule: plan.Schedule{Every: plan.Of(60, "min"), After: []string{"added"}}, Grace: 10 * time.Minute, Mixing: 10 * time.Minute}},
		Happenings: []Happening{{"added", "e", at("07:45")}}}
	dues := Dues(c, at("06:00"), at("11:00"))
	matched, extra := Match(dues, []Taken{{"late", at("09:10")}, {"missed", at("10:11")}, {"both", at("07:55")},
		{"extra", at("06:20")}, {"first", at("06:00")}, {"edge", at("09:30")}})
	var got []string
	for _, m := range matched {
		got = append(got, fmt.Sprintf("%s %s %s %v", m.Row, m.At.Format("15:04"), m.Reading, m.Late))
	}
	want := []string{"interval 07:00 first false", "event 07:55 both false", "interval 08:00 both false",
		"interval 09:00 late true", "interval 10:00 edge false"}
	if !slices.Equal(got, want) || !slices.Equal(extra, []string{"extra", "missed"}) {
		t.Errorf("got %q, extra %q", got, extra)
	}
}

// Readings received in any order match alike, and each match is allowed: the reading lies in the
// window, no due and (in its row) no reading is used twice, and none that fits is left unused.
func TestMatchInAnyOrder(t *testing.T) {
	c := DueContext{Runs: []Run{{From: at("06:00")}}, Versions: []Version{{Number: 1,
		Schedule: plan.Schedule{Every: plan.Of(30, "min"), Cron: daily(span(0, 23), []int{15}), After: []string{"added"}},
		Grace:    20 * time.Minute, Mixing: 5 * time.Minute}},
		Happenings: []Happening{{"added", "e1", at("07:20")}, {"added", "e2", at("07:50")}}}
	dues := Dues(c, at("06:00"), at("10:00"))
	rapid.Check(t, func(t *rapid.T) {
		taken := make([]Taken, rapid.IntRange(0, 25).Draw(t, "n"))
		for i := range taken {
			taken[i] = Taken{fmt.Sprintf("r%02d", i), at("06:00").Add(time.Duration(rapid.IntRange(0, 260).Draw(t, "at")) * time.Minute)}
		}
		matched, extra := Match(dues, taken)
		m2, e2 := Match(dues, rapid.Permutation(taken).Draw(t, "order"))
		if fmt.Sprint(matched, extra) != fmt.Sprint(m2, e2) {
			t.Fatalf("order matters:\n%v %v\n%v %v", matched, extra, m2, e2)
		}
		dueUsed, readingUsed := map[string]bool{}, map[string]bool{}
		for _, m := range matched {
			d, r := m.Row+m.At.String(), m.Row+m.Reading
			if m.ReadingAt.Before(m.From) || m.ReadingAt.After(m.Until) || dueUsed[d] || readingUsed[r] {
				t.Fatalf("not allowed: %v", m)
			}
			dueUsed[d], readingUsed[r] = true, true
		}
		for _, d := range dues {
			for _, r := range taken {
				fits := !r.At.Before(d.From) && !r.At.After(d.Until)
				if fits && !dueUsed[d.Row+d.At.String()] && !readingUsed[d.Row+r.ID] {
					t.Fatalf("%v was left open beside %v", d, r)
				}
			}
		}
	})
}

func BenchmarkDuesOfAWeek(b *testing.B) {
	c := DueContext{Runs: []Run{{From: at("06:00").AddDate(-1, 0, 0)}}, Versions: []Version{{Number: 1,
		Schedule: plan.Schedule{Every: plan.Of(30, "min"), Cron: daily([]int{6, 14, 22}, []int{0})}, Zone: zone(b, "Europe/Madrid")}}}
	for b.Loop() {
		Dues(c, at("06:00"), at("06:00").AddDate(0, 0, 7))
	}
}
