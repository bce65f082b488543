package browsertest

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// The widths of a phone, a tablet and a desk, in CSS pixels.
var widths = []int64{360, 800, 1280}

// changing are parts of addresses that name one thing of many: one of each is looked at.
var changing = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f-]{27}|(^/baths/)[a-z0-9-]+|(^/checks/[a-z0-9-]+)/[a-z0-9-]+`)

// kindOf gives what kind of page an address is of.
func kindOf(address string) string {
	path, _, _ := strings.Cut(address, "?")
	return changing.ReplaceAllString(path, "$1$2/x")
}

// Nothing scrolls sideways on a phone, with every part of the page unfolded, in both languages, on any page that
// somebody of some role can reach; and every page has one heading of the first order and a title.
func TestPagesFit(t *testing.T) {
	for _, person := range []string{"marisol", "gaspar", "herminia", "ismael", "perla"} {
		t.Run(person, func(t *testing.T) {
			v := open(t)
			v.signIn(person)
			seen := crawl(v, person)
			if len(seen) < 10 {
				t.Errorf("only %d pages found: %v", len(seen), seen)
			}
		})
	}
	t.Run("nobody", func(t *testing.T) {
		v := open(t)
		for _, path := range []string{"/sign-in", "/set-up", "/enrol"} {
			v.go_(path)
			check(v, "nobody", path)
		}
	})
}

// checked are the kinds of pages that somebody saw already: the next who comes to one only opens it.
var checked = map[string]bool{}

// crawl follows every link of the pages that a person sees, one of each kind.
func crawl(v *visit, person string) []string {
	v.t.Helper()
	wait, seen := []string{"/"}, []string{}
	for len(wait) > 0 {
		path := wait[0]
		wait = wait[1:]
		v.go_(path)
		kind := kindOf(path)
		seen = append(seen, kind)
		if !checked[kind] || os.Getenv("LINEWARDEN_LOOK") != "" {
			check(v, person, kind)
			checked[kind] = true
		}
		for _, next := range eval[[]string](v, `[...document.querySelectorAll("main a[href^='/'], .ways a")].map(a => a.pathname + a.search)`) {
			k := kindOf(next)
			queued := slices.ContainsFunc(wait, func(w string) bool { return kindOf(w) == k })
			if !queued && !slices.Contains(seen, k) && !strings.HasSuffix(k, "csv") && !strings.HasSuffix(k, "ndjson") {
				wait = append(wait, next)
			}
		}
	}
	return seen
}

// check looks at the page in both languages.
func check(v *visit, person, kind string) {
	v.t.Helper()
	address := eval[string](v, `location.pathname + location.search`)
	for _, lang := range []string{"en", "es"} {
		sep := "?"
		if strings.Contains(address, "?") {
			sep = "&"
		}
		v.go_(address + sep + "lang=" + lang)
		if got := eval[string](v, `document.documentElement.lang`); got != lang {
			v.t.Errorf("%s in %s: the page says it is in %s", kind, lang, got)
		}
		for _, w := range widths {
			if w != widths[0] && os.Getenv("LINEWARDEN_LOOK") == "" {
				continue // what fits on a phone fits on what is wider
			}
			v.do(chromedp.EmulateViewport(w, 900))
			look(v, person, kind, lang, w)
			eval[bool](v, `document.querySelectorAll("main details").forEach(d => d.open = true), true`)
			if over := eval[int64](v, `document.documentElement.scrollWidth`); over > w {
				v.t.Errorf("%s as %s in %s is %d px wide on %d px: %s", kind, person, lang, over, w, eval[string](v, widest))
			}
			eval[bool](v, `document.querySelectorAll("main details").forEach(d => d.open = false), true`)
		}
		if n := eval[int](v, `document.querySelectorAll("h1").length`); n != 1 || eval[string](v, `document.title`) == "" {
			v.t.Errorf("%s in %s: %d headings of the first order, title %q", kind, lang, n, eval[string](v, `document.title`))
		}
		if small := eval[[]string](v, tooSmall); len(small) > 0 {
			v.t.Errorf("%s as %s in %s: too small for a glove: %v", kind, person, lang, small)
		}
	}
}

// widest names what reaches furthest to the right.
const widest = `[...document.querySelectorAll("main *, header *, nav *")].filter(e => !e.closest(".wide") && e.getBoundingClientRect().right > innerWidth)
	.map(e => e.tagName + "." + e.className + ": " + (e.textContent || "").slice(0, 40)).slice(0, 4).join(" | ")`

// tooSmall lists buttons and fields lower than 24 CSS pixels, the least of WCAG 2.2, success criterion 2.5.8. Links
// within a sentence are exempt there.
const tooSmall = `[...document.querySelectorAll("button, input:not([type=hidden]), select, textarea, summary, a.btn, a.row, .ways a")]
	.filter(e => e.checkVisibility() && e.getBoundingClientRect().height < 24).map(e => e.outerHTML.slice(0, 80))`

// look writes a picture of the whole page.
func look(v *visit, person, kind, lang string, width int64) {
	v.t.Helper()
	dir := os.Getenv("LINEWARDEN_LOOK")
	if dir == "" {
		return
	}
	picture, err := chromedp.Run(v.ctx, chromedp.FullScreenshot(90))
	keep(v, picture, err, person, kind, lang, width)
}

// lookAt writes a picture of what the screen shows, with what lies over the page.
func lookAt(v *visit, person, kind, lang string, width int64) {
	v.t.Helper()
	if os.Getenv("LINEWARDEN_LOOK") == "" {
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
	name := fmt.Sprintf("%s-%s-%s-%d.png", person, strings.Trim(strings.ReplaceAll(kind, "/", "_"), "_"), lang, width)
	if err := os.WriteFile(filepath.Join(dir, name), picture, 0o600); err != nil {
		v.t.Fatal(err)
	}
}
