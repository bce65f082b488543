package wording

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/plan"
)

// Alert says what an alert is, with the names of the plan that raised it and times of the site's wall clock, and what to
// do now: what the plan says first.
func (l Language) Alert(s *haccp.State, a *alarm.Alert) (text, do string) {
	p := planOf(s, a.PlanVersion)
	clock := func(at time.Time) string { return at.In(s.Zone()).Format("2006-01-02 15:04 MST") }
	names := []string{"point", pointName(p, a.Point), "place", placeName(p, a.Place), "check", checkName(p, a.Check),
		"device", deviceName(s, a.Device), "lot", a.Lot, "number", a.Data["number"], "value", a.Data["value"], "test", a.Data["test"], "sample", a.Data["sample"], "since", clock(a.Since), "what", a.Data["what"], "instrument", instrumentName(p, a.Data["instrument"])}
	if due, err := time.Parse(time.RFC3339, a.Data["due"]); err == nil {
		names = append(names, "due", clock(due))
	}
	if was := a.Data["was"]; was != "" {
		names = append(names, "was", l.Text("alertlot."+was))
	}
	presumptive := ""
	if a.Data["presumptive"] != "" {
		presumptive = l.Text("alertlot.presumptive")
	}
	names = append(names, "presumptive", presumptive)
	for _, list := range []string{"boxes", "mass", "consignees"} {
		names = append(names, list, cmp.Or(a.Data[list], l.Text("alertlot.none")))
	}
	text = strings.Join(strings.Fields(l.Text("alert."+a.Cause, names...)), " ")
	return text, strings.Join(append(planned(p, a), l.Text("alertdo."+a.Cause)), " ")
}

// planned gives what the plan says to do: the instructions of the point and its immediate fixes, or those of the check.
func planned(p *plan.Plan, a *alarm.Alert) []string {
	var out []string
	if p == nil {
		return nil
	}
	if a.Cause == alarm.Outside || a.Cause == alarm.Act || a.Cause == alarm.LotClock {
		if i := slices.IndexFunc(p.Points, func(x plan.Point) bool { return x.ID == a.Point }); i >= 0 {
			if text := p.Points[i].Instructions; text != "" {
				out = append(out, text)
			}
			for _, f := range p.Fixes {
				if slices.Contains(p.Points[i].Fixes, f.ID) && f.Instructions != "" {
					out = append(out, f.Name+": "+f.Instructions)
				}
			}
		}
	}
	if i := slices.IndexFunc(p.Checks, func(x plan.Check) bool { return a.Check != "" && x.ID == a.Check }); i >= 0 && p.Checks[i].Instructions != "" {
		out = append(out, p.Checks[i].Instructions)
	}
	return out
}

func planOf(s *haccp.State, version int) *plan.Plan {
	if version >= 1 && version <= len(s.Plans) {
		return s.Plans[version-1].Plan
	}
	if n := len(s.Plans); n > 0 {
		return s.Plans[n-1].Plan
	}
	return nil
}

func pointName(p *plan.Plan, id string) string {
	if p != nil {
		if i := slices.IndexFunc(p.Points, func(x plan.Point) bool { return x.ID == id }); i >= 0 {
			return p.Points[i].Name
		}
	}
	return id
}

func placeName(p *plan.Plan, id string) string {
	if p != nil {
		if i := slices.IndexFunc(p.Places, func(x plan.Place) bool { return x.ID == id }); i >= 0 {
			return p.Places[i].Name
		}
		if i := slices.IndexFunc(p.Lines, func(x plan.Line) bool { return x.ID == id }); i >= 0 {
			return p.Lines[i].Name
		}
	}
	return id
}

func checkName(p *plan.Plan, id string) string {
	if p != nil {
		if i := slices.IndexFunc(p.Checks, func(x plan.Check) bool { return x.ID == id }); i >= 0 {
			return p.Checks[i].Name
		}
	}
	return id
}

func instrumentName(p *plan.Plan, id string) string {
	if p != nil {
		if in := p.Instrument(id); in != nil {
			return in.Name
		}
	}
	return id
}

func deviceName(s *haccp.State, id string) string {
	if d, ok := s.Device(id); ok && d.Name != "" {
		return d.Name
	}
	return id
}
