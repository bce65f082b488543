package browsertest

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	"linewarden/haccp"
	"linewarden/internal/access"
	site "linewarden/internal/plant"
)

// tablet is an enrolled tablet at a bath: what it keeps outlives its tabs.
type tablet struct {
	*visit
	h    *house
	base context.Context // of the browser's profile
	stop context.CancelFunc
	off  time.Duration // that its clock is ahead of the plant's
	n    int           // touches so far
}

const marisolPIN, gasparPIN = "482915", "730264"

// newTablet enrols a tablet. Its clock is the plant's, and off where a test says so.
func newTablet(t *testing.T, h *house, browser context.Context, url string) *tablet {
	t.Helper()
	base, cancel := chromedp.NewContext(browser, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	if err := chromedp.Do(base, chromedp.Navigate("about:blank")); err != nil {
		t.Fatal(err)
	}
	b := &tablet{h: h, base: base, visit: &visit{t: t, url: url}}
	made, err := h.app.Door().EnrolDevice(t.Context(), "perla", "Tablet at bath 1", access.DeviceTablet, h.now())
	h.must(err)
	b.start()
	b.go_("/enrol")
	b.later(0) // the plant's day is not today
	b.go_("/enrol")
	b.type_("token", made.Token)
	b.press(`form[data-enrol] button[type=submit]`)
	return b
}

// clockScript moves the device's clock by what the test keeps in the browser.
const clockScript = `(() => { const D = Date, by = () => { try { return Number(localStorage.getItem("test-ahead") || 0) } catch { return 0 } };
	globalThis.Date = class extends D { constructor(...a) { a.length ? super(...a) : super(D.now() + by()) } static now() { return D.now() + by() } }; })()`

// start opens a tab; kill ends it as a dead battery does.
func (b *tablet) start() {
	b.t.Helper()
	ctx, cancel := chromedp.NewContext(b.base)
	b.stop = cancel
	b.visit = openIn(b.t, ctx, b.url)
	if _, err := chromedp.Call(ctx, page.Enable, page.EnableParams{}); err != nil {
		b.t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: clockScript}); err != nil {
		b.t.Fatal(err)
	}
	b.do(chromedp.EmulateViewport(800, 1280))
}

func (b *tablet) kill() { b.stop() }

// later moves both clocks on.
func (b *tablet) later(d time.Duration) {
	b.t.Helper()
	b.h.ahead.Add(int64(d))
	ms := (time.Duration(b.h.ahead.Load()) + b.off).Milliseconds()
	eval[bool](b.visit, fmt.Sprintf(`localStorage.setItem("test-ahead", "%d"), true`, ms))
}

// comesTrue waits for a condition on the page.
func (b *tablet) comesTrue(condition string) {
	b.t.Helper()
	var err error
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		var yes bool
		if yes, err = chromedp.Run(b.ctx, chromedp.Evaluate[bool](condition)); err == nil && yes {
			return
		}
	}
	b.t.Fatalf("%s never comes true (%v):\n%s", condition, err, b.text())
}

// ready waits until the tablet has kept its pages and its service worker runs them.
func (b *tablet) ready() {
	b.t.Helper()
	b.comesTrue(`document.body.dataset.ready === "yes" && !!navigator.serviceWorker.controller`)
}

// signInPIN signs in on the page for it.
func (b *tablet) signInPIN(name, pin string) {
	b.t.Helper()
	b.go_("/sign-in")
	b.type_("name", name)
	b.type_("pin", pin)
	b.press(`form[action="/sign-in"] button[type=submit]`)
	b.ready()
}

// touch counts a touch on the screen.
func (b *tablet) touch(selector string) {
	b.t.Helper()
	b.n++
	b.do(chromedp.Click(selector))
}

// digits types on the keypad of the page.
func (b *tablet) digits(text string) {
	b.t.Helper()
	for _, c := range text {
		if c == '.' && eval[string](b.visit, `document.documentElement.lang`) == "es" {
			c = ','
		}
		b.do(chromedp.Click(fmt.Sprintf(`.keypad [data-key="%c"]`, c)))
	}
}

const goKey = `.keypad .go`

// bathTest logs a bath test on the keypad, up to the PIN.
func (b *tablet) bathTest(chlorine, ph string) {
	b.t.Helper()
	b.do(chromedp.Click(`[id="q.free_chlorine"]`))
	b.digits(chlorine)
	b.touch(goKey)
	b.digits(ph) // two decimals are all that the meter shows: it goes on by itself
	b.digits("18.0")
	b.digits("30")
	b.touch(goKey)
	b.comesTrue(`document.getElementById("who").open`)
}

// as confirms with a PIN.
func (b *tablet) as(person, pin string) {
	b.t.Helper()
	b.comesTrue(`document.getElementById("who").open`)
	if eval[string](b.visit, `document.getElementById("who").dataset.person`) != person {
		b.touch(`#who-people [value="` + person + `"]`)
	}
	b.digits(pin)
	b.touch(goKey)
}

func (b *tablet) badge() string {
	b.t.Helper()
	return eval[string](b.visit, `document.getElementById("waiting-badge").textContent`)
}

func (h *house) find(about string, since time.Time) []*haccp.Event {
	h.t.Helper()
	return h.acts(about, haccp.KindReading, since)
}

func (h *house) acts(about, kind string, since time.Time) []*haccp.Event {
	h.t.Helper()
	events, _, err := h.app.Site().Find(h.t.Context(), site.Query{About: about, Kind: kind, From: since, Limit: 100})
	h.must(err)
	return events
}

// The aim of the page beside the bath: four touches besides the digits, then the verdict, what to do, and the test again.
func TestBathTestOnATablet(t *testing.T) {
	h := newHouse(t)
	h.pins(map[string]string{"marisol": marisolPIN})
	b := newTablet(t, h, shared.browser, "http://"+h.wire.addr)
	b.signInPIN("marisol", marisolPIN)
	began := h.now()
	b.press(`a[href="/checks/bath-test/bath-1"]`)
	b.ready()
	if got := eval[string](b.visit, `[...document.querySelectorAll("input.num")].map(x => x.value).join("")`); got != "" {
		t.Errorf("filled in before: %q", got)
	}
	b.do(chromedp.Click(`[id="q.free_chlorine"]`))
	if small := eval[[]string](b.visit, `[...document.querySelectorAll(".keypad button")].filter(k => k.getBoundingClientRect().height < 56 || k.getBoundingClientRect().width < 56).map(k => k.textContent)`); len(small) > 0 {
		t.Errorf("keys smaller than 56 px: %v", small)
	}
	b.n = 0
	eval[bool](b.visit, `window.before = true`)
	b.bathTest("82", "6.75")
	b.as("marisol", marisolPIN)
	b.left("saving")
	if b.n > 4 {
		t.Errorf("%d touches besides the digits, want 4 at most", b.n)
	}
	b.wants("outside", "100 mg/L to 150 mg/L", "What to do", "Test again by", "Never mix")
	got := h.readings(began)
	if len(got) != 1 || got[0].By.ID != "marisol" || got[0].By.Known != haccp.KnownPIN || got[0].AtKnown != haccp.AtDevice || got[0].Device == nil {
		t.Fatalf("recorded: %+v", got)
	}
	if b.badge() != "" {
		t.Errorf("still waiting: %q", b.badge())
	}
	// What the page says is added, and logged as quickly.
	b.wants("How much to add", "of Sodium hypochlorite")
	b.ready()
	b.press(`a[href="/baths/bath-1/added"]`)
	b.ready()
	b.wants("Never mix")
	b.do(chromedp.Click(`[name="chemical"][value="sodium-hypochlorite"]`), chromedp.SetValue(`[name="amount.unit"]`, "mL"), chromedp.Click(`#amount`))
	b.digits("600")
	eval[bool](b.visit, `window.before = true`)
	b.touch(goKey)
	b.comesTrue(`document.getElementById("who").open`)
	b.as("marisol", marisolPIN)
	b.left("saving")
	if got := h.acts("bath:bath-1", haccp.KindAdded, began); len(got) != 1 || got[0].By.ID != "marisol" || got[0].Body.(*haccp.Bath).Amount.String() != "600 mL" {
		t.Fatalf("added: %+v", got)
	}
	b.later(6 * time.Minute)
	// The test again. A wrong PIN keeps all that was typed.
	b.go_("/checks/bath-test/bath-1")
	b.ready()
	b.bathTest("124", "6.75")
	b.as("marisol", "111222")
	b.comesTrue(`document.getElementById("who-wrong").textContent.includes("not the PIN")`)
	eval[bool](b.visit, `window.before = true`)
	b.as("marisol", marisolPIN)
	b.left("saving")
	b.wants("inside")
}

// An hour without network with ten entries, the tab killed: back online there are ten records, with their times, once each.
func TestOfflineForAnHour(t *testing.T) {
	h := newHouse(t)
	offlineStory(t, h, newTabletWith(t, h, shared.browser, "http://"+h.wire.addr))
}

func newTabletWith(t *testing.T, h *house, browser context.Context, url string) *tablet {
	t.Helper()
	h.pins(map[string]string{"marisol": marisolPIN, "gaspar": gasparPIN})
	b := newTablet(t, h, browser, url)
	b.signInPIN("marisol", marisolPIN)
	return b
}

func offlineStory(t *testing.T, h *house, b *tablet) {
	t.Helper()
	h.wire.set(true)
	began := h.now()
	b.off = 25 * time.Minute // its clock runs ahead, and no contact has shown by how much
	var times []time.Time
	for i := range 10 {
		b.later(6 * time.Minute)
		b.go_("/")
		b.wants("Checks")
		b.go_("/b/bath-1") // as the label on the bath does
		b.comesTrue(`document.body.dataset.ready === "yes"`)
		times = append(times, h.now())
		b.bathTest(fmt.Sprint(112+i), "6.75")
		b.as("marisol", marisolPIN)
		b.comesTrue(`!!document.getElementById("result")`)
		b.wants("inside", "Saved on this tablet", fmt.Sprint(i+1)+" waiting to send")
		if i == 4 { // the battery is changed
			b.kill()
			b.start()
			b.go_("/")
			b.comesTrue(`document.body.dataset.ready === "yes"`)
			b.wants("5 waiting to send")
		}
	}
	if got := h.readings(began); len(got) != 0 {
		t.Fatalf("%d records without network", len(got))
	}
	b.kill()
	h.wire.set(false)
	b.start()
	b.go_("/waiting")
	b.comesTrue(`document.getElementById("waiting-badge").hidden && !document.getElementById("waiting-none").hidden`)
	got := h.readings(began)
	if len(got) != 10 {
		t.Fatalf("%d records, want 10", len(got))
	}
	for i, e := range got {
		if off := e.At.Sub(times[i]).Abs(); off > 20*time.Second {
			t.Errorf("record %d happened %v from when it did", i, off)
		}
		if off := time.Duration(e.Device.OffsetMS) * time.Millisecond; (off - b.off).Abs() > 20*time.Second {
			t.Errorf("record %d: the clock was off by %v, want %v", i, off, b.off)
		}
		if e.By.ID != "marisol" || e.By.Known != haccp.KnownPIN || e.Body.(*haccp.Reading).Entries[0].Read.String() != fmt.Sprintf("%d mg/L", 112+i) {
			t.Errorf("record %d: %v by %+v", i, e.Body.(*haccp.Reading).Entries[0].Read, e.By)
		}
	}
}

// Who signs out with reports waiting loses none of them, and they stay theirs when somebody else signs in.
func TestSignOutWithAQueue(t *testing.T) {
	h := newHouse(t)
	b := newTabletWith(t, h, shared.browser, "http://"+h.wire.addr)
	began := h.now()
	b.go_("/checks/bath-test/bath-1")
	b.ready()
	h.wire.set(true)
	b.bathTest("121", "6.75")
	b.as("marisol", marisolPIN)
	b.comesTrue(`!!document.getElementById("result")`)
	b.later(5 * time.Minute)
	// The network comes and goes: she signs out online, before anything was sent.
	eval[bool](b.visit, `linewarden.send = async () => {}, linewarden.queue.net = async () => { throw new Error("gone") }, true`)
	h.wire.set(false)
	b.go_("/")
	eval[bool](b.visit, `linewarden.queue && (linewarden.queue.net = async () => { throw new Error("gone") }), true`)
	b.do(chromedp.Click(`.ways summary`))
	b.press(`form[action="/sign-out"] button`)
	b.signInPIN("gaspar", gasparPIN)
	b.comesTrue(`document.getElementById("waiting-badge").hidden`)
	got := h.readings(began)
	if len(got) != 1 || got[0].By.ID != "marisol" || got[0].By.Known != haccp.KnownPIN {
		t.Fatalf("recorded %d, by %+v", len(got), got)
	}
	// After sign-out her grant covers nothing new.
	h.wire.set(true)
	b.go_("/checks/bath-test/bath-1")
	b.comesTrue(`document.body.dataset.ready === "yes"`)
	b.bathTest("120", "6.75")
	if people := eval[string](b.visit, `[...document.querySelectorAll("#who-people button")].map(x => x.value).join(" ")`); strings.TrimSpace(people) != "gaspar" {
		t.Errorf("can log without network: %q", people)
	}
}

// Two people on one tablet: every report is its own author's, and a change of person without network is marked and listed.
func TestTwoPeopleOnOneTablet(t *testing.T) {
	h := newHouse(t)
	b := newTabletWith(t, h, shared.browser, "http://"+h.wire.addr)
	b.later(time.Minute)
	began := h.now()
	log := func(chlorine, person, pin string, online bool) {
		t.Helper()
		b.later(7 * time.Minute)
		b.go_("/checks/bath-test/bath-1")
		b.comesTrue(`document.body.dataset.ready === "yes"`)
		b.bathTest(chlorine, "6.75")
		eval[bool](b.visit, `window.before = true`)
		b.as(person, pin)
		if online {
			b.left("saving")
		} else {
			b.comesTrue(`!!document.getElementById("result")`)
		}
	}
	// Gaspar comes to the tablet with network: his PIN signs him in.
	b.later(time.Minute)
	b.go_("/checks/bath-test/bath-1")
	b.ready()
	b.bathTest("111", "6.75")
	eval[bool](b.visit, `window.before = true`)
	b.touch(`#who-people [value=""]`)
	b.type_("who-name", "gaspar")
	b.do(chromedp.Click("#who-pin"))
	b.digits(gasparPIN)
	b.touch(goKey)
	b.left("saving")
	b.ready()
	h.wire.set(true)
	log("112", "gaspar", gasparPIN, false)
	log("113", "marisol", marisolPIN, false)
	b.wants("PIN unverified")
	log("114", "gaspar", gasparPIN, false)
	h.wire.set(false)
	b.go_("/waiting")
	b.comesTrue(`document.getElementById("waiting-badge").hidden && document.body.dataset.ready === "yes"`)
	var got []string
	for _, e := range h.readings(began) {
		got = append(got, e.Body.(*haccp.Reading).Entries[0].Read.String()+" "+e.By.ID+" "+e.By.Known)
	}
	if want := []string{"111 mg/L gaspar PIN", "112 mg/L gaspar PIN", "113 mg/L marisol PIN unverified", "114 mg/L gaspar PIN"}; !slices.Equal(got, want) {
		t.Errorf("recorded %q, want %q", got, want)
	}
	if list := h.find(haccp.AboutUnverified, began); len(list) != 1 || list[0].By.ID != "marisol" {
		t.Errorf("in the manager's list: %v", list)
	}
}

// What the server does not take comes back to its author with the reason, and holds up nothing else; the author confirms it
// anew, or puts it away.
func TestRefusedComesBack(t *testing.T) {
	h := newHouse(t)
	b := newTabletWith(t, h, shared.browser, "http://"+h.wire.addr)
	began := h.now()
	b.go_("/checks/bath-test/bath-1")
	b.ready()
	h.wire.set(true)
	b.bathTest("121", "44.00") // no pH is 44
	b.as("marisol", marisolPIN)
	b.comesTrue(`!!document.getElementById("result")`)
	b.go_("/checks/bath-test/bath-1")
	b.comesTrue(`document.body.dataset.ready === "yes"`)
	b.bathTest("119", "6.75")
	b.as("marisol", marisolPIN)
	b.comesTrue(`!!document.getElementById("result")`)
	h.wire.set(false)
	b.go_("/waiting")
	b.comesTrue(`document.getElementById("waiting-badge").textContent === "1 refused"`)
	b.wants("44", "Marisol Quebranta", "refused", "Confirm with PIN")
	if why := eval[string](b.visit, `document.querySelector("#waiting-list .problem").textContent`); !strings.Contains(why, "pH") && !strings.Contains(why, "44") {
		t.Errorf("the reason: %q", why)
	}
	if got := h.readings(began); len(got) != 1 {
		t.Errorf("%d recorded, want the one that can be", len(got))
	}
	b.do(chromedp.Click(`#waiting-list .side button:last-child`))
	b.as("marisol", marisolPIN)
	b.comesTrue(`document.getElementById("waiting-badge").hidden`)
	kept, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](`linewarden.store.all().then(a => a.map(e => e.state).join())`, chromedp.EvalAwaitPromise))
	if err != nil || kept != "put-away" {
		t.Errorf("on the device: %q, %v", kept, err)
	}
}

// A test that falls due while there is no network flashes on the tablet, and can be muted.
func TestTabletRings(t *testing.T) {
	h := newHouse(t)
	b := newTabletWith(t, h, shared.browser, "http://"+h.wire.addr)
	b.go_("/checks/bath-test/bath-1")
	b.ready()
	h.wire.set(true)
	b.bathTest("82", "6.75")
	b.as("marisol", marisolPIN)
	b.comesTrue(`!!document.getElementById("result")`)
	b.wants("outside", "Test again by", "Add ", "of Sodium hypochlorite")
	if eval[bool](b.visit, `document.body.classList.contains("ringing") && document.getElementById("ring").textContent.includes("Wash bath 1")`) {
		t.Error("it rings before the test is due")
	}
	b.later(11 * time.Minute)
	b.comesTrue(`document.body.classList.contains("ringing") && document.getElementById("ring").textContent.includes("Wash bath 1")`)
	b.do(chromedp.Click("#mute"))
	b.comesTrue(`!document.body.classList.contains("ringing") && !document.getElementById("ring").hidden`)
}
