package haccp_test

import (
	"slices"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
)

// raise has the timetable raise an alert about bath-1 and gives its id.
func (w *world) raise(key, severity string) string {
	w.t.Helper()
	events := w.must(haccp.AskAlerts, timetable, &haccp.AlertChange{Raise: []alarm.Raised{{Key: key, Cause: alarm.Outside, Severity: severity,
		Group: "outside/line-1", Place: "bath-1", Line: "line-1", Since: w.now, Roles: []string{haccp.RoleTechnician}}}})
	if len(events) != 1 {
		w.t.Fatalf("raising %s gave %v", key, kinds(events))
	}
	return events[0].Body.(*alarm.Raised).Alert
}

func alertRefusals() []refusalCase {
	take := func(f func(*world, *alarm.Acknowledged)) func(*world) *haccp.Command {
		return func(w *world) *haccp.Command {
			b := &alarm.Acknowledged{Alerts: []string{w.raise("k", alarm.Critical)}, Doing: "adding product"}
			f(w, b)
			return w.command(haccp.AskAcknowledge, tina, b)
		}
	}
	hand := func(to string, take bool) func(*world) *haccp.Command {
		return func(w *world) *haccp.Command {
			id := w.raise("k", alarm.Critical)
			if take {
				w.must(haccp.AskAcknowledge, tina, &alarm.Acknowledged{Alerts: []string{id}, Doing: "x"})
			}
			return w.command(haccp.AskHandOver, tina, &alarm.HandedOver{Alerts: []string{id}, To: to})
		}
	}
	hush := func(f func(*world, *alarm.Silenced)) func(*world) *haccp.Command {
		return func(w *world) *haccp.Command {
			b := &alarm.Silenced{Place: "bath-1", Reason: "probe is being changed", Until: w.now.Add(time.Hour)}
			f(w, b)
			return w.command(haccp.AskSilence, lea, b)
		}
	}
	return []refusalCase{
		{"bad-alerts", "alerts", haccp.ErrInvalid, take(func(_ *world, b *alarm.Acknowledged) { b.Alerts = nil })},
		{"unknown-alert", "alerts", haccp.ErrNotFound, take(func(_ *world, b *alarm.Acknowledged) { b.Alerts = []string{"x"} })},
		{"alert-cleared", "alerts", haccp.ErrConflict, take(func(w *world, b *alarm.Acknowledged) {
			w.must(haccp.AskAlerts, timetable, &haccp.AlertChange{Clear: []alarm.Cleared{{Alerts: b.Alerts}}})
		})},
		{"missing", "doing", haccp.ErrInvalid, take(func(_ *world, b *alarm.Acknowledged) { b.Doing = " " })},
		{"not-acknowledged", "alerts", haccp.ErrConflict, hand("lea", false)},
		{"unknown-person", "to", haccp.ErrNotFound, hand("nobody", true)},
		{"cannot-take-on", "to", haccp.ErrConflict, hand("ada", true)},
		{"silence-of-all", "alerts", haccp.ErrInvalid, hush(func(_ *world, b *alarm.Silenced) { b.Place = "" })},
		{"silence-past", "until", haccp.ErrInvalid, hush(func(w *world, b *alarm.Silenced) { b.Until = w.now })},
		{"silence-long", "until", haccp.ErrInvalid, hush(func(w *world, b *alarm.Silenced) { b.Until = w.now.Add(25 * time.Hour) })},
		{"silence-cause", "cause", haccp.ErrInvalid, hush(func(_ *world, b *alarm.Silenced) { b.Cause = alarm.Tamper })},
		{"unknown-silence", "silence", haccp.ErrNotFound, func(w *world) *haccp.Command {
			return w.command(haccp.AskEndOfSilence, lea, &alarm.Unsilenced{Silence: "x", Reason: "y"})
		}},
	}
}

// The life of an alert from its raising to its end; every step is replayed and compared by the world.
func TestLifeOfAnAlert(t *testing.T) {
	w := running(t)
	id := w.raise("outside:1", alarm.Critical)
	twice := w.must(haccp.AskAlerts, timetable, &haccp.AlertChange{Raise: []alarm.Raised{{Key: "outside:1", Cause: alarm.Outside, Severity: alarm.Critical, Group: "g", Since: w.now}}})
	if len(twice) != 0 {
		t.Fatalf("raised twice: %v", kinds(twice))
	}
	w.at(time.Minute)
	w.must(haccp.AskAlerts, timetable, &haccp.AlertChange{Escalate: []alarm.Escalated{{Alerts: []string{id}, After: 60, Roles: []string{haccp.RoleManager}}},
		Delivered: []alarm.Delivered{{Alerts: []string{id}, Channel: "mail", Message: "m", Attempts: 1, Sent: w.now}}})
	a, _ := w.state.AlertOf("outside:1")
	if a == nil || a.Reached != 60 || !slices.Equal(a.Roles, []string{"technician", "manager"}) || a.ToldBy("mail") == nil || a.Round != 1 {
		t.Fatalf("after a step of the ladder: %+v", a)
	}
	w.at(time.Minute)
	w.must(haccp.AskAcknowledge, tina, &alarm.Acknowledged{Alerts: []string{id}, Doing: "adding product"})
	w.must(haccp.AskHandOver, tina, &alarm.HandedOver{Alerts: []string{id}, To: "teo", Note: "half done"})
	a, _ = w.state.AlertByID(id)
	if a.Ack == nil || a.Ack.By != "teo" || a.Ack.Name != "TEO" || !a.Ack.At.Equal(w.now) || !a.Open() {
		t.Fatalf("handed over: %+v", a.Ack)
	}
	terms := w.state.AlertTerms(w.now)
	if terms.Uncured(a, w.now.Add(terms.Retest-time.Millisecond)) || !terms.Uncured(a, w.now.Add(terms.Retest)) {
		t.Fatal("the time for a cure is not held")
	}
	w.at(terms.Retest)
	w.must(haccp.AskAlerts, timetable, &haccp.AlertChange{Renew: []alarm.Renewed{{Alert: id, Because: alarm.BecauseUncured, Severity: alarm.Critical, Roles: []string{haccp.RoleManager}}}})
	a, _ = w.state.AlertByID(id)
	if a.Ack != nil || a.Round != 2 || a.Reached != 0 || !a.Sounded.Equal(w.now) {
		t.Fatalf("sounds again: %+v", a)
	}
	if again := w.must(haccp.AskAlerts, timetable, &haccp.AlertChange{Renew: []alarm.Renewed{{Alert: id, Because: alarm.BecauseUncured, Severity: alarm.Critical}}}); len(again) != 0 {
		t.Fatal("an alert that nobody has taken on cannot sound again")
	}
	w.must(haccp.AskAlerts, timetable, &haccp.AlertChange{Clear: []alarm.Cleared{{Alerts: []string{id}}}})
	if _, open := w.state.AlertOf("outside:1"); open {
		t.Fatal("cleared and still open")
	}
	next := w.raise("outside:1", alarm.Critical)
	if next == id {
		t.Fatal("the next alert of the same cause has the id of the last")
	}
	w.at(alarm.Keep + time.Minute)
	w.must(haccp.AskAlerts, timetable, &haccp.AlertChange{Clear: []alarm.Cleared{{Alerts: []string{next}}}})
	if _, known := w.state.AlertByID(id); known {
		t.Fatal("an alert cleared a day ago is still held")
	}
	if _, known := w.state.AlertByID(next); !known {
		t.Fatal("an alert cleared now is forgotten")
	}
	restored := w.roundTrip()
	w.same(restored, w.state, "snapshot")
}

func (w *world) roundTrip() *haccp.State {
	w.t.Helper()
	b, err := w.state.Snapshot()
	if err != nil {
		w.t.Fatal(err)
	}
	s, err := haccp.Restore(b, time.LoadLocation)
	if err != nil {
		w.t.Fatal(err)
	}
	return s
}

// A silence holds for what it names, from its record to its end, and never longer than a day.
func TestSilence(t *testing.T) {
	w := running(t)
	id := w.raise("a", alarm.Warning)
	b := w.must(haccp.AskSilence, lea, &alarm.Silenced{Place: "bath-1", Cause: alarm.Outside, Reason: "probe is being changed", Until: w.now.Add(time.Hour)})[0].Body.(*alarm.Silenced)
	a, _ := w.state.AlertByID(id)
	list := w.state.SilencesAt(w.now)
	if len(list) != 1 || !list[0].Covers(a, w.now) || list[0].Covers(a, w.now.Add(time.Hour)) || list[0].By != "LEA" {
		t.Fatalf("silences: %+v", list)
	}
	other := *a
	other.Place = "bath-2"
	if list[0].Covers(&other, w.now) {
		t.Fatal("silent at another place")
	}
	if _, err := w.try(w.command(haccp.AskSilence, tina, &alarm.Silenced{Place: "bath-1", Reason: "x", Until: w.now.Add(time.Hour)})); err == nil {
		t.Fatal("a technician silenced an alert")
	}
	w.must(haccp.AskEndOfSilence, mara, &alarm.Unsilenced{Silence: b.Silence, Reason: "probe is back"})
	if len(w.state.SilencesAt(w.now)) != 0 {
		t.Fatal("the silence was ended and holds")
	}
}
