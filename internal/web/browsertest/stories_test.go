package browsertest

import (
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// An out-of-limit bath test from the first look at what is due to a case closed by another person.
func TestLowChlorineToItsClose(t *testing.T) {
	v := open(t)
	v.do(chromedp.EmulateViewport(800, 1280)) // a tablet of eight inches
	v.signIn("marisol")
	v.press(`a[href="/checks/bath-test/bath-1"]`)
	v.wants("Wash bath 1")
	if got := eval[string](v, `[...document.querySelectorAll("input.num")].map(x => x.value).join("")`); got != "" {
		t.Errorf("filled in before: %q", got)
	}
	// Mixing takes six minutes by the plan, so the story begins eight minutes ago.
	ago(v, 8)
	bathTest(v, "62", "6.75")
	v.wants("outside", "100 mg/L to 150 mg/L", "What to do", "Test again by", "Never mix")
	if !strings.HasPrefix(v.path(), "/readings/") {
		t.Fatalf("the verdict stands at %s", v.path())
	}
	at := eval[string](v, `document.querySelector('a[href^="/deviations/"]').pathname`)

	v.go_(at)
	v.do(chromedp.Click(`input[name="fix"]`))
	ago(v, 7)
	v.press(`form[action$="/fix"] button[type=submit]`)
	v.go_("/checks/bath-test/bath-1")
	bathTest(v, "124", "6.75")
	v.wants("inside")

	// Whoever logged it may not close it and does not see the form; the manager signs part by part.
	v.go_(at + "/parts/closed")
	v.wants("You cannot sign this", "manager")
	if eval[bool](v, `!!document.querySelector("input[type=password]")`) {
		t.Error("a technician sees the form of a signature")
	}
	m := open(t)
	m.signIn("herminia")
	m.go_(at)
	m.wants("Control restored", "Sign")
	signParts(m, at)
	m.go_(at)
	m.wants("closed")
}

// ago types when it happened, in minutes before now.
func ago(v *visit, minutes int) {
	v.t.Helper()
	zone, err := time.LoadLocation("America/Merida") // of the demo plant
	if err != nil {
		v.t.Fatal(err)
	}
	at := v.plant.now().Add(-time.Duration(minutes) * time.Minute).In(zone).Format("2006-01-02T15:04:05")
	eval[bool](v, `document.querySelector("main form[data-stamp] [name=at]").value = "`+at+`", true`)
}

func bathTest(v *visit, chlorine, ph string) {
	v.t.Helper()
	v.type_("q.free_chlorine", chlorine)
	v.type_("q.ph", ph)
	v.type_("q.temperature", "18.0")
	v.type_("q.salt", "30")
	v.press(`form[action^="/checks/"] button[type=submit]`)
}

// signParts signs what a close wants, and closes.
func signParts(v *visit, at string) {
	v.t.Helper()
	sign := func(part string, fields map[string]string) {
		v.t.Helper()
		v.go_(at + "/parts/" + part)
		for id, text := range fields {
			if strings.HasPrefix(id, "=") {
				v.do(chromedp.Click(`input[name="` + id[1:] + `"][value="` + text + `"]`))
			} else {
				v.type_(id, text)
			}
		}
		v.type_("password", shared.plant.passwords["herminia"])
		v.press(`main form button.main`)
		if v.path() != at {
			v.t.Fatalf("%s was not signed:\n%s", part, v.text())
		}
	}
	sign("control-restored", map[string]string{"restored": "Dosed, mixed, tested inside."})
	sign("product-evaluated", map[string]string{"=exposed": "no", "evidence": "The line stood still; nothing was in the bath."})
	sign("cause-and-action", map[string]string{"cause": "The dosing pump had lost its prime.", "=in_error": "no", "action": "Prime it at every start."})
	sign("closed", nil)
}

var demoSays = regexp.MustCompile(`(?i)invented`)

// The whole of a bath test works with the keyboard alone.
func TestBathTestByKeyboard(t *testing.T) {
	v := open(t)
	v.signIn("marisol")
	v.go_("/checks/bath-test/bath-2")
	if !demoSays.MatchString(v.text()) {
		t.Error("the page does not say that the plant is invented")
	}
	for _, text := range []string{"119", "6.80", "18.0", "30"} {
		tabTo(v, `document.activeElement.classList.contains("num") && !document.activeElement.value`)
		v.do(chromedp.KeyEvent(text))
	}
	eval[bool](v, `window.before = true`)
	v.do(chromedp.KeyEvent("\r"))
	v.left("the enter key")
	v.wants("inside", "saved")
	tabTo(v, `!!document.activeElement.closest(".ways")`)
	if eval[string](v, `getComputedStyle(document.activeElement).outlineStyle`) == "none" {
		t.Error("where the keyboard is does not show")
	}
}

// tabTo presses the tab key until the condition holds.
func tabTo(v *visit, condition string) {
	v.t.Helper()
	for range 80 {
		v.do(chromedp.KeyEvent("\t"))
		if eval[bool](v, condition) {
			return
		}
	}
	v.t.Fatalf("%s: the keyboard does not get to %s", v.path(), condition)
}
