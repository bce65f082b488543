package alerts

import (
	"slices"
	"strings"
	"time"

	"linewarden/alerts/notify"
	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/internal/wording"
)

// Worded gives an alert as people read it: what it is, what to do now by the plan, and where to look.
func Worded(s *haccp.State, a *alarm.Alert, lang wording.Language, link string) notify.Item {
	i := notify.Item{Alert: a.Alert, Cause: a.Cause, Severity: a.Severity, Group: a.Group, Point: a.Point, Place: a.Place, Line: a.Line, Check: a.Check,
		Deviation: a.Deviation, Since: a.Since, Ended: a.Ended}
	i.Text, i.Do = lang.Alert(s, a)
	if link != "" {
		i.Link = link + "/alerts"
		if a.Deviation != "" {
			i.Link = link + "/deviations/" + a.Deviation
		}
	}
	return i
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
