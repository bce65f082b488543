package app_test

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"linewarden/dashboards/board"
)

// The names of the variables with the paths of prometheus and promtool. CI sets them; without them the test says that it
// did not run, so that go test ./... needs nothing but Go.
const (
	prometheusPath = "LINEWARDEN_TEST_PROMETHEUS"
	promtoolPath   = "LINEWARDEN_TEST_PROMTOOL"
)

// A real Prometheus scrapes the invented plant at work, loads the rules, and has an answer to every query of every
// dashboard. promtool has nothing to say about the metrics.
func TestRealPrometheus(t *testing.T) {
	program := os.Getenv(prometheusPath)
	if program == "" {
		t.Skip("set " + prometheusPath + " and " + promtoolPath + " to the paths of prometheus and promtool (Debian package prometheus)")
	}
	a := atWork(t)
	busy(t, a)
	checkMetrics(t, os.Getenv(promtoolPath), a.URL()+"/metrics")
	p := startPrometheus(t, program, strings.TrimPrefix(a.URL(), "http://"))
	asked := 0
	end := time.Now().Add(75 * time.Second)
	for _, b := range board.All() {
		for _, q := range b.Asked() {
			asked++
			patience := time.Now().Add(25 * time.Second)
			for {
				n, err := p.ask(q.Expr)
				if err == nil && n > 0 {
					break
				}
				if now := time.Now(); now.After(end) || now.After(patience) || err != nil && strings.Contains(err.Error(), "bad_data") {
					t.Errorf("%s: %s: %d series, %v", q.Legend, q.Expr, n, err)
					break
				}
				busy(t, a)
				time.Sleep(500 * time.Millisecond)
			}
		}
	}
	t.Logf("%d queries answered", asked)
	var rules struct {
		Data struct {
			Groups []struct {
				Rules []struct{ Name, Health, LastError string }
			}
		}
	}
	p.get("/api/v1/rules", nil, &rules)
	n := 0
	for _, g := range rules.Data.Groups {
		for _, r := range g.Rules {
			n++
			if r.Health == "err" {
				t.Errorf("rule %s: %s", r.Name, r.LastError)
			}
		}
	}
	if n < 24 {
		t.Errorf("%d rules were loaded", n)
	}
}

// checkMetrics holds what a scrape gives against the conventions.
func checkMetrics(t *testing.T, promtool, address string) {
	t.Helper()
	if promtool == "" {
		t.Fatal(promtoolPath + " is not set")
	}
	resp, err := http.Get(address) //nolint:noctx // a test against loopback
	check(t, err)
	defer func() { _ = resp.Body.Close() }()
	body, err := io.ReadAll(resp.Body)
	check(t, err)
	// Names of the Go runtime and the process are their libraries'.
	var ours strings.Builder
	for line := range strings.Lines(string(body)) {
		if name := strings.TrimPrefix(strings.TrimPrefix(line, "# HELP "), "# TYPE "); strings.HasPrefix(name, "linewarden_") {
			ours.WriteString(line)
		}
	}
	cmd := exec.CommandContext(t.Context(), promtool, "check", "metrics")
	cmd.Stdin = strings.NewReader(ours.String())
	if out, err := cmd.CombinedOutput(); err != nil || len(strings.TrimSpace(string(out))) > 0 {
		t.Errorf("promtool check metrics: %v\n%s", err, out)
	}
	if strings.Count(ours.String(), "# TYPE ") < 50 {
		t.Errorf("only these metrics:\n%s", ours.String())
	}
}

type prometheusServer struct {
	t       *testing.T
	address string
}

// startPrometheus runs it on the rules of the tree, scraping a target each second, until the test ends.
func startPrometheus(t *testing.T, program, target string) *prometheusServer {
	t.Helper()
	dir := t.TempDir()
	rules, err := filepath.Abs(filepath.Join("..", "..", "alerts", "rules"))
	check(t, err)
	config := filepath.Join(dir, "prometheus.yml")
	text := "global: {scrape_interval: 4s, scrape_timeout: 4s, evaluation_interval: 1s}\nrule_files:\n"
	for _, name := range []string{"recording.yml", "control.yml", "service.yml"} {
		b, err := os.ReadFile(filepath.Join(rules, name))
		check(t, err)
		quick := strings.NewReplacer("interval: 30s", "interval: 1s", "interval: 1m", "interval: 1s").Replace(string(b)) // a test does not wait for a minute
		check(t, os.WriteFile(filepath.Join(dir, name), []byte(quick), 0o600))
		text += "  - " + name + "\n"
	}
	text += fmt.Sprintf("scrape_configs:\n  - job_name: linewarden\n    static_configs: [{targets: [%q]}]\n", target)
	check(t, os.WriteFile(config, []byte(text), 0o600))
	l, err := net.Listen("tcp", "127.0.0.1:0") //nolint:noctx // a free port
	check(t, err)
	address := l.Addr().String()
	check(t, l.Close())
	cmd := exec.Command(program, "--config.file="+config, "--storage.tsdb.path="+filepath.Join(dir, "data"), "--web.listen-address="+address, "--log.level=warn")
	cmd.Stdout, cmd.Stderr = os.Stderr, os.Stderr
	check(t, cmd.Start())
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		_ = cmd.Wait()
	})
	p := &prometheusServer{t, "http://" + address}
	for end := time.Now().Add(30 * time.Second); ; time.Sleep(200 * time.Millisecond) {
		resp, err := http.Get(p.address + "/-/ready") //nolint:noctx // a test against loopback
		if err == nil {
			_ = resp.Body.Close()
			if resp.StatusCode == http.StatusOK {
				return p
			}
		}
		if time.Now().After(end) {
			t.Fatalf("prometheus is not ready: %v", err)
		}
	}
}

// ask gives how many series a query has now; not-a-number is none.
func (p *prometheusServer) ask(expr string) (int, error) {
	var answer struct {
		Status, ErrorType, Error string
		Data                     struct {
			Result []struct{ Value [2]any }
		}
	}
	p.get("/api/v1/query", url.Values{"query": {expr}}, &answer)
	if answer.Status != "success" {
		return 0, fmt.Errorf("%s: %s", answer.ErrorType, answer.Error)
	}
	n := 0
	for _, r := range answer.Data.Result {
		if r.Value[1] != "NaN" {
			n++
		}
	}
	return n, nil
}

func (p *prometheusServer) get(path string, values url.Values, into any) {
	p.t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, http.MethodGet, p.address+path+"?"+values.Encode(), nil)
	check(p.t, err)
	resp, err := http.DefaultClient.Do(r)
	check(p.t, err)
	defer func() { _ = resp.Body.Close() }()
	check(p.t, json.NewDecoder(resp.Body).Decode(into))
}
