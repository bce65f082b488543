package browsertest

import (
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// feature has the browser say something about the device or its person (Media Queries Level 5).
func feature(v *visit, pairs ...string) {
	v.t.Helper()
	p := emulation.SetEmulatedMediaParams{}
	for i := 0; i < len(pairs); i += 2 {
		p.Features = append(p.Features, &emulation.MediaFeature{Name: pairs[i], Value: pairs[i+1]})
	}
	if _, err := chromedp.Call(v.ctx, emulation.SetEmulatedMedia, p); err != nil {
		v.t.Fatal(err)
	}
}

// colours are what the page is drawn with.
const colours = `(s => ["--ink", "--paper", "--quiet", "--rule", "--deep", "--red", "--green", "--blue", "--red-text"].map(n => s.getPropertyValue(n).trim()).join(" "))(getComputedStyle(document.documentElement))`

// Without a choice the pages look as the device says; a choice goes before it. Whatever the device says, contrast is enough.
func TestModesOfTheDevice(t *testing.T) {
	v := open(t)
	v.signIn("marisol")
	v.go_("/places")
	chosen := map[string]string{}
	for mode := range modes {
		inMode(v, mode)
		chosen[mode] = eval[string](v, colours)
	}
	if chosen["light"] == chosen["dark"] || chosen["light"] == chosen["sunlight"] {
		t.Fatalf("modes look alike: %v", chosen)
	}
	for _, c := range []struct {
		name, like string
		features   []string
	}{
		{"light", "light", []string{"prefers-color-scheme", "light"}},
		{"dark", "dark", []string{"prefers-color-scheme", "dark"}},
		{"more contrast", "sunlight", []string{"prefers-color-scheme", "light", "prefers-contrast", "more"}},
		{"dark with more contrast", "", []string{"prefers-color-scheme", "dark", "prefers-contrast", "more"}},
		{"colours of the device", "", []string{"forced-colors", "active", "prefers-color-scheme", "dark"}},
	} {
		eval[bool](v, `delete document.documentElement.dataset.mode`)
		feature(v, c.features...)
		if got := eval[string](v, colours); c.like != "" && got != chosen[c.like] {
			t.Errorf("%s: drawn with %s, %s is %s", c.name, got, c.like, chosen[c.like])
		}
		accessible(v, c.name, "color-contrast")
		if c.name == "dark with more contrast" {
			accessible(v, c.name, "color-contrast-enhanced")
		}
		inMode(v, "light")
		if got := eval[string](v, colours); c.features[0] != "forced-colors" && got != chosen["light"] {
			t.Errorf("%s: the choice of light does not go before it", c.name)
		}
	}
	feature(v, "forced-colors", "active")
	if eval[string](v, `getComputedStyle(document.querySelector(".ways a[aria-current]")).borderBottomStyle`) == "none" {
		t.Error("with colours of the device the page that is open shows in the navigation by a shadow only")
	}
}

// A mode is chosen without script, and with script keeps what is half filled in. It holds for the next page from its first
// byte, so that nothing flashes.
func TestModeIsChosen(t *testing.T) {
	v := open(t)
	v.go_("/sign-in?lang=en")
	v.type_("name", "maris")
	v.do(chromedp.Click(`.modes button[value="dark"]`))
	if eval[string](v, `document.documentElement.dataset.mode + " " + document.getElementById("name").value`) != "dark maris" {
		t.Error("changing the mode loses what was typed, or does nothing")
	}
	dark := eval[string](v, `getComputedStyle(document.documentElement).backgroundColor`)
	if _, err := chromedp.Call(v.ctx, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}); err != nil {
		t.Fatal(err)
	}
	v.go_("/sign-in?lang=en")
	if got := eval[string](v, `document.documentElement.dataset.mode + " " + getComputedStyle(document.documentElement).backgroundColor`); got != "dark "+dark {
		t.Errorf("the next page comes without the mode: %s", got)
	}
	v.press(`.modes button[value="sunlight"]`)
	if got := eval[string](v, `document.documentElement.dataset.mode + " " + document.querySelector(".modes [aria-pressed=true]").value`); got != "sunlight sunlight" {
		t.Errorf("without script a mode cannot be chosen: %s", got)
	}
	v.press(`.modes button[value="device"]`)
	if eval[bool](v, `"mode" in document.documentElement.dataset`) {
		t.Error("the choice cannot be taken back")
	}
}

// The keyboard alone: past the navigation into the content, through the menu, into and out of the question who it is.
func TestKeyboard(t *testing.T) {
	v := open(t)
	v.go_("/sign-in?lang=en")
	tabTo(v, `document.activeElement.id === "name"`)
	v.do(chromedp.KeyEvent("marisol"))
	tabTo(v, `document.activeElement.id === "password"`)
	v.do(chromedp.KeyEvent(v.plant.passwords["marisol"]))
	eval[bool](v, `window.before = true`)
	v.do(chromedp.KeyEvent("\r"))
	v.left("signing in by keyboard")
	v.go_("/places?lang=en")
	v.do(chromedp.KeyEvent("\t"))
	if !eval[bool](v, `document.activeElement.matches(".jump") && document.activeElement.getBoundingClientRect().left >= 0`) {
		t.Fatal("the first thing that the keyboard comes to is not the way past the navigation, or it cannot be seen")
	}
	v.do(chromedp.KeyEvent("\r"), chromedp.KeyEvent("\t"))
	if !eval[bool](v, `!!document.activeElement.closest("main")`) {
		t.Error("the way past the navigation does not lead into the content")
	}
	tabBack := `document.querySelector(".ways summary").focus(), true`
	eval[bool](v, tabBack)
	v.do(chromedp.KeyEvent("\r"), chromedp.KeyEvent("\t"))
	if !eval[bool](v, `!!document.activeElement.closest(".ways details > div") && document.activeElement.checkVisibility()`) {
		t.Error("the menu does not open by keyboard")
	}
}

// A bath test on a tablet by keyboard: numbers, Enter, PIN, Enter; Escape leaves the question and keeps the form.
func TestTabletByKeyboard(t *testing.T) {
	h := newHouse(t)
	h.pins(map[string]string{"marisol": marisolPIN})
	b := newTablet(t, h, shared.browser, "http://"+h.wire.addr)
	b.signInPIN("marisol", marisolPIN)
	b.go_("/checks/bath-test/bath-1")
	b.ready()
	for _, text := range []string{"121", "6.75", "18.0", "30"} {
		tabTo(b.visit, `document.activeElement.classList.contains("num") && !document.activeElement.value`)
		b.do(chromedp.KeyEvent(text))
	}
	b.do(chromedp.KeyEvent("\r"))
	b.comesTrue(`document.getElementById("who").open && document.activeElement.id === "who-pin"`)
	if got := eval[string](b.visit, `document.getElementById("who-shown").innerText`); got != "Wash bath 1 · 121 mg/L · 6.75 · 18.0 °C · 30 g/L" {
		t.Errorf("before it is recorded it is shown as %q", got)
	}
	accessible(b.visit, "the question who it is")
	for range 12 {
		b.do(chromedp.KeyEvent("\t"))
		if !eval[bool](b.visit, `document.activeElement === document.body || !!document.activeElement.closest("#who")`) {
			t.Fatal("the keyboard leaves the question while it is open")
		}
	}
	b.do(chromedp.KeyEvent("\x1b"))
	b.comesTrue(`!document.getElementById("who").open`)
	if eval[string](b.visit, `document.getElementById("q.ph").value`) != "6.75" {
		t.Error("leaving the question loses what was typed")
	}
	eval[bool](b.visit, `document.getElementById("q.salt").focus(), true`)
	b.do(chromedp.KeyEvent("\r"))
	b.comesTrue(`document.activeElement.id === "who-pin"`)
	b.do(chromedp.KeyEvent(marisolPIN), chromedp.KeyEvent("\r"))
	b.comesTrue(`location.pathname.startsWith("/readings/")`)
	b.wants("inside")
}
