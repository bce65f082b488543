package browsertest

import (
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

// The rules of WCAG 2.2, levels A and AA (W3C Recommendation, 12 December 2024), as axe-core has them, and what it calls
// best practice. Its tags name the version that brought a criterion in.
const (
	axeTags  = `["wcag2a","wcag2aa","wcag21a","wcag21aa","wcag22aa","best-practice"]`
	axeOther = `{"target-size":{"enabled":true}}` // not on by itself
)

// axe is the code of axe-core, fetched by npm; the package manager holds it against the hash of the lock file.
func axe(t testing.TB) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("node_modules", "axe-core", "axe.min.js"))
	if err != nil {
		t.Fatalf("axe-core is not there; run npm ci --ignore-scripts in internal/web/browsertest: %v", err)
	}
	var lock struct {
		Packages map[string]struct{ Version string }
	}
	text, err := os.ReadFile("package-lock.json")
	if err == nil {
		err = json.Unmarshal(text, &lock)
	}
	if err != nil {
		t.Fatal(err)
	}
	want := lock.Packages["node_modules/axe-core"].Version
	if head := string(b[:min(len(b), 40)]); want == "" || !strings.Contains(head, "axe v"+want) {
		t.Fatalf("node_modules has %q, the lock file wants axe-core %s; run npm ci", head, want)
	}
	return string(b)
}

// violation is what a rule finds.
type violation struct {
	Rule, Impact, Help string
	Where              []string // piece of the page and what is wrong with it
}

// accessible holds the page as it stands against the rules: all of them, or only those named.
func accessible(v *visit, where string, rules ...string) {
	v.t.Helper()
	only := fmt.Sprintf(`{"type":"tag","values":%s}`, axeTags)
	if len(rules) > 0 {
		only = fmt.Sprintf(`{"type":"rule","values":["%s"]}`, strings.Join(rules, `","`))
	}
	if !eval[bool](v, `!!window.axe`) {
		// The browser's own tools are not bound by the page's content policy.
		eval[bool](v, axe(v.t)+"\n;!!window.axe")
	}
	run := fmt.Sprintf(`axe.run(document, {runOnly: %s, rules: %s, resultTypes: ["violations"], preload: false, iframes: false, selectors: false})
	.then(r => r.violations.map(x => ({rule: x.id, impact: x.impact, help: x.help,
	where: x.nodes.slice(0, 4).map(n => n.html.slice(0, 160) + " -- " + n.any.concat(n.all, n.none).map(c => c.message).join("; ").slice(0, 240))})))`, only, axeOther)
	if len(rules) > 0 {
		run = strings.Replace(run, axeOther, "{}", 1)
	}
	found, err := chromedp.Run(v.ctx, chromedp.Evaluate[[]violation](run, chromedp.EvalAwaitPromise))
	if err != nil {
		v.t.Fatalf("%s: %v", where, err)
	}
	for _, x := range found {
		v.t.Errorf("%s: %s (%s): %s\n\t%s", where, x.Rule, x.Impact, x.Help, strings.Join(x.Where, "\n\t"))
	}
}

// modes are those that a person can choose. In full sun contrast is that of level AAA (WCAG 2.2, 1.4.6).
var modes = map[string][]string{"light": {"color-contrast"}, "dark": {"color-contrast"}, "sunlight": {"color-contrast-enhanced"}}

// inMode shows the page in a mode, as a reload would.
func inMode(v *visit, mode string) {
	v.t.Helper()
	eval[bool](v, fmt.Sprintf(`(document.documentElement.dataset.mode = %q, true)`, mode))
}
