// Package board holds the dashboards as Go, from which the files in dashboards/grafana are made.
//
// Four people look at them: whoever stands on the plant floor, the food-safety manager, the engineer, and whoever
// answers for several sites. Each has few panels. What a state is stands in words beside its colour; the colours are
// the safety colours of ISO 3864, as on the pages. "Not known" is yellow and never green.
package board

import (
	"encoding/json"
	"fmt"
	"strings"
)

// Board is one dashboard.
type Board struct {
	File    string // name of its file in dashboards/grafana
	UID     string
	Title   string
	About   string
	Since   string // how far back it looks, such as now-8h
	Refresh string
	Vars    []variable
	Links   []link
	Panels  []Panel
}

// All lists the dashboards.
func All() []Board { return []Board{floor(), manager(), engineer(), group()} }

// Query is one question of a panel to Prometheus.
type Query struct {
	Expr    string
	Legend  string // of a series; empty: the whole label set
	Instant bool   // the newest value only, as a row of a table
}

// Panel is one picture of a dashboard. W and H are its size on a grid that is 24 wide.
type Panel struct {
	Kind    string // stat, timeseries, state-timeline, table, bargauge
	Title   string
	About   string
	W, H    int
	Unit    string
	Queries []Query
	Steps   []step    // colours from a value on; nil: none
	Map     []mapping // words for numbers
	Min     *float64
	Max     *float64
	Links   []link
	Repeat  string // variable for each value of which the panel is shown
	Limits  bool   // series named "limit ..." are drawn as dashed lines
	Lines   bool   // steps are drawn as lines
	Stacked bool
	Columns []column // of a table: the labels shown and their headings, in order
	Names   []string // of a table: the heading of the value of each query
	Decimal *int
}

type step struct {
	from  *float64 // nil: from below everything on
	color string
}

type mapping struct {
	value       string
	text, color string
}

type column struct{ label, title string }

type link struct{ title, url string }

type variable struct {
	name, label, query string // query: of a list of label values
	multi              bool
	value              string // of a fixed text
}

// The safety colours of ISO 3864, as on the pages.
const (
	red    = "#b5121b"
	orange = "#f07d00"
	yellow = "#f7d417"
	green  = "#00693c"
	blue   = "#0057a6"
	grey   = "#8a949b"
)

var states = []mapping{{"0", "not in use", grey}, {"1", "inside", green}, {"2", "act", orange}, {"3", "not known", yellow}, {"4", "outside", red}}

// from gives steps: the first colour from below everything, then each from its value on.
func from(first string, more ...any) []step {
	out := []step{{nil, first}}
	for i := 0; i+1 < len(more); i += 2 {
		x, _ := more[i].(float64)
		color, _ := more[i+1].(string)
		out = append(out, step{&x, color})
	}
	return out
}

// JSON writes the dashboard as Grafana takes it.
func (b Board) JSON() ([]byte, error) {
	panels := make([]any, 0, len(b.Panels))
	x, y, row := 0, 0, 0
	for i := range b.Panels {
		p := &b.Panels[i]
		if x+p.W > 24 {
			x, y, row = 0, y+row, 0
		}
		panels = append(panels, p.json(i+1, x, y))
		x, row = x+p.W, max(row, p.H)
	}
	links := make([]any, 0, len(b.Links))
	for _, l := range b.Links {
		links = append(links, object{"title": l.title, "url": l.url, "type": "link", "icon": "external link", "tooltip": "", "tags": []string{},
			"asDropdown": false, "targetBlank": false, "includeVars": false, "keepTime": false})
	}
	links = append(links, object{"title": "Linewarden dashboards", "type": "dashboards", "tags": []string{"linewarden"}, "icon": "external link", "tooltip": "",
		"url": "", "asDropdown": true, "targetBlank": false, "includeVars": true, "keepTime": false})
	out, err := json.MarshalIndent(object{
		"uid": b.UID, "title": b.Title, "description": b.About, "tags": []string{"linewarden"}, "editable": true, "graphTooltip": 1,
		"schemaVersion": schemaVersion, "version": 1, "refresh": b.Refresh, "time": object{"from": b.Since, "to": "now"}, "timezone": "browser",
		"annotations": object{"list": []any{}}, "templating": object{"list": b.vars()}, "links": links, "panels": panels,
	}, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("dashboard %s: %w", b.Title, err)
	}
	return append(out, '\n'), nil
}

// schemaVersion is that of Grafana 12.
const schemaVersion = 41

type object map[string]any

var source = object{"type": "prometheus", "uid": "${datasource}"}

func (b Board) vars() []any {
	out := []any{object{"name": "datasource", "label": "Prometheus", "type": "datasource", "query": "prometheus", "hide": 0, "skipUrlSync": false,
		"multi": false, "includeAll": false, "refresh": 1, "regex": "", "options": []any{}}}
	for _, v := range b.Vars {
		if v.query == "" {
			out = append(out, object{"name": v.name, "label": v.label, "type": "textbox", "query": v.value, "hide": 0, "skipUrlSync": false,
				"current": object{"selected": true, "text": v.value, "value": v.value}, "options": []any{object{"selected": true, "text": v.value, "value": v.value}}})
			continue
		}
		o := object{"name": v.name, "label": v.label, "type": "query", "query": object{"query": v.query, "refId": v.name}, "datasource": source, "definition": v.query,
			"refresh": 2, "regex": "", "sort": 1, "multi": v.multi, "includeAll": v.multi, "hide": 0, "skipUrlSync": false, "options": []any{}}
		if v.multi {
			o["current"] = object{"selected": true, "text": []string{"All"}, "value": []string{"$__all"}}
		}
		out = append(out, o)
	}
	return out
}

// Asked lists every query of the dashboard as Prometheus gets it, with the variables filled in so that they choose all.
func (b Board) Asked() []Query {
	fill := strings.NewReplacer("$site", ".+", "$quantity", ".+", "$__rate_interval", "1m", "$__range", "1h")
	var out []Query
	for i := range b.Panels {
		for _, q := range b.Panels[i].Queries {
			out = append(out, Query{Expr: fill.Replace(q.Expr), Legend: b.Title + " / " + b.Panels[i].Title, Instant: q.Instant})
		}
	}
	return out
}
