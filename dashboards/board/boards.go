package board

const (
	siteVar = `label_values(linewarden_site_info, site)`
	home    = "${linewarden}"
)

// pages is where Linewarden is reached; what the compose file serves, until it is written otherwise at the top.
var pages = variable{name: "linewarden", label: "Linewarden at", value: "https://localhost:8443"}

var oneSite = variable{name: "site", label: "Site", query: siteVar}

// named joins the name of the place to series that have one.
func named(expr string) string {
	return oneLine(expr + ` * on (site, place) group_left (name) max by (site, place, name) (linewarden_place_info{site=~"$site"})`)
}

// floor is for a screen beside the line.
func floor() Board {
	return Board{File: "plant-floor.json", UID: "linewarden-floor", Title: "Linewarden: plant floor", Since: "now-8h", Refresh: "10s",
		About: "How every control point stands, the values of the baths between their limits, the clock of the oldest gel, and the next checks.",
		Vars:  []variable{oneSite, {name: "quantity", label: "Quantities", query: `label_values(linewarden_point_limit{site=~"$site", quantity!="yes_no"}, quantity)`, multi: true}, pages},
		Links: []link{{"Checks", home + "/"}, {"Line display", home + "/display"}},
		Panels: []Panel{
			{Kind: "state-timeline", Title: "Control points", W: 24, H: 10, Map: states, Steps: from(grey),
				About:   "Not known: in use, and no usable reading within the frequency. It is never good.",
				Links:   []link{{"Baths and places", home + "/places"}},
				Queries: []Query{{Expr: named(`max by (site, place, point) (linewarden_point_state{site=~"$site"})`), Legend: "{{name}} · {{point}}"}}},
			{Kind: "timeseries", Title: "$quantity", W: 24, H: 9, Limits: true, Repeat: "quantity", Unit: "none",
				About: "The newest usable value of each place, in the unit of its limits. Red dashes: critical limits and action criteria; orange: operating limits.",
				Links: []link{{"Baths and places", home + "/places"}},
				Queries: []Query{
					{Expr: named(`max by (site, place, point, unit) (linewarden_point_value{site=~"$site", quantity=~"$quantity"})`), Legend: "{{name}} · {{point}} ({{unit}})"},
					{Expr: `max by (point, kind, bound) (linewarden_point_limit{site=~"$site", quantity=~"$quantity"})`, Legend: "limit {{kind}} {{bound}} · {{point}}"}}},
			{Kind: "bargauge", Title: "Clock of the oldest gel, of its limit", W: 8, H: 7, Unit: "percentunit", Min: new(0.0), Max: new(1.2), Decimal: new(0),
				Steps: from(blue, 0.75, orange, 1.0, red), Links: []link{{"Lots", home + "/lots"}},
				About: "0 %: no clock runs. It never pauses, and no step resets it.",
				Queries: []Query{{Expr: oneLine(`max by (site, line, point) (linewarden_clock_oldest_seconds{site=~"$site"})
					/ min by (site, line, point) (linewarden_clock_limit_seconds{site=~"$site"})`), Legend: "{{point}}"}}},
			{Kind: "stat", Title: "Chlorine below its limit in", W: 4, H: 7, Unit: "s", Steps: from(orange, 900.0, blue), Links: []link{{"Checks", home + "/"}},
				About:   "By the forecast recorded with the newest reading; a forecast is no reading. \"not known\": there is none.",
				Queries: []Query{{Expr: `min by (place, kind) (linewarden_bath_crossing_timestamp_seconds{site=~"$site"}) - time()`, Legend: "{{place}} {{kind}}"}}},
			{Kind: "table", Title: "Next checks", W: 12, H: 7, Unit: "s", Columns: []column{{"check", "check"}, {"name", "place"}}, Names: []string{"due in"},
				Steps: from(red, 0.0, blue), Links: []link{{"Checks", home + "/"}},
				About:   "Below zero: past due.",
				Queries: []Query{{Expr: "sort(" + named(`(min by (site, check, place) (linewarden_check_due_timestamp_seconds{site=~"$site"}) - time())`) + ")", Instant: true}}},
		}}
}

// manager is for whoever answers for food safety.
func manager() Board {
	return Board{File: "manager.json", UID: "linewarden-manager", Title: "Linewarden: food safety", Since: "now-7d", Refresh: "1m",
		About: "What is open and since when, how much of the time was proved, lots on hold, and how close values come to their limits.",
		Vars:  []variable{oneSite, pages}, Links: []link{{"Action log", home + "/log"}, {"Review", home + "/review"}},
		Panels: []Panel{
			{Kind: "stat", Title: "Time with proof of control, last shift", W: 5, H: 5, Unit: "percentunit", Decimal: new(1), Min: new(0.0), Max: new(1.0),
				Steps: from(red, 0.95, orange, 0.99, blue), About: "Critical control points, of the time in use. The rest was outside, or nothing was known.",
				Queries: []Query{{Expr: `site:linewarden_critical_proof:ratio_last_shift{site=~"$site"}`, Legend: "{{site}}"}}},
			{Kind: "stat", Title: "Tests inside at the first test, last shift", W: 5, H: 5, Unit: "percentunit", Decimal: new(1), Min: new(0.0), Max: new(1.0),
				Steps: from(orange, 0.95, blue), About: "Of the scheduled tests; a missed one is not inside, and what was tested again does not count.",
				Queries: []Query{{Expr: `site:linewarden_tests_inside_first:ratio_last_shift{site=~"$site"}`, Legend: "{{site}}"}}},
			{Kind: "stat", Title: "Not closed", W: 5, H: 5, Steps: from(blue, 1.0, orange), Links: []link{{"Deviations", home + "/deviations"}},
				Queries: []Query{{Expr: `sum by (kind) (max by (site, kind, age) (linewarden_deviations_open{site=~"$site"}))`, Legend: "{{kind}}"}}},
			{Kind: "stat", Title: "Overdue", W: 4, H: 5, Steps: from(blue, 1.0, red), Links: []link{{"Deviations", home + "/deviations"}},
				Queries: []Query{{Expr: `max by (site) (linewarden_deviations_overdue{site=~"$site"})`, Legend: "{{site}}"}}},
			{Kind: "stat", Title: "Lots on hold", W: 5, H: 5, Steps: from(blue, 1.0, orange), Links: []link{{"Lots", home + "/lots"}},
				Queries: []Query{{Expr: `max by (site) (linewarden_lots{site=~"$site", state="on_hold"})`, Legend: "{{site}}"}}},
			{Kind: "timeseries", Title: "Time with proof of control, shift by shift", W: 12, H: 9, Unit: "percentunit", Min: new(0.0), Max: new(1.0), Lines: true, Steps: from("transparent", 0.95, orange),
				Queries: []Query{{Expr: `site_line_point:linewarden_proof:ratio_last_shift{site=~"$site"}`, Legend: "{{line}} {{point}}"}}},
			{Kind: "timeseries", Title: "Values between their limits", W: 12, H: 9, Unit: "percentunit", Lines: true, Steps: from("transparent", 0.0, red, 1.0, red),
				About:   "0 %: at the lower critical limit or action criterion, 100 %: at the upper. A drift shows here before it crosses.",
				Links:   []link{{"Baths and places", home + "/places"}},
				Queries: []Query{{Expr: `site_place_point_quantity:linewarden_between_limits:ratio{site=~"$site"}`, Legend: "{{place}} {{quantity}}"}}},
			{Kind: "timeseries", Title: "Not closed, by age", W: 8, H: 8, Stacked: true, Min: new(0.0), Decimal: new(0), Links: []link{{"Deviations", home + "/deviations"}},
				Queries: []Query{{Expr: `sum by (age) (max by (site, kind, age) (linewarden_deviations_open{site=~"$site"}))`, Legend: "{{age}}"}}},
			{Kind: "bargauge", Title: "Lots by state", W: 8, H: 8, Min: new(0.0), Decimal: new(0), Steps: from(blue), Links: []link{{"Lots", home + "/lots"}},
				About:   "Lots in the plant, and those of about a week that left it.",
				Queries: []Query{{Expr: `sum by (state) (max by (site, state) (linewarden_lots{site=~"$site"}))`, Legend: "{{state}}"}}},
			{Kind: "bargauge", Title: "How long it took: 19 of 20 within", W: 8, H: 8, Unit: "s", Min: new(0.0), Steps: from(blue),
				About: "95th percentile since the service was started.",
				Queries: []Query{
					{Expr: `histogram_quantile(0.95, sum by (point, le) (linewarden_clock_seconds_bucket{site=~"$site"}))`, Legend: "{{point}}"},
					{Expr: `histogram_quantile(0.95, sum by (point, le) (linewarden_contact_time_seconds_bucket{site=~"$site"}))`, Legend: "{{point}}"},
					{Expr: `histogram_quantile(0.95, sum by (kind, le) (linewarden_deviation_close_seconds_bucket{site=~"$site"}))`, Legend: "{{kind}} to closed"},
					{Expr: `histogram_quantile(0.95, sum by (le) (linewarden_alert_acknowledge_seconds_bucket{site=~"$site"}))`, Legend: "alert to taken on"}}},
		}}
}

// engineer is for whoever runs the service.
func engineer() Board {
	return Board{File: "engineer.json", UID: "linewarden-engineer", Title: "Linewarden: service", Since: "now-6h", Refresh: "30s",
		About: "Whether the service records, how its store does, what waits in the outbox, and whether the timetable runs.",
		Vars:  []variable{oneSite, pages}, Links: []link{{"Alerts and channels", home + "/alerts"}, {"Records", home + "/records"}},
		Panels: []Panel{
			{Kind: "stat", Title: "Takes commands", W: 6, H: 4, Map: []mapping{{"1", "yes", green}, {"0", "no", red}}, Steps: from(grey),
				Queries: []Query{{Expr: `max by (site, instance) (linewarden_ready{site=~"$site"})`, Legend: "{{site}} {{instance}}"}}},
			{Kind: "stat", Title: "Timetable: last good run", W: 6, H: 4, Unit: "s", Steps: from(blue, 180.0, orange, 300.0, red),
				Queries: []Query{{Expr: `time() - max by (site) (linewarden_timetable_last_success_timestamp_seconds{site=~"$site"})`, Legend: "{{site}} ago"}}},
			{Kind: "stat", Title: "Records without a checkpoint", W: 6, H: 4, Steps: from(blue), Decimal: new(0),
				About: "Records after the newest signed checkpoint.",
				Queries: []Query{{Expr: `max by (site) (linewarden_plant_log_records{site=~"$site"}) - max by (site) (linewarden_plant_checkpoint_records{site=~"$site"})`, Legend: "{{site}}"},
					{Expr: `time() - max by (site) (linewarden_plant_checkpoint_timestamp_seconds{site=~"$site"} > 0)`, Legend: "{{site}}: seconds since the newest"}}},
			{Kind: "stat", Title: "Clock behind the log", W: 6, H: 4, Unit: "s", Steps: from(blue, 1.0, red),
				Queries: []Query{{Expr: `max by (site) (linewarden_timetable_clock_back_seconds{site=~"$site"})`, Legend: "{{site}}"}}},
			{Kind: "timeseries", Title: "A commit takes", W: 12, H: 8, Unit: "s", Min: new(0.0),
				Queries: []Query{{Expr: `histogram_quantile(0.5, sum by (site, le) (rate(linewarden_plant_append_seconds_bucket{site=~"$site"}[$__rate_interval])))`, Legend: "{{site}} median"},
					{Expr: `histogram_quantile(0.99, sum by (site, le) (rate(linewarden_plant_append_seconds_bucket{site=~"$site"}[$__rate_interval])))`, Legend: "{{site}} 99th percentile"}}},
			{Kind: "timeseries", Title: "Records and refusals", W: 12, H: 8, Unit: "ops", Min: new(0.0),
				Queries: []Query{{Expr: `sum by (site) (rate(linewarden_plant_records_total{site=~"$site"}[$__rate_interval]))`, Legend: "{{site}} records"},
					{Expr: `sum by (site, kind) (rate(linewarden_plant_refusals_total{site=~"$site"}[$__rate_interval]))`, Legend: "{{site}} {{kind}}"}}},
			{Kind: "timeseries", Title: "Trouble with the store", W: 8, H: 7, Unit: "short", Min: new(0.0), Decimal: new(0),
				Queries: []Query{{Expr: `sum by (site, at) (increase(linewarden_plant_store_errors_total{site=~"$site"}[$__rate_interval]))`, Legend: "{{site}} {{at}}"}}},
			{Kind: "timeseries", Title: "Outbox: messages that wait", W: 8, H: 7, Unit: "short", Min: new(0.0), Decimal: new(0),
				Queries: []Query{{Expr: `sum by (site, channel) (linewarden_alert_messages_waiting{site=~"$site"})`, Legend: "{{site}} {{channel}}"},
					{Expr: `max by (site, channel) (linewarden_alert_message_oldest_seconds{site=~"$site"})`, Legend: "{{site}} {{channel}}: oldest, seconds"}}},
			{Kind: "stat", Title: "A run of the timetable takes", W: 8, H: 7, Unit: "s", Steps: from(blue, 1.0, orange),
				About:   "Mean since the start of the service.",
				Queries: []Query{{Expr: `sum by (site) (linewarden_timetable_run_seconds_sum{site=~"$site"}) / sum by (site) (linewarden_timetable_run_seconds_count{site=~"$site"})`, Legend: "{{site}}"}}},
			{Kind: "timeseries", Title: "Requests", W: 12, H: 7, Unit: "reqps", Min: new(0.0), Stacked: true,
				Queries: []Query{{Expr: `sum by (site, status) (rate(linewarden_http_requests_total{site=~"$site"}[$__rate_interval]))`, Legend: "{{site}} {{status}}"}}},
			{Kind: "timeseries", Title: "Memory", W: 12, H: 7, Unit: "bytes", Min: new(0.0),
				Queries: []Query{{Expr: `process_resident_memory_bytes{job="linewarden"}`, Legend: "{{instance}}"}}},
		}}
}

// group is for whoever answers for several sites.
func group() Board {
	sites := variable{name: "site", label: "Sites", query: siteVar, multi: true}
	count := func(state string) string {
		return `count by (site) (site_place_point:linewarden_state:worst{site=~"$site"} == ` + state + `) or max by (site) (linewarden_ready{site=~"$site"}) * 0`
	}
	return Board{File: "group.json", UID: "linewarden-group", Title: "Linewarden: all sites", Since: "now-24h", Refresh: "30s",
		About: "One row a site: what is outside or not known, what is open, and how much of the last shift was proved.",
		Vars:  []variable{sites, pages}, Links: []link{{"All sites", home + "/"}},
		Panels: []Panel{
			{Kind: "table", Title: "Sites", W: 24, H: 9, Unit: "short", Columns: []column{{"name", "name"}, {"site", "site"}},
				Names: []string{"", "outside", "not known", "act", "late or missed checks", "not closed", "overdue", "lots on hold"},
				Links: []link{{"The site", home + "/sites/${__data.fields.site}/"}},
				Queries: []Query{
					{Expr: `max by (site, name) (linewarden_site_info{site=~"$site"})`, Instant: true},
					{Expr: count("4"), Instant: true}, {Expr: count("3"), Instant: true}, {Expr: count("2"), Instant: true},
					{Expr: `sum by (site) (max by (site, check, place) (linewarden_check_state{site=~"$site"}) >= bool 2)`, Instant: true},
					{Expr: `sum by (site) (max by (site, kind, age) (linewarden_deviations_open{site=~"$site"}))`, Instant: true},
					{Expr: `max by (site) (linewarden_deviations_overdue{site=~"$site"})`, Instant: true},
					{Expr: `max by (site) (linewarden_lots{site=~"$site", state="on_hold"})`, Instant: true}}},
			{Kind: "state-timeline", Title: "Worst state of each site", W: 24, H: 8, Map: states, Steps: from(grey),
				Queries: []Query{{Expr: `max by (site) (site_place_point:linewarden_state:worst{site=~"$site"})`, Legend: "{{site}}"}}},
			{Kind: "timeseries", Title: "Time with proof of control, critical points, shift by shift", W: 12, H: 8, Unit: "percentunit", Min: new(0.0), Max: new(1.0), Lines: true, Steps: from("transparent", 0.95, orange),
				Queries: []Query{{Expr: `site:linewarden_critical_proof:ratio_last_shift{site=~"$site"}`, Legend: "{{site}}"}}},
			{Kind: "timeseries", Title: "Tests inside at the first test, shift by shift", W: 12, H: 8, Unit: "percentunit", Min: new(0.0), Max: new(1.0),
				Queries: []Query{{Expr: `site:linewarden_tests_inside_first:ratio_last_shift{site=~"$site"}`, Legend: "{{site}}"}}},
		}}
}
