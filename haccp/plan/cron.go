package plan

import (
	"slices"
	"time"
)

// On reports whether the schedule falls due on a day of the calendar. With days and weekdays both
// restricted either may match (POSIX crontab); otherwise both must.
func (c Cron) On(month time.Month, day int, weekday time.Weekday) bool {
	if !slices.Contains(c.Months, int(month)) {
		return false
	}
	onDay, onWeekday := slices.Contains(c.Days, day), slices.Contains(c.Weekdays, int(weekday))
	if !c.AnyDay && !c.AnyWeekday {
		return onDay || onWeekday
	}
	return onDay && onWeekday
}

// mostDays holds the days of each month in its longest year.
var mostDays = [13]int{0, 31, 29, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31}

// EverDue reports whether the schedule falls due at all; that of 30 February does not.
func (c Cron) EverDue() bool {
	if !c.valid() {
		return false
	}
	if !c.AnyDay && !c.AnyWeekday {
		return true // By its weekdays.
	}
	return slices.ContainsFunc(c.Months, func(m int) bool { return slices.Min(c.Days) <= mostDays[m] })
}

// LongestGap returns the longest time between two dues by the calendar, and false where there are none.
// The hour that a clock change adds or takes is left out.
func (c Cron) LongestGap() (time.Duration, bool) {
	if !c.EverDue() {
		return 0, false
	}
	hours, minutes := slices.Sorted(slices.Values(c.Hours)), slices.Sorted(slices.Values(c.Minutes))
	first := time.Duration(hours[0])*time.Hour + time.Duration(minutes[0])*time.Minute
	last := time.Duration(hours[len(hours)-1])*time.Hour + time.Duration(minutes[len(minutes)-1])*time.Minute
	overnight := time.Duration(c.longestDayGap())*24*time.Hour - last + first
	return max(overnight, longestWithin(hours, minutes)), true
}

// longestWithin returns the longest time between two dues of one day.
func longestWithin(hours, minutes []int) time.Duration {
	longest, prev := 0, -1
	for _, h := range hours {
		for _, m := range minutes {
			at := h*60 + m
			if prev >= 0 {
				longest = max(longest, at-prev)
			}
			prev = at
		}
	}
	return time.Duration(longest) * time.Minute
}

// longestDayGap returns the most days from one due day to the next. Days and weekdays repeat after 28
// years within 1901 to 2099; one period more covers the way round.
func (c Cron) longestDayGap() int {
	if c.AnyDay && c.AnyWeekday && len(c.Months) == 12 {
		return 1
	}
	longest, prev := 0, -1
	day := time.Date(2000, time.January, 1, 0, 0, 0, 0, time.UTC)
	for i := range 2 * 28 * 366 {
		if c.On(day.Month(), day.Day(), day.Weekday()) {
			if prev >= 0 {
				longest = max(longest, i-prev)
			}
			prev = i
		}
		day = day.AddDate(0, 0, 1)
	}
	return longest
}

// valid reports whether every set of the schedule is filled with numbers it may hold.
func (c Cron) valid() bool {
	for _, f := range []struct {
		set       []int
		low, high int
	}{{c.Minutes, 0, 59}, {c.Hours, 0, 23}, {c.Days, 1, 31}, {c.Months, 1, 12}, {c.Weekdays, 0, 6}} {
		if len(f.set) == 0 || slices.Min(f.set) < f.low || slices.Max(f.set) > f.high {
			return false
		}
	}
	return true
}
