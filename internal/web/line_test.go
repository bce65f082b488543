package web

import (
	"fmt"
	"net/url"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/instrument"
	"linewarden/haccp/laboratory"
	"linewarden/haccp/material"
	"linewarden/haccp/quantity"
	"linewarden/internal/plant"
)

// control logs a check of every place of the line as inside, and brings what the demo plan needs in use up to date.
func (w *world) control() {
	w.t.Helper()
	w.test("bath-1", "121", "6.75")
	w.test("bath-2", "119", "6.80")
	log := func(check, place string, entries ...haccp.Entry) {
		w.do(haccp.KindReading, ines, &haccp.Reading{Check: check, Place: place, Mode: "hand", Entries: entries})
	}
	yes := haccp.Entry{Quantity: "yes_no", Method: "look", Read: quantity.Answer(true)}
	for _, b := range []string{"bath-1", "bath-2"} {
		log("contact-time-test", b, haccp.Entry{Quantity: "contact_time", Method: "stopwatch", Read: exact("85", "s")})
	}
	log("hand-dip-test", "hand-dip", haccp.Entry{Quantity: "free_chlorine", Method: "chlorine-strip", Read: exact("50", "ppm")})
	for _, p := range []string{"fillet-table", "shredder"} {
		log("blade-check", p, yes)
	}
	log("seal-check", "filler", yes)
	log("cold-room-check", "cold-room", haccp.Entry{Quantity: "temperature", Method: "thermometer", Read: exact("3.1", "°C")})
}

// supplied receives and approves a lot of a material.
func (w *world) supplied(id, lot, amount, unit string) {
	w.t.Helper()
	q := exact(amount, unit)
	w.do(haccp.KindMaterialReceived, leo, &material.Received{Lot: lot, Material: id, Supplier: "Proveedora", Quantity: &q, Expiry: "2026-12-31",
		Certificate: &material.Certificate{Name: "COA", Hash: strings.Repeat("ab", 32)}})
	w.signIn("marta")
	at := "/materials/lots/" + lot + "/approve"
	if a := w.submit(at, at, url.Values{"reason": {"papers seen"}, "password": {testPassword}}); a.status != 303 {
		w.t.Fatalf("approve %s: %d\n%s", lot, a.status, a.body)
	}
}

// touch presses the first form of a page for an address, with what else is given, and wants it taken.
func (w *world) touch(page, action string, values url.Values) answer {
	w.t.Helper()
	a := w.submit(page, action, values)
	if a.status != 303 {
		w.t.Fatalf("%s: %d\n%s", action, a.status, a.body)
	}
	return a
}

// A lot goes from its receipt through every step of the demo plan to release and shipping, through forms of pages alone.
func TestLotFromReceiptToShipping(t *testing.T) {
	w := newWorld(t)
	for _, id := range []string{"burette-1", "ph-meter-1", "thermometer-1", "thermometer-2", "refractometer-1", "turbidity-meter-1"} {
		w.do(haccp.KindInstrumentChecked, leo, &instrument.Checked{Instrument: id, Result: instrument.Pass})
	}
	w.supplied("ascorbic-acid", "AA-1", "10", "kg")
	w.supplied("bags", "BG-1", "500", "pieces")
	w.running()
	w.control()
	w.signIn("leo")
	a := w.touch("/receive-lot?line=line-1", "/receive-lot", url.Values{"lot": {"P 7/1"}, "mass": {"300"}, "mass.unit": {"kg"}, "source": {"Rancho Los Tres Pozos"},
		"harvested": {"2026-03-02T05:00"}, "temperature": {"22"}, "temperature.unit": {"°C"}})
	if want := "/lots/P%207%2F1/move?line=line-1"; a.location != want {
		t.Fatalf("a receipt leads to %s, want %s", a.location, want)
	}
	const move = "/lots/P%207%2F1/move"
	board := func(texts ...string) {
		t.Helper()
		body := w.page("/lines/line-1")
		for _, x := range texts {
			if !strings.Contains(body, x) {
				t.Fatalf("the board lacks %q:\n%s", x, body)
			}
		}
	}
	board("P 7/1", "Waiting after: Receive leaves", "All of it to: First wash")
	w.touch("/lines/line-1", move, nil) // one touch
	w.now = w.now.Add(90 * time.Second)
	board("All of it to: Second wash", "Wash bath 1")
	w.touch("/lines/line-1", move, url.Values{"what": {"first"}}) // the first of it
	w.now = w.now.Add(20 * time.Minute)
	board("The last of it to: Second wash")
	w.touch("/lines/line-1", move, url.Values{"what": {"last"}})
	w.test("bath-1", "118", "6.76")
	l, _ := w.site.View().Lot("P 7/1")
	if n := len(l.Findings); n != 0 {
		t.Fatalf("findings: %+v", l.Findings)
	}
	if s := l.Stays()[0]; s.Step != "wash-1" || s.To.Sub(s.FirstOut) != 20*time.Minute || s.From.After(s.FirstOut) {
		t.Fatalf("the stay in the first bath: %+v", s)
	}
	form := func(what, from, to string, values url.Values) {
		t.Helper()
		w.touch(move+"?line=line-1&what="+what+"&from="+url.QueryEscape(from)+"&to="+to, move, values)
	}
	w.test("bath-2", "117", "6.79")
	form("on", "wash-2@bath-2", "rinse", url.Values{"place": {"fillet-table"}, "crew": {"4"}})
	w.now = w.now.Add(4 * time.Minute)
	w.touch("/lines/line-1", move, nil) // to the table
	w.now = w.now.Add(20 * time.Minute)
	w.control()
	w.touch("/lots/P%207%2F1/do/removed", "/lots/P%207%2F1/do/removed", url.Values{"what": {"trim"}, "mass": {"180"}, "mass.unit": {"kg"}, "step": {"fillet"}})
	w.touch("/lines/line-1", move, nil) // inspected
	form("on", "inspect@fillet-table", "shred", url.Values{"out-mass": {"120"}, "out-mass.unit": {"kg"}})
	w.now = w.now.Add(5 * time.Minute)
	board("55 min left", "From shredding to the last bag sealed", `class="clock open"`)
	form("on", "shred@shredder", "dose", url.Values{"lot.dose.ascorbic-acid": {"AA-1"}, "amount.dose.ascorbic-acid": {"0.4"}, "amount.dose.ascorbic-acid.unit": {"kg"}})
	form("on", "dose@shredder", "fill", url.Values{"lot.fill.bags": {"BG-1"}, "amount.fill.bags": {"6"}, "amount.fill.bags.unit": {"pieces"}})
	w.now = w.now.Add(42 * time.Minute)
	w.control()
	w.signIn("leo")
	board(`class="clock act"`, "only")
	form("on", "fill@filler", "chill", url.Values{"prefix": {"BX"}, "box-from": {"1"}, "box-to": {"6"}, "box-mass": {"119"}, "box-mass.unit": {"kg"}})
	if a := w.get("/scan?line=line-1&label=BX4"); a.location != "/lots/P%207%2F1/move?line=line-1" {
		t.Fatalf("the label of a box leads to %q", a.location)
	}
	if a := w.get("/scan?line=line-1&label=BX7"); !strings.Contains(a.location, "unknown=BX7") {
		t.Fatalf("a label that is none leads to %q", a.location)
	}
	w.touch("/lines/line-1", "/lines/line-1/emptied", nil)
	w.sampledGood("P 7/1")
	w.now = w.now.Add(time.Hour)
	w.control()
	w.now = w.now.Add(time.Hour)
	w.signIn("leo")
	w.touch("/lines/line-1", move, nil) // out of the cold room
	w.control()
	ship := url.Values{"consignee": {"Cocina Piloto"}, "mass": {"119"}, "mass.unit": {"kg"}, "all": {"yes"}, "document-kind": {"delivery note"}, "document": {"DN-1"}}
	if a := w.submit("/lots/P%207%2F1", "/sign-out", nil); a.status != 303 {
		t.Fatal(a.status)
	}
	w.signIn("marta")
	release := "/lots/P%207%2F1/do/release"
	if a := w.submit(release, release, url.Values{"reason": {"all in order"}, "password": {testPassword}}); a.status != 409 || !strings.Contains(a.body, "were not reviewed") {
		t.Fatalf("a release without review: %d\n%s", a.status, a.body)
	}
	w.touch("/lots/P%207%2F1/do/review", "/lots/P%207%2F1/do/review", url.Values{"findings": {"none"}, "password": {testPassword}})
	if a := w.submit(release, release, url.Values{"reason": {"all in order"}, "password": {testPassword}}); a.status != 303 {
		t.Fatalf("release: %d\n%s", a.status, a.body)
	}
	w.signIn("leo")
	w.touch("/lots/P%207%2F1/do/ship", "/lots/P%207%2F1/do/ship", ship)
	if l, _ := w.site.View().Lot("P 7/1"); l.State() != haccp.LotShippedAs {
		t.Fatalf("the lot is %s", l.State())
	}
	about, _, err := w.site.Find(t.Context(), plant.Query{About: "lot:P 7/1"})
	if want := fmt.Sprintf("Lot P 7/1, %d records about it", len(about)); err != nil || len(about) < 30 || !strings.Contains(w.page("/lots/P%207%2F1"), want) {
		t.Errorf("what is printed at the foot of each sheet lacks %q (%v)", want, err)
	}
}

// sampledGood takes a sample of a lot and reports every test of the specification as conforming.
func (w *world) sampledGood(code string) {
	w.t.Helper()
	w.signIn("leo")
	w.touch("/laboratory-sample?lot="+url.QueryEscape(code), "/laboratory-sample", url.Values{"lot": {code}, "sample": {"S-1"}, "units": {"5"}})
	for _, change := range []*haccp.PersonChange{{Change: "added", PersonBody: haccp.PersonBody{Person: "nora", Name: "Nora Ek", SignIn: "nora"}},
		{Change: "role-given", PersonBody: haccp.PersonBody{Person: "nora", Role: haccp.RoleLaboratory}}} {
		w.do(haccp.AskPerson, consoleActor, change)
	}
	l, _ := w.site.View().Lot(code)
	p, _ := w.site.View().Specification(l, w.now)
	for i := range p.Tests {
		x := &p.Tests[i]
		r := &laboratory.Reported{Lot: code, Sample: "S-1", Test: x.ID, Method: x.Method, Laboratory: x.Laboratory, Finished: w.now}
		for n := range x.Units() {
			u := laboratory.Unit{Unit: int64(n + 1)}
			switch {
			case x.AbsentIn != nil:
				in := quantity.Exact(x.AbsentIn.Value, quantity.Unit(x.AbsentIn.Unit))
				u.Value, u.In = quantity.Answer(false), &in
			case x.Min != nil:
				u.Value = quantity.Exact(x.Min.Value, quantity.Unit(x.Min.Unit))
			case x.Max != nil:
				u.Value = quantity.Exact(x.Max.Value, quantity.Unit(x.Max.Unit))
			default:
				u.Value = exact("5", "CFU/g")
			}
			r.Units = append(r.Units, u)
		}
		w.do(haccp.KindResult, actor("nora", "Nora Ek", haccp.RoleLaboratory), r)
	}
}

// A shift goes over to a named person, who sees it in the navigation and accepts it.
func TestHandoverOnItsPage(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.test("bath-1", "82", "6.72")
	w.signIn("leo")
	if a := w.submit("/handover?line=line-1", "/handover/give", url.Values{"to": {""}}); a.status != 404 || !strings.Contains(a.body, "aria-invalid") {
		t.Fatalf("to nobody: %d\n%s", a.status, a.body)
	}
	w.touch("/handover?line=line-1", "/handover/give", url.Values{"to": {"ines"}, "note": {"bath 1 is being dosed"}})
	w.signIn("ines")
	if body := w.page("/"); !strings.Contains(body, "Shift for you") {
		t.Errorf("the navigation says nothing:\n%s", body)
	}
	body := w.page("/handover?line=line-1")
	for _, x := range []string{"Leo Paredes hands the shift over to you", "bath 1 is being dosed", "Wash bath 1 · Free chlorine"} {
		if !strings.Contains(body, x) {
			t.Errorf("the page lacks %q", x)
		}
	}
	w.touch("/handover?line=line-1", "/handover/accept", url.Values{"note": {"seen"}})
	if list := w.site.View().Handovers(); len(list) != 1 || list[0].Waits() || list[0].To != "ines" || list[0].Reply != "seen" {
		t.Errorf("%+v", list)
	}
}

// A certificate that came after the delivery is reported, and the lot then approved; nothing more is in stock for it.
func TestCertificateAfterTheDelivery(t *testing.T) {
	w := newWorld(t)
	q := exact("60", "L")
	w.do(haccp.KindMaterialReceived, leo, &material.Received{Lot: "H-1", Material: "hypochlorite", Supplier: "Química", Quantity: &q, Expiry: "2026-12-31"})
	w.signIn("marta")
	const at = "/materials/lots/H-1"
	sign := url.Values{"reason": {"papers seen"}, "password": {testPassword}}
	if a := w.submit(at+"/approve", at+"/approve", sign); a.status != 409 || !strings.Contains(a.body, at+"/certificate") {
		t.Fatalf("approved without a certificate: %d\n%s", a.status, a.body)
	}
	if a := w.submit(at+"/certificate", at+"/certificate", url.Values{"cert": {"COA 9"}, "cert-hash": {"no hash"}}); a.status != 422 || !strings.Contains(a.body, "no hash") {
		t.Fatalf("a hash that is none: %d\n%s", a.status, a.body)
	}
	w.touch(at+"/certificate", at+"/certificate", url.Values{"cert": {"COA 9"}, "cert-hash": {strings.Repeat("AB", 32)}})
	w.touch(at+"/approve", at+"/approve", sign)
	l, _ := w.site.View().MaterialLot("H-1")
	if s := l.Stock(); s.Left.String() != "60 L" || !s.Known || l.State(w.now, w.site.View().DayOf(w.now)) != material.StateApproved {
		t.Errorf("stock %+v", s)
	}
	if body := w.page(at); !strings.Contains(body, "COA 9") {
		t.Error("the page does not name the certificate")
	}
}
