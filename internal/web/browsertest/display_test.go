package browsertest

import (
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// The sizes of the screens that the line display is made for: a wall, a desk, an upright tablet.
var screens = [][2]int64{{1920, 1080}, {1280, 800}, {800, 1280}}

// far lists what is too small to be read from three metres: characters of values, states and ages lower than a sixtieth
// of the height of the screen (the least of ISO 9241-303, 16 minutes of arc, on a screen of 32 inches at 3 m is 14 mm of
// its 400 mm for what matters; the values are far larger).
const far = `[...document.querySelectorAll(".point.main .number, .mark.real, .row .much b, .head .time")]
	.filter(e => e.checkVisibility() && parseFloat(getComputedStyle(e).fontSize) < innerHeight / 60).map(e => e.className + ": " + e.textContent)`

// cut lists what lies outside the screen or outside its tile.
const cut = `[...document.querySelectorAll("main *")].filter(e => { const r = e.getBoundingClientRect(); if (!e.checkVisibility() || !r.width) return false;
	const t = e.closest("article, aside"), b = t ? t.getBoundingClientRect() : {right: innerWidth, bottom: innerHeight};
	return r.right > Math.min(innerWidth, b.right) + 1 && getComputedStyle(e.parentElement).textOverflow !== "ellipsis" || r.bottom > Math.min(innerHeight, b.bottom) + 1 })
	.map(e => e.tagName + "." + e.className + ": " + e.textContent.trim().slice(0, 30)).slice(0, 6)`

// atWork serves the plant in the middle of a shift: what stands on the display is then the most.
func atWork(t *testing.T) *plant {
	t.Helper()
	p, stop, err := startPlant(t.TempDir(), "--at", "2026-11-24T15:32:00Z")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(stop)
	return p
}

// The line display fits its screens without scrolling, in both languages, light and dark.
func TestDisplayFits(t *testing.T) {
	v := openAt(t, atWork(t))
	v.signIn("marisol")
	for _, lang := range []string{"en", "es"} {
		for _, theme := range []string{"light", "dark"} {
			for _, s := range screens {
				v.do(chromedp.EmulateViewport(s[0], s[1]))
				v.go_("/display?theme=" + theme + "&lang=" + lang)
				where := fmt.Sprintf("%s %s %dx%d", lang, theme, s[0], s[1])
				if got := eval[[]string](v, cut); len(got) > 0 {
					t.Errorf("%s: cut off: %q", where, got)
				}
				if got := eval[[]string](v, far); len(got) > 0 {
					t.Errorf("%s: too small from three metres: %q", where, got)
				}
				shot(v, fmt.Sprintf("display-%s-%s-%dx%d.png", lang, theme, s[0], s[1]))
			}
		}
	}
}

// shot writes a picture of the screen.
func shot(v *visit, name string) {
	v.t.Helper()
	dir := os.Getenv("LINEWARDEN_LOOK")
	if dir == "" {
		return
	}
	picture, err := chromedp.Run(v.ctx, chromedp.CaptureScreenshot())
	if err != nil {
		v.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name), picture, 0o600); err != nil {
		v.t.Fatal(err)
	}
}

// When the server is not heard any more the page says so and takes every state back, while ages run on; when it is heard
// again all comes back by itself.
func TestDisplayWithoutConnection(t *testing.T) {
	v := openAt(t, atWork(t))
	v.signIn("marisol")
	v.do(chromedp.EmulateViewport(1280, 800))
	v.go_("/display?lang=en")
	if n := eval[int](v, `document.querySelectorAll("[data-tile]").length`); n < 4 {
		t.Fatalf("%d tiles", n)
	}
	if eval[bool](v, `document.querySelector(".lost").checkVisibility()`) {
		t.Fatal("the connection is said to be lost at once")
	}
	offline := func(on bool) {
		t.Helper()
		p := network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: []*network.Conditions{{Offline: on, DownloadThroughput: -1, UploadThroughput: -1}}}
		if _, err := chromedp.Call(v.ctx, network.EmulateNetworkConditionsByRule, p); err != nil {
			t.Fatal(err)
		}
	}
	until := func(what, expression string) {
		t.Helper()
		for end := time.Now().Add(40 * time.Second); !eval[bool](v, expression); time.Sleep(300 * time.Millisecond) {
			if time.Now().After(end) {
				shot(v, "display-fault.png")
				t.Fatalf("%s never came:\n%s", what, v.text())
			}
		}
	}
	offline(true)
	until("the word of a lost connection", `document.querySelector(".lost").checkVisibility()`)
	until("every state taken back", `[...document.querySelectorAll("[data-tile]")].every(e => e.classList.contains("stale") && !e.querySelector(".real").checkVisibility() && e.querySelector(".gone").checkVisibility())`)
	shot(v, "display-lost-1280x800.png")
	offline(false)
	until("the connection", `!document.querySelector(".lost").checkVisibility()`)
	until("the states", `[...document.querySelectorAll("[data-tile]")].some(e => !e.classList.contains("stale") && e.querySelector(".real").checkVisibility())`)
}
