package haccp_test

import (
	"maps"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/alerts/cause"
	"linewarden/haccp"
	"linewarden/haccp/alarm"
)

// causes gives what stands of a cause.
func (w *world) causes(name string) []alarm.Raised {
	return slices.DeleteFunc(cause.Standing(w.state, w.now, cause.Service{}), func(r alarm.Raised) bool { return r.Cause != name })
}

// A limit that is expected to be crossed before the scheduled check is a cause until the test it asks for.
func TestForecastIsACause(t *testing.T) {
	w := running(t)
	w.must(haccp.KindAdded, tina, &haccp.Bath{Place: "bath-1", Chemical: w.state.Plans[0].Plan.Chemicals[0].ID, Amount: new(value("1", "L")), Reason: "low"})
	falling(w, "132", "128.1", "123.9")
	newest := falling(w, "120")
	got := w.causes(alarm.Forecast)
	if len(got) != 1 || got[0].Place != "bath-1" || got[0].Data["due"] != newest.Body.(*haccp.Reading).Forecast.Test.UTC().Format(time.RFC3339) {
		t.Fatalf("forecast %+v", got)
	}
	w.must(haccp.KindAdded, tina, &haccp.Bath{Place: "bath-1", Chemical: w.state.Plans[0].Plan.Chemicals[0].ID, Amount: new(value("1", "L")), Reason: "low"})
	if got := w.causes(alarm.Forecast); len(got) != 0 {
		t.Fatalf("after an addition the forecast is void: %+v", got)
	}
}

// A reading outside the operating limit alone is a warning; one outside the critical limit is critical, and the warning of the
// same point goes.
func TestActAndOutsideAreCauses(t *testing.T) {
	w := running(t)
	w.at(5 * time.Minute)
	w.must(haccp.KindReading, tina, bathTest("bath-1", "104", "6.75"))
	act := w.causes(alarm.Act)
	if len(act) != 1 || act[0].Severity != alarm.Warning || act[0].Data["value"] == "" || act[0].Group != "act/line-1" {
		t.Fatalf("act: %+v", act)
	}
	w.at(5 * time.Minute)
	w.must(haccp.KindReading, tina, bathTest("bath-1", "60", "6.75"))
	if got := w.causes(alarm.Outside); len(got) != 1 || got[0].Severity != alarm.Critical || len(w.causes(alarm.Act)) != 0 {
		t.Fatalf("outside: %+v, act %+v", got, w.causes(alarm.Act))
	}
}

// A device that measured a point in use and says nothing for longer than its check's interval and grace is silent; when the
// line stops, or somebody measures by hand, it is not looked for.
func TestSilentDeviceIsACause(t *testing.T) {
	w := running(t)
	w.must(haccp.AskDevice, console, &haccp.DeviceChange{Change: "enrolled", DeviceBody: haccp.DeviceBody{Device: "probe-1", Name: "Probe"}})
	probe := haccp.Actor{ID: "probe-1", Name: "Probe", Role: haccp.RoleDevice, Known: haccp.KnownDeviceToken}
	w.at(time.Minute)
	r := bathTest("bath-1", "124", "6.75")
	r.Mode = "device"
	w.must(haccp.KindReading, probe, r)
	if got := w.causes(alarm.DeviceSilent); len(got) != 0 {
		t.Fatalf("at once: %+v", got)
	}
	ps, _ := w.state.PointAt("wash-chlorine", "bath-1", w.now)
	w.at(ps.Frequency + time.Minute)
	got := w.causes(alarm.DeviceSilent)
	if len(got) != 1 || got[0].Device != "probe-1" || got[0].Place != "bath-1" {
		t.Fatalf("silent: %+v", got)
	}
	w.must(haccp.KindReading, tina, bathTest("bath-1", "124", "6.75"))
	if got := w.causes(alarm.DeviceSilent); len(got) != 0 {
		t.Fatalf("measured by hand: %+v", got)
	}
}

// A case open past the plan's time is a cause, loudly and once.
func TestOverdueIsACause(t *testing.T) {
	w := running(t)
	w.must(haccp.KindReading, tina, bathTest("bath-1", "60", "6.75"))
	if got := w.causes(alarm.Overdue); len(got) != 0 {
		t.Fatalf("at once: %+v", got)
	}
	w.at(30 * 24 * time.Hour)
	if got := w.causes(alarm.Overdue); len(got) != 1 || got[0].Data["number"] != "1" {
		t.Fatalf("after a month: %+v", got)
	}
}

// Looking at what was recorded about, and at what the clock has made ripe, gives what looking at everything gives, also where
// baths are filled, drained and dosed and forecasts are made.
func TestCausesOfWhatChangedAreAllCauses(t *testing.T) {
	found := map[string]int{}
	rapid.Check(t, func(r *rapid.T) {
		p := newPlayer(t, r, map[string]int{}, map[string]int{})
		var watch cause.Watch
		open, seen := map[string]alarm.Raised{}, len(p.events)
		var latest time.Time
		for range 30 {
			p.step()
			scope := cause.Scope{Minute: true}
			for _, e := range p.events[seen:] {
				scope.Touch(e)
			}
			seen = len(p.events)
			for _, ahead := range []time.Duration{0, 11 * time.Minute} {
				now := p.now.Add(ahead)
				scope.All = scope.All || now.Before(latest) // as where the clock stepped back
				latest = now
				watch.Ripe(p.state, now, &scope)
				standing := map[string]bool{}
				for _, x := range watch.Look(p.state, now, cause.Service{}, &scope) {
					standing[x.Key], open[x.Key] = true, x
				}
				for k, x := range open {
					if !standing[k] && scope.Holds(&alarm.Alert{Raised: x}) {
						delete(open, k)
					}
				}
				scope = cause.Scope{Minute: true}
				var want []string
				for _, x := range cause.Standing(p.state, now, cause.Service{}) {
					want = append(want, x.Key)
					found[x.Cause]++
					if mine := open[x.Key]; mine.Mark != x.Mark || mine.Severity != x.Severity {
						r.Fatalf("%s: %+v, and by looking at everything %+v", now, mine, x)
					}
				}
				if got := slices.Sorted(maps.Keys(open)); !slices.Equal(got, want) {
					r.Fatalf("%s: %v, and by looking at everything %v", now, got, want)
				}
			}
		}
	})
	t.Log(found)
	for _, c := range []string{alarm.Outside, alarm.Late, alarm.Missed, alarm.DeviceSilent} {
		if found[c] == 0 {
			t.Errorf("%s never stood", c)
		}
	}
}
