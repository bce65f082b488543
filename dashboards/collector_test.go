package dashboards_test

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/testutil"
	dto "github.com/prometheus/client_model/go"
	"google.golang.org/protobuf/proto"

	"linewarden/dashboards"
	"linewarden/internal/plant"
)

const prefix = "linewarden_"

func collector(t testing.TB, site dashboards.Site, now time.Time) *dashboards.Collector {
	t.Helper()
	c, err := dashboards.New(dashboards.Options{Site: site, ID: "vallequince-demo", Prefix: prefix, Clock: func() time.Time { return now }})
	check(t, err)
	return c
}

// gather gives what a scrape gives, by the name without the prefix.
func gather(t testing.TB, g *dashboards.Gatherer) map[string]*dto.MetricFamily {
	t.Helper()
	families, done, err := g.Gather()
	check(t, err)
	defer done()
	out := map[string]*dto.MetricFamily{}
	for _, f := range families {
		out[strings.TrimPrefix(f.GetName(), prefix)] = proto.Clone(f).(*dto.MetricFamily)
	}
	return out
}

func gathered(t testing.TB, site dashboards.Site, now time.Time) (*dashboards.Gatherer, map[string]*dto.MetricFamily) {
	t.Helper()
	g := dashboards.NewGatherer(prometheus.NewRegistry())
	g.Add(collector(t, site, now))
	return g, gather(t, g)
}

func labels(m *dto.Metric) map[string]string {
	out := map[string]string{}
	for _, l := range m.Label {
		out[l.GetName()] = l.GetValue()
	}
	return out
}

func value(m *dto.Metric) float64 { return m.GetGauge().GetValue() + m.GetCounter().GetValue() }

// find gives the one sample of a metric whose labels begin with those wanted.
func find(t *testing.T, families map[string]*dto.MetricFamily, name string, want map[string]string) *dto.Metric {
	t.Helper()
	var found []*dto.Metric
	for _, m := range families[name].GetMetric() {
		have := labels(m)
		fits := true
		for k, v := range want {
			fits = fits && have[k] == v
		}
		if fits {
			found = append(found, m)
		}
	}
	if len(found) != 1 {
		t.Fatalf("%s%v: %d samples", name, want, len(found))
	}
	return found[0]
}

// At work, the invented plant has a sample of every metric; its labels are bounded by the plan; names and help are as
// the rules of Prometheus want them.
func TestEveryMetric(t *testing.T) {
	site := atWork(t)
	_, families := gathered(t, site, working)
	for _, name := range dashboards.Names() {
		if families[name] == nil || len(families[name].Metric) == 0 {
			t.Errorf("%s has no sample", name)
		}
	}
	if len(families) != len(dashboards.Names()) {
		t.Errorf("%d metrics, %d in the list", len(families), len(dashboards.Names()))
	}
	problems, err := testutil.GatherAndLint(prometheus.GathererFunc(func() ([]*dto.MetricFamily, error) {
		return slices.Collect(maps.Values(families)), nil
	}))
	check(t, err)
	for _, p := range problems {
		t.Errorf("%s: %s", p.Metric, p.Text)
	}
	allowed := []string{"site", "point", "place", "line", "class", "quantity", "unit", "kind", "bound", "span", "check", "critical", "age", "state", "severity", "name"}
	for name, f := range families {
		for _, m := range f.Metric {
			for l := range labels(m) {
				if !slices.Contains(allowed, l) {
					t.Errorf("%s has the label %s", name, l)
				}
			}
		}
	}
}

// What is shown is what the rules say of the same view.
func TestValues(t *testing.T) {
	site := atWork(t)
	_, families := gathered(t, site, working)
	s := site.View()
	number := map[string]float64{"not-in-use": 0, "inside": 1, "act": 2, "not-known": 3, "outside": 4}
	n := 0
	for _, ps := range s.PointStates(working) {
		at := map[string]string{"point": ps.Point, "place": ps.Place, "site": "vallequince-demo"}
		if got := value(find(t, families, "point_state", at)); got != number[ps.State] {
			t.Errorf("%s at %s is %s, shown as %v", ps.Point, ps.Place, ps.State, got)
		}
		if ps.Last == nil {
			continue
		}
		if got := value(find(t, families, "point_reading_timestamp_seconds", at)); got != float64(ps.Last.At.UnixMilli())/1000 {
			t.Errorf("%s at %s was read at %v, shown as %v", ps.Point, ps.Place, ps.Last.At, got)
		}
		if ps.Point == "wash-chlorine" {
			n++
			at["quantity"] = "free_chlorine"
			got := find(t, families, "point_value", at)
			if text := fmt.Sprintf("%v mg/L", value(got)); text != ps.Last.Verdicts[0].Value || labels(got)["unit"] != "mg/L" {
				t.Errorf("free chlorine is %s, shown as %s", ps.Last.Verdicts[0].Value, text)
			}
			for _, b := range []struct {
				kind, bound string
				want        float64
			}{{"critical", "min", 100}, {"critical", "max", 150}, {"operating", "min", 110}, {"operating", "max", 140}} {
				at["kind"], at["bound"] = b.kind, b.bound
				if got := value(find(t, families, "point_limit", at)); got != b.want {
					t.Errorf("%+v: %v", b, got)
				}
			}
		}
	}
	if n != 2 {
		t.Errorf("%d baths were looked at", n)
	}
	if got := value(find(t, families, "clock_limit_seconds", map[string]string{"point": "gel-clock"})); got != 3600 {
		t.Errorf("the clock may run for %v s", got)
	}
	for _, name := range []string{"contact_time_seconds", "clock_seconds"} {
		for _, m := range families[name].GetMetric() {
			h := m.GetHistogram()
			if h.GetSampleCount() == 0 || len(h.GetBucket()) == 0 || h.GetSchema() == 0 && h.GetZeroThreshold() == 0 {
				t.Errorf("%s: %v", name, h)
			}
		}
	}
	if h := find(t, families, "deviation_close_seconds", map[string]string{"kind": "deviation"}).GetHistogram(); h.GetSampleCount() == 0 {
		t.Error("no closed deviation was counted")
	}
	for _, span := range []string{"shift", "last_shift"} {
		at := map[string]string{"point": "wash-chlorine", "place": "bath-1", "span": span}
		proved, use := value(find(t, families, "point_proof_seconds", at)), value(find(t, families, "point_use_seconds", at))
		if proved <= 0 || proved > use || use > 8*3600 {
			t.Errorf("%s: %v s of %v s with proof", span, proved, use)
		}
	}
}

// A histogram counts each thing once, whoever scrapes, and another scrape changes nothing.
func TestCountedOnce(t *testing.T) {
	site := atWork(t)
	g, first := gathered(t, site, working)
	for name, f := range gather(t, g) {
		was := first[name]
		for i, m := range f.Metric {
			if h := m.GetHistogram(); h != nil && h.GetSampleCount() != was.Metric[i].GetHistogram().GetSampleCount() {
				t.Errorf("%s: %d, then %d", f.GetName(), was.Metric[i].GetHistogram().GetSampleCount(), h.GetSampleCount())
			}
		}
	}
}

// Long after the last reading nothing is shown as good: the state is "not known" or "not in use", while the time of the
// reading stands.
func TestGoesStale(t *testing.T) {
	site := atWork(t)
	_, families := gathered(t, site, working.Add(26*time.Hour))
	for _, m := range families["point_state"].GetMetric() {
		if v := value(m); v != dashboards.NotInUse && v != dashboards.NotKnown && v != dashboards.Outside && v != dashboards.Act {
			t.Errorf("%v is shown as %v", labels(m), v)
		}
	}
	if len(families["point_reading_timestamp_seconds"].GetMetric()) == 0 {
		t.Error("no reading is shown")
	}
}

var _ dashboards.Site = (*plant.Site)(nil)
