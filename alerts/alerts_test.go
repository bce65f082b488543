package alerts_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/base64"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"
	_ "time/tzdata"

	"github.com/google/uuid"
	"github.com/prometheus/client_golang/prometheus"

	"linewarden/alerts"
	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/memstore"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

// testPlan has one check by the clock on the wall (in the hour that daylight saving moves), and one while
// the line runs. Its limits are invented.
const testPlan = `
site: clock-demo
name: Clocks (invented limits)
demo: true
jurisdiction: ES
authority: none (test data)
regime: Codex CXC 1-1969
zone: Europe/Madrid
live_from: 2026-10-20T00:00:00Z
production_day: "00:00"
lines:
  - {id: line-1, name: Line 1}
places:
  - {id: room, name: Room, kind: room}
  - {id: table, name: Table, line: line-1, kind: table}
points:
  - id: cold
    name: Cold
    class: ccp
    places: [room]
    limits: [{id: max, kind: critical, quantity: temperature, max: 4.0 °C, basis: {invented: true}}]
    ends: {inside_in_row: 1}
    fixes: [close-door]
    instructions: Close the door.
  - id: knives
    name: Knives
    class: oprp
    places: [table]
    limits: [{id: whole, kind: action, quantity: yes_no, yes_no: true, basis: {invented: true}}]
    ends: {inside_in_row: 1}
    fixes: [close-door]
    instructions: Look again.
classes:
  - {class: ccp, holds: true, overdue_after: 2 d, closing: [{part: control-restored, roles: [manager]}, {part: product-evaluated, roles: [manager]}, {part: cause-and-action, roles: [manager]}, {part: closed, roles: [manager]}]}
  - {class: oprp, overdue_after: 7 d, closing: [{part: control-restored, roles: [manager]}, {part: closed, roles: [manager]}]}
methods:
  - {id: thermometer, name: Thermometer, quantity: temperature, unit: °C, low: -30, high: 110, step: 0.1}
  - {id: look, name: Looked at, quantity: yes_no}
checks:
  - id: night
    name: Night check
    places: [room]
    points: [cold]
    measures: [{quantity: temperature, methods: [thermometer], unit: °C}]
    schedule: {cron: "30 2 * * *"}
    grace: 10 min
    supported: 26 h
  - id: knife-check
    name: Knives
    places: [table]
    points: [knives]
    measures: [{quantity: yes_no, methods: [look]}]
    schedule: {every: 30 min}
    grace: 5 min
fixes:
  - {id: close-door, name: Close the door}
`

// plantUnderTest is a site with a timetable on the clock of the bubble, which the test may move.
type plantUnderTest struct {
	t      testing.TB
	log    *memstore.Log
	site   *plant.Site
	table  *alerts.Timetable
	reg    *prometheus.Registry
	mu     sync.Mutex
	offset time.Duration
	fixed  time.Time // where the clock stands, but for offset; zero: it goes
	out    *lockedBuffer
	desk   atomic.Pointer[alerts.Desk]
	// noticing is the timetable that hears of what is recorded.
	noticing atomic.Pointer[alerts.Timetable]
}

type lockedBuffer struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (l *lockedBuffer) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.b.Write(p)
}

func (l *lockedBuffer) count(text string) int {
	l.mu.Lock()
	defer l.mu.Unlock()
	return strings.Count(l.b.String(), text)
}

func (p *plantUnderTest) now() time.Time {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.fixed.IsZero() {
		return p.fixed.Add(p.offset)
	}
	return time.Now().Add(p.offset)
}

func (p *plantUnderTest) step(by time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.offset += by
}

func moment(t *testing.T, s string) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, s)
	if err != nil {
		t.Fatal(err)
	}
	return at
}

// until lets the bubble's time run to a moment.
func until(t *testing.T, s string) {
	t.Helper()
	time.Sleep(time.Until(moment(t, s)))
	synctest.Wait()
}

// newPlant founds the site, signs the plan and adds a technician and a line lead, at the given time.
func newPlant(t *testing.T, begin string) *plantUnderTest {
	t.Helper()
	return newPlantOf(t, begin, testPlan, true)
}

func newPlantOf(t *testing.T, begin, text string, demo bool) *plantUnderTest {
	t.Helper()
	until(t, begin)
	return newPlantAt(t, text, demo)
}

// newPlantAt does the same now.
func newPlantAt(t testing.TB, text string, demo bool) *plantUnderTest {
	t.Helper()
	return newPlantFixed(t, text, demo, time.Time{})
}

// newPlantFixed does the same at a moment at which its clock stands until the test moves it; the zero time: now.
func newPlantFixed(t testing.TB, text string, demo bool, fixed time.Time) *plantUnderTest {
	t.Helper()
	p := &plantUnderTest{t: t, log: memstore.New().Site("clock-demo"), out: &lockedBuffer{}, fixed: fixed}
	logID, err := record.NewLogID(rand.Reader)
	check(t, err)
	secret, _, err := record.GenerateKey(rand.Reader, "clock-demo", logID)
	check(t, err)
	signer, err := record.NewSigner(secret)
	check(t, err)
	check(t, plant.Found(t.Context(), plant.Options{Log: p.log, Signer: signer, Zones: time.LoadLocation, Clock: p.now},
		plant.Founding{Site: "clock-demo", Name: "Clocks", Demo: demo}))
	p.open()
	r := planfile.Check("plan.yaml", []byte(text), plan.Options{})
	check(t, r.Errors.Err())
	for _, who := range []struct{ id, role string }{{"tecla", haccp.RoleTechnician}, {"lina", haccp.RoleLineLead}, {"mona", haccp.RoleManager}} {
		p.do(haccp.AskPerson, p.now(), console(), &haccp.PersonChange{Change: "added",
			PersonBody: haccp.PersonBody{Person: who.id, Name: who.id, SignIn: who.id}})
		p.do(haccp.AskPerson, p.now(), console(), &haccp.PersonChange{Change: "role-given",
			PersonBody: haccp.PersonBody{Person: who.id, Role: who.role}})
	}
	head := p.site.Head()
	p.do(haccp.AskSignPlan, p.now(), haccp.Actor{ID: "mona", Name: "mona", Role: haccp.RoleManager, Known: haccp.KnownPassword}, &haccp.SignPlan{Plan: r.Plan, Reason: "first", Source: text,
		Signature: haccp.Signature{Head: haccp.Head{Root: base64.StdEncoding.EncodeToString(head.Root[:]), Size: head.Size},
			Language: "en", Meaning: haccp.MeaningPlan, Statement: "I approve this plan."}})
	return p
}

func console() haccp.Actor {
	return haccp.Actor{ID: "console", Name: "console", Role: haccp.RoleConsole, Known: haccp.KnownConsole}
}

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// open opens the site on its log and makes a timetable, as a start of the service does.
func (p *plantUnderTest) open() {
	p.t.Helper()
	site, err := plant.Open(context.Background(), plant.Options{Log: p.log, Zones: time.LoadLocation, Clock: p.now,
		Committed: func(events []*haccp.Event) {
			if table := p.noticing.Load(); table != nil {
				table.Noticed(events)
			}
			if d := p.desk.Load(); d != nil {
				d.Noticed(events)
			}
		}})
	check(p.t, err)
	p.site, p.reg = site, prometheus.NewRegistry()
	p.table, err = alerts.New(alerts.Options{Site: site, Clock: p.now, Registerer: p.reg,
		Logger: slog.New(slog.NewTextHandler(p.out, nil))})
	check(p.t, err)
	p.noticing.Store(p.table)
}

// close stops timetable and site.
func (p *plantUnderTest) close() {
	p.t.Helper()
	check(p.t, p.table.Stop(context.Background()))
	check(p.t, p.site.Close(context.Background()))
}

func (p *plantUnderTest) do(kind string, at time.Time, by haccp.Actor, ask any) []*haccp.Event {
	p.t.Helper()
	res, err := p.site.Do(p.t.Context(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: kind, At: at,
		AtKnown: haccp.AtServer, By: by, Ask: ask}})
	check(p.t, err)
	return res.Events
}

func (p *plantUnderTest) line(start bool) {
	p.t.Helper()
	by := haccp.Actor{ID: "lina", Name: "lina", Role: haccp.RoleLineLead, Known: haccp.KnownPassword}
	if start {
		p.do(haccp.KindLineStarted, p.now(), by, &haccp.LineStarted{Line: "line-1"})
		return
	}
	p.do(haccp.KindLineStopped, p.now(), by, &haccp.LineStopped{Line: "line-1", Reason: "break"})
}

func (p *plantUnderTest) knives() {
	p.t.Helper()
	p.do(haccp.KindReading, p.now(), haccp.Actor{ID: "tecla", Name: "tecla", Role: haccp.RoleTechnician, Known: haccp.KnownPassword},
		&haccp.Reading{Check: "knife-check", Place: "table", Mode: "hand",
			Entries: []haccp.Entry{{Quantity: "yes_no", Method: "look", Read: quantity.Answer(true)}}})
}

// missed lists the recorded misses of a check as "2006-01-02T15:04Z id", by due time.
func (p *plantUnderTest) missed(checkID string) []string {
	p.t.Helper()
	events, next, err := p.site.Find(context.Background(), plant.Query{Kind: haccp.KindMissed})
	check(p.t, err)
	if next != "" {
		p.t.Fatal("more misses than a page")
	}
	var out []string
	for _, e := range events {
		if b := e.Body.(*haccp.Missed); b.Check == checkID {
			out = append(out, b.Due.UTC().Format("2006-01-02T15:04Z"))
		}
	}
	slices.Sort(out)
	return out
}

func same(t *testing.T, got []string, want ...string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("misses\n got %v\nwant %v", got, want)
	}
}

func TestMissIsRecordedOnceWhenItsWindowEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, "2026-11-02T06:00:00Z")
		p.table.Start()
		defer p.close()
		p.line(true)
		time.Sleep(30 * time.Minute)
		p.knives() // the first due is taken
		until(t, "2026-11-02T07:04:59Z")
		same(t, p.missed("knife-check"))
		until(t, "2026-11-02T07:05:00Z") // a window includes its last moment
		same(t, p.missed("knife-check"))
		time.Sleep(2 * time.Millisecond)
		synctest.Wait()
		same(t, p.missed("knife-check"), "2026-11-02T07:00Z")
		until(t, "2026-11-02T07:20:00Z")
		same(t, p.missed("knife-check"), "2026-11-02T07:00Z")
		s := p.table.Status()
		if s.Missed != 1 || s.Outcome != alerts.OutcomeNothing || !s.LastRun.Equal(moment(t, "2026-11-02T07:20:00Z")) || !s.NextRun.After(s.LastRun) {
			t.Errorf("status %+v", s)
		}
	})
}

// The daylight-saving days of Europe/Madrid (IANA data base: clocks forward 2027-03-28 01:00 UTC, back
// 2026-10-25 01:00 UTC). A local time that does not exist falls due right after the gap, one that comes
// twice falls due once (RULES of due checks), where a plain cron job would run never and twice.
func TestDaylightSavingDays(t *testing.T) {
	for _, tc := range []struct {
		name, begin, end string
		want             []string
	}{
		{"back", "2026-10-24T20:00:00Z", "2026-10-26T20:00:00Z", []string{"2026-10-25T00:30Z", "2026-10-26T01:30Z"}},
		{"forward", "2027-03-26T20:00:00Z", "2027-03-29T20:00:00Z", []string{"2027-03-27T01:30Z", "2027-03-28T01:00Z", "2027-03-29T00:30Z"}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				p := newPlant(t, tc.begin)
				p.table.Start()
				defer p.close()
				until(t, tc.end)
				same(t, p.missed("night"), tc.want...)
			})
		})
	}
}

// An interval runs on through the change of the clocks: an hour is an hour.
func TestIntervalThroughTheChangeOfClocks(t *testing.T) {
	for _, begin := range []string{"2026-10-25T00:00:00Z", "2027-03-28T00:00:00Z"} {
		synctest.Test(t, func(t *testing.T) {
			p := newPlant(t, begin)
			p.table.Start()
			defer p.close()
			p.line(true)
			time.Sleep(3 * time.Hour)
			synctest.Wait()
			if n := len(p.missed("knife-check")); n != 5 { // 00:30 to 02:30; that of 03:00 is not late yet
				t.Errorf("%s: %d misses in three hours: %v", begin, n, p.missed("knife-check"))
			}
		})
	}
}

// A timetable that was stopped for a while, or whose machine slept, records exactly what one that ran all
// the time records, and records it once.
func TestCatchUpGivesWhatRunningThroughGives(t *testing.T) {
	story := func(t *testing.T, interrupt func(*plantUnderTest)) []string {
		var out []string
		synctest.Test(t, func(t *testing.T) {
			p := newPlant(t, "2026-11-02T00:00:00Z")
			p.table.Start()
			p.line(true)
			until(t, "2026-11-02T01:00:00Z")
			interrupt(p)
			synctest.Wait()
			before := p.site.Head().Size
			time.Sleep(10 * time.Minute)
			p.line(false)
			until(t, "2026-11-02T05:00:00Z")
			if grown := p.site.Head().Size - before; grown != 1 {
				t.Errorf("%d records after catching up, want only the stop", grown)
			}
			out = append(p.missed("knife-check"), p.missed("night")...)
			check(t, p.table.Stop(context.Background()))
			check(t, p.site.Close(context.Background()))
		})
		return out
	}
	through := story(t, func(*plantUnderTest) { until(t, "2026-11-02T04:06:00Z") })
	if len(through) != 9 { // eight of the half hours 00:30 to 04:00, and the night check
		t.Fatalf("running through gave %v", through)
	}
	restarted := story(t, func(p *plantUnderTest) {
		p.close()
		until(t, "2026-11-02T04:06:00Z")
		p.open()
		p.table.Start()
	})
	same(t, restarted, through...)
	twice := story(t, func(p *plantUnderTest) {
		until(t, "2026-11-02T02:17:00Z")
		p.close()
		until(t, "2026-11-02T04:06:00Z")
		for range 3 { // start after start
			p.open()
			p.table.Start()
			synctest.Wait()
			p.close()
		}
		p.open()
		p.table.Start()
	})
	same(t, twice, through...)
}

// An hour in which nothing ran (a machine asleep: its clock jumps ahead) is caught up at the next tick.
func TestStoppedHour(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, "2026-11-02T06:00:00Z")
		p.table.Start()
		defer p.close()
		p.line(true)
		until(t, "2026-11-02T06:20:00Z")
		p.step(time.Hour)
		until(t, "2026-11-02T06:21:30Z") // the plant's clock says 07:21:30
		same(t, p.missed("knife-check"), "2026-11-02T06:30Z", "2026-11-02T07:00Z")
	})
}

// A stop of the line with nothing on it cancels the dues that are not past their time.
func TestStoppedLineMissesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, "2026-11-02T06:00:00Z")
		p.table.Start()
		defer p.close()
		p.line(true)
		until(t, "2026-11-02T06:25:00Z")
		p.line(false)
		until(t, "2026-11-02T07:40:00Z")
		p.line(true)
		until(t, "2026-11-02T08:09:00Z")
		same(t, p.missed("knife-check"))
		until(t, "2026-11-02T08:16:00Z")
		same(t, p.missed("knife-check"), "2026-11-02T08:10Z")
	})
}

// A clock that is stepped back is waited for: nothing is judged by a time that has not come, it is said
// once, and nothing is recorded twice.
func TestClockSteppedBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, "2026-11-02T06:00:00Z")
		p.table.Start()
		defer p.close()
		p.line(true)
		until(t, "2026-11-02T06:40:00Z")
		same(t, p.missed("knife-check"), "2026-11-02T06:30Z")
		p.step(-35 * time.Minute) // the plant's clock says 06:05
		until(t, "2026-11-02T07:00:00Z")
		s := p.table.Status()
		if s.Outcome != alerts.OutcomeClock || s.ClockOff == "" {
			t.Errorf("status %+v", s)
		}
		if n := p.out.count("clock stands behind"); n != 1 {
			t.Errorf("said %d times", n)
		}
		same(t, p.missed("knife-check"), "2026-11-02T06:30Z")
		until(t, "2026-11-02T07:41:10Z") // 07:06:10 on the plant's clock
		same(t, p.missed("knife-check"), "2026-11-02T06:30Z", "2026-11-02T07:00Z")
		if s := p.table.Status(); s.ClockOff != "" {
			t.Errorf("status %+v", s)
		}
		p.step(-500 * time.Millisecond) // as the clock is kept right in small steps
		time.Sleep(2 * time.Minute)
		if n := p.out.count("clock stands behind"); n != 1 {
			t.Errorf("a small step was said, %d times", n)
		}
	})
}

// A sweep without anything to record appends nothing, and a tick that comes twice records once.
func TestEmptyAndDoubledSweeps(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, "2026-11-02T06:00:00Z")
		defer p.close()
		p.line(true)
		before := p.site.Head()
		for range 5 {
			if n, err := p.table.Sweep(t.Context()); n != 0 || err != nil {
				t.Fatal(n, err)
			}
		}
		if p.site.Head() != before {
			t.Error("an empty sweep wrote to the log")
		}
		until(t, "2026-11-02T07:06:00Z")
		stale := p.site.View()
		again, err := alerts.New(alerts.Options{Site: p.site, Clock: p.now})
		check(t, err)
		var wg sync.WaitGroup
		var mu sync.Mutex
		total := 0
		for _, table := range []*alerts.Timetable{p.table, again, p.table, again} {
			wg.Go(func() {
				n, err := table.Sweep(context.Background())
				mu.Lock()
				defer mu.Unlock()
				total += n
				if err != nil {
					t.Error(err)
				}
			})
		}
		wg.Wait()
		same(t, p.missed("knife-check"), "2026-11-02T06:30Z", "2026-11-02T07:00Z")
		if total != 2 {
			t.Errorf("%d misses counted", total)
		}
		// One that still sees the view from before asks the same thing again and counts nothing.
		old, err := alerts.New(alerts.Options{Site: &staleSite{Site: p.site, view: stale, uses: 2}, Clock: p.now})
		check(t, err)
		if n, err := old.Sweep(t.Context()); n != 0 || err != nil {
			t.Errorf("a doubled sweep counted %d misses; %v", n, err)
		}
		same(t, p.missed("knife-check"), "2026-11-02T06:30Z", "2026-11-02T07:00Z")
	})
}

// staleSite shows an old view a few times.
type staleSite struct {
	*plant.Site
	view *haccp.State
	uses int
}

func (s *staleSite) View() *haccp.State {
	if s.uses > 0 {
		s.uses--
		return s.view
	}
	return s.Site.View()
}

// More misses than one command may hold are recorded in one run; a week's worth is caught up.
func TestLongAbsence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, "2026-11-02T06:00:00Z")
		p.line(true)
		defer p.close()
		until(t, "2026-11-05T06:06:00Z")
		n, err := p.table.Sweep(t.Context())
		if want := 3*48 + 3; n != want || err != nil {
			t.Errorf("%d misses, want %d; %v", n, want, err)
		}
		seen := map[string]bool{}
		for _, due := range p.missed("knife-check") {
			if seen[due] {
				t.Errorf("%s recorded twice", due)
			}
			seen[due] = true
		}
	})
}

// A missed check of a critical limit is a deviation; past the plan's time it is overdue, which is counted
// always and said once a production day.
func TestOverdueDeviations(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, "2026-11-02T00:00:00Z")
		p.table.Start()
		defer p.close()
		until(t, "2026-11-02T03:00:00Z")
		if n := len(p.site.View().Cases()); n != 1 {
			t.Fatalf("%d cases after a missed critical check", n)
		}
		if got := p.gauge("timetable_overdue_deviations"); got != 0 || p.out.count("are overdue") != 0 {
			t.Errorf("overdue at once: %v", got)
		}
		until(t, "2026-11-04T12:00:00Z")
		if got := p.gauge("timetable_overdue_deviations"); got != 1 || p.table.Status().Overdue != 1 {
			t.Errorf("overdue after two days: %v", got)
		}
		if n := p.out.count("are overdue"); n != 1 {
			t.Errorf("said %d times on the first day", n)
		}
		until(t, "2026-11-05T12:00:00Z")
		if n := p.out.count("are overdue"); n != 2 {
			t.Errorf("said %d times in two days", n)
		}
	})
}

func (p *plantUnderTest) gauge(name string) float64 {
	p.t.Helper()
	families, err := p.reg.Gather()
	check(p.t, err)
	for _, f := range families {
		if f.GetName() == name {
			return f.GetMetric()[0].GetGauge().GetValue()
		}
	}
	p.t.Fatalf("no metric %s", name)
	return 0
}

// A site that is not ready is waited for, and a command that fails is tried again at the next tick.
func TestTroubleIsTriedAgain(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, "2026-11-02T06:00:00Z")
		p.line(true)
		defer func() { check(t, p.site.Close(context.Background())) }()
		faulty := &faultySite{Site: p.site, refuse: 2, panics: 1}
		table, err := alerts.New(alerts.Options{Site: faulty, Clock: p.now, Logger: slog.New(slog.NewTextHandler(p.out, nil))})
		check(t, err)
		until(t, "2026-11-02T06:34:30Z")
		table.Start()
		defer func() { check(t, table.Stop(context.Background())) }()
		until(t, "2026-11-02T06:36:10Z")
		if s := table.Status(); s.Outcome != alerts.OutcomeFailed || s.Error == "" {
			t.Errorf("status %+v", s)
		}
		until(t, "2026-11-02T06:45:00Z")
		same(t, p.missed("knife-check"), "2026-11-02T06:30Z")
		if p.out.count("panic") == 0 {
			t.Error("the panic of a tick was not said")
		}
	})
}

// faultySite panics, then refuses commands, then works.
type faultySite struct {
	*plant.Site
	mu     sync.Mutex
	refuse int
	panics int
}

func (f *faultySite) Do(ctx context.Context, r plant.Request) (plant.Result, error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	switch {
	case f.panics > 0: // in the alarm, which the cron library does not guard
		f.panics--
		panic("planted")
	case f.refuse > 0:
		f.refuse--
		return plant.Result{}, fmt.Errorf("the store is away")
	}
	return f.Site.Do(ctx, r)
}

func TestNewWantsASite(t *testing.T) {
	if _, err := alerts.New(alerts.Options{}); err == nil {
		t.Error("a timetable without a site was made")
	}
}
