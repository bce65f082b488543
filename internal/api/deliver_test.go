package api

import (
	"slices"
	"testing"
	"time"

	"linewarden/haccp"
)

// tablet enrols a tablet and gives two technicians a PIN each.
func (w *world) tablet() obj {
	w.t.Helper()
	tablet := w.as("ada").do("POST", "/devices", obj{"name": "Tablet at bath 1", "kind": "tablet"}).want(201).object()
	w.as("tina").do("POST", "/pin", obj{"password": w.passes["tina"], "pin": "482915"}).want(204)
	w.as("teo").do("POST", "/pin", obj{"password": w.passes["teo"], "pin": "730264"}).want(204)
	return tablet
}

// pinned signs in by PIN and gives the session and a client that delivers under the grant.
func (w *world) pinned(tablet obj, person, pin string) (session, deliverer *client) {
	w.t.Helper()
	session, deliverer = w.nobody(), w.nobody()
	r := session.do("POST", "/session/pin", obj{"person": person, "pin": pin, "device_token": tablet["token"]}).want(200)
	o := r.object()
	session.form = o["form_token"].(string)
	for _, ck := range r.header.Values("Set-Cookie") {
		session.cookie = ck[:slices.Index([]byte(ck), ';')]
	}
	deliverer.header["Authorization"] = "Delivery " + o["grant"].(obj)["token"].(string)
	return session, deliverer
}

func (w *world) sampled(at time.Time) obj {
	return reading(func(o obj) {
		o["at"], o["at_known"] = at.Add(0).Format(time.RFC3339Nano), "device"
		o["device"] = obj{"clock": at.Add(90 * time.Second).Format(time.RFC3339Nano), "offset_ms": 90000}
		o["late_reason"] = "no network"
	})
}

func (w *world) event(r *response) *haccp.Event {
	w.t.Helper()
	_, e, err := w.site.ByID(w.t.Context(), r.object()["id"].(string))
	must(w.t, err)
	return e
}

// Reports of an hour without network arrive once each, with their own time, person and device, after sign-out too.
func TestDeliveries(t *testing.T) {
	w := newWorld(t)
	tablet := w.tablet()
	session, tina := w.pinned(tablet, "tina", "482915")
	began := w.clock()
	if o := session.do("POST", "/session/grant", obj{}).want(201).object(); o["person"] != "tina" || o["device"] != tablet["id"] || o["token"] == "" {
		t.Errorf("grant %v", o)
	}
	w.as("mara").do("POST", "/session/grant", obj{}).problem(401, "device-not-enrolled", "")
	w.later(time.Hour)
	session.do("DELETE", "/session", nil).want(204)
	signedOut := w.clock()
	w.later(200 * time.Hour)

	first := w.sampled(began.Add(10 * time.Minute))
	r := tina.do("POST", "/readings", first).want(201)
	e := w.event(r)
	if e.By.ID != "tina" || e.By.Known != haccp.KnownPIN || e.Device == nil || e.Device.ID != tablet["id"] || e.Device.OffsetMS != 90000 ||
		!e.At.Equal(began.Add(10*time.Minute)) || e.AtKnown != haccp.AtDevice || e.LateReason != "no network" {
		t.Errorf("recorded %+v by %+v on %+v", e, e.By, e.Device)
	}
	if again := tina.do("POST", "/readings", first).want(200); again.object()["id"] != r.object()["id"] {
		t.Error("the same report was recorded twice")
	}
	first["note"] = "something else"
	tina.do("POST", "/readings", first).problem(409, "id-used", "id")

	for name, at := range map[string]time.Time{"before sign-in": began.Add(-time.Second), "after sign-out": signedOut.Add(time.Second)} {
		t.Run(name, func(t *testing.T) {
			tina.do("POST", "/readings", w.sampled(at)).problem(403, "grant-not-covering", "")
		})
	}
	w.nobody().do("POST", "/readings", w.sampled(began)).problem(401, "not-signed-in", "")
	bad := w.nobody()
	bad.header["Authorization"] = tina.header["Authorization"][:20]
	bad.do("POST", "/readings", w.sampled(began)).problem(401, "grant-unknown", "")
}

// A grant is good for reports and nothing else.
func TestGrantIsGoodForNothingElse(t *testing.T) {
	w := newWorld(t)
	_, lea := w.pinned(w.tablet(), "tina", "482915")
	for _, x := range [][2]string{{"GET", "/session"}, {"GET", "/readings"}, {"GET", "/people"}, {"POST", "/session/grant"}, {"POST", "/lines/line-1/start"},
		{"POST", "/lots/enter"}, {"DELETE", "/session"}, {"POST", "/pin"}} {
		var body any
		if x[0] == "POST" {
			body = obj{"id": id()}
		}
		lea.do(x[0], x[1], body).problem(401, "not-signed-in", "")
	}
	for _, r := range w.api.routes {
		if r.delivered && r.act != "" {
			t.Errorf("%s wants an act and takes deliveries", r.path)
		}
	}
	for _, p := range deliverable {
		if !slices.ContainsFunc(w.api.routes, func(r route) bool { return r.path == p && r.delivered && r.method == "POST" }) {
			t.Errorf("there is no report at %s", p)
		}
	}
}

// Two people on one tablet: each report is of its own person, and one known by PIN alone is marked and listed.
func TestUnverified(t *testing.T) {
	w := newWorld(t)
	tablet := w.tablet()
	_, tina := w.pinned(tablet, "tina", "482915")
	w.later(10 * time.Minute)
	_, teo := w.pinned(tablet, "teo", "730264")
	w.later(time.Hour)
	now := w.clock()
	known := func(c *client, at time.Time) string {
		return w.event(c.do("POST", "/readings", w.sampled(at)).want(201)).By.Known
	}
	if got := known(tina, now.Add(-65*time.Minute)); got != haccp.KnownPIN {
		t.Errorf("while she was the last to sign in: %s", got)
	}
	if got := known(tina, now.Add(-30*time.Minute)); got != haccp.KnownPINUnproved {
		t.Errorf("after somebody else signed in: %s", got)
	}
	if got := known(teo, now.Add(-29*time.Minute)); got != haccp.KnownPIN {
		t.Errorf("who signed in last: %s", got)
	}
	teo.header[headerUnverified] = "yes"
	if got := known(teo, now.Add(-20*time.Minute)); got != haccp.KnownPINUnproved {
		t.Errorf("where the tablet says so: %s", got)
	}
	list := w.as("mara").do("GET", "/unverified", nil).want(200).object()["reports"].([]any)
	var who []any
	for _, x := range list {
		by := x.(obj)["by"].(obj)
		who = append(who, by["id"], by["known"])
	}
	if !slices.Equal(who, []any{"teo", "PIN unverified", "tina", "PIN unverified"}) {
		t.Errorf("the manager's list: %v", who)
	}
}

// A report from before a person was disabled is accepted and marked; one from after it is refused.
func TestDeliveryOfSomebodyDisabledSince(t *testing.T) {
	w := newWorld(t)
	_, tina := w.pinned(w.tablet(), "tina", "482915")
	w.later(time.Hour)
	at := w.clock()
	w.later(time.Minute)
	w.as("ada").do("POST", "/people/tina/disable", obj{"id": id(), "reason": "left"}).want(201)
	w.later(time.Minute)
	e := w.event(tina.do("POST", "/readings", w.sampled(at)).want(201))
	if !slices.ContainsFunc(e.Findings, func(f haccp.Finding) bool { return f.Code == haccp.FindingDisabledSince }) {
		t.Errorf("findings %v", e.Findings)
	}
	tina.do("POST", "/readings", w.sampled(w.clock())).problem(403, "grant-not-covering", "")
}
