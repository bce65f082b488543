package browsertest

import (
	"fmt"
	"net/url"
	"os"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// The pages of a line and the forms about a lot fit a phone, a tablet and a desk, in both languages.
func TestLinePagesFit(t *testing.T) {
	v := openAt(t, atWork(t))
	v.signIn("gaspar")
	v.go_("/lines/line-1?lang=en")
	v.wants("Lots on the line")
	code := eval[string](v, `document.querySelector(".lots .code-link").textContent`)
	lot := "/lots/" + url.PathEscape(code)
	ways := eval[[]string](v, `[...document.querySelectorAll(".lots a[href*='/move?']")].map(a => a.pathname + a.search)`)
	pages := map[string]string{"line": "/lines/line-1", "ways": lot + "/move?line=line-1", "receive": "/receive-lot?line=line-1", "handover": "/handover?line=line-1", "lot": lot}
	for i, way := range ways[:min(3, len(ways))] {
		pages[fmt.Sprintf("move-%d", i+1)] = way
	}
	for _, act := range []string{"split", "merge", "removed", "hold", "evaluate", "release", "destroy"} {
		pages[act] = lot + "/do/" + act
	}
	for name, path := range pages {
		for _, lang := range []string{"en", "es"} {
			sep := map[bool]string{true: "&", false: "?"}[strings.Contains(path, "?")]
			v.go_(path + sep + "lang=" + lang)
			for _, w := range widths {
				if w != widths[0] && os.Getenv("LINEWARDEN_LOOK") == "" {
					continue
				}
				v.do(chromedp.EmulateViewport(w, 900))
				look(v, "gaspar", "line-"+name, lang, w)
				if over := eval[int64](v, `document.documentElement.scrollWidth`); over > w {
					t.Errorf("%s in %s is %d px wide on %d px: %s", path, lang, over, w, eval[string](v, widest))
				}
			}
			if small := eval[[]string](v, tooSmall); len(small) > 0 {
				t.Errorf("%s in %s: too small for a glove: %v", path, lang, small)
			}
		}
	}
}
