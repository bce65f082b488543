package browsertest

import (
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// choose puts a file into the page's field, as a person does, and lets it be checked.
func choose(v *visit, name string, content []byte) (kind, said string) {
	v.t.Helper()
	text, err := json.Marshal(string(content)) // exports are UTF-8
	if err != nil {
		v.t.Fatal(err)
	}
	eval[bool](v, fmt.Sprintf(`(() => { const d = new DataTransfer(); d.items.add(new File([%s], %q)); document.getElementById("file").files = d.files; return true })()`, text, name))
	v.do(chromedp.Click(`#verify button[type=submit]`))
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		if kind = eval[string](v, `document.getElementById("running").hidden && document.querySelector("[data-result]:not([hidden])")?.dataset.result || ""`); kind != "" {
			return kind, eval[string](v, `[...document.querySelectorAll("#lines li")].map(l => l.textContent).join("\n")`)
		}
	}
	v.t.Fatalf("no answer:\n%s", v.text())
	return "", ""
}

// Frozen exports, whole and damaged, in the browser: on the plant's page, and on the page saved as one file and opened from
// the disk, where there is no server.
func TestVerifyInTheBrowser(t *testing.T) {
	disk := t.TempDir()
	saved := filepath.Join(disk, "verify.html")
	answer, err := http.Get(shared.plant.url + "/verify/linewarden-verify.html?lang=en")
	if err != nil {
		t.Fatal(err)
	}
	page, err := io.ReadAll(answer.Body)
	_ = answer.Body.Close()
	if err != nil || answer.StatusCode != http.StatusOK {
		t.Fatalf("%d %v", answer.StatusCode, err)
	}
	if err := os.WriteFile(saved, page, 0o600); err != nil {
		t.Fatal(err)
	}
	frozen := filepath.Join("..", "..", "..", "testdata", "records", "v1")
	for url, path := range map[string]string{shared.plant.url: "/verify?lang=en", "file://" + disk: "/verify.html"} {
		t.Run(url[:4], func(t *testing.T) {
			ctx, cancel := chromedp.NewContext(shared.browser, chromedp.WithNewBrowserContext())
			defer cancel()
			v := openIn(t, ctx, url)
			v.go_(path)
			for name, want := range map[string]string{
				"good.records.ndjson":          "records 1 to 14 of 14 of site north are whole",
				"good-part.records.ndjson":     "not proved: whether records outside this part were changed or are missing",
				"plant.records.ndjson":         "proved: no record is missing from the first to the last",
				"bad-record.records.ndjson":    "record 6 (line 7): record and leaf do not fit each other",
				"bad-cut.records.ndjson":       "cut short (line 10): the file ends before the checkpoint; the last whole record is 8",
				"bad-replaced.records.ndjson":  "records replaced, somewhere from",
				"bad-signature.records.ndjson": "signature (line ",
				"bad-other-key.records.ndjson": "",
			} {
				content, err := os.ReadFile(filepath.Join(frozen, name))
				if err != nil {
					t.Fatal(err)
				}
				began := time.Now()
				kind, said := choose(v, name, content)
				t.Logf("%s: %s in %v: %s", name, kind, time.Since(began).Round(time.Millisecond), said)
				if good := !strings.HasPrefix(name, "bad-"); good != (kind == "whole") && want != "" || !strings.Contains(said, want) {
					t.Errorf("%s: %s %q, want %q", name, kind, said, want)
				}
			}
		})
	}
}

// The page looks as it should, at rest and with answers.
func TestVerifyLooks(t *testing.T) {
	v := open(t)
	bad, err := os.ReadFile(filepath.Join("..", "..", "..", "testdata", "records", "v1", "bad-record.records.ndjson"))
	if err != nil {
		t.Fatal(err)
	}
	v.go_("/verify")
	check(v, "nobody", "/verify")
	for _, lang := range []string{"en", "es"} {
		for _, w := range widths {
			v.go_("/verify?lang=" + lang)
			v.do(chromedp.EmulateViewport(w, 900))
			choose(v, "bad-record.records.ndjson", bad)
			look(v, "nobody", "/verify-fault", lang, w)
			if over := eval[int64](v, `document.documentElement.scrollWidth`); over > w {
				t.Errorf("with an answer the page is %d px wide on %d px: %s", over, w, eval[string](v, widest))
			}
		}
	}
}
