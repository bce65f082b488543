package plan

import (
	"fmt"
	"slices"
	"strings"

	"linewarden/haccp/quantity"
)

// clock checks a point whose limits are on a time of lots.
func (c *checker) clock(path string, pt *Point) {
	k := pt.Clock
	if k == nil {
		return
	}
	c.ref(path+".clock.from", "step", k.From, c.stepAt)
	c.ref(path+".clock.to", "step", k.To, c.stepAt)
	for i, l := range pt.Limits {
		under := fmt.Sprintf("%s.limits[%d].quantity", path, i)
		switch quantity.ID(l.Quantity) {
		case quantity.ContactTime:
			if k.From != k.To {
				c.add(path+".clock.to", "name the step of clock.from", "a contact time begins and ends in one step")
			}
		case quantity.Elapsed:
		default:
			c.add(under, "write contact_time or elapsed", "no step of a lot shows %s", l.Quantity)
		}
	}
	for i := range c.p.Checks {
		if slices.Contains(c.p.Checks[i].Points, pt.ID) {
			c.add(fmt.Sprintf("checks[%d].points", i), "leave the point out", "the point %q is judged from the steps of lots, no check serves it", pt.ID)
		}
	}
}

// dispositions checks who signs what becomes of lots.
func (c *checker) dispositions() {
	seen := map[string]bool{}
	for i, r := range c.p.Dispositions {
		path := fmt.Sprintf("dispositions[%d]", i)
		if !slices.Contains(Outcomes(), r.Outcome) {
			c.add(path+".outcome", "one of "+strings.Join(Outcomes(), ", "), "there is no outcome %q", r.Outcome)
		}
		if seen[r.Outcome] {
			c.add(path+".outcome", "put the roles into one entry", "the outcome %q stands here twice", r.Outcome)
		}
		seen[r.Outcome] = true
		c.roles(path+".roles", r.Roles)
		if r.People < 0 || r.People > 5 {
			c.add(path+".people", "write 1 to 5, or leave it out", "%d people cannot be asked for", r.People)
		}
	}
}
