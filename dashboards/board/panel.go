package board

import "strings"

// json writes a panel at its place on the grid.
func (p *Panel) json(id, x, y int) object {
	targets := make([]any, 0, len(p.Queries))
	for i, q := range p.Queries {
		t := object{"refId": string(rune('A' + i)), "expr": q.Expr, "datasource": source, "legendFormat": "__auto", "range": !q.Instant, "instant": q.Instant}
		if q.Legend != "" {
			t["legendFormat"] = q.Legend
		}
		if p.Kind == "table" {
			t["format"] = "table"
		}
		targets = append(targets, t)
	}
	out := object{"id": id, "type": p.Kind, "title": p.Title, "description": p.About, "datasource": source, "targets": targets, "transparent": false,
		"gridPos": object{"h": p.H, "w": p.W, "x": x, "y": y}, "fieldConfig": object{"defaults": p.defaults(), "overrides": p.overrides()}, "options": p.options()}
	if p.Kind == "table" {
		out["transformations"] = p.transformations()
	}
	if p.Repeat != "" {
		out["repeat"], out["repeatDirection"] = p.Repeat, "h"
	}
	return out
}

func (p *Panel) defaults() object {
	d := object{"unit": p.Unit, "mappings": []any{}, "color": object{"mode": "palette-classic"}, "noValue": "not known", "custom": p.custom()}
	if len(p.Steps) > 0 {
		steps := make([]any, 0, len(p.Steps))
		for _, s := range p.Steps {
			steps = append(steps, object{"value": s.from, "color": s.color})
		}
		d["thresholds"] = object{"mode": "absolute", "steps": steps}
		if p.Kind != "timeseries" {
			d["color"] = object{"mode": "thresholds"}
		}
	}
	if len(p.Map) > 0 {
		words := object{}
		for i, m := range p.Map {
			words[m.value] = object{"text": m.text, "color": m.color, "index": i}
		}
		d["mappings"] = []any{object{"type": "value", "options": words}}
	}
	if p.Min != nil {
		d["min"] = *p.Min
	}
	if p.Max != nil {
		d["max"] = *p.Max
	}
	if p.Decimal != nil {
		d["decimals"] = *p.Decimal
	}
	if len(p.Links) > 0 {
		links := make([]any, 0, len(p.Links))
		for _, l := range p.Links {
			links = append(links, object{"title": l.title, "url": l.url, "targetBlank": false})
		}
		d["links"] = links
	}
	return d
}

// custom says how the lines, bands and cells are drawn.
func (p *Panel) custom() object {
	switch p.Kind {
	case "timeseries":
		c := object{"drawStyle": "line", "lineInterpolation": "stepAfter", "lineWidth": 2, "fillOpacity": 0, "showPoints": "never", "spanNulls": false,
			"axisBorderShow": false, "axisLabel": "", "stacking": object{"mode": "none", "group": "A"}, "thresholdsStyle": object{"mode": "off"}}
		if p.Stacked {
			c["stacking"], c["fillOpacity"] = object{"mode": "normal", "group": "A"}, 40
		}
		if p.Lines {
			c["thresholdsStyle"] = object{"mode": "line"}
		}
		return c
	case "state-timeline":
		return object{"lineWidth": 0, "fillOpacity": 90, "spanNulls": false}
	case "table":
		return object{"align": "auto", "cellOptions": object{"type": "auto"}, "inspect": false, "filterable": false}
	}
	return object{}
}

func (p *Panel) overrides() []any {
	out := []any{}
	if p.Limits {
		dashed := func(match, color string) object {
			return object{"matcher": object{"id": "byRegexp", "options": match}, "properties": []any{
				object{"id": "custom.lineStyle", "value": object{"fill": "dash", "dash": []int{10, 6}}}, object{"id": "custom.lineWidth", "value": 2},
				object{"id": "color", "value": object{"mode": "fixed", "fixedColor": color}}}}
		}
		out = append(out, dashed("/^limit critical|^limit action/", red), dashed("/^limit operating/", orange))
	}
	for i, name := range p.Names {
		if p.Kind == "table" && name == "state" {
			out = append(out, object{"matcher": object{"id": "byName", "options": p.valueName(i)}, "properties": []any{
				object{"id": "custom.cellOptions", "value": object{"type": "color-text"}}}})
		}
	}
	return out
}

// valueName is what Grafana calls the value of a query in a table of several.
func (p *Panel) valueName(i int) string {
	if len(p.Queries) == 1 {
		return "Value"
	}
	return "Value #" + string(rune('A'+i))
}

// transformations join the queries of a table by their labels, and leave the labels and values that are shown.
func (p *Panel) transformations() []any {
	rename, index, hide := object{}, object{}, object{"Time": true, "__name__": true, "instance": true, "job": true}
	for i, c := range p.Columns {
		rename[c.label], index[c.label] = c.title, i
	}
	for i, name := range p.Names {
		rename[p.valueName(i)], index[p.valueName(i)] = name, len(p.Columns)+i
	}
	return []any{object{"id": "merge", "options": object{}},
		object{"id": "organize", "options": object{"excludeByName": hide, "indexByName": index, "renameByName": rename}}}
}

func (p *Panel) options() object {
	reduce := object{"calcs": []string{"lastNotNull"}, "fields": "", "values": false}
	switch p.Kind {
	case "stat":
		return object{"reduceOptions": reduce, "orientation": "auto", "colorMode": "value", "graphMode": "none", "justifyMode": "auto", "textMode": "auto", "wideLayout": true,
			"showPercentChange": false, "percentChangeColorMode": "standard"}
	case "bargauge":
		return object{"legend": object{"displayMode": "list", "placement": "bottom", "showLegend": false, "calcs": []string{}}, "reduceOptions": reduce, "orientation": "horizontal", "displayMode": "basic", "valueMode": "text", "namePlacement": "left", "showUnfilled": true,
			"sizing": "auto", "minVizWidth": 8, "minVizHeight": 16, "maxVizHeight": 300}
	case "timeseries":
		return object{"legend": object{"displayMode": "list", "placement": "bottom", "showLegend": true, "calcs": []string{}}, "tooltip": object{"mode": "multi", "sort": "none"}}
	case "state-timeline":
		return object{"showValue": "auto", "mergeValues": true, "rowHeight": 0.85, "alignValue": "left",
			"legend": object{"displayMode": "list", "placement": "bottom", "showLegend": true, "calcs": []string{}}, "tooltip": object{"mode": "single", "sort": "none"}}
	}
	return object{"frameIndex": 0, "showHeader": true, "cellHeight": "md"}
}

// oneLine makes a query of several lines one of one.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }
