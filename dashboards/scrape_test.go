//go:build unix

package dashboards_test

import (
	"context"
	"encoding/base64"
	"fmt"
	"io"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"linewarden/dashboards"
	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/memstore"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

// large is a plan with two control points at each of its places, with two limits each, and a test of each every half an hour.
func large(places int) string {
	var b strings.Builder
	b.WriteString(`site: large-demo
name: Many baths (invented)
demo: true
language: en
jurisdiction: XX
authority: invented
regime: invented
zone: UTC
first_production: 2026-01-05
live_from: 2026-01-05T06:00:00Z
production_day: "05:00"
shifts: [{id: day, name: Day, from: "06:00", to: "14:00"}, {id: evening, name: Evening, from: "14:00", to: "22:00"}]
lines: [{id: line-1, name: Line 1}]
places:
`)
	var ids []string
	for i := range places {
		ids = append(ids, fmt.Sprintf("bath-%d", i))
		fmt.Fprintf(&b, "  - {id: bath-%d, name: Bath number %d, line: line-1, kind: table}\n", i, i)
	}
	list := strings.Join(ids, ",\n      ")
	b.WriteString("points:\n")
	for _, n := range []string{"1", "2"} {
		fmt.Fprintf(&b, `  - id: wash-%s
    name: Free chlorine and pH
    class: ccp
    places: [%s]
    limits:
      - {id: chlorine, kind: critical, quantity: free_chlorine, min: 100 mg/L, max: 150 mg/L, basis: {invented: true}}
      - {id: ph, kind: critical, quantity: ph, min: 6.5 pH, max: 7.0 pH, basis: {invented: true}}
    ends: {inside_in_row: 1}
    fixes: [add]
    instructions: Correct and test again.
`, n, list)
	}
	b.WriteString(`classes:
  - {class: ccp, holds: true, overdue_after: 2 d, closing: [{part: control-restored, roles: [manager]}, {part: product-evaluated, roles: [manager]}, {part: cause-and-action, roles: [manager]}, {part: closed, roles: [manager]}]}
methods:
  - {id: kit, name: Kit, quantity: free_chlorine, unit: mg/L, low: 0, high: 300, step: 2, ppm_means: mg/L as Cl2}
  - {id: meter, name: Meter, quantity: ph, unit: pH, low: 0, high: 14, step: 0.01}
fixes:
  - {id: add, name: Add}
checks:
`)
	for _, n := range []string{"1", "2"} {
		fmt.Fprintf(&b, `  - id: bath-test-%s
    name: Bath test
    places: [%s]
    points: [wash-%s]
    measures: [{quantity: free_chlorine, methods: [kit], unit: mg/L}, {quantity: ph, methods: [meter]}]
    schedule: {every: 30 min}
    grace: 10 min
    supported: 45 min
`, n, list, n)
	}
	return b.String()
}

// stocked opens a site of many control points with a reading of each every half an hour of a shift and a half.
func stocked(b testing.TB, points int) (*plant.Site, time.Time) {
	b.Helper()
	now := time.Date(2026, 11, 24, 6, 0, 0, 0, time.UTC)
	clock := func() time.Time { return now }
	log := memstore.New().Site("large-demo")
	id, err := record.NewLogID(zeros{})
	check(b, err)
	secret, _, err := record.GenerateKey(zeros{}, "large-demo", id)
	check(b, err)
	signer, err := record.NewSigner(secret)
	check(b, err)
	o := plant.Options{Log: log, Signer: signer, Zones: time.LoadLocation, Clock: clock, Logger: slog.New(slog.DiscardHandler)}
	check(b, plant.Found(b.Context(), o, plant.Founding{Site: "large-demo", Name: "Many baths", Demo: true}))
	site, err := plant.Open(b.Context(), o)
	check(b, err)
	b.Cleanup(func() { check(b, site.Close(context.Background())) })
	do := func(kind string, by haccp.Actor, ask any) {
		b.Helper()
		_, err := site.Do(b.Context(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: kind, At: now, AtKnown: haccp.AtServer, By: by, Ask: ask}})
		check(b, err)
	}
	console := haccp.Actor{ID: "console", Name: "console", Role: haccp.RoleConsole, Known: haccp.KnownConsole}
	for _, role := range []string{haccp.RoleTechnician, haccp.RoleLineLead, haccp.RoleManager} {
		do(haccp.AskPerson, console, &haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: role, Name: role, SignIn: role}})
		do(haccp.AskPerson, console, &haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: role, Role: role}})
	}
	as := func(role string) haccp.Actor {
		return haccp.Actor{ID: role, Name: role, Role: role, Known: haccp.KnownPassword}
	}
	text := large(points / 2)
	r := planfile.Check("plan.yaml", []byte(text), plan.Options{})
	check(b, r.Errors.Err())
	head := site.Head()
	do(haccp.AskSignPlan, as(haccp.RoleManager), &haccp.SignPlan{Plan: r.Plan, Reason: "first", Source: text,
		Signature: haccp.Signature{Head: haccp.Head{Root: base64.StdEncoding.EncodeToString(head.Root[:]), Size: head.Size},
			Language: "en", Meaning: haccp.MeaningPlan, Statement: "I approve this plan."}})
	do(haccp.KindLineStarted, as(haccp.RoleLineLead), &haccp.LineStarted{Line: "line-1"})
	for range 22 {
		now = now.Add(29*time.Minute + 59*time.Second)
		for i := range points {
			do(haccp.KindReading, as(haccp.RoleTechnician), &haccp.Reading{Check: fmt.Sprintf("bath-test-%d", 1+i%2), Place: fmt.Sprintf("bath-%d", i/2), Mode: "hand", Entries: []haccp.Entry{
				{Quantity: "free_chlorine", Method: "kit", Read: quantity.Exact(quantity.MustDecimal("120"), quantity.MgPerL)},
				{Quantity: "ph", Method: "meter", Read: quantity.Exact(quantity.MustDecimal("6.80"), quantity.PHUnit)}}})
		}
	}
	now = now.Add(time.Minute)
	return site, now
}

type zeros struct{}

func (zeros) Read(p []byte) (int, error) { clear(p); return len(p), nil }

// What one scrape of 1,000 control points costs, as sent to whoever takes gzip (aims: 50 ms, 1 MB), and beside it the
// same number of plain gauges.
func BenchmarkScrape(b *testing.B) {
	site, now := stocked(b, 1000)
	c, err := dashboards.New(dashboards.Options{Site: site, ID: "large-demo", Prefix: "linewarden_", Clock: func() time.Time { now = now.Add(15 * time.Second); return now }})
	check(b, err)
	all := dashboards.NewGatherer(prometheus.NewRegistry())
	all.Add(c)
	bare := prometheus.NewRegistry()
	gauge := prometheus.NewGaugeVec(prometheus.GaugeOpts{Name: "bare_value", Help: "Bare."}, []string{"site", "point", "place", "n"})
	check(b, bare.Register(gauge))
	families, done, err := all.Gather()
	check(b, err)
	n := 0
	for _, f := range families {
		n += len(f.Metric)
	}
	done()
	for i := range n {
		gauge.WithLabelValues("large-demo", "wash", fmt.Sprintf("bath-%d", i%1000), fmt.Sprint(i/1000)).Set(float64(i))
	}
	ours, err := dashboards.Handler(all, prometheus.NewRegistry())
	check(b, err)
	for _, x := range []struct {
		name string
		by   http.Handler
	}{{"figures", ours}, {"bare", promhttp.HandlerFor(bare, promhttp.HandlerOpts{EnableOpenMetrics: true})}} {
		b.Run(x.name, func(b *testing.B) { scrape(b, x.by, n) })
	}
}

// accepted is what a Prometheus of version 3 asks for.
const accepted = "application/openmetrics-text;version=1.0.0;escaping=allow-utf-8;q=0.6,application/openmetrics-text;version=0.0.1;q=0.5," +
	"text/plain;version=1.0.0;escaping=allow-utf-8;q=0.4,text/plain;version=0.0.4;q=0.3,*/*;q=0.2"

func scrape(b *testing.B, h http.Handler, n int) {
	var took []time.Duration
	size, before := 0, cpuTime(b)
	for b.Loop() {
		r := httptest.NewRequest(http.MethodGet, "/metrics", nil)
		r.Header.Set("Accept-Encoding", "gzip")
		r.Header.Set("Accept", accepted)
		w := httptest.NewRecorder()
		began := time.Now()
		h.ServeHTTP(w, r)
		took = append(took, time.Since(began))
		size, _ = must(io.Copy(io.Discard, w.Body))
	}
	b.ReportMetric(float64((cpuTime(b)-before).Microseconds())/1000/float64(len(took)), "cpu-ms")
	slices.Sort(took)
	b.ReportMetric(float64(n), "samples")
	b.ReportMetric(float64(size), "bytes-sent")
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "ms-median")
	b.ReportMetric(float64(took[0].Microseconds())/1000, "ms-best")
}

func must(n int64, err error) (int, error) { return int(n), err }
