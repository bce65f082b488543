package browsertest

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
)

// The widths of a phone, a tablet and a desk, in CSS pixels.
var widths = []int64{360, 800, 1280}

// unlinked are pages that no link of another page leads to, by who can see them.
var unlinked = map[string][]string{
	"nobody": {"/sign-in", "/set-up", "/enrol", "/tablets", "/no-such-page"},
	"perla":  {"/no-such-page", "/first-run"},
}

// typedReading logs a reading far outside with a time typed by hand, and gives its page: it leads to what else can be done.
func typedReading(v *visit) string {
	v.t.Helper()
	v.signIn("marisol")
	v.go_("/checks/bath-test/bath-1")
	eval[bool](v, `document.querySelector("main form[data-stamp] [name=at]").value = "2026-11-24T09:24:00", true`)
	bathTest(v, "62", "6.75")
	return v.path()
}

// On every page that the program has a route for, in both languages and all modes: no rule of WCAG 2.2 AA is broken,
// nothing scrolls sideways on a phone or with text twice as large, with every part unfolded, whatever takes the keyboard
// shows it, nothing is too small for a glove, no script or style stands within the page, and it is light enough.
func TestEveryPage(t *testing.T) {
	p := atWork(t)
	routes := pageRoutes(t)
	seen := map[string]bool{}
	typed := typedReading(openAt(t, p))
	for _, person := range []string{"herminia", "marisol", "gaspar", "ismael", "perla"} {
		t.Run(person, func(t *testing.T) {
			v := openAt(t, p)
			v.signIn(person)
			for _, address := range crawl(v, routes, person, append(unlinked[person], typed)...) {
				seen[routeOf(routes, address)] = true
			}
		})
	}
	t.Run("nobody", func(t *testing.T) {
		v := openAt(t, p)
		for _, path := range unlinked["nobody"] {
			v.go_(path)
			check(v, "nobody", path)
			seen[routeOf(routes, path)] = true
		}
	})
	for _, path := range tabletPages { // TestTabletPages looks at them
		seen[routeOf(routes, path)] = true
	}
	for _, r := range routes {
		if !seen[r] {
			t.Errorf("nobody came to a page of %s: no link leads there in the demo, or it is no page (see notPages and unlinked)", r)
		}
	}
}

// checked are the makings of pages that were looked at already: the next who comes to such a one only opens it.
var checked = map[string]bool{}

// making says what a page is made of: its route, its forms and what its pieces are.
const making = `[...new Set([...document.querySelectorAll("main form")].map(f => "form " + (f.getAttribute("action") || "").replace(/[^/]*[0-9][^/]*/g, "x"))
	.concat([...document.querySelectorAll("main [class]")].map(e => e.tagName + "." + e.getAttribute("class"))))].sort().join(" ")`

// crawl follows the links of the pages that a person sees, and of some more, a few of each route, and gives their addresses.
func crawl(v *visit, routes []string, person string, also ...string) []string {
	v.t.Helper()
	wait, all, many := append([]string{"/"}, also...), []string{}, map[string]int{}
	for len(wait) > 0 {
		path := wait[0]
		wait = wait[1:]
		v.go_(in(path, "en"))
		all = append(all, path)
		route := routeOf(routes, path)
		if made := route + " " + eval[string](v, making); !checked[made] {
			checked[made] = true
			checkIn(v, person, route, "en")
			v.go_(in(path, "es"))
			checkIn(v, person, route, "es")
		}
		for _, next := range eval[[]string](v, `[...document.querySelectorAll("main a[href^='/'], .ways a[href^='/']")].map(a => a.pathname + a.search)`) {
			r := routeOf(routes, next)
			if r != "" && many[r] < perRoute && !slices.Contains(all, next) && !slices.Contains(wait, next) {
				many[r]++
				wait = append(wait, next)
			}
		}
	}
	return all
}

// perRoute is how many addresses of a route a person opens.
const perRoute = 2

func looking() bool { return os.Getenv("LINEWARDEN_LOOK") != "" }

// in gives an address in a language.
func in(address, lang string) string {
	if strings.Contains(address, "?") {
		return address + "&lang=" + lang
	}
	return address + "?lang=" + lang
}

// check opens the page in both languages and looks at it.
func check(v *visit, person, kind string) {
	v.t.Helper()
	address := eval[string](v, `location.pathname + location.search`)
	for _, lang := range []string{"en", "es"} {
		v.go_(in(address, lang))
		checkIn(v, person, kind, lang)
	}
}

// checkIn looks at the page as it is open.
func checkIn(v *visit, person, kind, lang string) {
	v.t.Helper()
	where := kind + " as " + person + " in " + lang
	if got := eval[string](v, `document.documentElement.lang`); got != lang {
		v.t.Errorf("%s: the page says it is in %s", where, got)
	}
	if looking() {
		for _, w := range widths {
			v.do(chromedp.EmulateViewport(w, 900))
			look(v, person, kind, lang, w)
		}
		for _, mode := range []string{"dark", "sunlight"} {
			inMode(v, mode)
			look(v, person, kind, lang+"-"+mode, widths[2])
		}
	}
	v.do(chromedp.EmulateViewport(widths[0], 900)) // what fits on a phone fits on what is wider
	eval[bool](v, `document.querySelectorAll("main details").forEach(d => d.open = true), true`)
	fits(v, where, widths[0])
	stands(v, where)
	for _, mode := range slices.Sorted(maps.Keys(modes)) {
		inMode(v, mode)
		if mode == "light" {
			accessible(v, where)
		} else {
			accessible(v, where+" in mode "+mode, modes[mode]...)
		}
	}
	fits(v, where+" with text twice as large", widths[0])
	enlarge(v, 1)
}

// fits says what makes the page wider than the screen.
func fits(v *visit, where string, width int64) {
	v.t.Helper()
	if over := eval[int64](v, `document.documentElement.scrollWidth`); over > width {
		v.t.Errorf("%s is %d px wide on %d px: %s", where, over, width, eval[string](v, widest))
	}
}

// textSize is the size of text in CSS pixels that browsers start with.
const textSize = 16

// enlarge sets the size of text of the browser's settings.
func enlarge(v *visit, times int64) {
	v.t.Helper()
	p := page.SetFontSizesParams{FontSizes: &page.FontSizes{Standard: textSize * times, Fixed: 13 * times}}
	if _, err := chromedp.Call(v.ctx, page.SetFontSizes, p); err != nil {
		v.t.Fatal(err)
	}
}

// stands checks what holds of a page whatever its mode.
func stands(v *visit, where string) {
	v.t.Helper()
	if n := eval[int](v, `document.querySelectorAll("h1").length`); n != 1 || eval[string](v, `document.title`) == "" {
		v.t.Errorf("%s: %d headings of the first order, title %q", where, n, eval[string](v, `document.title`))
	}
	if small := eval[[]string](v, tooSmall); len(small) > 0 {
		v.t.Errorf("%s: too small for a glove: %v", where, small)
	}
	if in := eval[[]string](v, inline); len(in) > 0 {
		v.t.Errorf("%s: script or style within the page: %v", where, in)
	}
	if dark := eval[[]string](v, unseenFocus); len(dark) > 0 {
		v.t.Errorf("%s: where the keyboard is does not show, or it comes there out of order: %v", where, dark)
	}
	if w := eval[int](v, weight); w > heaviest {
		v.t.Errorf("%s: %d bytes before pictures", where, w)
	}
}

// heaviest is what a page may weigh before pictures, with styles and scripts, as sent.
const heaviest = 100_000

// weight adds up what was sent for the page, without the pictures drawn in it.
const weight = `performance.getEntriesByType("navigation").concat(performance.getEntriesByType("resource").filter(r => ["link", "script", "css"].includes(r.initiatorType)))
	.reduce((n, r) => n + r.encodedBodySize, 0) - [...document.querySelectorAll("svg")].reduce((n, s) => n + new Blob([s.outerHTML]).size, 0)`

// inline lists what the content policy forbids.
const inline = `[...document.querySelectorAll("*")].filter(e => e.tagName === "STYLE" || e.tagName === "SCRIPT" && !e.src || e.hasAttribute("style") && !e.closest(".keypad") ||
	e.getAttributeNames().some(n => n.startsWith("on"))).map(e => e.outerHTML.slice(0, 80))`

// unseenFocus gives the keyboard to one thing after another and lists where no line around it shows that, and what has an
// order of its own.
const unseenFocus = `[...document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex]")]
	.filter(e => e.checkVisibility() && !e.disabled && e.tabIndex >= 0).filter(e => {
		if (e.tabIndex > 0) return true;
		e.focus({preventScroll: true, focusVisible: true});
		if (document.activeElement !== e) return !e.matches("input[type=radio]");
		const s = getComputedStyle(e);
		return s.outlineStyle === "none" || parseFloat(s.outlineWidth) < 2;
	}).map(e => e.outerHTML.slice(0, 100))`

// widest names what reaches furthest to the right.
const widest = `[...document.querySelectorAll("main *, header *, nav *")].filter(e => !e.closest(".wide") && e.getBoundingClientRect().right > innerWidth)
	.map(e => e.tagName + "." + e.className + ": " + (e.textContent || "").slice(0, 40)).slice(0, 4).join(" | ")`

// tooSmall lists buttons, fields and links that stand alone lower than 44 CSS pixels (WCAG 2.2, 2.5.5, level AAA): hands here
// are wet and gloved. Links within a sentence are exempt there.
const tooSmall = `[...document.querySelectorAll("button, input:not([type=hidden], [type=checkbox], [type=radio], [type=range]), select, textarea, summary, a.btn, a.row, .ways a, label:has(> input)")]
	.filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 44).map(e => Math.round(e.getBoundingClientRect().height) + " px: " + e.outerHTML.slice(0, 80))`

// look writes a picture of the whole page.
func look(v *visit, person, kind, lang string, width int64) {
	v.t.Helper()
	if !looking() {
		return
	}
	picture, err := chromedp.Run(v.ctx, chromedp.FullScreenshot(90))
	keep(v, picture, err, person, kind, lang, width)
}

// lookAt writes a picture of what the screen shows, with what lies over the page.
func lookAt(v *visit, person, kind, lang string, width int64) {
	v.t.Helper()
	if !looking() {
		return
	}
	picture, err := chromedp.Run(v.ctx, chromedp.CaptureScreenshot())
	keep(v, picture, err, person, kind, lang, width)
}

func keep(v *visit, picture []byte, err error, person, kind, lang string, width int64) {
	v.t.Helper()
	dir := os.Getenv("LINEWARDEN_LOOK")
	if err != nil {
		v.t.Fatal(err)
	}
	name := fmt.Sprintf("%s-%s-%s-%d.png", person, strings.Trim(strings.NewReplacer("/", "_", ":", "").Replace(kind), "_"), lang, width)
	if err := os.WriteFile(filepath.Join(dir, name), picture, 0o600); err != nil {
		v.t.Fatal(err)
	}
}
