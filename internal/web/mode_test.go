package web

import (
	"net/url"
	"strings"
	"testing"
)

// The mode is the device's: it is there before anybody signs in, stays, and nothing but the known words gets into the page.
func TestModeOfADevice(t *testing.T) {
	w := newWorld(t)
	if p := w.page("/sign-in"); strings.Contains(p, "data-mode") || !strings.Contains(p, `content="light dark"`) ||
		!strings.Contains(p, `value="device" aria-pressed="true"`) {
		t.Errorf("without a choice the device says it:\n%s", p)
	}
	for mode, scheme := range map[string]string{"light": "light", "dark": "dark", "sunlight": "light"} {
		a := w.send("POST", "/mode", url.Values{"mode": {mode}, "back": {"/sign-in"}})
		if a.status != 303 || a.location != "/sign-in" {
			t.Fatalf("%s: %d to %q", mode, a.status, a.location)
		}
		p := w.page("/sign-in")
		if !strings.Contains(p, `data-mode="`+mode+`"`) || !strings.Contains(p, `name="color-scheme" content="`+scheme+`"`) ||
			!strings.Contains(p, `value="`+mode+`" aria-pressed="true"`) {
			t.Errorf("%s is not kept:\n%s", mode, p)
		}
	}
	w.send("POST", "/mode", url.Values{"mode": {`dark" onload="x`}, "back": {"//evil.test"}})
	if p := w.page("/sign-in"); strings.Contains(p, "data-mode") {
		t.Error("a mode that does not exist is kept")
	}
	if a := w.send("POST", "/mode", url.Values{"mode": {"dark"}, "back": {"//evil.test"}}); a.location != "/" {
		t.Errorf("it leads to %q", a.location)
	}
}
