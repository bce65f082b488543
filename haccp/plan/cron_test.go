package plan

import (
	"testing"
	"time"

	"github.com/robfig/cron/v3"
	"pgregory.net/rapid"
)

func from(low, high int) []int {
	var out []int
	for i := low; i <= high; i++ {
		out = append(out, i)
	}
	return out
}

// daily is a schedule of every day; a test narrows it.
func daily() Cron {
	return Cron{Minutes: []int{0}, Hours: []int{6}, Days: from(1, 31), Months: from(1, 12), Weekdays: from(0, 6), AnyDay: true, AnyWeekday: true}
}

func TestEverDueAndLongestGap(t *testing.T) {
	day := 24 * time.Hour
	for name, c := range map[string]struct {
		change func(*Cron)
		gap    time.Duration // 0: never due
	}{
		"every day":              {func(*Cron) {}, day},
		"every four hours":       {func(c *Cron) { c.Hours = []int{0, 4, 8, 12, 16, 20} }, 4 * time.Hour},
		"twice, a night between": {func(c *Cron) { c.Hours, c.Minutes = []int{13, 21}, []int{45} }, 16 * time.Hour},
		"every twenty minutes":   {func(c *Cron) { c.Hours, c.Minutes = from(0, 23), []int{0, 20, 40} }, 20 * time.Minute},
		"monday to saturday":     {func(c *Cron) { c.Weekdays, c.AnyWeekday = from(1, 6), false }, 2 * day},
		"30 February":            {func(c *Cron) { c.Days, c.Months, c.AnyDay = []int{30}, []int{2}, false }, 0},
		"31st of short months":   {func(c *Cron) { c.Days, c.Months, c.AnyDay = []int{31}, []int{2, 4, 6, 9, 11}, false }, 0},
		"29 February":            {func(c *Cron) { c.Days, c.Months, c.AnyDay = []int{29}, []int{2}, false }, 1461 * day},
		"30 February or Mondays of it": {func(c *Cron) {
			c.Days, c.Months, c.AnyDay, c.Weekdays, c.AnyWeekday = []int{30}, []int{2}, false, []int{1}, false
		}, 350 * day}, // 22 February 2010 to 7 February 2011

		"the 31st":    {func(c *Cron) { c.Days, c.AnyDay = []int{31}, false }, 61 * day}, // 31 March to 31 May
		"no minute":   {func(c *Cron) { c.Minutes = nil }, 0},
		"minute 60":   {func(c *Cron) { c.Minutes = []int{60} }, 0},
		"weekday 7":   {func(c *Cron) { c.Weekdays = []int{7} }, 0},
		"unsorted":    {func(c *Cron) { c.Hours = []int{20, 8} }, 12 * time.Hour},
		"day 0":       {func(c *Cron) { c.Days = []int{0, 1} }, 0},
		"no month":    {func(c *Cron) { c.Months = []int{} }, 0},
		"one a month": {func(c *Cron) { c.Days, c.AnyDay = []int{1}, false }, 31 * day},
	} {
		s := daily()
		c.change(&s)
		gap, ok := s.LongestGap()
		if s.EverDue() != (c.gap > 0) || ok != (c.gap > 0) {
			t.Errorf("%s: due %v, %v", name, s.EverDue(), ok)
		}
		if ok && gap != c.gap {
			t.Errorf("%s: longest gap %v, want %v", name, gap, c.gap)
		}
	}
}

// On is held against the cron library, day by day. The library reads a step such as */2 as "every day";
// sets drawn here are lists, where both agree.
func TestOnAgreesWithTheCronLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := daily()
		c.Months = rapid.SliceOfNDistinct(rapid.IntRange(1, 12), 1, 12, rapid.ID).Draw(t, "months")
		if rapid.Bool().Draw(t, "some days") {
			c.Days, c.AnyDay = rapid.SliceOfNDistinct(rapid.IntRange(1, 31), 1, 5, rapid.ID).Draw(t, "days"), false
		}
		if rapid.Bool().Draw(t, "some weekdays") {
			c.Weekdays, c.AnyWeekday = rapid.SliceOfNDistinct(rapid.IntRange(0, 6), 1, 5, rapid.ID).Draw(t, "weekdays"), false
		}
		const star = 1 << 63
		lib := cron.SpecSchedule{Second: 1, Minute: 1, Hour: 1 << 6, Dom: set(c.Days), Month: set(c.Months), Dow: set(c.Weekdays), Location: time.UTC}
		if c.AnyDay {
			lib.Dom |= star
		}
		if c.AnyWeekday {
			lib.Dow |= star
		}
		day := time.Date(2027, 1, 1, 0, 0, 0, 0, time.UTC)
		for range 800 {
			want := lib.Next(day).Truncate(24 * time.Hour).Equal(day)
			if got := c.On(day.Month(), day.Day(), day.Weekday()); got != want {
				t.Fatalf("%s: %v, the library says %v (%+v)", day.Format(time.DateOnly), got, want, c)
			}
			day = day.AddDate(0, 0, 1)
		}
		if !c.EverDue() && !lib.Next(day).IsZero() {
			t.Fatalf("never due, the library says %v", lib.Next(day))
		}
	})
}

func set(members []int) uint64 {
	var bits uint64
	for _, m := range members {
		bits |= 1 << m
	}
	return bits
}
