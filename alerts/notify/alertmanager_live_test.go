package notify

import (
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// The name of the variable with the path of prometheus-alertmanager. CI sets it; without it the test says that it did not
// run, so that go test ./... needs nothing but Go.
const alertmanagerPath = "LINEWARDEN_TEST_ALERTMANAGER"

// A real Alertmanager shows our alerts, groups them by our label into one notification, and resolves them.
func TestRealAlertmanager(t *testing.T) {
	program := os.Getenv(alertmanagerPath)
	if program == "" {
		t.Skip("set " + alertmanagerPath + " to the path of prometheus-alertmanager (Debian package prometheus-alertmanager)")
	}
	var mu sync.Mutex
	var told []string
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var m struct {
			Status      string            `json:"status"`
			GroupLabels map[string]string `json:"groupLabels"`
			Alerts      []struct {
				Status string            `json:"status"`
				Labels map[string]string `json:"labels"`
			} `json:"alerts"`
		}
		if err := json.NewDecoder(r.Body).Decode(&m); err != nil {
			t.Error(err)
		}
		mu.Lock()
		defer mu.Unlock()
		told = append(told, fmt.Sprintf("%s %s %d", m.Status, m.GroupLabels["group"], len(m.Alerts)))
	}))
	defer hook.Close()
	address := startAlertmanager(t, program, hook.URL)
	am, err := NewAlertmanager(address, time.Now)
	if err != nil {
		t.Fatal(err)
	}
	var items []Item
	for i := range 3 {
		items = append(items, Item{Alert: fmt.Sprintf("a%d", i), Cause: "outside", Severity: "critical", Group: "outside/line-1", Text: "cloro fuera", Place: fmt.Sprintf("bath-%d", i),
			Since: time.Now().Add(-time.Minute)})
	}
	if err := am.Stand(t.Context(), "plant", items, true); err != nil {
		t.Fatal(err)
	}
	shown := func() []string {
		resp, err := http.Get(address + "/api/v2/alerts") //nolint:noctx // a test against loopback
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		var list []struct {
			Labels map[string]string `json:"labels"`
			Status struct {
				State string `json:"state"`
			} `json:"status"`
		}
		if err := json.NewDecoder(resp.Body).Decode(&list); err != nil {
			t.Fatal(err)
		}
		var out []string
		for _, a := range list {
			out = append(out, a.Labels["alertname"]+" "+a.Labels["alert"])
		}
		return out
	}
	if got := shown(); len(got) != 4 {
		t.Fatalf("it shows %v", got)
	}
	waitFor := func(want string) {
		t.Helper()
		for range 100 {
			mu.Lock()
			all := strings.Join(told, "|")
			mu.Unlock()
			if strings.Contains(all, want) {
				return
			}
			time.Sleep(200 * time.Millisecond)
		}
		t.Fatalf("%q never came: %v", want, told)
	}
	waitFor("firing outside/line-1 3") // one notification for the group
	if err := am.Stand(t.Context(), "plant", items, true); err != nil {
		t.Fatal(err)
	}
	if got := shown(); len(got) != 4 {
		t.Fatalf("posted again it shows %v", got)
	}
	for i := range items {
		items[i].Ended = time.Now().Add(-time.Second)
	}
	if err := am.Send(t.Context(), Message{Site: "plant", Kind: Cleared, Items: items}); err != nil {
		t.Fatal(err)
	}
	waitFor("resolved outside/line-1 3")
	if got := shown(); len(got) != 1 || !strings.HasPrefix(got[0], "LinewardenAlive") {
		t.Fatalf("after the end it shows %v", got)
	}
}

func startAlertmanager(t *testing.T, program, hook string) string {
	t.Helper()
	dir := t.TempDir()
	settings := "route:\n  receiver: hook\n  group_by: [site, group]\n  group_wait: 1s\n  group_interval: 1s\nreceivers:\n  - name: hook\n    webhook_configs:\n      - {url: \"" + hook + "\", send_resolved: true}\n"
	file := filepath.Join(dir, "am.yml")
	if err := os.WriteFile(file, []byte(settings), 0o600); err != nil {
		t.Fatal(err)
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	listen := l.Addr().String()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	cmd := exec.CommandContext(t.Context(), program, "--config.file="+file, "--storage.path="+filepath.Join(dir, "data"), "--web.listen-address="+listen, "--cluster.listen-address=")
	cmd.Stdout, cmd.Stderr = io.Discard, io.Discard
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	for range 100 {
		resp, err := http.Get("http://" + listen + "/-/ready") //nolint:noctx // a test against loopback
		if err == nil {
			resp.Body.Close()
			if resp.StatusCode == http.StatusOK {
				return "http://" + listen
			}
		}
		time.Sleep(100 * time.Millisecond)
	}
	t.Fatal("alertmanager does not answer")
	return ""
}
