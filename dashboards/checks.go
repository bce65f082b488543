package dashboards

import (
	"time"

	"linewarden/haccp"
)

// checkRow is a check at a place: its series, and what was last found out about it.
type checkRow struct {
	check, place string
	state, due   series
	total        *testRow // of all places of the line
	age          age
	found        haccp.DueItem
	isDue        bool
	this, last   haccp.Tests
}

// testRow sums the tests of a check over the places of a line.
type testRow struct {
	this, last testSeries
	sum        [2]haccp.Tests
}

type testSeries struct{ due, inside, missed series }

func (c *Collector) layTests(check, line, span string) testSeries {
	return testSeries{c.series("scheduled_tests", check, line, span), c.series("scheduled_tests_inside", check, line, span), c.series("scheduled_tests_missed", check, line, span)}
}

func (t *testSeries) put(out *sink, n haccp.Tests) {
	out.set(t.due, float64(n.Due))
	out.set(t.inside, float64(n.Inside))
	out.set(t.missed, float64(n.Missed))
}

var dueNumbers = map[string]float64{haccp.DueUpcoming: Upcoming, haccp.DueNow: Due, haccp.DueLate: Late, haccp.DueMissed: Missed}

// checks gives when every check is due, and how the scheduled ones of the shift went.
func (c *Collector) checks(out *sink, s *haccp.State, now time.Time) {
	this, last := s.ShiftsAt(now)
	left := checkPace.budget(len(c.layout.checks))
	for _, t := range c.layout.tests {
		t.sum = [2]haccp.Tests{}
	}
	for _, r := range c.layout.checks {
		if r.age.over(s.CheckTrace(r.check, r.place), last.To, now, left) {
			r.find(s, this, last, now)
		}
		if r.isDue {
			out.set(r.state, dueNumbers[r.found.State])
			out.set(r.due, stamp(r.found.Due))
		}
		for i, n := range []haccp.Tests{r.this, r.last} {
			sum := &r.total.sum[i]
			sum.Due, sum.Inside, sum.Missed = sum.Due+n.Due, sum.Inside+n.Inside, sum.Missed+n.Missed
		}
	}
	for _, t := range c.layout.tests {
		if !this.To.IsZero() {
			t.this.put(out, t.sum[0])
		}
		if !last.To.IsZero() {
			t.last.put(out, t.sum[1])
		}
	}
}

// find works out how the check stands.
func (r *checkRow) find(s *haccp.State, this, last haccp.ShiftSpan, now time.Time) {
	r.found, r.isDue = s.DueAt(r.check, r.place, now)
	r.this = haccp.Tests{}
	if !this.To.IsZero() {
		r.this = s.TestsOf(r.check, r.place, this.From, now, now)
	}
	if !last.To.IsZero() && !r.age.settled(now) {
		r.last = s.TestsOf(r.check, r.place, last.From, last.To, now)
	}
	if r.isDue {
		for _, t := range []time.Time{r.found.From, r.found.Due, r.found.Until} {
			r.age.until(t, now)
		}
	}
}
