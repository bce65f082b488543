// Package browsertest works the pages of the real program in a real browser, as a person does.
//
// It is a module of its own, so that the browser's driver is no part of the product. It wants Chromium on the
// path (Debian: apt-get install chromium), or its path in LINEWARDEN_CHROMIUM; where there is none it fails.
// LINEWARDEN_LOOK=FOLDER writes a picture of every page at three widths in both languages, to be looked at.
package browsertest

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"
)

// plant is a running demo plant.
type plant struct {
	url       string
	passwords map[string]string // by sign-in name
	ahead     time.Duration     // of its clock
}

func (p *plant) now() time.Time { return time.Now().Add(p.ahead) }

// shared is the plant and the browser of all tests.
var shared struct {
	plant   *plant
	browser context.Context

	chromium string // where the browser is
}

func TestMain(m *testing.M) { os.Exit(run(m)) }

func run(m *testing.M) int {
	dir, err := os.MkdirTemp("", "linewarden-browser")
	if err != nil {
		return failed("make a folder", err)
	}
	defer func() { _ = os.RemoveAll(dir) }()
	at := midShift()
	p, stop, err := startPlant(dir, "--at", at.Format(time.RFC3339))
	if err != nil {
		return failed("start the demo plant", err)
	}
	defer stop()
	p.ahead = time.Until(at)
	path := os.Getenv("LINEWARDEN_CHROMIUM")
	if path == "" {
		if path, err = exec.LookPath("chromium"); err != nil {
			return failed("find Chromium (apt-get install chromium)", err)
		}
	}
	shared.chromium = path
	alloc, cancel := chromedp.NewExecAllocator(context.Background(), append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.NoSandbox, chromedp.DisableGPU, chromedp.ExecPath(path))...)
	defer cancel()
	browser, cancel := chromedp.NewContext(alloc)
	defer cancel()
	if err := chromedp.Do(browser, chromedp.Navigate("about:blank")); err != nil {
		return failed("start the browser", err)
	}
	shared.plant, shared.browser = p, browser
	return m.Run()
}

func failed(what string, err error) int {
	fmt.Fprintf(os.Stderr, "%s: %v\n", what, err)
	return 1
}

var (
	addressLine = regexp.MustCompile(`The demo plant is at (http://\S+)`)
	personLine  = regexp.MustCompile(`^\s+\S.*?\s{2,}(\S+)\s{2,}(.+?)\s*$`)
)

// startPlant builds the program and serves the demo plant with a week of history on a free port.
func startPlant(dir string, more ...string) (*plant, func(), error) {
	bin := filepath.Join(dir, "linewarden")
	build := exec.Command("go", "build", "-o", bin, "./cmd/linewarden")
	build.Dir = filepath.Join("..", "..", "..")
	if out, err := build.CombinedOutput(); err != nil {
		return nil, nil, fmt.Errorf("build: %w\n%s", err, out)
	}
	cmd := exec.Command(bin, append([]string{"demo", "--data", filepath.Join(dir, "data"), "--listen", "127.0.0.1:0", "--days", "7"}, more...)...)
	cmd.Stderr = os.Stderr
	out, err := cmd.StdoutPipe()
	if err != nil {
		return nil, nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, nil, err
	}
	stop := func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		_ = cmd.Wait()
	}
	p := &plant{passwords: map[string]string{}}
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		line := lines.Text()
		if m := addressLine.FindStringSubmatch(line); m != nil {
			p.url = m[1]
		}
		if m := personLine.FindStringSubmatch(line); m != nil {
			p.passwords[m[1]] = m[2]
		}
		if strings.Contains(line, "Ctrl+C") {
			return p, stop, nil
		}
	}
	stop()
	return nil, nil, fmt.Errorf("it ended before it served: %w", lines.Err())
}

// visit is one person's visit: a tab with cookies of its own.
type visit struct {
	t     *testing.T
	ctx   context.Context
	url   string // of the plant
	plant *plant // nil where only the address is known
}

// open opens a tab without a session, and fails the test for every request that leaves the plant.
func open(t *testing.T) *visit {
	t.Helper()
	return openAt(t, shared.plant)
}

// openAt does so at a plant.
func openAt(t *testing.T, p *plant) *visit {
	t.Helper()
	ctx, cancel := chromedp.NewContext(shared.browser, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	v := openIn(t, ctx, p.url)
	v.plant = p
	return v
}

// openIn makes a fresh context a tab at a plant.
func openIn(t *testing.T, ctx context.Context, url string) *visit {
	t.Helper()
	v := &visit{t: t, ctx: ctx, url: url}
	// The first call makes the tab; a deadline on it would end the tab with it.
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil {
		t.Fatal(err)
	}
	if _, err := chromedp.Call(ctx, network.Enable, network.EnableParams{}); err != nil {
		t.Fatal(err)
	}
	err := chromedp.Listen(ctx, func(ev any) {
		r, ok := ev.(*network.EventRequestWillBeSent)
		if ok && !strings.HasPrefix(r.Request.URL, url+"/") && !strings.HasPrefix(r.Request.URL, "data:") && r.Request.URL != "about:blank" {
			t.Errorf("a request leaves the origin: %s", r.Request.URL) // data: is the browser's own picture of a calendar
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// patience is how long one step of a person may take.
const patience = time.Minute

func (v *visit) do(steps ...chromedp.Action[chromedp.Void]) {
	v.t.Helper()
	ctx, cancel := context.WithTimeout(v.ctx, patience)
	defer cancel()
	err := chromedp.Do(ctx, steps...)
	for range 3 { // a page that follows the stream may be shown anew between finding a thing and touching it
		if err == nil || !strings.Contains(err.Error(), "Could not find node") {
			break
		}
		err = chromedp.Do(ctx, steps...)
	}
	if err != nil {
		v.t.Fatalf("%v\n%s", err, v.text())
	}
}

// text is what the page shows.
func (v *visit) text() string {
	s, err := chromedp.Run(v.ctx, chromedp.Evaluate[string](`document.body.innerText`))
	if err != nil {
		return err.Error()
	}
	return s
}

// eval gives the value of a JavaScript expression on the page.
func eval[T any](v *visit, expression string) T {
	v.t.Helper()
	x, err := chromedp.Run(v.ctx, chromedp.Evaluate[T](expression))
	if err != nil {
		v.t.Fatalf("%s: %v", expression, err)
	}
	return x
}

func (v *visit) go_(path string) {
	v.t.Helper()
	v.do(chromedp.Navigate(v.url + path))
}

// path is the address of the page without the origin.
func (v *visit) path() string {
	v.t.Helper()
	return eval[string](v, `location.pathname`)
}

// press presses a button or link and waits for the page it leads to.
func (v *visit) press(selector string) {
	v.t.Helper()
	eval[bool](v, `window.before = true`)
	v.do(chromedp.Click(selector))
	v.left(selector)
}

// left waits until the page that carries the mark has made way for a whole new one. While it does, the old page
// answers with an error.
func (v *visit) left(by string) {
	v.t.Helper()
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(20 * time.Millisecond) {
		there, err := chromedp.Run(v.ctx, chromedp.Evaluate[bool](`!window.before && document.readyState === "complete"`))
		if err == nil && there {
			return
		}
	}
	v.t.Fatalf("%s leads nowhere:\n%s", by, v.text())
}

func (v *visit) type_(id, text string) {
	v.t.Helper()
	v.do(chromedp.SendKeys(`[id="`+id+`"]`, text))
}

func (v *visit) wants(texts ...string) {
	v.t.Helper()
	page := v.text()
	for _, x := range texts {
		if !strings.Contains(strings.ToLower(page), strings.ToLower(x)) {
			v.t.Fatalf("%s lacks %q:\n%s", v.path(), x, page)
		}
	}
}

func (v *visit) signIn(name string) {
	v.t.Helper()
	password, ok := v.plant.passwords[name]
	if !ok {
		v.t.Fatalf("the demo has nobody called %s: %d people", name, len(v.plant.passwords))
	}
	v.go_("/sign-in")
	v.type_("name", name)
	v.type_("password", password)
	v.press(`form[action="/sign-in"] button[type=submit]`)
	if v.path() != "/" {
		v.t.Fatalf("signing in led to %s:\n%s", v.path(), v.text())
	}
}
