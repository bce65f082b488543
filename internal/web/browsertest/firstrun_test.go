package browsertest

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
)

// fresh is the real program on a data folder that a test stops and starts.
type fresh struct {
	t                 *testing.T
	bin, data, listen string
	url, code         string // code: of the console; "" where the plant is founded
	cmd               *exec.Cmd
}

var (
	foundingLine = regexp.MustCompile(`set one up at (http://\S+)/first-run`)
	servingLine  = regexp.MustCompile(`Linewarden is at (http://\S+)`)
	codeLine     = regexp.MustCompile(`one-time code: (\S+)`)
)

func newFresh(t *testing.T) *fresh {
	t.Helper()
	dir := t.TempDir()
	f := &fresh{t: t, bin: filepath.Join(dir, "linewarden"), data: filepath.Join(dir, "data"), listen: "127.0.0.1:0"}
	build := exec.Command("go", "build", "-o", f.bin, "./cmd/linewarden")
	build.Dir = filepath.Join("..", "..", "..")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	t.Cleanup(f.stop)
	return f
}

// start starts the program and reads what the console shows.
func (f *fresh) start() {
	f.t.Helper()
	f.url, f.code = "", ""
	f.cmd = exec.Command(f.bin, "serve", "--data", f.data, "--listen", f.listen)
	out, err := f.cmd.StdoutPipe()
	if err != nil {
		f.t.Fatal(err)
	}
	f.cmd.Stderr = f.cmd.Stdout
	if err := f.cmd.Start(); err != nil {
		f.t.Fatal(err)
	}
	lines := make(chan string, 100)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(out); s.Scan(); {
			lines <- s.Text()
		}
	}()
	for f.url == "" || f.code == "" {
		select {
		case line, ok := <-lines:
			if !ok {
				f.t.Fatal("it ended before it served")
			}
			if m := codeLine.FindStringSubmatch(line); m != nil {
				f.code = m[1]
			}
			if m := foundingLine.FindStringSubmatch(line); m != nil {
				f.url = m[1]
			}
			if m := servingLine.FindStringSubmatch(line); m != nil {
				f.url, f.code = m[1], "none"
			}
		case <-time.After(patience):
			f.t.Fatal("it does not serve")
		}
	}
	f.listen = strings.TrimPrefix(f.url, "http://")
	go func() {
		for range lines { //nolint:revive // the pipe is kept empty
		}
	}()
}

// stop ends the program, as a power cut does.
func (f *fresh) stop() {
	if f.cmd == nil {
		return
	}
	_ = f.cmd.Process.Signal(syscall.SIGKILL)
	_ = f.cmd.Wait()
	f.cmd = nil
}

// again cuts the power and starts anew.
func (f *fresh) again() {
	f.t.Helper()
	f.stop()
	f.start()
}

// readyPlan is a plan whose limits stand ready, each with its basis. Plant and numbers are invented for the test.
func readyPlan(t *testing.T) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "planfile", "testdata", "good.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	s := string(b)
	for from, to := range map[string]string{"demo: true\n": "", "basis: {invented: true}": "basis: {source: A guide, validation: Report 8}",
		"basis: {validation_until: 2026-05-30}": "basis: {source: A guide, validation: Report 9}",
		"live_from: 2026-03-01T06:00:00Z":       "live_from: " + time.Now().UTC().Add(-time.Hour).Format(time.RFC3339)} {
		if !strings.Contains(s, from) {
			t.Fatalf("the plan lacks %q", from)
		}
		s = strings.ReplaceAll(s, from, to)
	}
	return s
}

// choosePlan puts a plan file into the page's field.
func choosePlan(v *visit, source string) {
	v.t.Helper()
	text, err := json.Marshal(source)
	if err != nil {
		v.t.Fatal(err)
	}
	eval[bool](v, fmt.Sprintf(`(() => { const d = new DataTransfer(); d.items.add(new File([%s], "plan.yaml")); document.getElementById("file").files = d.files; return true })()`, text))
}

const (
	founderPassword = "cedar lamp quarry nine"
	testerPassword  = "willow stone harbour six"
)

func (v *visit) enter(name, password string) {
	v.t.Helper()
	v.type_("name", name)
	v.type_("password", password)
	v.press(`form[action="/sign-in"] button[type=submit]`)
}

// From an empty data folder to the first reading, on a plan whose limits stand ready in a file. After each step the power is
// cut, and the next step is found again. The time is that of the machine and this browser: a person types and reads more
// slowly, so the steps and fields are counted too.
func TestFirstRun(t *testing.T) {
	f := newFresh(t)
	plan := readyPlan(t)
	f.start()
	began := time.Now()
	cuts := time.Duration(0)
	cut := func() {
		at := time.Now()
		f.again()
		cuts += time.Since(at)
	}
	v := openAt(t, &plant{url: f.url})
	v.go_("/")
	check(v, "nobody", "/first-run-founding")
	v.go_("/first-run?lang=en")
	v.wants("This data folder is empty", "No template holds a critical limit", "no default password")

	// A wrong code is refused, and nothing that was typed is lost but the password and the file.
	v.type_("code", "0000-0000-0000-0000")
	v.type_("person", "Elena Ruiz")
	v.type_("sign_in", "elena")
	v.type_("password", founderPassword)
	v.press(`form button[type=submit]`)
	v.wants("not the code that the console shows")
	if got := eval[string](v, `document.getElementById("person").value`); got != "Elena Ruiz" {
		t.Errorf("the name is lost: %q", got)
	}
	// A plan with a fault is shown with line, column and what would be right; nothing is founded.
	v.type_("code", f.code)
	v.type_("password", founderPassword)
	choosePlan(v, strings.Replace(plan, "zone: America/Merida", "zone: America/Meridaa", 1))
	v.press(`form button[type=submit]`)
	v.wants("line 7", "there is no time zone", "America/Merida")
	look(v, "nobody", "/first-run-faults", "en", 1280)
	cut()
	v.go_("/first-run?lang=en")
	v.type_("code", f.code)
	v.type_("person", "Elena Ruiz")
	v.type_("sign_in", "elena")
	v.type_("password", founderPassword)
	choosePlan(v, plan)
	v.press(`form button[type=submit]`)
	v.wants("The plant is set up")
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(100 * time.Millisecond) {
		if path, err := chromedp.Run(v.ctx, chromedp.Evaluate[string](`location.pathname`)); err == nil && path == "/sign-in" {
			break // the page goes on by itself once the service is there
		}
	}
	cut()
	v.go_("/sign-in?back=%2Ffirst-run")
	v.enter("elena", founderPassword)
	v.wants("First steps", "The draft has no errors and waits for a signature")
	check(v, "founder", "/first-run")

	v.go_("/plan/new")
	if !eval[bool](v, `!!document.querySelector('form[action="/plan/sign"]')`) {
		t.Fatalf("the draft waits for no signature:\n%s", v.text())
	}
	v.type_("reason", "First plan of the plant")
	v.type_("password", founderPassword)
	v.press(`form[action="/plan/sign"] button[type=submit]`)
	if v.path() != "/first-run" {
		t.Fatalf("signing led to %s:\n%s", v.path(), v.text())
	}
	v.wants("Bath 1", "1000 L")
	cut()

	v.go_("/people")
	v.type_("name", "Tomás Vela")
	v.type_("sign_in", "tomas")
	v.do(chromedp.Click(`form[action="/people"] input[name=role][value=technician]`))
	v.press(`form[action="/people"] button[type=submit]`)
	v.wants("Tomás Vela", "/set-up")
	look(v, "founder", "/people-slip", "en", 800)
	code := eval[string](v, `document.querySelector(".code").textContent.trim()`)
	cut()
	v.go_("/labels")
	v.wants("Bath 1")

	w := openAt(t, &plant{url: f.url})
	w.go_("/set-up?lang=en")
	w.type_("name", "tomas")
	w.type_("code", code)
	w.type_("password", testerPassword)
	w.press(`form[action="/set-up"] button[type=submit]`)
	cut()
	w.go_("/baths/bath-1/filled?lang=en")
	w.do(chromedp.SendKeys(`input[name=water]`, "Town water"), chromedp.SendKeys(`input[name=volume]`, "1000"))
	w.press(`form[action^="/baths/bath-1/filled"] button[type=submit]`)
	if strings.HasPrefix(w.path(), "/baths/") {
		t.Fatalf("the filling was not recorded:\n%s", w.text())
	}
	w.go_("/checks/bath-test/bath-1?lang=en")
	for id, value := range map[string]string{"free_chlorine": "120", "ph": "6.75", "temperature": "54.0"} {
		w.type_("q."+id, value)
	}
	w.press(`main form button[type=submit]`)
	w.wants("inside")
	took := time.Since(began) - cuts
	v.go_("/first-run?lang=en")
	v.wants("First reading")
	t.Logf("from an empty data folder to the first reading: %v, and %v for five cuts of power", took.Round(100*time.Millisecond), cuts.Round(100*time.Millisecond))
	if n := eval[int](v, `[...document.querySelectorAll("li.entry header .mark")].filter(m => m.textContent.includes("done")).length`); n != 4 {
		t.Errorf("%d steps are done (plan, people, baths, reading), not 4:\n%s", n, v.text())
	}
	v.go_("/first-run")
	check(v, "founder", "/first-run-after")
}
