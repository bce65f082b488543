package browsertest

import (
	"strings"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
)

// person works the pages with the keyboard alone: the tab key leads to a field or button, keys fill and press it.
type person struct {
	*visit
	name string
}

// arrive signs a person in.
func (p *person) arrive() {
	p.t.Helper()
	p.go_("/sign-in?lang=en")
	p.fill("name", p.name)
	p.fill("password", p.plant.passwords[p.name])
	p.enter(`form[action="/sign-in"] button[type=submit]`)
	if p.path() != "/" {
		p.t.Fatalf("%s could not sign in:\n%s", p.name, p.text())
	}
}

const named = `document.activeElement.name === "`

// fill gets to the field of a name and fills it as its kind wants.
func (p *person) fill(name, text string) {
	p.t.Helper()
	tabTo(p.visit, named+name+`"`)
	switch eval[string](p.visit, `document.activeElement.type`) {
	case "radio":
		for range 20 {
			if eval[string](p.visit, `document.activeElement.value`) == text {
				p.key(" ")
				return
			}
			p.key(kb.ArrowDown)
		}
		p.t.Fatalf("%s: %s has no choice %q", p.path(), name, text)
	case "checkbox":
		p.key(" ")
	case "select-one":
		for range 40 {
			if eval[string](p.visit, `document.activeElement.value`) == text {
				return
			}
			p.key(kb.ArrowDown)
		}
		p.t.Fatalf("%s: %s has no choice %q", p.path(), name, text)
	case "datetime-local": // month, day, year, hour, minute and half of the day, as an English browser asks for them
		at, err := time.Parse("2006-01-02T15:04", text)
		if err != nil {
			p.t.Fatal(err)
		}
		p.key(at.Format("01022006") + kb.ArrowRight + at.Format("0304PM")[:5])
	default:
		p.key(text)
	}
}

func (p *person) key(text string) {
	p.t.Helper()
	for _, r := range text {
		p.do(chromedp.KeyEvent(string(r)))
	}
}

// enter gets to a button or link and presses it.
func (p *person) enter(selector string) {
	p.t.Helper()
	tabTo(p.visit, `document.activeElement.matches(`+"`"+selector+"`"+`)`)
	eval[bool](p.visit, `window.before = true`)
	p.key("\r")
	p.left(selector)
}

// send fills the fields of a page, in their order, and presses the button of its form.
func (p *person) send(page, button string, fields ...string) {
	p.t.Helper()
	p.go_(page)
	for i := 0; i+1 < len(fields); i += 2 {
		p.fill(fields[i], fields[i+1])
	}
	p.enter(button)
	if bad := eval[string](p.visit, `[...document.querySelectorAll(".problem, main .wrong")].map(e => e.textContent).join("; ")`); bad != "" {
		p.t.Fatalf("%s: %s\n%s", page, strings.TrimSpace(bad), p.text())
	}
}
