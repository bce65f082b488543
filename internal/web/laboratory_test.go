package web

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/laboratory"
)

// laboratorySamples adds the pages of the laboratory, with a sample that waits, one with results, and a form refused.
func laboratorySamples(w *world, out map[string]string) {
	w.t.Helper()
	out["laboratory-empty"], out["sample-take"] = w.page("/laboratory"), w.page("/laboratory-sample?lot=F+17%2F2")
	at := w.submit("/laboratory-sample", "/laboratory-sample", url.Values{"lot": {"F 17/2"}, "sample": {"S 1"}, "units": {"5"}, "where": {"boxes 1 to 5"}}).location
	out["laboratory"], out["sample-waiting"] = w.page("/laboratory"), w.page(at)
	out["sample-receive"], out["sample-pass"] = w.page(at+"/receive"), w.page(at+"/pass")
	w.submit(at+"/pass", at+"/pass", url.Values{"to": {"Mensajería Ceiba (invented)"}, "seal": {"A 77"}, "temperature": {"3.5"}, "temperature.unit": {"°C"}})
	out["sample-pass-wrong"] = w.submit(at+"/pass", at+"/pass", url.Values{"to": {""}, "temperature": {"cold"}, "temperature.unit": {"°C"}}).body
	w.submit(at+"/receive", at+"/receive", url.Values{"laboratory": {"Plant laboratory"}, "temperature": {"4"}, "temperature.unit": {"°C"}, "unfit": {"came warm"}})
	out["result"], out["result-absent"] = w.page(at+"/total-count"), w.page(at+"/listeria")
	day := w.now.Add(-6 * time.Hour).Format("2006-01-02T15:04")
	good := url.Values{"unit-1": {"120"}, "unit-2": {"<10"}, "unit-3": {"50-90"}, "unit": {"CFU/g"}, "method": {"Count film, read after 24 h"}, "laboratory": {"Plant laboratory"}, "finished": {day}}
	bad := url.Values{"unit-1": {"12,5"}, "unit": {"CFU/g"}, "method": {"x"}, "laboratory": {"y"}, "finished": {"2026-13-01"}}
	out["result-wrong"] = w.submit(at+"/total-count", at+"/total-count", bad).body
	out["sample-saved"] = w.page(w.submit(at+"/total-count", at+"/total-count", good).location)
	out["result-again"] = w.page(at + "/total-count")
	out["lot-tests"] = w.page("/lots/F%2017%2F2")
}

// A result is typed into the page and saved; only then the page says what it means. A positive of a pathogen puts the
// lot on hold, and what cannot be read comes back with all that was typed.
func TestLaboratoryPages(t *testing.T) {
	w := newWorld(t)
	w.lang = "en"
	lead := haccp.Actor{ID: "leo", Name: "Leo", Role: haccp.RoleLineLead, Known: haccp.KnownPassword}
	w.do(haccp.KindLotReceived, lead, &haccp.LotReceived{Lot: "A", Step: "receive", Product: "leaves"})
	w.do(haccp.KindLotSampled, lead, &laboratory.Sampled{Lot: "A", Sample: "S", Units: 5})
	w.signIn("ines") // a technician enters no results
	if a := w.send("POST", "/laboratory/A/S/ph", url.Values{}); a.status == 303 {
		t.Error("a technician entered results")
	}
	const pass = "/laboratory/A/S/pass"
	if a := w.submit(pass, pass, url.Values{"seal": {"77"}}); a.status != 422 || !strings.Contains(a.body, "77") {
		t.Errorf("%d: handed over to nobody", a.status)
	}
	if a := w.submit(pass, pass, url.Values{"to": {"Courier"}, "seal": {"77"}, "temperature": {"4"}, "temperature.unit": {"°C"}}); a.status != 303 {
		t.Errorf("%d: a technician hands a sample over: %s", a.status, a.body)
	} else if page := w.page(a.location); !strings.Contains(page, "handed over to Courier") || !strings.Contains(page, "4 °C") || !strings.Contains(page, "77") {
		t.Errorf("the chain of custody lacks the hand-over: %s", page)
	}
	w.signIn("marta")
	const form = "/laboratory/A/S/listeria"
	page := w.page(form)
	if !strings.Contains(page, "absent in 25 g") || strings.Contains(page, "conform") {
		t.Error("the form lacks the rule, or judges before anything is saved")
	}
	finished := w.now.Add(-7 * time.Hour).Format("2006-01-02T15:04")
	values := url.Values{"unit-1": {"no"}, "unit-2": {"yes"}, "in": {"25"}, "in.unit": {"g"}, "method": {"Enrichment and PCR, 24 h"},
		"laboratory": {"Laboratorio Piedra Lisa (invented)"}, "finished": {finished}, "presumptive": {"yes"}}
	wrong := url.Values{"unit-1": {"no"}, "method": {"kept as typed"}, "laboratory": {"x"}, "finished": {finished}}
	if a := w.submit(form, form, wrong); a.status != 422 || !strings.Contains(a.body, "kept as typed") {
		t.Errorf("%d: a form without the amount examined", a.status)
	}
	a := w.submit(form, form, values)
	if a.status != 303 || a.location != "/laboratory/A/S?saved=1" {
		t.Fatalf("%d %s %s", a.status, a.location, a.body)
	}
	page = w.page(a.location)
	for _, want := range []string{"does not conform", "Unit 2: found (25 g)", "Unit 1: not found (25 g)", "A positive is not confirmed yet"} {
		if !strings.Contains(page, want) {
			t.Errorf("%q is not on the page of the sample", want)
		}
	}
	l, _ := w.site.View().Lot("A")
	if l.State() != haccp.LotOnHold || len(w.site.View().OutOfSpecification()) != 1 {
		t.Error("not on hold")
	}
	if page = w.page("/lots/A"); !strings.Contains(page, "Listeria monocytogenes: sample S does not conform") || !strings.Contains(page, "Total aerobic count: sample S: no results yet") {
		t.Error("the page of the lot does not say what is missing")
	}
	if got := w.get("/laboratory/A/none"); got.status != 404 {
		t.Errorf("%d", got.status)
	}
}
