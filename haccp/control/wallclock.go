package control

import (
	"slices"
	"time"

	"linewarden/haccp/plan"
)

// crons adds the dues on the wall clock, version by version.
func (d *duer) crons() {
	for i := range d.c.Versions {
		v := &d.c.Versions[i]
		from, to := d.from, d.to
		if v.From.After(from) {
			from = v.From
		}
		if i+1 < len(d.c.Versions) && d.c.Versions[i+1].From.Before(to) {
			to = d.c.Versions[i+1].From
		}
		if v.None || v.Schedule.Cron == nil || !from.Before(to) {
			continue
		}
		zone := v.Zone
		if zone == nil {
			zone = time.UTC
		}
		times := CronTimes(v.Schedule.Cron, zone, from, to)
		if len(times) == 0 {
			continue
		}
		before := cronBefore(v.Schedule.Cron, zone, times[0])
		for _, at := range times {
			d.add(RowCron, at, at.Add(-at.Sub(before)/2), "")
			before = at
		}
	}
}

// cronBefore returns the cron time before another, or the moment cronGap before it.
func cronBefore(cron *plan.Cron, zone *time.Location, at time.Time) time.Time {
	for _, span := range []time.Duration{25 * time.Hour, 8 * 24 * time.Hour, cronGap} {
		if ts := CronTimes(cron, zone, at.Add(-span), at); len(ts) > 0 {
			return ts[len(ts)-1]
		}
	}
	return at.Add(-cronGap)
}

// CronTimes returns the moments with from <= t < to at which a wall-clock schedule falls due in a zone,
// in order. A local time that does not exist gives the first moment after the gap, one that comes twice
// its first coming; several that fall on one moment give it once. It looks at most at MaxDueSpan.
//
// The days are those of the POSIX crontab: with both days of the month and days of the week restricted,
// either may match.
func CronTimes(cron *plan.Cron, zone *time.Location, from, to time.Time) []time.Time {
	if to.Sub(from) > MaxDueSpan {
		to = from.Add(MaxDueSpan)
	}
	var out []time.Time
	y, m, day := from.In(zone).Date()
	// Two days before, since a calendar day can be missing; no zone has moved by more.
	date := time.Date(y, m, day-2, 0, 0, 0, 0, time.UTC)
	y, m, day = to.In(zone).Date()
	for stop := time.Date(y, m, day, 0, 0, 0, 0, time.UTC); !date.After(stop); date = date.AddDate(0, 0, 1) {
		if !cronDay(cron, date) {
			continue
		}
		instant := instants(date, zone)
		for _, hour := range cron.Hours {
			for _, minute := range cron.Minutes {
				at := instant(date.Add(time.Duration(hour)*time.Hour + time.Duration(minute)*time.Minute))
				if !at.Before(from) && at.Before(to) && len(out) < maxDues {
					out = append(out, at)
				}
			}
		}
	}
	slices.SortFunc(out, time.Time.Compare) // the sets may come unsorted
	return slices.CompactFunc(out, time.Time.Equal)
}

// instants returns Instant for the times of one date; far from a change of the clocks it is a
// subtraction.
func instants(date time.Time, zone *time.Location) func(wall time.Time) time.Time {
	y, m, d := date.Date()
	noon := time.Date(y, m, d, 12, 0, 0, 0, zone)
	const far = 36 * time.Hour
	start, end := noon.ZoneBounds()
	if start.After(noon.Add(-far)) || !end.IsZero() && end.Before(noon.Add(far)) {
		return func(wall time.Time) time.Time { return Instant(wall, zone) }
	}
	ahead := offset(noon)
	return func(wall time.Time) time.Time { return wall.Add(-ahead) }
}

func cronDay(cron *plan.Cron, date time.Time) bool {
	if !slices.Contains(cron.Months, int(date.Month())) {
		return false
	}
	inMonth := cron.AnyDay || slices.Contains(cron.Days, date.Day())
	inWeek := cron.AnyWeekday || slices.Contains(cron.Weekdays, int(date.Weekday()))
	if cron.AnyDay || cron.AnyWeekday {
		return inMonth && inWeek
	}
	return inMonth || inWeek
}

// Instant returns the moment, in UTC, at which the clocks of a zone show the date and time of wall
// (whose own zone is not looked at): the first, where they show it twice; where they skip it, the
// first moment after the gap.
func Instant(wall time.Time, zone *time.Location) time.Time {
	y, m, d := wall.Date()
	hh, mm, ss := wall.Clock()
	naive := time.Date(y, m, d, hh, mm, ss, wall.Nanosecond(), time.UTC)
	near := time.Date(y, m, d, hh, mm, ss, wall.Nanosecond(), zone)
	start, end := near.ZoneBounds()
	if !start.IsZero() { // the zone before, and what lies between
		before := naive.Add(-offset(start.Add(-1)))
		if before.Before(start) {
			return before.UTC()
		}
		if naive.Before(start.UTC().Add(offset(start))) {
			return start.UTC()
		}
	}
	if at := naive.Add(-offset(near)); end.IsZero() || at.Before(end) {
		return at.UTC()
	}
	if naive.Before(end.UTC().Add(offset(end))) {
		return end.UTC()
	}
	return naive.Add(-offset(end)).UTC()
}

// offset returns how far the clocks of t's zone are ahead of UTC.
func offset(t time.Time) time.Duration {
	_, s := t.Zone()
	return time.Duration(s) * time.Second
}
