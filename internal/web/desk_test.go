package web

import (
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
)

func TestReviewCoversWhatWasShown(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.test("bath-1", "82", "6.72")
	w.signIn("marta")
	size := w.site.Head().Size
	page := w.page("/review")
	for _, want := range []string{"records 1 to ", "outside", "82 mg/L"} {
		if !strings.Contains(page, want) {
			t.Errorf("the review lacks %q", want)
		}
	}
	if a := w.submit("/review", "/review", url.Values{"password": {"wrong password here"}}); a.status != 403 || len(w.site.View().Reviews) != 0 {
		t.Errorf("wrong password: %d, %v", a.status, w.site.View().Reviews)
	}
	if a := w.submit("/review", "/review", url.Values{"password": {testPassword}, "findings": {"Bath 1 was low at the start."}}); a.status != 303 {
		t.Fatalf("review: %d\n%s", a.status, a.body)
	}
	if got := w.site.View().Reviews; len(got) != 1 || got[0] != (haccp.ReviewSpan{From: 1, To: size}) {
		t.Errorf("reviewed %v, want 1 to %d", got, size)
	}
	// What came after the page was shown is not covered by what is signed on it.
	body := w.page("/review")
	w.test("bath-2", "119", "6.81")
	form := hiddenOf(body, "/review")
	form.Set("password", testPassword)
	shown := w.site.Head().Size - 1
	if a := w.send("POST", "/review", form); a.status != 303 || w.site.View().Reviews[0].To != shown {
		t.Errorf("%d: reviewed %v, want up to %d", a.status, w.site.View().Reviews, shown)
	}
}

func hiddenOf(body, action string) url.Values {
	i := strings.Index(body, `action="`+action+`"`)
	form := url.Values{}
	for _, m := range hidden.FindAllStringSubmatch(body[i:i+strings.Index(body[i:], "</form>")], -1) {
		form.Set(m[1], unescape(m[2]))
	}
	return form
}

// Who may not sign does not see the form, and is told who may.
func TestWhoMayNotSignIsToldWhoMay(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.test("bath-1", "82", "6.72")
	id := w.site.View().Cases()[0].Deviation
	w.signIn("olga")
	for _, path := range []string{"/deviations/" + id + "/parts/closed", "/review"} {
		page := w.page(path)
		if strings.Contains(page, `type="password"`) || !strings.Contains(page, "You cannot sign this. It wants: food-safety manager") {
			t.Errorf("%s:\n%s", path, page)
		}
	}
	if a := w.upload("/plan/new", w.planSource()); a.status != 200 || strings.Contains(a.body, `type="password"`) || !strings.Contains(a.body, "It is signed by: ") {
		t.Errorf("plan: %d\n%s", a.status, a.body)
	}
}

func TestNewPlanVersion(t *testing.T) {
	w := newWorld(t)
	w.signIn("marta")
	src := w.planSource()
	line := 1 + strings.Count(src[:strings.Index(src, "\nzone:")+1], "\n")
	a := w.upload("/plan/new", strings.Replace(src, "\nzone:", "\nzoone:", 1))
	if a.status != 422 || !strings.Contains(a.body, "line "+strconv.Itoa(line)+", column 1:") || strings.Contains(a.body, "/plan/sign") {
		t.Fatalf("a fault: %d, want line %d\n%s", a.status, line, a.body)
	}
	a = w.upload("/plan/new", strings.Replace(src, "min: 100 mg/L", "min: 102 mg/L", 1))
	for _, want := range []string{"100 mg/L", "102 mg/L", "control points › ", "at least"} {
		if a.status != 200 || !strings.Contains(a.body, want) {
			t.Fatalf("check: %d lacks %q\n%s", a.status, want, a.body)
		}
	}
	if n := strings.Count(a.body[strings.Index(a.body, `class="diff stack"`):], "<tr>"); n != 2 {
		t.Errorf("%d rows of differences and head, want 2", n)
	}
	form := hiddenOf(a.body, "/plan/sign")
	area := regexp.MustCompile(`(?s)id="signed"[^>]*>\n(.*?)</textarea>`).FindStringSubmatch(a.body)
	form.Set("source", strings.ReplaceAll(unescape(area[1]), "\n", "\r\n")) // as a browser sends it
	form.Set("password", testPassword)
	if a := w.send("POST", "/plan/sign", form); a.status != 422 || !strings.Contains(a.body, `alert">`) || len(w.site.View().Plans) != 1 {
		t.Errorf("without a reason: %d", a.status)
	}
	form.Set("reason", "validated anew")
	if a := w.send("POST", "/plan/sign", form); a.status != 303 || a.location != "/plan?version=2" {
		t.Fatalf("sign: %d %s\n%s", a.status, a.location, a.body)
	}
	if page := w.page("/plan?version=2"); !strings.Contains(page, "What changed since version 1") || !strings.Contains(page, "102 mg/L") {
		t.Error("the new version does not show what changed")
	}
	if a := w.upload("/plan/new", "x"+strings.Repeat(" ", 900_000)); a.status != 422 {
		t.Errorf("a file that is too large: %d", a.status)
	}
}

func TestEnrolTablet(t *testing.T) {
	w := newWorld(t)
	w.signIn("ines")
	if a := w.get("/devices"); a.status != 403 {
		t.Errorf("a technician sees the devices: %d", a.status)
	}
	w.signIn("ana")
	a := w.submit("/devices", "/devices", url.Values{"name": {"Tablet at bath 1"}, "kind": {"tablet"}})
	token := regexp.MustCompile(`<p class="code long">(tablet\.[^<]+)</p>`).FindStringSubmatch(a.body)
	if a.status != 200 || token == nil || !strings.Contains(a.body, `class="qr"`) {
		t.Fatalf("enrol: %d\n%s", a.status, a.body)
	}
	if strings.Contains(w.page("/devices"), token[1]) {
		t.Error("the token is shown a second time")
	}
	w.cookies = map[string]string{} // on the tablet
	if a := w.send("POST", "/enrol", url.Values{"token": {token[1] + "x"}}); a.status != 422 || w.cookies["linewarden-device"] != "" {
		t.Errorf("altered token: %d", a.status)
	}
	if a := w.send("POST", "/enrol", url.Values{"token": {token[1]}}); a.status != 200 || w.cookies["linewarden-device"] == "" {
		t.Fatalf("token: %d\n%s", a.status, a.body)
	}
	if !strings.Contains(w.page("/sign-in"), `name="pin"`) {
		t.Error("the tablet does not ask for a PIN")
	}
	tablet := w.cookies["linewarden-device"]
	w.signIn("ines")
	if a := w.submit("/me", "/me/pin", url.Values{"pin": {"8316"}, "again": {"8361"}, "present": {testPassword}}); a.status != 422 {
		t.Errorf("two different PINs: %d", a.status)
	}
	if a := w.submit("/me", "/me/pin", url.Values{"pin": {"8316"}, "again": {"8316"}, "present": {"wrong password here"}}); a.status != 403 {
		t.Errorf("wrong password: %d", a.status)
	}
	if a := w.submit("/me", "/me/pin", url.Values{"pin": {"1234"}, "again": {"1234"}, "present": {testPassword}}); a.status != 422 {
		t.Errorf("a weak PIN: %d\n%s", a.status, a.body)
	}
	if a := w.submit("/me", "/me/pin", url.Values{"pin": {"8316"}, "again": {"8316"}, "present": {testPassword}}); a.status != 303 {
		t.Fatalf("PIN: %d\n%s", a.status, a.body)
	}
	w.cookies = map[string]string{"linewarden-device": tablet}
	if a := w.send("POST", "/sign-in", url.Values{"name": {"ines"}, "pin": {"8316"}}); a.status != 303 {
		t.Errorf("sign in by PIN: %d\n%s", a.status, a.body)
	}
	w.signIn("ana")
	dev := w.site.View().Devices()[0].ID
	if a := w.submit("/devices", "/devices/"+dev, url.Values{}); a.status != 303 || w.site.View().Devices()[0].Revoked.IsZero() {
		t.Errorf("revoke: %d", a.status)
	}
}

func TestWrongBathIsPutRightInOneCommand(t *testing.T) {
	w := newWorld(t)
	w.running()
	w.signIn("ines")
	a := w.submit("/checks/bath-test/bath-1", "/checks/bath-test/bath-1", bathTest("121", "6.75"))
	id := strings.TrimSuffix(strings.TrimPrefix(a.location, "/readings/"), "?saved=1")
	at := "/records/" + id + "/replace"
	w.now = w.now.Add(5 * time.Minute)
	v := bathTest("121", "6.75")
	v.Set("place", "bath-2")
	v.Set("at", w.now.Add(-5*time.Minute).In(w.site.View().Zone()).Format("2006-01-02T15:04")) // a browser leaves :00 out
	if a := w.submit(at, at, v); a.status != 422 {
		t.Errorf("without a reason: %d", a.status)
	}
	before := w.site.Head().Size
	v.Set("reason", "wrong bath")
	if a := w.submit(at, at, v); a.status != 303 {
		t.Fatalf("replace: %d\n%s", a.status, a.body)
	}
	if n := w.site.Head().Size - before; n != 2 {
		t.Errorf("%d records, want the void and the new report", n)
	}
	_, e, err := w.site.Record(t.Context(), before+2)
	if err != nil {
		t.Fatal(err)
	}
	_, old, err := w.site.ByID(t.Context(), id)
	if err != nil {
		t.Fatal(err)
	}
	if r, ok := e.Body.(*haccp.Reading); !ok || r.Place != "bath-2" || !e.At.Equal(old.At) {
		t.Errorf("in its place: %+v at %s, want bath-2 at %s", e.Body, e.At, old.At)
	}
	// A wrong time of another person's outside reading is the manager's to put right.
	w.test("bath-1", "82", "6.72")
	low := "/records/" + w.readingOf("bath-1") + "/replace"
	w.now = w.now.Add(time.Minute)
	w.signIn("marta")
	v = bathTest("82", "6.72")
	v.Set("place", "bath-1")
	v.Set("at", w.now.Add(-20*time.Minute).In(w.site.View().Zone()).Format("2006-01-02T15:04:05"))
	v.Set("reason", "the clock on the wall is 20 minutes fast")
	v.Set("password", testPassword)
	if a := w.submit(low, low, v); a.status != 303 {
		t.Errorf("replace by the manager: %d\n%s", a.status, a.body)
	}
}

// readingOf gives the newest reading at a place.
func (w *world) readingOf(place string) string {
	w.t.Helper()
	for seq := w.site.Head().Size; seq > 0; seq-- {
		_, e, err := w.site.Record(w.t.Context(), seq)
		w.must(err)
		if r, ok := e.Body.(*haccp.Reading); ok && r.Place == place {
			return e.ID
		}
	}
	w.t.Fatal("no reading at " + place)
	return ""
}

func TestNote(t *testing.T) {
	w := newWorld(t)
	w.signIn("ines")
	a := w.submit("/notes", "/notes", url.Values{"text": {"Foam on <bath> 1"}, "place": {"bath-1"}})
	if a.status != 303 || !strings.Contains(w.page(a.location), "Foam on &lt;bath&gt; 1") {
		t.Fatalf("note: %d %s", a.status, a.location)
	}
	if a := w.submit("/notes", "/notes", url.Values{"text": {" "}, "place": {"bath-1"}}); a.status != 422 || !strings.Contains(a.body, "aria-invalid") {
		t.Errorf("an empty note: %d", a.status)
	}
	w.signIn("olga")
	if a := w.get("/notes"); a.status != 403 {
		t.Errorf("an auditor writes a note: %d", a.status)
	}
}
