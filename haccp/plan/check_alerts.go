package plan

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Severities lists how grave an alert may be, the gravest first.
func Severities() []string { return []string{"critical", "warning", "notice"} }

// alerts checks who is told of an alert.
func (c *checker) alerts() {
	a := &c.p.Alerts
	for _, d := range []struct {
		path string
		d    Duration
	}{{"alerts.gather", a.Gather}, {"alerts.repeat", a.Repeat}, {"alerts.retest", a.Retest}} {
		if !d.d.IsZero() && (d.d.Std() < 10*time.Second || d.d.Std() > 24*time.Hour) {
			c.add(d.path, `write from "10 s" to "24 h"`, "%s is too short or too long", d.d)
		}
	}
	shifts := map[string]int{}
	for i, s := range c.p.Shifts {
		shifts[s.ID] = i
	}
	for i := range a.Ladder {
		r := &a.Ladder[i]
		path := fmt.Sprintf("alerts.ladder[%d]", i)
		for j, s := range r.Severities {
			if !slices.Contains(Severities(), s) {
				c.add(fmt.Sprintf("%s.severities[%d]", path, j), "one of "+strings.Join(Severities(), ", "), "there is no severity %q", s)
			}
		}
		c.refs(path+".shifts", "shift", r.Shifts, shifts)
		c.roles(path+".roles", r.Roles)
		if r.After.Std() > 7*24*time.Hour {
			c.add(path+".after", "tell people sooner", "%s is longer than a week", r.After)
		}
	}
	for _, severity := range []string{"critical", "warning"} {
		if len(a.Ladder) > 0 && !slices.ContainsFunc(a.Ladder, func(r Rung) bool {
			return r.After.IsZero() && len(r.Shifts) == 0 && (len(r.Severities) == 0 || slices.Contains(r.Severities, severity))
		}) {
			c.add("alerts.ladder", "give a step without after and without shifts that holds for it",
				"nobody is told at once, at any hour, of an alert of severity %s", severity)
		}
	}
}
