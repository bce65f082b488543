package alerts

import (
	"slices"
	"strings"
	"time"

	"linewarden/alerts/notify"
	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/plan"
	"linewarden/internal/wording"
)

// Worded gives an alert as people read it: what it is, what to do now by the plan, and where to look.
func Worded(s *haccp.State, a *alarm.Alert, lang wording.Language, link string) notify.Item {
	p := planOf(s, a.PlanVersion)
	names := []string{"point", pointName(p, a.Point), "place", placeName(p, a.Place), "check", checkName(p, a.Check),
		"device", deviceName(s, a.Device), "number", a.Data["number"], "value", a.Data["value"], "since", clock(s, a.Since)}
	due, err := time.Parse(time.RFC3339, a.Data["due"])
	if err == nil {
		names = append(names, "due", clock(s, due))
	}
	i := notify.Item{Alert: a.Alert, Cause: a.Cause, Severity: a.Severity, Group: a.Group, Point: a.Point, Place: a.Place, Line: a.Line, Check: a.Check,
		Deviation: a.Deviation, Since: a.Since, Ended: a.Ended, Text: strings.Join(strings.Fields(lang.Text("alert."+a.Cause, names...)), " ")}
	i.Do = strings.Join(append(planned(p, a), lang.Text("alertdo."+a.Cause)), " ")
	if link != "" {
		i.Link = link + "/alerts"
		if a.Deviation != "" {
			i.Link = link + "/deviations/" + a.Deviation
		}
	}
	return i
}

// planned gives what the plan says to do: the instructions of the point and its immediate fixes, or those of the check.
func planned(p *plan.Plan, a *alarm.Alert) []string {
	var out []string
	if p == nil {
		return nil
	}
	if a.Cause == alarm.Outside || a.Cause == alarm.Act {
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

func deviceName(s *haccp.State, id string) string {
	if d, ok := s.Device(id); ok && d.Name != "" {
		return d.Name
	}
	return id
}

func clock(s *haccp.State, at time.Time) string {
	return at.In(s.Zone()).Format("2006-01-02 15:04 MST")
}

// maxItems is how many alerts a message spells out; the rest is a number.
const maxItems = 20

// message words a message about alerts of one group for a channel.
func (d *Desk) message(s *haccp.State, c *Channel, kind, group string, list []*alarm.Alert, now time.Time) notify.Message {
	lang := wording.Match(c.Language)
	m := notify.Message{Kind: kind, Site: d.site, SiteName: s.Site.Name, Language: string(lang), Group: group, At: now.UTC()}
	slices.SortStableFunc(list, func(a, b *alarm.Alert) int {
		return slices.Index(alarm.Severities(), a.Severity) - slices.Index(alarm.Severities(), b.Severity)
	})
	var text strings.Builder
	for i, a := range list {
		m.Alerts = append(m.Alerts, notify.Ref{Alert: a.Alert, Round: a.Round})
		if m.Severity == "" || alarm.AtLeast(a.Severity, m.Severity) {
			m.Severity = a.Severity
		}
		if i >= maxItems {
			m.More++
			continue
		}
		item := Worded(s, a, lang, d.opt.Link)
		m.Items = append(m.Items, item)
		text.WriteString(strings.ToUpper(lang.Text("severity."+item.Severity)) + ": " + item.Text + ", " + lang.Text("message.since", "time", clock(s, item.Since)) + "\n")
		if kind != notify.Cleared {
			text.WriteString("  " + lang.Text("message.do", "what", item.Do) + "\n")
		}
		if item.Link != "" {
			text.WriteString("  " + lang.Text("message.see", "link", item.Link) + "\n")
		}
	}
	if m.More > 0 {
		text.WriteString(lang.Text("message.more", "n", number(m.More)) + "\n")
	}
	text.WriteString("\n" + s.Site.Name + " · " + clock(s, now) + "\n" + lang.Text("message.aid") + "\n")
	m.Text = text.String()
	m.Subject = lang.Text("message."+kind) + ": " + m.Items[0].Text
	if len(list) > 1 {
		m.Subject += " (" + lang.Text("message.more", "n", number(len(list)-1)) + ")"
	}
	return m
}
