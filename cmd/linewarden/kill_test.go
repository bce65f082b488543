package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/app"
	"linewarden/internal/plant"
)

// A burst of readings, the program killed in the middle of it, a restart: every reading that was
// acknowledged is there once, none is there twice, and the log verifies.
func TestKilledInABurst(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("there is no kill -9 here")
	}
	const readings, clients = 2000, 64
	dir := t.TempDir()
	binary := filepath.Join(dir, "linewarden")
	run1(t, "go", "build", "-o", binary, ".")
	data := filepath.Join(dir, "data")
	run1(t, binary, "plan", "sign", filepath.Join("..", "..", "testdata", "dev", "station.yaml"), "--data", data, "--demo")
	tokens := probes(t, data, 8)
	address, err := freeAddress()
	if err != nil {
		t.Fatal(err)
	}
	server := serveBinary(t, binary, data, address)

	b := &burst{url: "http://" + address, tokens: tokens, answered: map[string]int64{}}
	for range readings {
		b.ids = append(b.ids, uuid.NewString())
	}
	var wg sync.WaitGroup
	for c := range clients {
		wg.Go(func() { b.client(c, clients) })
	}
	for b.done.Load() < readings/2 {
		time.Sleep(time.Millisecond)
	}
	if err := server.Process.Kill(); err != nil { // SIGKILL
		t.Fatal(err)
	}
	_ = server.Wait() // it was killed: the error says so
	wg.Wait()
	acknowledged := len(b.answered)
	if acknowledged < readings/2 || acknowledged == readings {
		t.Fatalf("%d of %d readings were acknowledged when the program was killed: this is no test of it", acknowledged, readings)
	}

	again := serveBinary(t, binary, data, address)
	// Every client sends everything again, as a device does that is not sure.
	before := b.answered
	b.answered, b.strict = map[string]int64{}, true
	for c := range clients {
		wg.Go(func() { b.client(c, clients) })
	}
	wg.Wait()
	for _, err := range b.errors {
		t.Error(err)
	}
	if len(b.answered) != readings {
		t.Errorf("%d of %d readings are acknowledged after the restart", len(b.answered), readings)
	}
	for id, seq := range before {
		if b.answered[id] != seq {
			t.Fatalf("reading %s was acknowledged as record %d and is record %d now", id, seq, b.answered[id])
		}
	}
	if err := again.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := again.Wait(); err != nil {
		t.Errorf("stop: %v", err)
	}
	run1(t, binary, "verify", "--data", data)
	if n := countReadings(t, data, b.ids); n != readings {
		t.Errorf("the log holds %d readings, want %d", n, readings)
	}
	t.Logf("%d readings acknowledged before the kill", acknowledged)
}

func run1(t *testing.T, name string, args ...string) {
	t.Helper()
	if out, err := exec.CommandContext(t.Context(), name, args...).CombinedOutput(); err != nil {
		t.Fatalf("%s %s: %v\n%s", name, strings.Join(args, " "), err, out)
	}
}

// probes enrols devices and gives their tokens.
func probes(t *testing.T, data string, n int) []string {
	t.Helper()
	ctx := t.Context()
	f, err := app.OpenFolder(ctx, data, nil)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	site, err := f.Open(ctx, "station-demo", nil)
	if err != nil {
		t.Fatal(err)
	}
	defer site.Close(context.Background())
	door, err := f.Door(ctx, site, access.Defaults(), app.DoorOptions{})
	if err != nil {
		t.Fatal(err)
	}
	var tokens []string
	for i := range n {
		e, err := door.EnrolDevice(ctx, "", fmt.Sprintf("probe %d", i), access.DeviceProbe, time.Now())
		if err != nil {
			t.Fatal(err)
		}
		tokens = append(tokens, e.Token)
	}
	return tokens
}

func serveBinary(t *testing.T, binary, data, address string, more ...string) *exec.Cmd {
	t.Helper()
	c := exec.Command(binary, append([]string{"serve", "--data", data, "--listen", address, "--log-level", "warn"}, more...)...)
	var out bytes.Buffer
	c.Stdout, c.Stderr = &out, &out
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if c.ProcessState == nil {
			_ = c.Process.Kill()
			_ = c.Wait()
		}
	})
	if err := awaitReady("http://" + address); err != nil {
		t.Fatalf("%v\n%s", err, out.String())
	}
	return c
}

// burst sends readings from many clients and keeps what was acknowledged.
type burst struct {
	url    string
	tokens []string
	ids    []string
	strict bool // every failure is an error
	done   atomic.Int64

	mu       sync.Mutex
	answered map[string]int64 // command id to the record it became
	errors   []error
}

// client sends every n-th reading, from number c on, one after the other.
func (b *burst) client(c, n int) {
	h := &http.Client{Timeout: 20 * time.Second, Transport: &http.Transport{}}
	defer h.CloseIdleConnections()
	for i := c; i < len(b.ids); i += n {
		seq, err := b.send(h, b.tokens[i%len(b.tokens)], i)
		b.mu.Lock()
		switch {
		case err == nil:
			b.answered[b.ids[i]] = seq
			b.done.Add(1)
		case b.strict:
			b.errors = append(b.errors, err)
		}
		b.mu.Unlock()
		if err != nil && !b.strict {
			return // the program is gone
		}
	}
}

func (b *burst) send(h *http.Client, token string, i int) (int64, error) {
	at := time.Date(2026, 11, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(i) * time.Second)
	body := fmt.Sprintf(`{"id":%q,"at":%q,"at_known":"device","late_reason":"sent afterwards","check":"station-reading","place":"station-b",`+
		`"entries":[{"quantity":"free_chlorine","read":{"value":"1.%02d","unit":"mg/L"}}]}`, b.ids[i], at.Format(time.RFC3339), i%100)
	req, err := http.NewRequest(http.MethodPost, b.url+"/api/v1/readings", strings.NewReader(body))
	if err != nil {
		return 0, err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+token)
	res, err := h.Do(req)
	if err != nil {
		return 0, err
	}
	defer res.Body.Close()
	out, err := io.ReadAll(res.Body)
	if err != nil {
		return 0, err
	}
	if res.StatusCode != http.StatusCreated && res.StatusCode != http.StatusOK {
		return 0, fmt.Errorf("reading %d: %s: %s", i, res.Status, out)
	}
	var answer struct {
		Seq int64 `json:"seq"`
	}
	return answer.Seq, json.Unmarshal(out, &answer)
}

// openStation opens the site of a folder that no program uses, until it is closed.
func openStation(t *testing.T, data string) (site *plant.Site, closed func()) {
	t.Helper()
	f, err := app.OpenFolder(t.Context(), data, nil)
	if err != nil {
		t.Fatal(err)
	}
	if site, err = f.Open(t.Context(), "station-demo", nil); err != nil {
		t.Fatal(err)
	}
	return site, func() {
		_ = site.Close(context.Background())
		_ = f.Close()
	}
}

// countReadings counts the readings in the log and fails where a command is there twice or is not ours.
func countReadings(t *testing.T, data string, ids []string) int {
	t.Helper()
	site, closed := openStation(t, data)
	defer closed()
	seen := map[string]int{}
	for e, err := range plant.Each(t.Context(), site, plant.Query{Kind: haccp.KindReading}) {
		if err != nil {
			t.Fatal(err)
		}
		seen[e.Command]++
	}
	for _, id := range ids {
		if seen[id] != 1 {
			t.Errorf("reading %s is in the log %d times", id, seen[id])
		}
	}
	return len(seen)
}
