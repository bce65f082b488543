//go:build long

package wiretest

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"linewarden/internal/mongostore"
)

//go:embed testdata/fleet.yaml
var fleetPlan []byte

const (
	fleetSite     = "fleet-demo"
	fleetPassword = "four wet gloves on a hook"
	fleetClients  = 50
	fleetWorkers  = 6   // of the clients, who work the cases that are opened
	leastClosed   = 3   // deviations closed for each whole round, over all of them: in a quick one readings outrun the cases
	fleetRun      = 64  // records that share their entries for searches, so that runs are written while instances are killed
	perRound      = 250 // acknowledged commands in one data base; with those under way at the end at most 300
)

// TestLongFleet has three instances of the program share one data base: fifty clients send readings,
// additions, fixes, the parts of deviations and their closes, amendments and notes; the instances are killed at
// random, and in the moment between the write of a commit and its answer, and started again. Whatever was
// acknowledged is in the log once; the log verifies; no run of the timetable happened twice; no deviation was
// closed without its parts; and every instance shows what the log says.
//
// LINEWARDEN_LONG_COMMANDS says how many commands are to be acknowledged in all, 5000 without it.
func TestLongFleet(t *testing.T) { fleetRounds(t, true, 3) }

// TestLongAlone does the same on a data folder with its one instance.
func TestLongAlone(t *testing.T) { fleetRounds(t, false, 1) }

func fleetRounds(t *testing.T, shared bool, instances int) {
	want := 5000
	if s := os.Getenv("LINEWARDEN_LONG_COMMANDS"); s != "" {
		n, err := strconv.Atoi(s)
		if err != nil {
			t.Fatal(err)
		}
		want = n
	}
	binary := filepath.Join(t.TempDir(), "linewarden")
	build := exec.Command("go", "build", "-o", binary, "./cmd/linewarden")
	build.Dir = filepath.Join("..", "..", "..")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	total := tally{}
	for round := 0; total.acked < want; round++ {
		t.Run(fmt.Sprint("round ", round+1), func(t *testing.T) {
			t0 := time.Now()
			f := newFleet(t, binary, shared, instances)
			t1 := time.Now()
			f.run(min(perRound, want-total.acked))
			t2 := time.Now()
			total.add(f.check())
			t.Logf("set up in %s, load %s, checked in %s", t1.Sub(t0), t2.Sub(t1), time.Since(t2))
		})
		if t.Failed() {
			return
		}
	}
	if rounds := total.acked / (perRound + fleetClients); total.closed < leastClosed*rounds {
		t.Errorf("%d deviations were closed in %d rounds", total.closed, rounds)
	}
	line := fmt.Sprintf("%s, %d instances: %v", map[bool]string{true: "data base", false: "data folder"}[shared], instances, total)
	t.Log(line)
	if path := os.Getenv("LINEWARDEN_FIGURES"); path != "" {
		f, err := os.OpenFile(path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o644)
		if err != nil {
			t.Fatal(err)
		}
		fmt.Fprintln(f, line)
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	}
}

// tally is what happened.
type tally struct{ acked, kills, between, takeovers, missed, closed, repeated int }

func (a *tally) add(b tally) {
	a.acked, a.kills, a.between, a.takeovers = a.acked+b.acked, a.kills+b.kills, a.between+b.between, a.takeovers+b.takeovers
	a.missed, a.closed, a.repeated = a.missed+b.missed, a.closed+b.closed, a.repeated+b.repeated
}

func (a tally) String() string {
	return fmt.Sprintf("%d commands acknowledged, %d of them after having been written before; %d kills at random and %d between write and answer; "+
		"%d takeovers of the timetable, %d misses, %d deviations closed", a.acked, a.repeated, a.kills, a.between, a.takeovers, a.missed, a.closed)
}

// fleet is one round: a fresh plant and its instances.
type fleet struct {
	t      *testing.T
	binary string
	place  []string // flags
	nodes  []*node
	people map[string]*person
	tally  tally

	mu     sync.Mutex
	acked  map[string]int64 // command to record
	kinds  map[string]int
	open   []openCase        // deviations that were opened
	worked int               // of these are with a worker, or done
	notes  map[string]string // readings that may be amended: id of the record to its author
	head   atomic.Int64      // the highest commit that an answer told of
	stop   atomic.Bool
}

// openCase is a deviation, and where it is.
type openCase struct{ id, place string }

// node is one instance: a process, and the way to its data base, which can be cut.
type node struct {
	address string
	proxy   *proxy // nil: a data folder
	flags   []string
	mu      sync.Mutex
	process *exec.Cmd
	out     *bytes.Buffer
}

type person struct {
	cookie, form string
	signing      sync.Mutex // a password is tried once at a time, or the tries count as a guesser's
}

// Managers by what they do: who changes a reading has a hand in its case and closes none.
var (
	amenders = []string{"mara", "marc"}
	signers  = []string{"maya", "milo", "mina"}
	closers  = []string{"mona", "moss", "myra"}
)

func (f *fleet) must(err error) {
	f.t.Helper()
	if err != nil {
		f.t.Fatal(err)
	}
}

func (f *fleet) command(args ...string) string {
	f.t.Helper()
	out, err := exec.Command(f.binary, args...).CombinedOutput()
	if err != nil {
		f.t.Fatalf("linewarden %s: %v\n%s", strings.Join(args, " "), err, out)
	}
	return string(out)
}

func newFleet(t *testing.T, binary string, shared bool, instances int) *fleet {
	t.Helper()
	f := &fleet{t: t, binary: binary, people: map[string]*person{}, acked: map[string]int64{}, kinds: map[string]int{}, notes: map[string]string{}}
	dir := t.TempDir()
	plan, key := filepath.Join(dir, "plan.yaml"), filepath.Join(dir, fleetSite+".signing-key")
	f.must(os.WriteFile(plan, fleetPlan, 0o600))
	uri := ""
	if shared {
		uri = database(t)
		store, err := mongostore.Open(t.Context(), mongostore.Options{URI: uri, Run: fleetRun}) // which all instances then keep to
		f.must(err)
		f.must(store.Close(t.Context()))
		f.place = []string{"--mongodb", uri, "--signing-key", key}
		f.command("key", fleetSite, "-o", key)
	} else {
		f.place = []string{"--data", filepath.Join(dir, "data")}
	}
	f.command(append([]string{"plan", "sign", plan, "--demo"}, f.place...)...)
	codes := map[string]string{}
	for _, x := range [][2]string{{"tina", "technician"}, {"lea", "line_lead"}, {"mara", "manager"}, {"marc", "manager"},
		{"maya", "manager"}, {"milo", "manager"}, {"mina", "manager"}, {"mona", "manager"}, {"moss", "manager"}, {"myra", "manager"}} {
		out := f.command(append([]string{"user", "add", strings.ToUpper(x[0]), "--sign-in", x[0], "--role", x[1]}, f.place...)...)
		found := regexp.MustCompile(`once\): (\S+)`).FindStringSubmatch(out)
		if found == nil {
			t.Fatalf("no code in %q", out)
		}
		codes[x[0]] = found[1]
	}
	for range instances {
		n := &node{flags: f.place}
		if shared {
			p, err := newProxy(uri)
			f.must(err)
			t.Cleanup(p.close)
			n.proxy, n.flags = p, []string{"--mongodb", p.uri, "--signing-key", key}
		}
		l, err := net.Listen("tcp", "127.0.0.1:0")
		f.must(err)
		n.address = l.Addr().String()
		f.must(l.Close())
		f.nodes = append(f.nodes, n)
		f.must(n.start(f.binary))
		t.Cleanup(n.kill)
	}
	for name, code := range codes {
		f.people[name] = f.signIn(name, code)
	}
	status, out, err := f.send(f.nodes[0], "lea", "POST", "/lines/line-1/started", map[string]any{"id": newID()})
	if err != nil || status != http.StatusCreated {
		t.Fatalf("start the line: %d %s %v", status, out, err)
	}
	for _, place := range []string{"bath-1", "bath-2"} {
		status, out, err := f.send(f.nodes[0], "lea", "POST", "/fillings", map[string]any{"id": newID(), "place": place, "water": "town water",
			"level": map[string]string{"value": "80", "unit": "cm"}})
		if err != nil || status != http.StatusCreated {
			t.Fatalf("fill %s: %d %s %v", place, status, out, err)
		}
	}
	return f
}

func (n *node) start(binary string) error {
	n.mu.Lock()
	defer n.mu.Unlock()
	c := exec.Command(binary, append([]string{"serve", "--listen", n.address, "--log-level", "warn"}, n.flags...)...)
	if n.proxy != nil {
		c.Env = append(os.Environ(), "LINEWARDEN_PEERS_LISTEN=127.0.0.1:0")
	}
	n.out = new(bytes.Buffer)
	c.Stdout, c.Stderr = n.out, n.out
	if err := c.Start(); err != nil {
		return err
	}
	n.process = c
	for range 600 {
		res, err := http.Get("http://" + n.address + "/readyz")
		if err == nil {
			_ = res.Body.Close()
			if res.StatusCode == http.StatusOK {
				return nil
			}
		}
		time.Sleep(50 * time.Millisecond)
	}
	return fmt.Errorf("the instance is not ready after 30 s: %s", n.out.String())
}

// kill ends the instance as a power cut would.
func (n *node) kill() {
	n.mu.Lock()
	defer n.mu.Unlock()
	if n.process != nil && n.process.ProcessState == nil {
		_ = n.process.Process.Kill()
		_ = n.process.Wait()
	}
}

func newID() string {
	var b [16]byte
	for i := range b {
		b[i] = byte(rand.IntN(256))
	}
	b[6], b[8] = b[6]&0x0f|0x40, b[8]&0x3f|0x80
	return fmt.Sprintf("%x-%x-%x-%x-%x", b[:4], b[4:6], b[6:8], b[8:10], b[10:])
}

var web = &http.Client{Timeout: 20 * time.Second, Transport: &http.Transport{MaxIdleConnsPerHost: 64}}

// signIn chooses a password at the first instance, which signs in; the session then holds at all of them.
func (f *fleet) signIn(name, code string) *person {
	f.t.Helper()
	body, err := json.Marshal(map[string]string{"name": name, "code": code, "password": fleetPassword})
	f.must(err)
	res, err := web.Post("http://"+f.nodes[0].address+"/api/v1/password", "application/json", bytes.NewReader(body))
	f.must(err)
	defer res.Body.Close()
	var out struct {
		Form string `json:"form_token"`
	}
	f.must(json.NewDecoder(res.Body).Decode(&out))
	if out.Form == "" || len(res.Cookies()) == 0 {
		f.t.Fatalf("%s could not choose a password: %s", name, res.Status)
	}
	for _, c := range res.Cookies() {
		if c.Name == "linewarden" {
			return &person{cookie: c.Name + "=" + c.Value, form: out.Form}
		}
	}
	f.t.Fatal("no session")
	return nil
}

func (f *fleet) send(n *node, who, method, path string, body any) (int, []byte, error) {
	b, err := json.Marshal(body)
	if err != nil {
		return 0, nil, err
	}
	req, err := http.NewRequest(method, "http://"+n.address+"/api/v1"+path, bytes.NewReader(b))
	if err != nil {
		return 0, nil, err
	}
	p := f.people[who]
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Cookie", p.cookie)
	req.Header.Set("X-Form-Token", p.form)
	if head := f.head.Load(); head > 0 { // so that an instance that is behind reads on first
		req.Header.Set("Linewarden-Head", strconv.FormatInt(head, 10))
	}
	res, err := web.Do(req)
	if err != nil {
		return 0, nil, err
	}
	defer res.Body.Close()
	if head, err := strconv.ParseInt(res.Header.Get("Linewarden-Head"), 10, 64); err == nil {
		for old := f.head.Load(); head > old && !f.head.CompareAndSwap(old, head); {
			old = f.head.Load()
		}
	}
	out, err := io.ReadAll(res.Body)
	return res.StatusCode, out, err
}

// run sends commands until so many are acknowledged, while instances are killed.
func (f *fleet) run(acked int) {
	f.t.Helper()
	var killer, clients sync.WaitGroup
	killer.Go(f.killing)
	for c := range fleetClients {
		if c < fleetWorkers {
			clients.Go(func() { f.worker(acked) })
		} else {
			clients.Go(func() { f.client(c, acked-acked/4) }) // the workers have the last quarter to themselves
		}
	}
	clients.Wait()
	f.stop.Store(true)
	killer.Wait()
}

// killing kills an instance every now and then, by turns at random and between write and answer, and starts it
// again.
func (f *fleet) killing() {
	for i := 0; !f.stop.Load(); i++ {
		time.Sleep(time.Duration(500+rand.IntN(1500)) * time.Millisecond)
		n := f.nodes[rand.IntN(len(f.nodes))]
		if n.proxy != nil && i%2 == 1 {
			select {
			case <-n.proxy.cutAfterCommit(n.kill):
				f.tally.between++
			case <-time.After(3 * time.Second):
				if n.proxy.disarm() { // it wrote nothing meanwhile
					continue
				}
				f.tally.between++
			}
		} else {
			n.kill()
			f.tally.kills++
		}
		if err := n.start(f.binary); err != nil {
			f.t.Error(err)
			f.stop.Store(true)
		}
	}
}

func (f *fleet) client(c, acked int) {
	rng := rand.New(rand.NewPCG(uint64(c), uint64(time.Now().UnixNano())))
	for f.more(acked) {
		if o, ok := f.next(rng); ok {
			if _, err := f.deliver(o, false); err != nil {
				f.t.Error(err)
				f.stop.Store(true)
			}
		}
		time.Sleep(time.Duration(rng.IntN(2500)) * time.Millisecond)
	}
}

// more reports that commands are to be sent yet.
func (f *fleet) more(acked int) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return !f.stop.Load() && len(f.acked) < acked
}

// worker works the cases one after the other until they are closed, and opens one where none waits.
func (f *fleet) worker(acked int) {
	for f.more(acked) {
		f.mu.Lock()
		var c openCase
		if f.worked < len(f.open) {
			c = f.open[f.worked]
			f.worked++
		}
		f.mu.Unlock()
		if c.id == "" { // nobody opened one
			o := order{"tina", "/readings", readingOf(fmt.Sprint("bath-", 1+rand.IntN(2)), 46)}
			o.body["id"] = newID()
			if _, err := f.deliver(o, true); err != nil {
				f.t.Error(err)
				f.stop.Store(true)
			}
			time.Sleep(100 * time.Millisecond)
			continue
		}
		for tries := 0; tries < 12 && f.more(acked); tries++ {
			closed, err := f.work(c)
			if err != nil {
				f.t.Error(err)
				f.stop.Store(true)
			}
			if closed {
				break
			}
		}
	}
}

// work does what a case wants: a fix and a reading inside by who measures, each part by a manager, the close by
// another one. It stops at the first refusal, since another client may have changed what the case wants.
func (f *fleet) work(c openCase) (closed bool, err error) {
	status, out, err := f.send(f.nodes[rand.IntN(len(f.nodes))], closers[0], "GET", "/deviations/"+c.id, nil)
	if err != nil || status != http.StatusOK {
		time.Sleep(100 * time.Millisecond)
		return false, nil
	}
	var now struct {
		Status  string   `json:"status"`
		Missing []string `json:"missing"`
	}
	if err := json.Unmarshal(out, &now); err != nil {
		return false, err
	}
	if now.Status == "closed" {
		return true, nil
	}
	if slices.Contains(now.Missing, parts[0]) {
		fix := order{"tina", "/fixes", map[string]any{"id": newID(), "point": "chlorine", "place": c.place, "fix": "add-hypochlorite", "deviation": c.id}}
		if _, err := f.deliver(fix, true); err != nil {
			return false, err
		}
		time.Sleep(1100 * time.Millisecond) // the bath mixes for a second
		inside := order{"tina", "/readings", readingOf(c.place, 100)}
		inside.body["id"] = newID()
		if ok, err := f.deliver(inside, true); !ok || err != nil {
			return false, err
		}
	}
	for i, part := range parts {
		if part != "closed" && !slices.Contains(now.Missing, part) {
			continue
		}
		who := signers[i%len(signers)]
		if part == "closed" {
			who = closers[rand.IntN(len(closers))]
		}
		o := order{who, "/deviations/" + c.id + "/parts", partOf(part)}
		o.body["id"] = newID()
		if ok, err := f.deliver(o, true); !ok || err != nil {
			return false, err
		}
	}
	return true, nil
}

// parts are the parts of a deviation in their order.
var parts = []string{"control-restored", "product-evaluated", "cause-and-action", "closed"}

// order is one command on its way.
type order struct {
	who, path string
	body      map[string]any
}

func readingOf(place string, chlorine int) map[string]any {
	return map[string]any{"check": "bath-test", "place": place, "entries": []any{map[string]any{"quantity": "free_chlorine",
		"method": "titration", "read": map[string]string{"value": strconv.Itoa(chlorine), "unit": "mg/L"}}}}
}

func partOf(part string) map[string]any {
	body := map[string]any{"part": part, "password": fleetPassword}
	switch part {
	case "control-restored":
		body["restored"] = "added, mixed, tested"
	case "product-evaluated":
		body["product"] = map[string]any{"exposed": false, "evidence": "feed was stopped"}
	case "cause-and-action":
		body["cause"], body["action"] = "pump lost its prime", "check valve fitted"
	}
	return body
}

// next draws a command. One reading in ten is outside, as long as the workers come along with the cases.
func (f *fleet) next(rng *rand.Rand) (o order, ok bool) {
	place := fmt.Sprint("bath-", 1+rng.IntN(2))
	value := func(v int, unit string) map[string]string {
		return map[string]string{"value": strconv.Itoa(v), "unit": unit}
	}
	reading := readingOf(place, 50+2*rng.IntN(60))
	f.mu.Lock()
	defer f.mu.Unlock()
	if rng.IntN(10) == 0 && len(f.open)-f.worked < 2 {
		reading = readingOf(place, 46)
	}
	switch n := rng.IntN(20); {
	case n < 9:
		o = order{"tina", "/readings", reading}
	case n < 11:
		o = order{"tina", "/additions", map[string]any{"place": place, "chemical": "hypochlorite", "amount": value(1+rng.IntN(5), "L"), "reason": "low"}}
	case n < 12:
		o = order{"lea", "/notes", map[string]any{"text": fmt.Sprint("note ", rng.IntN(1000))}}
	case n < 13:
		o = order{"tina", "/fixes", map[string]any{"point": "chlorine", "place": place, "fix": "add-hypochlorite"}}
	case n < 15 && len(f.notes) > 0:
		for id := range f.notes {
			o = order{amenders[rng.IntN(len(amenders))], "/amendments", map[string]any{"target": id, "reason": "typed wrongly", "new": reading, "password": fleetPassword}}
			break
		}
	case n >= 18 && len(f.open) > 0: // any part in any order: to be refused where one before it is lacking
		d := f.open[rng.IntN(len(f.open))]
		o = order{closers[rng.IntN(len(closers))], "/deviations/" + d.id + "/parts", partOf(parts[rng.IntN(len(parts))])}
	}
	if o.path == "" {
		return o, false
	}
	o.body["id"] = newID()
	return o, true
}

// deliver sends a command until it is answered, to another instance each time, with the same id and body, and says
// whether it was acknowledged. Who signs one thing at a time is waited for, or the command is dropped.
func (f *fleet) deliver(o order, wait bool) (acknowledged bool, err error) {
	id, _ := o.body["id"].(string)
	if _, signs := o.body["password"]; signs {
		if wait {
			f.people[o.who].signing.Lock()
		} else if !f.people[o.who].signing.TryLock() {
			return false, nil
		}
		defer f.people[o.who].signing.Unlock()
	}
	for tries := range 200 {
		n := f.nodes[rand.IntN(len(f.nodes))]
		if _, signs := o.body["password"]; signs && o.body["signature"] == nil {
			head, err := f.signedHead(n)
			if err != nil {
				time.Sleep(100 * time.Millisecond)
				continue
			}
			o.body["signature"] = map[string]any{"statement": "I sign this.", "language": "en", "head": head}
		}
		status, out, err := f.send(n, o.who, "POST", o.path, o.body)
		switch {
		case err != nil || status >= 500:
			time.Sleep(time.Duration(50+rand.IntN(200)) * time.Millisecond)
			continue
		case status == http.StatusTooManyRequests: // tries that a kill left counted
			return false, nil
		case status == http.StatusUnauthorized && tries < 20:
			time.Sleep(100 * time.Millisecond)
			continue
		case status == http.StatusCreated || status == http.StatusOK:
			return true, f.acknowledged(id, o, out, status == http.StatusOK)
		case status == http.StatusConflict || status == http.StatusUnprocessableEntity || status == http.StatusForbidden:
			if bytes.Contains(out, []byte(`"id-used"`)) || bytes.Contains(out, []byte(`"missing"`)) {
				return false, fmt.Errorf("%s: %d %s", o.path, status, out)
			}
			return false, nil // refused by the rules: leaves nothing behind
		}
		return false, fmt.Errorf("%s: %d %s", o.path, status, out)
	}
	return false, fmt.Errorf("%s was not answered by any instance", o.path)
}

func (f *fleet) signedHead(n *node) (json.RawMessage, error) {
	status, out, err := f.send(n, "mara", "GET", "/site", nil)
	if err != nil || status != http.StatusOK {
		return nil, errors.Join(err, fmt.Errorf("status %d", status))
	}
	var site struct {
		Head json.RawMessage `json:"head"`
	}
	return site.Head, json.Unmarshal(out, &site)
}

func (f *fleet) acknowledged(id string, o order, out []byte, again bool) error {
	var answer struct {
		ID     string `json:"id"`
		Seq    int64  `json:"seq"`
		Opened []struct {
			Deviation string `json:"deviation"`
		} `json:"opened"`
	}
	if err := json.Unmarshal(out, &answer); err != nil {
		return err
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	f.acked[id] = answer.Seq
	kind := o.path
	if strings.HasPrefix(o.path, "/deviations/") {
		kind = "/parts"
	}
	f.kinds[kind]++
	if again {
		f.tally.repeated++
	}
	for _, d := range answer.Opened {
		if place, ok := o.body["place"].(string); ok {
			f.open = append(f.open, openCase{d.Deviation, place})
		}
	}
	if o.path == "/readings" && len(f.notes) < 20 {
		f.notes[answer.ID] = o.who
	}
	return nil
}
