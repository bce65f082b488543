package browsertest

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"linewarden/haccp"
)

// scan types a badge into the open dialog as a scanner does: fast, and Enter behind it.
func (b *tablet) scan(badge string) {
	b.t.Helper()
	b.do(chromedp.SendKeys(`#who-pin`, badge+"\r"))
}

// Badges at a tablet: with network, lost and revoked, without network, and by the camera.
func TestBadgeOnATablet(t *testing.T) {
	h := newHouse(t)
	h.pins(map[string]string{"marisol": marisolPIN})
	b := newTablet(t, h, shared.browser, "http://"+h.wire.addr)
	b.signInPIN("marisol", marisolPIN)
	badge := func(person string) string {
		text, err := h.app.Door().IssueBadge(t.Context(), "perla", person, h.now())
		h.must(err)
		return text
	}
	marisol, gaspar := badge("marisol"), badge("gaspar")
	b.signInPIN("marisol", marisolPIN) // a new badge ended the session
	began := h.now()
	form := func() {
		b.go_("/checks/bath-test/bath-1")
		b.ready()
		b.bathTest("124", "6.75")
	}
	known := func(n int) *haccp.Event {
		t.Helper()
		got := h.readings(began)
		if len(got) != n {
			t.Fatalf("%d readings, not %d:\n%s", len(got), n, b.text())
		}
		return got[n-1]
	}

	// Somebody else scans, whoever is chosen in the dialog: the badge says who.
	form()
	eval[bool](b.visit, `window.before = true`)
	b.scan(gaspar)
	b.left("scanning")
	if e := known(1); e.By.ID != "gaspar" || e.By.Known != haccp.KnownBadge {
		t.Errorf("recorded by %+v", e.By)
	}

	// Revoked: nothing that was typed is lost, and the PIN goes on working.
	h.must(h.app.Door().RevokeBadge(t.Context(), "perla", "gaspar", h.now()))
	b.later(time.Minute)
	form()
	b.scan(gaspar)
	b.comesTrue(`document.getElementById("who-wrong").textContent.includes("was revoked")`)
	eval[bool](b.visit, `window.before = true`)
	b.as("marisol", marisolPIN)
	b.left("saving")
	if e := known(2); e.By.ID != "marisol" || e.By.Known != haccp.KnownPIN {
		t.Errorf("recorded by %+v", e.By)
	}

	// By the camera, where the browser reads codes; here a camera and a reader that a test brings along.
	b.later(time.Minute)
	b.go_("/checks/bath-test/bath-1")
	b.ready()
	eval[bool](b.visit, fmt.Sprintf(`(() => { const c = document.createElement("canvas"), x = c.getContext("2d"); setInterval(() => x.fillRect(0, 0, Math.random() * 9, 9), 50);
		Object.defineProperty(navigator, "mediaDevices", { configurable: true, value: { getUserMedia: async () => c.captureStream(5) } });
		globalThis.BarcodeDetector = class { async detect() { return [{ rawValue: "https://elsewhere.example" }, { rawValue: %q }] } }; return true })()`, marisol))
	b.bathTest("124", "6.75")
	b.comesTrue(`document.getElementById("who-camera").checkVisibility()`)
	lookAt(b.visit, "tablet", "/badge-dialog", "en", 800)
	eval[bool](b.visit, `window.before = true`)
	eval[bool](b.visit, `document.getElementById("who-camera").click(), true`)
	b.left("the camera")
	if e := known(3); e.By.ID != "marisol" || e.By.Known != haccp.KnownBadge {
		t.Errorf("recorded by %+v", e.By)
	}

	// Without network a badge that was used here before is known; one that was not gives nobody leave.
	b.later(time.Minute)
	b.go_("/checks/bath-test/bath-1")
	b.ready()
	h.wire.set(true)
	b.bathTest("124", "6.75")
	b.scan("LWB1" + strings.Repeat("7", 26))
	b.comesTrue(`document.getElementById("who-wrong").textContent.includes("was not used on this tablet")`)
	b.scan(marisol)
	b.comesTrue(`!!document.getElementById("result")`)
	h.wire.set(false)
	for end := time.Now().Add(patience); len(h.readings(began)) < 4 && time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
	}
	if e := known(4); e.By.ID != "marisol" || e.By.Known == haccp.KnownPassword {
		t.Errorf("recorded by %+v", e.By)
	} else {
		t.Logf("without network: known by %s", e.By.Known)
	}
}

// The page of badges makes one, shows it once, and says what it is not.
func TestBadgePage(t *testing.T) {
	v := open(t)
	v.signIn("perla")
	v.go_("/badges?lang=en")
	v.wants("It is not a signature", "does not prove who held it")
	v.press(`form[action^="/badges/"] button[value=issue]`)
	v.wants("it is shown once")
	if n := eval[int](v, `document.querySelectorAll(".slip svg path").length`); n == 0 {
		t.Error("no code to print")
	}
	look(v, "perla", "/badges-new", "en", 800)
	v.go_("/badges")
	if eval[bool](v, `!!document.querySelector(".slip")`) {
		t.Error("shown twice")
	}
	v.wants("has a badge")
	check(v, "perla", "/badges")
}
