package api

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/internal/plant"
)

// An alert is taken on, handed over, silenced and cleared; the answers say how it stands, in the language asked for, and how
// the channels do.
func TestAlertsOverTheAPI(t *testing.T) {
	w := newWorld(t)
	w.started()
	w.api.Alerts = func(context.Context) (AlertService, error) {
		return AlertService{Alive: true, Channels: []ChannelState{{Name: "mail", Waiting: 3, Failure: "connection refused"}}}, nil
	}
	timetable := func(c *haccp.AlertChange) []*haccp.Event {
		t.Helper()
		r, err := w.site.Do(t.Context(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskAlerts, At: w.clock(), AtKnown: haccp.AtServer, Ask: c,
			By: haccp.Actor{ID: "timetable", Name: "Timetable", Role: haccp.RoleTimetable, Known: haccp.KnownTimetable}}})
		must(t, err)
		return r.Events
	}
	raised := timetable(&haccp.AlertChange{Raise: []alarm.Raised{{Key: "act:x", Cause: alarm.Act, Severity: alarm.Warning, Group: "act/line-1",
		Point: "wash-chlorine", Place: "bath-1", PlanVersion: 1, Since: w.clock(), Data: map[string]string{"value": "104 mg/L"}}}})
	alert := raised[0].Body.(*alarm.Raised).Alert
	tina, mara := w.as("tina"), w.as("mara")
	first := func(c *client, path string) obj {
		t.Helper()
		return c.do("GET", path, nil).want(200).object()["alerts"].([]any)[0].(obj)
	}
	a := first(tina, "/alerts?lang=es")
	if a["id"] != alert || a["severity"] != "warning" || !strings.Contains(a["text"].(string), "104 mg/L, fuera del límite operativo") || a["acknowledged"] != nil {
		t.Fatalf("%v", a)
	}
	service := tina.do("GET", "/alerts", nil).want(200).object()["service"].(obj)
	if c := service["channels"].([]any)[0].(obj); c["failure"] != "connection refused" || c["waiting"] == nil || service["alive"] != true {
		t.Errorf("%v", service)
	}
	tina.do("POST", "/alerts/acknowledge", obj{"id": id(), "alerts": []string{alert}, "doing": ""}).want(422)
	command := id()
	tina.do("POST", "/alerts/acknowledge", obj{"id": command, "alerts": []string{alert}, "doing": "adding product"}).want(201)
	tina.do("POST", "/alerts/acknowledge", obj{"id": command, "alerts": []string{alert}, "doing": "adding product"}).want(200)
	tina.do("POST", "/alerts/hand-over", obj{"id": id(), "alerts": []string{alert}, "to": "mara", "note": "end of shift"}).want(201)
	if ack := first(tina, "/alerts")["acknowledged"].(obj); ack["by"] != "mara" || ack["doing"] != "adding product" || ack["note"] != "end of shift" {
		t.Errorf("%v", ack)
	}
	until := w.clock().Add(time.Hour).Format(time.RFC3339)
	tina.do("POST", "/alerts/silences", obj{"id": id(), "place": "bath-1", "reason": "probe out", "until": until}).want(403)
	mara.do("POST", "/alerts/silences", obj{"id": id(), "place": "bath-1", "reason": "probe out", "until": until}).want(201)
	list := mara.do("GET", "/alerts", nil).want(200).object()
	silence := list["silences"].([]any)[0].(obj)
	if list["alerts"].([]any)[0].(obj)["silenced"] != true || silence["reason"] != "probe out" {
		t.Errorf("%v", list)
	}
	mara.do("POST", "/alerts/silences/"+silence["id"].(string)+"/end", obj{"id": id(), "reason": "probe is back"}).want(201)
	timetable(&haccp.AlertChange{Clear: []alarm.Cleared{{Alerts: []string{alert}}}})
	if a := first(tina, "/alerts"); a["cleared_at"] == nil || a["silenced"] != false {
		t.Errorf("%v", a)
	}
	tina.do("POST", "/alerts/acknowledge", obj{"id": id(), "alerts": []string{alert}, "doing": "x"}).want(409)
}
