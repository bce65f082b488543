package main

import (
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/alerts/notify"
	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/plan"
	"linewarden/internal/app"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
)

const hookSecret = "a secret of the test, long enough"

// receiver is a webhook receiver on loopback that checks signatures and may be down.
type receiver struct {
	t      *testing.T
	mu     sync.Mutex
	status int
	got    []notify.Message
	at     []time.Time
	tries  int
}

func (r *receiver) ServeHTTP(w http.ResponseWriter, q *http.Request) {
	now := time.Now()
	body, err := io.ReadAll(q.Body)
	if err != nil {
		return // the sender was killed
	}
	if err := notify.Check([]byte(hookSecret), q.Header.Get(notify.HeaderTimestamp), q.Header.Get(notify.HeaderSignature), body, now); err != nil {
		r.t.Error(err)
	}
	var m notify.Message
	if err := json.Unmarshal(body, &m); err != nil {
		r.t.Error(err)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	r.tries++
	if r.status != 0 {
		w.WriteHeader(r.status)
		return
	}
	r.got, r.at = append(r.got, m), append(r.at, now)
}

func (r *receiver) set(status int) {
	r.mu.Lock()
	defer r.mu.Unlock()
	r.status = status
}

func (r *receiver) await(t *testing.T, what string, is func() bool) {
	t.Helper()
	for range 400 {
		r.mu.Lock()
		ok := is()
		r.mu.Unlock()
		if ok {
			return
		}
		time.Sleep(25 * time.Millisecond)
	}
	t.Fatalf("it did not come about in time: %s", what)
}

func serveHook(t *testing.T, r *receiver) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	srv := &http.Server{Handler: r, ReadHeaderTimeout: time.Second}
	go srv.Serve(l)
	t.Cleanup(func() { srv.Close() })
	return "http://" + l.Addr().String()
}

// realStation founds a site that is no demo, with a manager and the plan of the station at n places.
func realStation(t *testing.T, data string, n int) {
	t.Helper()
	src, err := os.ReadFile(filepath.Join("..", "..", "testdata", "dev", "station.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	var ids, places []string
	for i := range n {
		id := fmt.Sprintf("station-%d", i)
		ids = append(ids, id)
		places = append(places, fmt.Sprintf("  - {id: %s, name: Station %d, kind: machine}", id, i))
	}
	text := strings.NewReplacer("demo: true\n", "", "{invented: true}", "{source: test data, validation: V-1}",
		"  - {id: station-b, name: Station B, kind: machine}", strings.Join(places, "\n"),
		"places: [station-b]", "places: ["+strings.Join(ids, ",\n      ")+"]").Replace(string(src))
	r := planfile.Check("plan.yaml", []byte(text), plan.Options{Acts: haccp.Acts()})
	if err := r.Errors.Err(); err != nil {
		t.Fatal(err)
	}
	ctx := t.Context()
	f, err := app.OpenFolder(ctx, data, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if err := f.Found(ctx, plant.Founding{Site: "station-demo", Name: "Station"}, time.Now); err != nil {
		t.Fatal(err)
	}
	site, err := f.Open(ctx, "station-demo", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer site.Close(context.Background())
	do := func(kind string, by haccp.Actor, ask any) {
		t.Helper()
		if _, err := site.Do(ctx, plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: kind, At: time.Now(), AtKnown: haccp.AtServer, By: by, Ask: ask}}); err != nil {
			t.Fatal(err)
		}
	}
	console := haccp.Actor{ID: "console", Name: "console", Role: haccp.RoleConsole, Known: haccp.KnownConsole}
	do(haccp.AskPerson, console, &haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: "mona", Name: "Mona", SignIn: "mona"}})
	do(haccp.AskPerson, console, &haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: "mona", Role: haccp.RoleManager}})
	head := site.Head()
	do(haccp.AskSignPlan, haccp.Actor{ID: "mona", Name: "Mona", Role: haccp.RoleManager, Known: haccp.KnownPassword}, &haccp.SignPlan{Plan: r.Plan, Reason: "first", Source: text,
		Signature: haccp.Signature{Head: haccp.Head{Root: base64.StdEncoding.EncodeToString(head.Root[:]), Size: head.Size}, Language: "en", Meaning: haccp.MeaningPlan,
			Statement: "I approve this plan."}})
}

// hookSettings writes a configuration with one webhook.
func hookSettings(t *testing.T, dir, address string) string {
	t.Helper()
	secret, file := filepath.Join(dir, "secret"), filepath.Join(dir, "linewarden.yaml")
	for name, text := range map[string]string{secret: hookSecret + "\n",
		file: "alerts:\n  channels:\n    - {name: hook, kind: webhook, address: \"" + address + "\", secret_file: \"" + secret + "\"}\n"} {
		if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return file
}

// sendChlorine sends one reading of a place.
func sendChlorine(h *http.Client, url, token, place, value string) error {
	body := fmt.Sprintf(`{"id":%q,"check":"station-reading","place":%q,"entries":[{"quantity":"free_chlorine","method":"analyser","read":{"value":%q,"unit":"mg/L"}}]}`,
		uuid.NewString(), place, value)
	req, err := http.NewRequest(http.MethodPost, url+"/api/v1/readings", strings.NewReader(body))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+token)
	res, err := h.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	out, err := io.ReadAll(res.Body)
	if err == nil && res.StatusCode != http.StatusCreated {
		err = fmt.Errorf("%s: %s", res.Status, out)
	}
	return err
}

// The program is killed between the raising of an alert and its delivery: after the restart it is delivered, once, and the
// log says so.
func TestKilledBeforeDelivery(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("there is no kill -9 here")
	}
	dir := t.TempDir()
	binary, data := filepath.Join(dir, "linewarden"), filepath.Join(dir, "data")
	run1(t, "go", "build", "-o", binary, ".")
	realStation(t, data, 1)
	token := probes(t, data, 1)[0]
	hook := &receiver{t: t, status: http.StatusInternalServerError}
	settings := hookSettings(t, dir, serveHook(t, hook))
	address, err := freeAddress()
	if err != nil {
		t.Fatal(err)
	}
	server := serveBinary(t, binary, data, address, "--config", settings)
	if err := sendChlorine(http.DefaultClient, "http://"+address, token, "station-0", "0.2"); err != nil {
		t.Fatal(err)
	}
	hook.await(t, "a first attempt", func() bool { return hook.tries > 0 })
	if err := server.Process.Kill(); err != nil { // SIGKILL
		t.Fatal(err)
	}
	_ = server.Wait() // it was killed: the error says so
	hook.set(0)
	again := serveBinary(t, binary, data, address, "--config", settings)
	hook.await(t, "the delivery after the restart", func() bool { return len(hook.got) > 0 })
	time.Sleep(2 * time.Second) // a second message would come by now
	if err := again.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := again.Wait(); err != nil {
		t.Errorf("stop: %v", err)
	}
	hook.mu.Lock()
	defer hook.mu.Unlock()
	if len(hook.got) != 1 || hook.got[0].Kind != notify.Raised || hook.got[0].Items[0].Cause != alarm.Outside {
		t.Fatalf("%d messages: %+v", len(hook.got), hook.got)
	}
	run1(t, binary, "verify", "--data", data)
	kinds := kindsOf(t, data)
	if kinds[haccp.KindAlertRaised] != 1 || kinds[haccp.KindAlertDelivered] != 1 {
		t.Fatalf("records of alerts: %v", kinds)
	}
}

// kindsOf counts the records of a folder by kind.
func kindsOf(t *testing.T, data string) map[string]int {
	t.Helper()
	site, closed := openStation(t, data)
	defer closed()
	out := map[string]int{}
	for _, kind := range []string{haccp.KindAlertRaised, haccp.KindAlertDelivered, haccp.KindAlertGivenUp} {
		for e, err := range plant.Each(t.Context(), site, plant.Query{Kind: kind}) {
			if err != nil {
				t.Fatal(err)
			}
			out[e.Kind]++
		}
	}
	return out
}
