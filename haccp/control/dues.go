package control

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"linewarden/haccp/plan"
)

// The rows of dues of one check at one place.
const (
	RowInterval = "interval" // every so often while the line runs
	RowCron     = "cron"     // on the site's wall clock
	RowEvent    = "event"    // after a filling, an addition or a part-replacement
	RowForecast = "forecast" // brought forward by a forecast
)

const (
	// MaxDueSpan is the longest stretch that Dues works out; it cuts a longer one at its end.
	MaxDueSpan = 62 * 24 * time.Hour
	// maxDues is the most dues of one row that one call gives: one each minute of MaxDueSpan.
	maxDues = 62 * 24 * 60
	// cronGap is the longest look back for the cron due before; a longer gap counts as this long.
	cronGap = 40 * 24 * time.Hour
	// nextSpan is how far Next looks ahead.
	nextSpan = 40 * 24 * time.Hour
)

// Run is one stretch of the line running, as far as one place is concerned.
type Run struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to,omitzero"` // zero: running
	// Product says that at To the place still held product: dues go on until the next run begins or the
	// filling is drained.
	Product bool `json:"product,omitempty"`
}

// Happening is something that makes a test due.
type Happening struct {
	Kind string    `json:"kind"` // filled, added, part-replaced
	ID   string    `json:"id"`
	At   time.Time `json:"at"`
}

// Gap is a stretch out of service: From belongs to it, To does not.
type Gap struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to,omitzero"` // zero: still
}

// Forecast is a test that a reading's forecast wants at Due.
type Forecast struct {
	ID  string    `json:"id"`
	At  time.Time `json:"at"` // of the reading
	Due time.Time `json:"due"`
}

// Version is what one plan version says of a check at a place. It is in force from From until the next.
type Version struct {
	From     time.Time
	Number   int
	Schedule plan.Schedule
	Grace    time.Duration
	Mixing   time.Duration
	LiveFrom time.Time      // nothing is due before it
	Zone     *time.Location // of the site; nil: UTC
	None     bool           // this version has no such check at this place
}

// DueContext is everything that decides when one check at one place falls due. All slices are sorted
// by time. Runs must reach back to the one that holds the stretch asked for.
type DueContext struct {
	Versions   []Version
	Runs       []Run
	Bath       bool // without a filling nothing is due
	Fillings   []Filling
	Happenings []Happening
	Forecasts  []Forecast
	Out        []Gap
}

// Due is one due check. A reading at any moment of [From, Until], both ends included, satisfies it; it
// is missed once the time is after Until.
type Due struct {
	Row     string    `json:"row"`
	At      time.Time `json:"at"`
	From    time.Time `json:"from"`
	Until   time.Time `json:"until"`
	Version int       `json:"version"`
	Cause   string    `json:"cause,omitempty"` // event: id of the happening
}

func compareDue(a, b Due) int {
	return cmp.Or(a.At.Compare(b.At), strings.Compare(a.Row, b.Row), strings.Compare(a.Cause, b.Cause))
}

// Dues returns the dues with from <= At < to, ordered by At, then row (RULES 4). It works out at most
// MaxDueSpan from from on, and steps over what lies before without walking through it.
//
//   - interval: first due one interval after the start of a run (or at the start), then one interval
//     after the due before, by the version in force at that one. A version that first brings the
//     interval in mid-run counts from when it came into force. A stop without product cancels dues
//     that are not past at the stop; a restart begins a new row. The window opens half an interval
//     before the due (for the first at the start of the run).
//   - cron: by the site's wall clock, whether the line runs or not. A time that does not exist falls due
//     at the first moment after the gap, together with others of that gap; one that comes twice the
//     first time only. The window opens half of the way from the cron time before.
//   - event: the mixing time after the happening, by the version in force when it happened; a later
//     one before that moment takes its place. The window opens at the due.
//   - forecast: the moment that a reading's forecast wants a test at; void across a filling, addition,
//     part-replacement, drain or stop between the two. The window opens after that reading, so any later one
//     satisfies it.
//
// Every window ends with the grace of the version in force at the due. Nothing is due before that
// version's LiveFrom, out of service, or at a bath without a filling (an interval row goes on counting
// meanwhile; From belongs to a filling, the moment of draining does not).
func Dues(c DueContext, from, to time.Time) []Due {
	if to.Sub(from) > MaxDueSpan {
		to = from.Add(MaxDueSpan)
	}
	if !from.Before(to) || len(c.Versions) == 0 {
		return nil
	}
	d := &duer{c: &c, from: from, to: to}
	d.intervals()
	out := d.out
	for _, row := range []func(){d.crons, d.events, d.forecasts} {
		d.out = nil
		row()
		slices.SortFunc(d.out, compareDue)
		out = mergeDues(out, d.out)
	}
	return out
}

// mergeDues merges two sorted slices.
func mergeDues(a, b []Due) []Due {
	if len(b) == 0 {
		return a
	}
	out := make([]Due, 0, len(a)+len(b))
	for len(a) > 0 && len(b) > 0 {
		if compareDue(b[0], a[0]) < 0 {
			out, b = append(out, b[0]), b[1:]
		} else {
			out, a = append(out, a[0]), a[1:]
		}
	}
	return append(append(out, a...), b...)
}

// Next returns the first due after a moment, if there is one within 40 days.
func Next(c DueContext, after time.Time) (Due, bool) {
	from := after.Add(1)
	for _, span := range []time.Duration{2 * time.Hour, 26 * time.Hour, 8 * 24 * time.Hour, nextSpan} {
		if ds := Dues(c, from, after.Add(span)); len(ds) > 0 {
			return ds[0], true
		}
	}
	return Due{}, false
}

// version returns the version in force at a moment, or nil.
func (c *DueContext) version(at time.Time) *Version {
	for i := len(c.Versions) - 1; i >= 0; i-- {
		if !c.Versions[i].From.After(at) {
			return &c.Versions[i]
		}
	}
	return nil
}

// holding returns the filling in the bath at a moment, or nil.
func (c *DueContext) holding(at time.Time) *Filling {
	for i := len(c.Fillings) - 1; i >= 0; i-- {
		f := &c.Fillings[i]
		if !f.From.After(at) && (f.To.IsZero() || at.Before(f.To)) {
			return f
		}
	}
	return nil
}

// open reports whether the place can have anything due at a moment.
func (c *DueContext) open(v *Version, at time.Time) bool {
	if v == nil || v.None || at.Before(v.LiveFrom) || c.Bath && c.holding(at) == nil {
		return false
	}
	return !slices.ContainsFunc(c.Out, func(g Gap) bool {
		return !at.Before(g.From) && (g.To.IsZero() || at.Before(g.To))
	})
}

// A duer gathers the dues of [from, to).
type duer struct {
	c        *DueContext
	from, to time.Time
	out      []Due
}

func (d *duer) add(row string, at, opens time.Time, cause string) {
	v := d.c.version(at)
	if at.Before(d.from) || !at.Before(d.to) || !d.c.open(v, at) {
		return
	}
	if row == RowInterval && v.Schedule.Every.IsZero() {
		return // counted by a version whose successor wants none
	}
	d.out = append(d.out, Due{Row: row, At: at, From: opens, Until: at.Add(v.Grace), Version: v.Number, Cause: cause})
}

func (d *duer) intervals() {
	for i := range d.c.Runs {
		run := &d.c.Runs[i]
		end := d.runEnd(i)
		if end.After(d.from) && run.From.Before(d.to) {
			d.interval(run.From, end)
		}
	}
}

// runEnd returns the moment from which a run has no dues any more; d.to at the latest.
func (d *duer) runEnd(i int) time.Time {
	run, end := &d.c.Runs[i], d.to
	if i+1 < len(d.c.Runs) && d.c.Runs[i+1].From.Before(end) {
		end = d.c.Runs[i+1].From
	}
	if run.To.IsZero() {
		return end
	}
	stop := run.To
	if run.Product {
		stop = end
		if f := d.c.holding(run.To); f != nil && !f.To.IsZero() {
			stop = f.To
		}
	}
	if stop.Before(end) {
		end = stop
	}
	return end
}

// interval steps through one run, version by version.
func (d *duer) interval(start, end time.Time) {
	var last time.Time // due before, or the start of counting
	counting, first := false, true
	for i := range d.c.Versions {
		v := &d.c.Versions[i]
		until := end
		if i+1 < len(d.c.Versions) && d.c.Versions[i+1].From.Before(end) {
			until = d.c.Versions[i+1].From
		}
		if !until.After(start) || !until.After(v.From) {
			continue
		}
		every := v.Schedule.Every.Std()
		if v.None || every <= 0 {
			counting, first = false, false
			continue
		}
		if !counting {
			counting, last = true, start
			if v.From.After(start) {
				last, first = v.From, false
			}
			if first && v.Schedule.AtStart {
				d.add(RowInterval, start, start, "")
				first = false
			}
		}
		last, first = d.steps(last, until, end, start, every, first)
	}
}

// steps adds the dues at last+every, last+2*every ... while the due before them lies before until (the
// version's end) and they before end. It returns the last due reached.
func (d *duer) steps(last, until, end, start time.Time, every time.Duration, first bool) (time.Time, bool) {
	if gap := d.from.Sub(last); gap > every {
		n := gap/every - 1 // stay one due before from
		if most := until.Sub(last) / every; n > most {
			n = most
		}
		if n > 0 {
			last, first = last.Add(n*every), false //nolint:durationcheck // n counts intervals
		}
	}
	if due := end.Sub(d.from) / every; due > 0 {
		d.out = slices.Grow(d.out, int(min(due, 1000)))
	}
	for n := 0; last.Before(until) && n < maxDues; n++ {
		at := last.Add(every)
		if !at.Before(end) {
			return at, false // the row ends here, whatever a later version wants
		}
		opens := at.Add(-every / 2)
		if first {
			opens = start
		}
		d.add(RowInterval, at, opens, "")
		last, first = at, false
	}
	return last, first
}

func (d *duer) events() {
	for i := range d.c.Happenings {
		h := &d.c.Happenings[i]
		v := d.c.version(h.At)
		if v == nil || v.None || !slices.Contains(v.Schedule.After, h.Kind) {
			continue
		}
		at := h.At.Add(v.Mixing)
		if at.Before(d.from) || !at.Before(d.to) || d.superseded(i, at) {
			continue
		}
		d.add(RowEvent, at, at, h.ID)
	}
}

func (d *duer) forecasts() {
	for _, f := range d.c.Forecasts {
		if !f.Due.Before(d.from) && f.Due.Before(d.to) && !d.void(f) {
			d.add(RowForecast, f.Due, f.At.Add(time.Millisecond), f.ID)
		}
	}
}

// void reports whether something between a reading and the test that its forecast wants voids the forecast.
func (d *duer) void(f Forecast) bool {
	between := func(at time.Time) bool { return at.After(f.At) && !at.After(f.Due) }
	return slices.ContainsFunc(d.c.Happenings, func(h Happening) bool { return between(h.At) }) ||
		slices.ContainsFunc(d.c.Runs, func(r Run) bool { return between(r.To) }) ||
		slices.ContainsFunc(d.c.Fillings, func(x Filling) bool { return between(x.To) })
}

// superseded reports whether a later happening that makes a test due itself came before a due.
func (d *duer) superseded(i int, due time.Time) bool {
	h := &d.c.Happenings[i]
	for j := range d.c.Happenings {
		o := &d.c.Happenings[j]
		later := o.At.After(h.At) && o.At.Before(due) || o.At.Equal(h.At) && o.ID > h.ID
		if !later {
			continue
		}
		if v := d.c.version(o.At); v != nil && !v.None && slices.Contains(v.Schedule.After, o.Kind) {
			return true
		}
	}
	return false
}

// Taken is a reading of the check at the place.
type Taken struct {
	ID string    `json:"id"`
	At time.Time `json:"at"`
}

// Matched is a due with the reading that satisfied it.
type Matched struct {
	Due
	Reading   string    `json:"reading"`
	ReadingAt time.Time `json:"reading_at"`
	// Late says that the reading was taken after At, inside the grace. A test after an event cannot be taken
	// before it is due: its whole window is in time.
	Late bool `json:"late,omitempty"`
}

// Match gives each due the reading that satisfied it: in order of At, then id, a reading satisfies the
// earliest unsatisfied due of a row whose window holds it. The order in which readings came does not
// matter. Each row is matched by itself, so one reading may satisfy a due of several rows: the test
// wanted after an addition must not use up the scheduled one, nor be asked for twice where both are due
// at once. extra are the readings that satisfied nothing, in order.
//
// Give it dues that begin where the row does or well before the stretch of interest: a reading whose
// own due was left out could satisfy the next.
func Match(dues []Due, taken []Taken) (matched []Matched, extra []string) {
	taken = slices.Clone(taken)
	slices.SortFunc(taken, func(a, b Taken) int { return cmp.Or(a.At.Compare(b.At), strings.Compare(a.ID, b.ID)) })
	used := make([]bool, len(taken))
	for _, row := range []string{RowInterval, RowCron, RowEvent, RowForecast} {
		matched = matchRow(matched, dues, row, taken, used)
	}
	slices.SortFunc(matched, func(a, b Matched) int { return compareDue(a.Due, b.Due) })
	for i, t := range taken {
		if !used[i] {
			extra = append(extra, t.ID)
		}
	}
	return matched, extra
}

func matchRow(out []Matched, dues []Due, row string, taken []Taken, used []bool) []Matched {
	var mine []Due
	ahead := time.Duration(0)
	for _, d := range dues {
		if d.Row == row {
			mine = append(mine, d)
			ahead = max(ahead, d.At.Sub(d.From))
		}
	}
	slices.SortFunc(mine, compareDue)
	done := make([]bool, len(mine))
	lo := 0
	for i, t := range taken {
		for lo < len(mine) && (done[lo] || mine[lo].Until.Before(t.At)) {
			lo++
		}
		for j := lo; j < len(mine) && !mine[j].At.After(t.At.Add(ahead)); j++ {
			d := &mine[j]
			if done[j] || t.At.Before(d.From) || t.At.After(d.Until) {
				continue
			}
			done[j], used[i] = true, true
			out = append(out, Matched{Due: *d, Reading: t.ID, ReadingAt: t.At, Late: d.Row != RowEvent && t.At.After(d.At)})
			break
		}
	}
	return out
}
