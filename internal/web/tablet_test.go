package web

import (
	"context"
	"encoding/json"
	"net/http"
	"strconv"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/material"
	"linewarden/haccp/wash"
	"linewarden/internal/access"
	"linewarden/internal/web/floor"
)

// atTablet makes the next requests those of an enrolled tablet on which nobody is signed in.
func (w *world) atTablet() {
	w.t.Helper()
	made, err := w.door.EnrolDevice(context.Background(), "ana", "Tablet at bath 1", access.DeviceTablet, w.now)
	w.must(err)
	w.cookies = map[string]string{"linewarden-device": made.Token}
}

// A tablet shows its pages to whoever stands before it; they name nobody, and whatever is more than a form wants a person.
func TestTabletWithoutAPerson(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.atTablet()
	for _, path := range []string{"/", "/places", "/checks/bath-test/bath-1", "/b/bath-1", "/baths/bath-1/added", "/baths/bath-1/drained", "/waiting", "/device/offline", "/sign-in"} {
		body := w.page(path)
		for _, want := range []string{`data-device="`, `data-person=""`, "Tablet at bath 1", "floor-", `rel="manifest"`} {
			if !strings.Contains(body, want) {
				t.Errorf("%s lacks %s", path, want)
			}
		}
	}
	if body := w.page("/b/bath-1"); !strings.Contains(body, `<h1>Wash bath 1</h1>`) || !strings.Contains(body, `data-check="bath-test"`) {
		t.Errorf("the label of bath 1 opens %.600s", body)
	}
	for _, path := range []string{"/deviations", "/records", "/lots", "/log", "/people", "/labels", "/unverified", "/lines/line-1"} {
		if a := w.get(path); a.status != 303 || !strings.HasPrefix(a.location, "/sign-in") {
			t.Errorf("GET %s on a tablet without a person: %d to %q", path, a.status, a.location)
		}
	}
	if a := w.send("POST", "/checks/bath-test/bath-1", bathTest("120", "6.75")); a.status != 303 || !strings.HasPrefix(a.location, "/sign-in") {
		t.Errorf("a form sent by nobody: %d to %q", a.status, a.location)
	}
	// With a session of somebody, a page to keep names nobody all the same.
	device := w.cookies["linewarden-device"]
	w.signIn("ines")
	w.cookies["linewarden-device"] = device
	if body := w.page("/checks/bath-test/bath-1?device=1"); strings.Contains(body, "Inés") {
		t.Error("a page to keep names who is signed in")
	}
	// A probe's token is no tablet.
	probe, err := w.door.EnrolDevice(context.Background(), "ana", "Probe", access.DeviceProbe, w.now)
	w.must(err)
	w.cookies = map[string]string{"linewarden-device": probe.Token}
	if a := w.get("/"); a.status != 303 {
		t.Errorf("a probe sees the checks: %d", a.status)
	}
}

func (w *world) kit() floor.Kit {
	w.t.Helper()
	var k floor.Kit
	w.must(json.Unmarshal([]byte(w.page("/device/kit")), &k))
	return k
}

// The kit names pages that are there, and every file they load.
func TestKit(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.atTablet()
	k := w.kit()
	if len(k.Pages) < 20 || len(k.Dues) == 0 || !k.Now.Equal(w.now) {
		t.Errorf("kit of %d pages and %d dues at %v", len(k.Pages), len(k.Dues), k.Now)
	}
	for _, path := range k.Pages {
		w.page(path + "?device=1")
	}
	for _, path := range k.Assets {
		if a := w.get(path); a.status != 200 || !strings.Contains(a.header.Get("Cache-Control"), "immutable") {
			t.Errorf("%s: %d", path, a.status)
		}
	}
	for key, text := range k.Words {
		if key == text || text == "" {
			t.Errorf("%s has no words", key)
		}
	}
	if s := k.Sheets["bath-test@bath-1"]; s.Previous == "" || s.Retest != 10 || len(s.Cautions) < 5 {
		t.Errorf("sheet of the bath test: %+v", s)
	}
	a := w.get("/sw.js")
	if a.status != 200 || !strings.HasPrefix(a.header.Get("Content-Type"), "text/javascript") || !strings.Contains(a.header.Get("Content-Security-Policy"), "connect-src 'self'") {
		t.Errorf("service worker: %d %v", a.status, a.header)
	}
	var manifest map[string]any
	w.must(json.Unmarshal([]byte(w.page("/manifest.webmanifest")), &manifest))
	if manifest["scope"] != "/" || manifest["display"] != "standalone" {
		t.Errorf("manifest %v", manifest)
	}
	w.cookies = map[string]string{}
	if a := w.get("/device/kit"); a.status != http.StatusSeeOther {
		t.Errorf("the kit is given to anybody: %d", a.status)
	}
}

// The doses that a tablet takes along are, for every value, at most what the arithmetic gives for the value itself, and
// never lead over the critical maximum at worst; after an addition without a test there is none.
func TestDosesOfATablet(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.test("bath-1", "84", "6.75")
	w.atTablet()
	d := w.kit().Sheets["bath-test@bath-1"].Dose
	if d == nil || d.AmountUnit != "mL" || d.PHMin != "6.5" || d.PHMax != "7" || !d.Until.Equal(w.now.Add(30*time.Minute)) {
		t.Fatalf("dose %+v", d)
	}
	strength, err := wash.TradePercent(12.5, 1.16)
	w.must(err)
	added := 0
	for v := 20.0; v <= 130; v += 0.5 {
		amount, found := 0.0, false
		for _, row := range d.Rows {
			if upto, _ := strconv.ParseFloat(row[0], 64); v <= upto {
				amount, _ = strconv.ParseFloat(row[1], 64)
				found = true
				break
			}
		}
		if !found {
			if v <= 125 {
				t.Errorf("%v mg/L: no row", v)
			}
			continue
		}
		bath := wash.Bath{Litres: 1200, FreeMgPerL: v}
		if v < 125 {
			needed, err := wash.ProductNeeded(bath, 125, strength)
			w.must(err)
			if amount > needed.Value+1e-9 || amount > 600 {
				t.Errorf("%v mg/L: %v mL, more than the %v mL needed or the 600 mL of one addition", v, amount, needed.Value)
			}
		}
		if amount > 0 {
			added++
			worst, err := wash.WorstLevelAfter(bath, amount, strength, wash.Tolerance{Reading: 5, Volume: 5, Strength: 5, Measure: 2})
			w.must(err)
			if worst.Value > 150 {
				t.Errorf("%v mg/L: %v mL may lead to %v mg/L, over the critical maximum of 150", v, amount, worst.Value)
			}
		}
	}
	if added < 100 {
		t.Errorf("only %d values have a dose", added)
	}
	amount := exact("250", "mL")
	w.do(haccp.KindAdded, ines, &haccp.Bath{Place: "bath-1", Chemical: "sodium-hypochlorite", Amount: &amount})
	w.now = w.now.Add(2 * time.Minute)
	if d := w.kit().Sheets["bath-test@bath-1"].Dose; d != nil {
		t.Errorf("a dose before the last one was tested: %+v", d)
	}
	w.now = w.now.Add(6 * time.Minute)
	w.test("bath-1", "105", "6.75")
	if d := w.kit().Sheets["bath-test@bath-1"].Dose; d == nil {
		t.Error("no dose after the test")
	}
}

// After a reading outside the page says how much to add, and where the pH stands against it what to do instead.
func TestDoseAfterAReading(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.signIn("ines")
	for _, c := range []struct{ chlorine, ph, want, not string }{
		{"84", "6.75", "Add 390 mL of Sodium hypochlorite solution for washing produce.", "Stop the feed, take"},
		{"84", "6.30", "Stop the feed, take the product out of the water", "Add 3"},
		{"84", "7.20", "the pH first", "Add 3"},
		{"3", "6.75", "test a diluted sample first", "Add 3"},
	} {
		w.now = w.now.Add(time.Minute)
		body := w.page(w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", bathTest(c.chlorine, c.ph)).location)
		if !strings.Contains(body, c.want) || strings.Contains(body, c.not) {
			i := strings.Index(body, `class="dose"`)
			t.Errorf("%s mg/L at pH %s: want %q and not %q: %.900s", c.chlorine, c.ph, c.want, c.not, body[max(i, 0):])
		}
	}
}

func TestUnverifiedList(t *testing.T) {
	w := newWorld(t)
	w.running()
	by := ines
	by.Known = haccp.KnownPINUnproved
	w.do(haccp.KindReading, by, &haccp.Reading{Check: "bath-test", Place: "bath-1", Mode: "hand", Entries: []haccp.Entry{{Quantity: "free_chlorine", Method: "chlorine-titration", Read: exact("121", "mg/L")}}})
	w.signIn("marta")
	if body := w.page("/unverified"); !strings.Contains(body, "Inés Robledo") || !strings.Contains(body, "to be reviewed") || strings.Count(body, "<article") != 1 {
		t.Errorf("the list: %s", body)
	}
	if body := w.page("/labels"); strings.Count(body, "/b/") < 5 || !strings.Contains(body, "http://plant.test/b/bath-1") {
		t.Error("labels lack a place")
	}
}

// The dose is that for the lot that went into the bath last, where its strength was stated.
func TestDoseByTheLotInUse(t *testing.T) {
	w := newWorld(t)
	w.running()
	strength, gravity := exact("6.25", "g Cl2/100 mL"), exact("1.08", "kg/L")
	w.do(haccp.KindMaterialReceived, leo, &material.Received{Lot: "HYP-9", Material: "hypochlorite", Supplier: "Química",
		Strength: &material.Strength{On: "2026-02-27", Value: strength, Gravity: &gravity}})
	amount := exact("100", "mL")
	w.do(haccp.KindAdded, ines, &haccp.Bath{Place: "bath-1", Chemical: "sodium-hypochlorite", Amount: &amount, MaterialLot: "HYP-9"})
	w.now = w.now.Add(10 * time.Minute)
	w.signIn("ines")
	body := w.page(w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", bathTest("95", "6.75")).location)
	// 30 mg/L in 1200 L are 36 g, and half the label's strength wants twice the volume: 576 mL.
	for _, want := range []string{"Add 570 mL of", "lot HYP-9", "6.25 g Cl2/100 mL"} {
		if !strings.Contains(body, want) {
			i := strings.Index(body, `class="dose"`)
			t.Errorf("lacks %q: %.700s", want, body[max(i, 0):])
		}
	}
}
