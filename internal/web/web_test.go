package web

import (
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/internal/web/frame"
)

func bathTest(chlorine, ph string) url.Values {
	return url.Values{"q.free_chlorine": {chlorine}, "q.free_chlorine.unit": {"mg/L"}, "q.ph": {ph}, "q.ph.unit": {"pH"},
		"q.temperature": {"17.5"}, "q.temperature.unit": {"°C"}, "q.salt": {"30"}, "q.salt.unit": {"g/L"}}
}

func TestNobodySeesAPageWithoutSigningIn(t *testing.T) {
	w := newWorld(t)
	for _, path := range []string{"/", "/places", "/deviations", "/log", "/log.csv", "/records", "/plan", "/people", "/readings.csv", "/lines/line-1",
		"/checks/bath-test/bath-1", "/baths/bath-1/added"} {
		if a := w.get(path); a.status != 303 || !strings.HasPrefix(a.location, "/sign-in") {
			t.Errorf("GET %s without signing in: %d to %q", path, a.status, a.location)
		}
	}
	if a := w.send("POST", "/sign-in", url.Values{"name": {"ines"}, "password": {"wrong password here"}}); a.status != 401 ||
		!strings.Contains(a.body, "not right") || !strings.Contains(a.body, `value="ines"`) {
		t.Errorf("a wrong password: %d, and the name typed must be kept", a.status)
	}
}

// The redirect after signing in leads only to our own pages.
func TestLocal(t *testing.T) {
	for path, want := range map[string]string{"/log?from=2026-03-02": "/log?from=2026-03-02", "//evil.test": "/", "https://evil.test/": "/",
		`/\evil.test`: "/", "": "/", "javascript:alert(1)": "/"} {
		if got := frame.Local(path); got != want {
			t.Errorf("frame.Local(%q) = %q, want %q", path, got, want)
		}
	}
}

func TestReadingIsSavedBeforeItsVerdictShows(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.signIn("ines")
	form := w.page("/checks/bath-test/bath-1")
	if regexp.MustCompile(`class="num"[^>]* value="[^"]+"`).MatchString(form) {
		t.Error("a value is filled in before")
	}
	for _, word := range []string{"6.5", "100 mg/L", "122"} {
		if regexp.MustCompile(`\b` + regexp.QuoteMeta(word) + `\b`).MatchString(form) { // ids hold any digits
			t.Errorf("the form shows %s: limits and previous values come after saving", word)
		}
	}
	before := w.site.View().Counts.Readings
	a := w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", bathTest("84", "6.72"))
	if a.status != 303 || w.site.View().Counts.Readings != before+1 {
		t.Fatalf("saving: %d\n%s", a.status, a.body)
	}
	shown := w.page(a.location)
	for _, want := range []string{"outside", "100 mg/L", "Stop feeding leaves", "Test again by", "deviation 1 was opened", "Never mix hypochlorite",
		"Before this", "122 mg/L", `action="/checks/bath-test/bath-1"`} {
		if !strings.Contains(shown, want) {
			t.Errorf("the result lacks %q", want)
		}
	}
}

func TestFormSentTwiceIsRecordedOnce(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.signIn("ines")
	v := bathTest("120", "6.75")
	v.Set("command", "0b0f7a54-5a0c-4f0e-9d4e-1d3f6c9a1e01")
	v.Set("opened", w.now.Format(time.RFC3339))
	first := w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", v)
	w.now = w.now.Add(3 * time.Second)
	second := w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", v)
	if first.status != 303 || second.status != 303 || !strings.Contains(second.location, "saved=again") {
		t.Fatalf("first %d %s, second %d %s", first.status, first.location, second.status, second.location)
	}
	if n := w.site.View().Counts.Readings; n != 3 { // two before the start
		t.Errorf("%d readings recorded, want 3", n)
	}
	v.Set("q.ph", "6.9")
	if a := w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", v); a.status != 409 || !strings.Contains(a.body, `value="6.9"`) {
		t.Errorf("same id, other content: %d, want 409 with what was typed kept", a.status)
	}
}

// Bad input comes back with a message at its field and with everything typed kept; nothing is stored.
func TestBadInputKeepsWhatWasTyped(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.signIn("ines")
	size := w.site.View().Size
	for name, change := range map[string]func(url.Values){
		"comma":         func(v url.Values) { v.Set("q.ph", "6,7") },
		"not a number":  func(v url.Values) { v.Set("q.ph", "NaN") },
		"1e309":         func(v url.Values) { v.Set("q.ph", "1e309") },
		"pH 40":         func(v url.Values) { v.Set("q.ph", "40") },
		"missing":       func(v url.Values) { v.Set("q.ph", "") },
		"unknown unit":  func(v url.Values) { v.Set("q.free_chlorine.unit", "furlong") },
		"future":        func(v url.Values) { v.Set("at", "2027-01-01T10:00") },
		"no time":       func(v url.Values) { v.Set("at", "tomorrow") },
		"half dilution": func(v url.Values) { v.Set("q.free_chlorine.sample", "1") },
		"another sign":  func(v url.Values) { v.Set("q.free_chlorine.sign", "about") },
		"long note": func(v url.Values) {
			v.Add("note", "foam on <the> water"+strings.Repeat("x", 4000))
			v["note"] = v["note"][1:]
		},
	} {
		v := bathTest("120.5", "6.75")
		v.Set("note", "foam on <the> water")
		v.Set("lots", "L-17, L-18")
		change(v)
		a := w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", v)
		if a.status != 422 || !strings.Contains(a.body, `class="wrong"`) {
			t.Errorf("%s: %d, want 422 with the field marked\n%s", name, a.status, a.body)
		}
		if strings.Contains(a.body, `alert">value: `) || strings.Contains(a.body, `alert">unit: `) {
			t.Errorf("%s: a person does not know the member\n%s", name, a.body)
		}
		for _, kept := range []string{`value="120.5"`, "foam on &lt;the&gt; water", "L-17, L-18"} {
			if !strings.Contains(a.body, kept) {
				t.Errorf("%s: %s was lost", name, kept)
			}
		}
	}
	if w.site.View().Size != size {
		t.Error("something was stored")
	}
}

func TestFormOfAnotherSessionIsRefusedAndKept(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.signIn("ines")
	v := bathTest("120", "6.75")
	v.Set("form_token", "forged")
	a := w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", v)
	if a.status != 403 || !strings.Contains(a.body, `value="120"`) {
		t.Errorf("forged form token: %d, want 403 with what was typed kept", a.status)
	}
}

func TestDeviceStampIsCorrectedByItsOffset(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.signIn("ines")
	v := bathTest("120", "6.75")
	v.Set("opened", w.now.Add(9*time.Minute).Format(time.RFC3339Nano)) // the device is 10 minutes fast, the form a minute old
	v.Set("sent", w.now.Add(10*time.Minute).Format(time.RFC3339Nano))
	a := w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", v)
	id := strings.TrimSuffix(strings.TrimPrefix(a.location, "/readings/"), "?saved=1")
	_, e, err := w.site.ByID(t.Context(), id)
	if err != nil {
		t.Fatal(a.status, a.body, err)
	}
	if want := w.now.Add(-time.Minute); !e.At.Equal(want) || e.AtKnown != haccp.AtDevice || e.Device.OffsetMS != 600000 {
		t.Errorf("at %s (%s), offset %v; want %s by device, 600000 ms", e.At, e.AtKnown, e.Device, want)
	}
}

func TestLineStartItemByItem(t *testing.T) {
	w := newWorld(t)
	w.signIn("leo")
	a := w.submit("/lines/line-1", "/lines/line-1/start", url.Values{"item.clean-seen": {"good"}, "item.blades-in": {"failed"}})
	if a.status != 409 || !strings.Contains(a.body, "failed and not yet re-inspected") || !strings.Contains(a.body, "without_proof") {
		t.Fatalf("start that lacks conditions: %d\n%s", a.status, a.body)
	}
	for _, b := range []string{"bath-1", "bath-2"} {
		level := exact("62", "cm")
		w.do(haccp.KindFilled, ines, &haccp.Bath{Place: b, Water: "municipal", Level: &level})
		w.now = w.now.Add(6 * time.Minute)
		w.test(b, "120", "6.75")
	}
	good := url.Values{"item.clean-seen": {"good"}, "item.blades-in": {"recleaned"}, "item.rinse-clear": {"good"}, "item.tools-out": {"good"}}
	if a := w.submit("/lines/line-1", "/lines/line-1/start", good); a.status != 303 {
		t.Fatalf("start: %d\n%s", a.status, a.body)
	}
	if !w.site.View().Running("line-1", w.now) {
		t.Fatal("the line does not run")
	}
	w.now = w.now.Add(time.Hour)
	w.signIn("leo") // an hour without a request ends a session
	if a := w.submit("/lines/line-1", "/lines/line-1/stop", url.Values{"reason": {"end of shift"}, "product": {"bath-2"}}); a.status != 303 {
		t.Fatalf("stop: %d\n%s", a.status, a.body)
	}
	if runs := w.site.View().LineRuns("line-1"); len(runs) != 1 || len(runs[0].Product) != 1 {
		t.Errorf("runs: %+v", runs)
	}
}

// A deviation from its reading to its close, each part signed on its own page.
func TestDeviationToItsClose(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.test("bath-1", "82", "6.72")
	d := w.site.View().Cases()[0]
	at := "/deviations/" + d.Deviation
	w.now = w.now.Add(2 * time.Minute)
	w.signIn("ines")
	if a := w.submit(at, at+"/fix", url.Values{"fix": {"add-hypochlorite"}, "note": {"250 mL"}}); a.status != 303 {
		t.Fatalf("fix: %d\n%s", a.status, a.body)
	}
	w.submit("/baths/bath-1/added", "/baths/bath-1/added", url.Values{"chemical": {"sodium-hypochlorite"}, "amount": {"250"}, "amount.unit": {"mL"}})
	w.now = w.now.Add(8 * time.Minute)
	w.test("bath-1", "124", "6.78")
	if strings.Contains(w.page(at), "/parts/") {
		t.Error("a technician is offered parts to sign")
	}
	if !strings.Contains(w.page(at+"/parts/closed"), "You cannot sign this. It wants: food-safety manager.") {
		t.Error("the page of a part does not say who signs it")
	}
	w.signIn("marta")
	part := func(name, password string, values url.Values) answer {
		w.now = w.now.Add(time.Minute)
		values.Set("password", password)
		return w.submit(at+"/parts/"+name, at+"/parts/"+name, values)
	}
	if a := part("closed", testPassword, url.Values{}); a.status != 409 || !strings.Contains(a.body, "<li>control restored</li>") {
		t.Errorf("closing without parts: %d\n%s", a.status, a.body)
	}
	for range 4 { // an empty field is no attempt at the password
		if a := part("control-restored", "", url.Values{"restored": {"dosed"}}); a.status != 422 || !strings.Contains(a.body, `class="wrong"`) {
			t.Errorf("no password at signing: %d", a.status)
		}
	}
	if a := part("control-restored", "a wrong password, long", url.Values{"restored": {"dosed and tested"}}); a.status != 403 ||
		!strings.Contains(a.body, "dosed and tested") || !strings.Contains(a.body, "The password is not right") {
		t.Errorf("wrong password at signing: %d, and what was typed must be kept", a.status)
	}
	if a := part("product-evaluated", testPassword, url.Values{"exposed": {"yes"}, "codes": {"L-17"}}); a.status != 422 ||
		!strings.Contains(a.body, `class="wrong"`) {
		t.Errorf("product without mass: %d", a.status)
	}
	for _, p := range []struct {
		name   string
		values url.Values
	}{
		{"control-restored", url.Values{"restored": {"dosed, mixed, tested inside"}}},
		{"product-evaluated", url.Values{"exposed": {"yes"}, "codes": {"L-17"}, "mass": {"140"}, "mass.unit": {"kg"}, "held_where": {"cold room, rack 3"},
			"evaluation": {"washed again before filleting"}, "outcome": {"released after evaluation"}}},
		{"cause-and-action", url.Values{"cause": {"feed faster than planned"}, "in_error": {"no"}, "action": {"feed stop at 110 mg/L"}}},
		{"closed", url.Values{}},
	} {
		if a := part(p.name, testPassword, p.values); a.status != 303 {
			t.Fatalf("%s: %d\n%s", p.name, a.status, a.body)
		}
	}
	if c, ok := w.site.View().Case(d.Deviation); !ok || !c.IsClosed {
		t.Fatal("the case is not closed")
	}
	log := w.page("/log")
	for _, want := range []string{"No. 1", "82 mg/L", "124 mg/L", "140 kg", "cold room, rack 3", "feed stop at 110 mg/L", "Marta Quijano", "closed",
		"Plan version 1", "America/Merida", "checkpoint", "Invented plant"} {
		if !strings.Contains(log, want) {
			t.Errorf("the log lacks %q", want)
		}
	}
	csv := w.get("/log.csv")
	if csv.status != 200 || !strings.Contains(csv.body, "feed stop at 110 mg/L") || !strings.Contains(csv.body, "Invented plant") {
		t.Errorf("log.csv: %d\n%s", csv.status, csv.body)
	}
}

// What is outside stands on the first page until a test shows it inside again.
func TestOutsideStandsOnTheFirstPage(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.signIn("ines")
	const head = "Outside: correct it and test again"
	if strings.Contains(w.page("/"), head) {
		t.Fatal("outside before any reading was")
	}
	w.test("bath-1", "82", "6.72")
	page := w.page("/")
	if _, rest, ok := strings.Cut(page, head); !ok || !strings.Contains(rest[:400], `href="/checks/bath-test/bath-1"`) {
		t.Errorf("the bath outside does not stand on the first page:\n%s", page)
	}
	w.now = w.now.Add(time.Minute)
	at := "/deviations/" + w.site.View().Cases()[0].Deviation
	w.signIn("ines")
	w.submit(at, at+"/fix", url.Values{"fix": {"add-hypochlorite"}, "note": {"250 mL"}})
	w.now = w.now.Add(10 * time.Minute)
	w.test("bath-1", "124", "6.78")
	if strings.Contains(w.page("/"), head) {
		t.Error("the bath still stands as outside after the re-test")
	}
}

// A period that ends before it begins is refused: an empty log would read as a good one.
func TestPeriodIsChecked(t *testing.T) {
	w := newWorld(t)
	w.signIn("marta")
	for path, want := range map[string]string{"from=2026-03-02&to=2026-03-01": "The last day lies before the first", "from=2026-13-40": "Write it like 2026-03-31"} {
		for _, page := range []string{"/log?", "/log.csv?", "/log.ndjson?", "/readings.csv?"} {
			if a := w.get(page + path); a.status != 422 || !strings.Contains(a.body, want) {
				t.Errorf("%s%s: %d\n%s", page, path, a.status, a.body)
			}
		}
	}
}

// What changed since the page was shown is not signed.
func TestSigningWhatChangedIsRefused(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.test("bath-1", "82", "6.72")
	d := w.site.View().Cases()[0]
	at := "/deviations/" + d.Deviation + "/parts/cause-and-action"
	w.signIn("marta")
	form := url.Values{"password": {testPassword}, "cause": {"c"}, "action": {"a"}, "in_error": {"no"}}
	for _, m := range hidden.FindAllStringSubmatch(w.page(at), -1) {
		form.Set(m[1], unescape(m[2]))
	}
	w.now = w.now.Add(time.Minute)
	w.do(haccp.KindFixDone, ines, &haccp.FixDone{Deviation: d.Deviation, Fix: "add-hypochlorite", Place: d.Place, Point: d.Point})
	if a := w.send("POST", at, form); a.status != 409 || !strings.Contains(a.body, "changed since you looked") {
		t.Errorf("%d\n%s", a.status, a.body)
	}
}

func TestAmendmentShowsOldAndNew(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.signIn("ines")
	a := w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", bathTest("121", "6.75"))
	id := strings.TrimSuffix(strings.TrimPrefix(a.location, "/readings/"), "?saved=1")
	w.now = w.now.Add(time.Minute)
	v := bathTest("112", "6.75")
	v.Set("reason", "figures swapped")
	if a := w.submit("/records/"+id+"/amend", "/records/"+id+"/amend", v); a.status != 303 {
		t.Fatalf("amend: %d\n%s", a.status, a.body)
	}
	shown := w.page("/readings/" + id)
	for _, want := range []string{"121 mg/L", "112 mg/L", "figures swapped", "report amended"} {
		if !strings.Contains(shown, want) {
			t.Errorf("the reading lacks %q", want)
		}
	}
	v.Set("reason", "")
	if a := w.submit("/records/"+id+"/void", "/records/"+id+"/void", url.Values{"reason": {"wrong bath"}}); a.status != 303 {
		t.Errorf("void: %d\n%s", a.status, a.body)
	}
	if !strings.Contains(w.page("/log"), "wrong bath") {
		t.Error("the log lacks the void")
	}
}

func TestPeopleIsForTheAdministrator(t *testing.T) {
	w := newWorld(t)
	w.signIn("ines")
	if a := w.get("/people"); a.status != 403 {
		t.Errorf("a technician sees the people: %d", a.status)
	}
	w.signIn("ana")
	a := w.submit("/people", "/people", url.Values{"name": {"Rosa Beltrán"}, "sign_in": {"rosa"}, "role": {haccp.RoleTechnician}})
	code := regexp.MustCompile(`class="code">([0-9a-z-]+)<`).FindStringSubmatch(a.body)
	if a.status != 200 || code == nil {
		t.Fatalf("add: %d\n%s", a.status, a.body)
	}
	w.cookies = map[string]string{}
	if a := w.submit("/set-up", "/set-up", url.Values{"name": {"rosa"}, "code": {code[1]}, "password": {"paper boats at noon"}}); a.status != 303 {
		t.Errorf("set up: %d\n%s", a.status, a.body)
	}
	if !strings.Contains(w.page("/"), "Rosa Beltrán") {
		t.Error("Rosa is not signed in")
	}
}
