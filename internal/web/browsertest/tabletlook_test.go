package browsertest

import (
	"testing"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// tabletPages are what an enrolled tablet shows to whoever stands before it.
var tabletPages = []string{"/", "/places", "/checks/bath-test/bath-1", "/baths/bath-1/added", "/baths/bath-1/filled", "/waiting", "/device/offline", "/sign-in"}

// What a tablet shows fits a phone and a desk too, in both languages: its pages, the keypad, the question who it is, and
// what it says without network.
func TestTabletPages(t *testing.T) {
	h := newHouse(t)
	h.pins(map[string]string{"marisol": marisolPIN, "gaspar": gasparPIN})
	b := newTablet(t, h, shared.browser, "http://"+h.wire.addr)
	for _, path := range tabletPages {
		b.go_(path)
		check(b.visit, "tablet", path)
	}
	for _, lang := range []string{"en", "es"} {
		h.wire.set(false)
		if _, err := chromedp.Call(b.ctx, network.SetCookie, network.SetCookieParams{Name: "lang", Value: lang, URL: b.url}); err != nil {
			t.Fatal(err)
		}
		b.signInPIN("gaspar", gasparPIN)
		b.signInPIN("marisol", marisolPIN)
		b.go_("/checks/bath-test/bath-1")
		b.ready()
		h.wire.set(true)
		fits := func(what string) {
			t.Helper()
			for _, w := range widths {
				b.do(chromedp.EmulateViewport(w, 900), chromedp.Sleep(50e6))
				lookAt(b.visit, "tablet", what, lang, w)
				if over := eval[int64](b.visit, `document.documentElement.scrollWidth`); over > w {
					t.Errorf("%s in %s is %d px wide on %d px: %s", what, lang, over, w, eval[string](b.visit, widest))
				}
			}
		}
		b.do(chromedp.Click(`[id="q.free_chlorine"]`))
		fits("keypad")
		b.bathTest("84", "6.15")
		fits("who")
		b.as("marisol", marisolPIN)
		b.comesTrue(`!!document.getElementById("result")`)
		fits("result")
		b.go_("/waiting")
		b.comesTrue(`document.querySelectorAll("#waiting-list li").length > 0`)
		fits("waiting")
		b.go_("/")
		b.comesTrue(`!!document.querySelector(".kept")`)
		eval[bool](b.visit, `document.getElementById("ring").hidden = false, document.querySelector("#ring ul").innerHTML = "<li><a href='/'>Wash bath 1 · Bath test</a></li>", true`)
		fits("due")
	}
}
