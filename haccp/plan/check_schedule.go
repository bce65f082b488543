package plan

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"linewarden/haccp/quantity"
)

// events lists what a schedule may follow.
var events = []string{"filled", "added", "part-replaced"}

// checks checks each check for itself: places, points, measures, schedule.
func (c *checker) checks() {
	for i, ch := range c.p.Checks {
		path := fmt.Sprintf("checks[%d]", i)
		if len(ch.Places) == 0 {
			c.add(path+".places", "name at least one", "the check %q has no place", ch.ID)
		}
		c.refs(path+".places", "place", ch.Places, c.placeAt)
		c.refs(path+".points", "control point", ch.Points, c.pointAt)
		for j, id := range ch.Points {
			if at, ok := c.pointAt[id]; ok && !meet(ch.Places, c.p.Points[at].Places) {
				c.add(fmt.Sprintf("%s.points[%d]", path, j), "do the check at a place of the point", "the check %q is done at no place of point %q", ch.ID, id)
			}
		}
		c.measures(path, ch)
		c.schedule(path, ch)
	}
}

func meet(a, b []string) bool {
	return slices.ContainsFunc(a, func(id string) bool { return slices.Contains(b, id) })
}

func (c *checker) measures(path string, ch Check) {
	if len(ch.Measures) == 0 {
		c.add(path+".measures", "give at least one", "the check %q measures nothing", ch.ID)
	}
	seen := map[string]bool{}
	for i, m := range ch.Measures {
		under := fmt.Sprintf("%s.measures[%d]", path, i)
		q := c.quantity(under+".quantity", m.Quantity)
		if q == nil {
			continue
		}
		if seen[m.Quantity] {
			c.add(under+".quantity", "put the methods into one measure", "the check measures %s twice", q.Name())
			continue
		}
		seen[m.Quantity] = true
		if q.Computed() {
			c.add(under+".quantity", "measure what it is computed from", "%s is computed, no check measures it", q.Name())
			continue
		}
		c.measure(under, q, m)
		c.separation(under, m, c.limitsServed(ch, m.Quantity))
		below := func(s served) bool { return s.limit.Min != nil && s.limit.Kind != Action }
		if m.Forecast && (q.ID() != quantity.FreeChlorine || !slices.ContainsFunc(c.limitsServed(ch, m.Quantity), below)) {
			c.add(under+".forecast", "take it out", "a forecast is made of free chlorine with a lower operating or critical limit only")
		}
	}
}

func (c *checker) measure(path string, q *quantity.Quantity, m Measure) {
	c.refs(path+".methods", "method", m.Methods, c.methodAt)
	for i, id := range m.Methods {
		at, ok := c.methodAt[id]
		if !ok {
			continue
		}
		under := fmt.Sprintf("%s.methods[%d]", path, i)
		if c.p.Methods[at].Quantity != m.Quantity {
			c.add(under, "name a method for it", "the method %q measures %s, not %s", id, c.p.Methods[at].Quantity, m.Quantity)
		}
		if q.MethodDeclared(quantity.Unit(m.Unit)) && c.p.Methods[at].PPMMeans == "" {
			c.add(path+".unit", "write ppm_means at the method, or offer mg/L", "the method %q does not say what ppm stands for", id)
		}
	}
	if q.MethodDeclared(quantity.Unit(m.Unit)) && len(m.Methods) == 0 {
		c.add(path+".unit", "name a method that says it, or offer mg/L", "nothing says what ppm stands for")
	}
	switch {
	case m.Unit != "" && q.IsYesNo():
		c.add(path+".unit", "take it out", "%s has no unit", q.Name())
	case m.Unit != "":
		c.unit(path+".unit", q, quantity.Unit(m.Unit), true)
	}
	c.plausible(path+".plausible", q, m.Plausible)
}

func (c *checker) plausible(path string, q *quantity.Quantity, r *Range) {
	if r == nil {
		return
	}
	if r.Min == nil && r.Max == nil {
		c.add(path, "give min, max or both", "the plausible range is empty")
	}
	good := true
	for _, b := range []bound{{"min", r.Min}, {"max", r.Max}} {
		good = (b.amount == nil || c.bound(path+"."+b.name, q, *b.amount)) && good
	}
	if good && r.Min != nil && r.Max != nil {
		if sign, err := compare(string(q.ID()), *r.Min, *r.Max); err != nil || sign >= 0 {
			c.add(path+".min", "let min be below max, in one unit", "min %s is not below max %s", r.Min, r.Max)
		}
	}
}

// limitsServed lists the limits on a quantity at the points a check serves.
func (c *checker) limitsServed(ch Check, id string) []served {
	var out []served
	for _, name := range ch.Points {
		at, ok := c.pointAt[name]
		if !ok || !meet(ch.Places, c.p.Points[at].Places) {
			continue
		}
		for _, l := range c.p.Points[at].Limits {
			if l.Quantity == id {
				out = append(out, served{c.p.Points[at], l})
			}
		}
	}
	return out
}

// schedule checks when a check falls due.
func (c *checker) schedule(path string, ch Check) {
	s, under := ch.Schedule, path+".schedule"
	every, timed, after := !s.Every.IsZero(), s.Cron != nil, len(s.After) > 0
	switch {
	case !every && !timed && !after:
		c.add(under, "give every, cron or after", "the check %q never falls due", ch.ID)
		return
	case every && timed:
		c.add(under, "keep one; make a second check for the other", "every and cron stand side by side")
		return
	case timed && after:
		c.add(under, "keep one; make a second check for the other", "cron and after stand side by side")
	}
	if s.AtStart && !every {
		c.add(under+".at_start", "take it out, or give every", "at_start has a meaning only beside every")
	}
	if every {
		c.onLine(under+".every", ch)
	}
	if timed && !s.Cron.EverDue() {
		c.add(under+".cron", "choose days that its months have", "the cron text %q never falls due", s.Cron.Text)
	}
	c.events(under, ch)
	c.grace(path, ch)
}

// onLine sees that an interval has a line whose running it counts.
func (c *checker) onLine(path string, ch Check) {
	for _, id := range ch.Places {
		if at, ok := c.placeAt[id]; ok && c.p.Places[at].Line == "" {
			c.add(path, "give the place its line, or use cron", "the place %q lies on no line, so no interval runs there", id)
		}
	}
}

func (c *checker) events(path string, ch Check) {
	for i, e := range ch.Schedule.After {
		under := fmt.Sprintf("%s.after[%d]", path, i)
		if !slices.Contains(events, e) {
			c.add(under, "one of "+strings.Join(events, ", "), "there is no event %q", e)
		}
		if slices.Index(ch.Schedule.After, e) < i {
			c.add(under, "name it once", "the event %q is named twice", e)
		}
	}
	if len(ch.Schedule.After) == 0 {
		return
	}
	for _, id := range ch.Places {
		if at, ok := c.placeAt[id]; ok && c.p.Places[at].Kind != Bath {
			c.add(path+".after", "do it at baths only, or use every or cron", "the place %q is no bath: nothing is filled or added there", id)
		}
	}
}

// grace checks that interval and grace stay within what the validation supports.
func (c *checker) grace(path string, ch Check) {
	interval := ch.Schedule.Every.Std()
	text := ch.Schedule.Every.String()
	if ch.Schedule.Cron != nil {
		gap, ok := ch.Schedule.Cron.LongestGap()
		if !ok {
			return
		}
		interval, text = gap, spell(gap)+" (the longest gap of the cron text)"
	}
	if interval == 0 {
		return
	}
	if ch.Grace.IsZero() {
		c.warn(path+".grace", noSource, `write a length of time, such as "10 min"`, "without grace a check done a second after its due is missed")
	}
	if ch.Grace.Std() >= interval {
		c.add(path+".grace", "make it shorter than the interval", "the grace of %s is as long as the interval of %s", ch.Grace, text)
	}
	if ch.Supported.IsZero() {
		if c.servesCritical(ch) {
			c.add(path+".supported", "write the longest time between checks that your validation supports", "nothing says which frequency the validation supports")
		}
		return
	}
	if interval+ch.Grace.Std() > ch.Supported.Std() {
		c.add(path+".supported", "shorten interval or grace, or validate a longer time",
			"the interval of %s and the grace of %s make more than the %s that the validation supports", text, orNone(ch.Grace), ch.Supported)
	}
}

// spell writes a whole number of minutes as people say it.
func spell(d time.Duration) string {
	minutes := int64(d / time.Minute)
	if minutes%60 == 0 {
		return Of(minutes/60, "h").String()
	}
	return Of(minutes, "min").String()
}

func orNone(d Duration) string {
	if d.IsZero() {
		return "0 min"
	}
	return d.String()
}

func (c *checker) servesCritical(ch Check) bool {
	for _, id := range ch.Points {
		if at, ok := c.pointAt[id]; ok && slices.ContainsFunc(c.p.Points[at].Limits, func(l Limit) bool { return l.Kind == Critical }) {
			return true
		}
	}
	return false
}

// monitoring sees that every limit is measured by some check of its point at each of its places. A
// computed value needs all its inputs from one sample, so from one check.
func (c *checker) monitoring() {
	for i, pt := range c.p.Points {
		if pt.Clock != nil {
			continue
		}
		for j, l := range pt.Limits {
			if _, err := quantity.Get(quantity.ID(l.Quantity)); err != nil {
				continue
			}
			for _, place := range pt.Places {
				if _, ok := c.placeAt[place]; ok && !c.monitored(pt.ID, place, inputs(l)) {
					c.add(fmt.Sprintf("points[%d].limits[%d]", i, j), "let a check of this point measure it there, not as optional",
						"no check measures %s at place %q for point %q", strings.Join(inputs(l), ", "), place, pt.ID)
				}
			}
		}
	}
}

// inputs lists the quantities that a limit needs from one sample.
func inputs(l Limit) []string {
	if l.Computed() {
		return []string{string(quantity.FreeChlorine), string(quantity.PH), string(quantity.Temperature)}
	}
	return []string{l.Quantity}
}

func (c *checker) monitored(point, place string, quantities []string) bool {
	return slices.ContainsFunc(c.p.Checks, func(ch Check) bool {
		if !slices.Contains(ch.Points, point) || !slices.Contains(ch.Places, place) {
			return false
		}
		for _, q := range quantities {
			if !slices.ContainsFunc(ch.Measures, func(m Measure) bool { return m.Quantity == q && !m.Optional }) {
				return false
			}
		}
		return true
	})
}
