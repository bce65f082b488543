package alerts_test

import (
	"context"
	"maps"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"
	"pgregory.net/rapid"

	"linewarden/alerts/cause"
	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/quantity"
	"linewarden/internal/plant"
)

// drawnPlan has a check by the wall clock with an operating limit, one every half hour, and one every hour that a probe
// answers.
var drawnPlan = strings.NewReplacer(
	"basis: {source: test data, validation: V-1}}]\n    ends: {inside_in_row: 1}\n    fixes: [close-door]\n    instructions: Close",
	"basis: {source: test data, validation: V-1}}, {id: act, kind: operating, quantity: temperature, max: 3.0 °C}]\n    ends: {inside_in_row: 1}\n    fixes: [close-door]\n    instructions: Close",
	`{cron: "30 2 * * *"}`, `{cron: "30 */3 * * *"}`, "supported: 26 h", "supported: 8 h",
	"checks:\n", "checks:\n  - {id: probed, name: Probed, places: [room], points: [cold], measures: [{quantity: temperature, methods: [thermometer], unit: °C}], schedule: {every: 60 min}, grace: 5 min, supported: 2 h}\n",
	"{id: room, name: Room, kind: room}", "{id: room, name: Room, line: line-1, kind: room}",
).Replace(livePlan)

// gathered are the events that a site recorded and nobody has looked at.
type gathered struct {
	mu   sync.Mutex
	list []*haccp.Event
	size int64 // of the log with the last of them
}

func (g *gathered) put(events []*haccp.Event) {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.list = append(g.list, events...)
	g.size = events[len(events)-1].Seq
}

// take waits until the site has told of everything up to a record: it answers first.
func (g *gathered) take(size int64) []*haccp.Event {
	for {
		g.mu.Lock()
		if g.size >= size {
			out := g.list
			g.list = nil
			g.mu.Unlock()
			return out
		}
		g.mu.Unlock()
		time.Sleep(50 * time.Microsecond)
	}
}

// Looking at what was recorded about, and at what the clock has made ripe, gives what looking at everything gives, after
// any sequence of reports, amendments, stops and pauses.
func TestALookAtWhatChangedIsALookAtEverything(t *testing.T) {
	causes := map[string]int{}
	looked, whole := 0, 0
	rapid.Check(t, func(r *rapid.T) { x, y := lookBothWays(t, r, causes); looked, whole = looked+x, whole+y })
	t.Logf("%v; looked at %d of %d", causes, looked, whole)
	for _, c := range []string{alarm.Outside, alarm.Act, alarm.Missed, alarm.Late, alarm.DeviceSilent} {
		if causes[c] == 0 {
			t.Errorf("%s never stood", c)
		}
	}
}

func lookBothWays(t *testing.T, r *rapid.T, causes map[string]int) (looked, whole int) {
	p := newPlantFixed(t, drawnPlan, false, moment(t, "2026-11-02T06:00:00Z"))
	defer func() { check(t, p.site.Close(context.Background())) }()
	p.do(haccp.AskDevice, p.now(), console(), &haccp.DeviceChange{Change: "enrolled", DeviceBody: haccp.DeviceBody{Device: "probe-1", Name: "Probe"}})
	news := gathered{size: p.site.View().Size}
	check(t, p.site.Close(context.Background()))
	site, err := plant.Open(t.Context(), plant.Options{Log: p.log, Zones: time.LoadLocation, Clock: p.now, Committed: news.put})
	check(t, err)
	p.site = site
	var watch cause.Watch
	open := map[string]alarm.Raised{}
	var readings []string
	for range 40 {
		p.step(time.Duration(rapid.SampledFrom([]int{0, 1, 4, 7, 16, 31, 62, 200}).Draw(r, "minutes")) * time.Minute)
		readings = p.drawn(r, readings)
		var scope cause.Scope
		for _, e := range news.take(p.site.View().Size) {
			scope.Touch(e)
		}
		now, view := p.now(), p.site.View()
		watch.Ripe(view, now, &scope)
		standing := map[string]alarm.Raised{}
		for _, x := range watch.Look(view, now, cause.Service{}, &scope) {
			standing[x.Key], open[x.Key] = x, x
		}
		for k, x := range open {
			if _, stands := standing[k]; !stands && scope.Holds(&alarm.Alert{Raised: x}) {
				delete(open, k)
			}
		}
		looked += scope.Size()
		whole += len(view.CheckPlaces()) + 2
		want := map[string]alarm.Raised{}
		for _, x := range cause.Standing(view, now, cause.Service{}) {
			causes[x.Cause]++
			want[x.Key] = x
		}
		for k := range want { // overdue cases are looked at by the minute
			if want[k].Cause == alarm.Overdue {
				delete(want, k)
				delete(open, k)
			}
		}
		if got, all := slices.Sorted(maps.Keys(open)), slices.Sorted(maps.Keys(want)); !slices.Equal(got, all) {
			r.Fatalf("%s: %v, and by looking at everything %v", now, got, all)
		}
		for k := range open {
			if open[k].Mark != want[k].Mark || open[k].Severity != want[k].Severity {
				r.Fatalf("%s: %+v, and by looking at everything %+v", now, open[k], want[k])
			}
		}
	}
	return looked, whole
}

// drawn records one thing at random; what is refused is refused. It gives the readings that may be voided.
func (p *plantUnderTest) drawn(r *rapid.T, readings []string) []string {
	ask := func(kind string, at time.Time, by haccp.Actor, body any) {
		res, err := p.site.Do(p.t.Context(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: kind, At: at, AtKnown: haccp.AtServer, By: by, Ask: body}})
		if err == nil && kind == haccp.KindReading {
			readings = append(readings, res.Events[0].ID)
		}
	}
	now := p.now().Add(time.Duration(rapid.SampledFrom([]int{0, 0, 0, -3, -40, 1}).Draw(r, "at")) * time.Minute)
	cold := func() []haccp.Entry {
		return []haccp.Entry{{Quantity: "temperature", Method: "thermometer", Read: quantity.Exact(quantity.MustDecimal(rapid.SampledFrom([]string{"2.0", "3.5", "9.0"}).Draw(r, "cold")), "°C")}}
	}
	switch rapid.SampledFrom([]string{"start", "start", "stop", "knives", "knives", "cold", "probe", "probe", "out", "in", "void", "sweep", "nothing"}).Draw(r, "what") {
	case "start":
		ask(haccp.KindLineStarted, now, lead(), &haccp.LineStarted{Line: "line-1"})
	case "stop":
		ask(haccp.KindLineStopped, now, lead(), &haccp.LineStopped{Line: "line-1", Reason: "break"})
	case "knives":
		ask(haccp.KindReading, now, technician(), &haccp.Reading{Check: "knife-check", Place: "table", Mode: "hand",
			Entries: []haccp.Entry{{Quantity: "yes_no", Method: "look", Read: quantity.Answer(rapid.Bool().Draw(r, "whole"))}}})
	case "cold":
		ask(haccp.KindReading, now, technician(), &haccp.Reading{Check: "night", Place: "room", Mode: "hand", Entries: cold()})
	case "probe":
		ask(haccp.KindReading, now, haccp.Actor{ID: "probe-1", Name: "Probe", Role: haccp.RoleDevice, Known: haccp.KnownDeviceToken}, &haccp.Reading{Check: "probed", Place: "room", Mode: "device", Entries: cold()})
	case "out":
		ask(haccp.KindOutOfService, now, lead(), &haccp.Bath{Place: rapid.SampledFrom([]string{"room", "table"}).Draw(r, "place"), Note: "cleaning"})
	case "in":
		ask(haccp.KindInService, now, lead(), &haccp.Bath{Place: rapid.SampledFrom([]string{"room", "table"}).Draw(r, "place"), Note: "clean"})
	case "void":
		if len(readings) > 0 {
			ask(haccp.AskVoid, now, technician(), &haccp.Void{Target: readings[rapid.IntRange(0, len(readings)-1).Draw(r, "which")], Reason: "wrong bath"})
		}
	case "sweep":
		ask(haccp.AskSweep, p.now(), haccp.Actor{ID: "timetable", Name: "Timetable", Role: haccp.RoleTimetable, Known: haccp.KnownTimetable}, &haccp.Sweep{})
	}
	return readings
}
