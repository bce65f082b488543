package dashboards

import (
	"slices"
	"strings"

	dto "github.com/prometheus/client_model/go"
)

// kind is one metric: its name without the prefix, what it says, and its labels beside site.
type kind struct {
	name, help string
	labels     []string
}

// counter reports whether a name is that of a counter.
func counter(name string) bool { return strings.HasSuffix(name, "_total") }

var (
	atPoint = []string{"class", "line", "place", "point"}
	atCheck = []string{"check", "critical", "line", "place"}
)

// catalogue lists what the collector shows, but for the histograms.
var catalogue = []kind{
	{"ready", "1 where the site takes commands, 0 where it does not.", nil},
	{"fresh", "1 where the state shown is the whole log; 0 where the log could not be read: then nothing else of the site is shown.", nil},
	{"site_info", "The name of the site; always 1.", []string{"name"}},
	{"plan_version", "Number of the plan version in force.", nil},
	{"line_info", "The name of a line; always 1.", []string{"line", "name"}},
	{"place_info", "The name of a place; always 1.", []string{"kind", "line", "name", "place"}},
	{"point_info", "The name of a control point; always 1.", []string{"class", "name", "point"}},
	{"check_info", "The name of a check; always 1.", []string{"check", "name"}},

	{"line_running", "1 where the line runs, 0 where it stands.", []string{"line"}},
	{"point_state", "State of a control point at a place: 0 not in use, 1 inside, 2 act (outside an operating limit), 3 not known, 4 outside.", atPoint},
	{"point_value", "Newest usable value in the unit of its limit; yes is 1, no is 0. Without a sample: none, or below or over the range of its method.",
		[]string{"line", "place", "point", "quantity", "unit"}},
	{"point_limit", "A limit of a control point at a place, in its own unit.", []string{"bound", "kind", "line", "place", "point", "quantity", "unit"}},
	{"point_reading_timestamp_seconds", "When the sample of the newest usable reading was drawn.", atPoint},
	{"point_proof_seconds", "Time in use with proof of control, of the shift that runs (shift) and of the newest that ended (last_shift).", append([]string{"span"}, atPoint...)},
	{"point_use_seconds", "Time in use, of the shift that runs and of the newest that ended.", append([]string{"span"}, atPoint...)},
	{"bath_crossing_timestamp_seconds", "When free chlorine is expected to fall below the lower bound of a limit, as forecast with the newest reading; void after an addition, a change of water or a stop.",
		[]string{"kind", "line", "place", "quantity"}},

	{"check_state", "State of a check at a place: 0 not due yet, 1 due, 2 late (inside the grace), 3 missed and not made up for.", atCheck},
	{"check_due_timestamp_seconds", "When the check falls due: the oldest due not satisfied, or the next.", atCheck},
	{"scheduled_tests", "Scheduled tests of the shift that runs and of the newest that ended, carried out or missed.", []string{"check", "line", "span"}},
	{"scheduled_tests_inside", "Of these, inside critical limits and action criteria at the first test.", []string{"check", "line", "span"}},
	{"scheduled_tests_missed", "Of these, missed.", []string{"check", "line", "span"}},

	{"readings_total", "Readings recorded since the founding of the log.", nil},
	{"readings_outside_total", "Of these, outside a critical limit or an action criterion.", nil},
	{"reports_received_late_total", "Reports received late since the founding of the log.", nil},
	{"reports_amended_total", "Reports amended since the founding of the log.", nil},
	{"reports_voided_total", "Reports voided since the founding of the log.", nil},
	{"checks_missed_total", "Checks missed since the founding of the log.", nil},
	{"deviations_opened_total", "Deviations and nonconformities opened since the founding of the log.", nil},
	{"deviations_open", "Deviations (a critical limit is touched) and nonconformities that are not closed, by how long ago they were found.", []string{"age", "kind"}},
	{"deviations_overdue", "Deviations and nonconformities past the plan's time, or with the check of their effect past due.", nil},
	{"deviation_oldest_timestamp_seconds", "When the oldest one that is not closed was found; without a sample: none is open.", []string{"kind"}},

	{"lots", "Lots in the plant, and those of about a week that left it, by state.", []string{"state"}},
	{"clock_running", "Lots whose clock runs.", []string{"line", "point"}},
	{"clock_oldest_seconds", "Time on the clock of the oldest gel that is not sealed; 0: no clock runs.", []string{"line", "point"}},
	{"clock_limit_seconds", "The time that a clock may show.", []string{"kind", "line", "point"}},
}

// slots gives the place of each metric in the catalogue.
var slots = func() map[string]int {
	m := map[string]int{}
	for i, k := range catalogue {
		m[k.name] = i
	}
	return m
}()

// series is one sample of a metric, made once and filled at every scrape.
type series struct {
	slot   int
	metric *dto.Metric
	value  *float64
}

// series makes a sample; the values of labels are in the order of the catalogue.
func (c *Collector) series(name string, values ...string) series {
	slot := slots[name]
	s := series{slot: slot, metric: &dto.Metric{}, value: new(float64)}
	if counter(name) {
		s.metric.Counter = &dto.Counter{Value: s.value}
	} else {
		s.metric.Gauge = &dto.Gauge{Value: s.value}
	}
	pair := func(name, value string) {
		s.metric.Label = append(s.metric.Label, &dto.LabelPair{Name: &name, Value: &value})
	}
	for i, n := range catalogue[slot].labels {
		pair(n, values[i])
	}
	pair("site", c.opt.ID)
	slices.SortFunc(s.metric.Label, func(a, b *dto.LabelPair) int { return strings.Compare(a.GetName(), b.GetName()) })
	return s
}

// sink takes the samples of one scrape.
type sink struct {
	c        *Collector
	families []*dto.MetricFamily // as in the catalogue
}

func newSink(c *Collector) *sink {
	s := &sink{c: c, families: make([]*dto.MetricFamily, len(catalogue))}
	for i, k := range catalogue {
		name, kind := c.opt.Prefix+k.name, dto.MetricType_GAUGE
		if counter(k.name) {
			kind = dto.MetricType_COUNTER
		}
		s.families[i] = &dto.MetricFamily{Name: &name, Help: &catalogue[i].help, Type: &kind}
	}
	return s
}

// put takes a value under labels that are made for it.
func (s *sink) put(name string, value float64, values ...string) {
	s.set(s.c.series(name, values...), value)
}

// set takes a value of a series.
func (s *sink) set(x series, value float64) {
	*x.value = value
	s.add(x)
}

func (s *sink) add(x series) {
	f := s.families[x.slot]
	f.Metric = append(f.Metric, x.metric)
}

// Names lists the names of every metric of the collector without the prefix, histograms included.
func Names() []string {
	var out []string
	for _, k := range catalogue {
		out = append(out, k.name)
	}
	return append(out, timingNames...)
}
