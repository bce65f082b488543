package plan

import (
	"fmt"
	"strconv"
	"strings"
	"time"
)

// Duration is a length of time as a plan states it: a whole number and a unit (s, min, h, d).
// It is kept as typed; a day is 24 hours.
type Duration struct {
	n    int64
	unit string
}

var units = map[string]time.Duration{"s": time.Second, "min": time.Minute, "h": time.Hour, "d": 24 * time.Hour}

// Of makes a duration of n units; it panics on an unknown unit and is meant for tables and tests.
func Of(n int64, unit string) Duration {
	if _, ok := units[unit]; !ok {
		panic("plan: unknown unit of time " + unit)
	}
	return Duration{n, unit}
}

// Std returns the duration as a time.Duration.
func (d Duration) Std() time.Duration { return time.Duration(d.n) * units[d.unit] }

// IsZero reports whether the duration is not set or zero.
func (d Duration) IsZero() bool { return d.n == 0 }

// String returns the duration as typed, such as "30 min".
func (d Duration) String() string {
	if d.unit == "" {
		return ""
	}
	return strconv.FormatInt(d.n, 10) + " " + d.unit
}

// MarshalText returns the duration as typed.
func (d Duration) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads "30 min", "90 s", "4 h" or "7 d".
func (d *Duration) UnmarshalText(b []byte) error {
	s := strings.TrimSpace(string(b))
	if s == "" {
		*d = Duration{}
		return nil
	}
	num, unit, ok := strings.Cut(s, " ")
	n, err := strconv.ParseInt(num, 10, 64)
	if !ok || err != nil || strconv.FormatInt(n, 10) != num || n < 0 || n > 1_000_000 || units[unit] == 0 {
		return fmt.Errorf("%q is no length of time: write a whole number, a space and s, min, h or d, such as \"30 min\"", s)
	}
	if n == 0 {
		*d = Duration{} // "0 min" is as good as none, and one form of it keeps plans comparable.
		return nil
	}
	*d = Duration{n, unit}
	return nil
}

// Clock is a local time of day in whole minutes, written "HH:MM".
type Clock struct {
	minutes int
	set     bool
}

// At makes a clock time; it panics outside 00:00-23:59 and is meant for tables and tests.
func At(hour, minute int) Clock {
	if hour < 0 || hour > 23 || minute < 0 || minute > 59 {
		panic("plan: no such time of day")
	}
	return Clock{hour*60 + minute, true}
}

// Minutes returns the minutes since local midnight.
func (c Clock) Minutes() int { return c.minutes }

// Set reports whether a time was given.
func (c Clock) Set() bool { return c.set }

// String returns "HH:MM", or "" where no time is set.
func (c Clock) String() string {
	if !c.set {
		return ""
	}
	return fmt.Sprintf("%02d:%02d", c.minutes/60, c.minutes%60)
}

// MarshalText returns "HH:MM".
func (c Clock) MarshalText() ([]byte, error) { return []byte(c.String()), nil }

// UnmarshalText reads "HH:MM".
func (c *Clock) UnmarshalText(b []byte) error {
	if len(b) == 0 {
		*c = Clock{}
		return nil
	}
	t, err := time.Parse("15:04", string(b))
	if err != nil || len(b) != 5 {
		return fmt.Errorf("%q is no time of day: write HH:MM, such as \"06:00\"", b)
	}
	*c = Clock{t.Hour()*60 + t.Minute(), true}
	return nil
}

// Date is a calendar day, written "2006-01-02"; the empty string is no date.
type Date string

// UnmarshalText reads a calendar day.
func (d *Date) UnmarshalText(b []byte) error {
	if len(b) > 0 {
		if _, err := time.Parse(time.DateOnly, string(b)); err != nil {
			return fmt.Errorf("%q is no date: write YYYY-MM-DD, such as \"2026-03-31\"", b)
		}
	}
	*d = Date(b)
	return nil
}

// Time returns midnight UTC of the day, and false for no date.
func (d Date) Time() (time.Time, bool) {
	t, err := time.Parse(time.DateOnly, string(d))
	return t, err == nil
}
