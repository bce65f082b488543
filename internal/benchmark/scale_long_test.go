//go:build long

package benchmark_test

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"linewarden/internal/benchmark"
)

// What is asked of a log of many readings. The first figure is the one that the times are asked for.
const (
	million      = 1_000_000
	importWithin = 2 * time.Minute // a million
	startWithin  = 5 * time.Second // from the snapshot, whatever the size
	mostMemory   = 400 << 20       // a million
	mostGrowth   = 1.3             // of memory, from a million to five
	dayWithin    = 50 * time.Millisecond
)

// scaleSizes are the logs to try; LINEWARDEN_LONG_READINGS, a list of numbers, tries others.
func scaleSizes(t *testing.T) []int {
	text := os.Getenv("LINEWARDEN_LONG_READINGS")
	if text == "" {
		return []int{million, 5 * million}
	}
	var sizes []int
	for part := range strings.SplitSeq(text, ",") {
		n, err := strconv.Atoi(part)
		if err != nil || n < 10_000 {
			t.Fatalf("LINEWARDEN_LONG_READINGS: %q is no number from 10000 on", part)
		}
		sizes = append(sizes, n)
	}
	return sizes
}

// TestLongScale imports a million readings and more with the real binary and starts the service on them.
func TestLongScale(t *testing.T) {
	binary := filepath.Join(t.TempDir(), "linewarden")
	if out, err := exec.Command("go", "build", "-o", binary, "../../cmd/linewarden").CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	memory := map[int]int64{}
	for _, n := range scaleSizes(t) {
		t.Run(strconv.Itoa(n), func(t *testing.T) { memory[n] = scale(t, binary, n) })
	}
	if a, b := memory[million], memory[5*million]; a > 0 && b > 0 {
		growth := float64(b) / float64(a)
		benchmark.Figure(t, "memory at 5 million over that at 1 million: %.2f", growth)
		if growth > mostGrowth {
			t.Errorf("memory grows by %.2f, at most %.1f is asked for", growth, mostGrowth)
		}
	}
}

// scale tries one size and gives the most memory that the service took after a start from its snapshot.
func scale(t *testing.T, binary string, n int) int64 {
	s := &scaleRun{t: t, binary: binary, data: t.TempDir(), n: n}
	s.importAll()
	s.addPerson()
	began := time.Now()
	from := s.serve()
	s.ready(false)
	started := time.Since(began)
	s.signIn()
	s.readDays()
	if n <= million {
		timePages(t, s.client, s.base, fmt.Sprintf("%d readings", n), millionPageWithin, 10)
	}
	memory := s.stop(from)
	benchmark.Figure(t, "started from the snapshot in %s, at most %d MB", started.Round(time.Millisecond), memory>>20)
	if started > startWithin {
		t.Errorf("the start took %s, %s is asked for", started, startWithin)
	}
	if n <= million && memory > mostMemory {
		t.Errorf("the service took %d MB, %d are asked for", memory>>20, mostMemory>>20)
	}
	if err := errors.Join(os.Remove(filepath.Join(s.data, "cache.db")), removeIfThere(filepath.Join(s.data, "cache.db-wal")),
		removeIfThere(filepath.Join(s.data, "cache.db-shm"))); err != nil {
		t.Fatal(err)
	}
	began = time.Now()
	cold := s.serve()
	s.ready(true)
	replayed := time.Since(began)
	benchmark.Figure(t, "cold replay in %s (%.0f records/s), at most %d MB", replayed.Round(time.Millisecond), float64(n)/replayed.Seconds(), s.stop(cold)>>20)
	return memory
}

func removeIfThere(path string) error {
	if err := os.Remove(path); !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

type scaleRun struct {
	t            *testing.T
	binary, data string
	n            int
	code         string
	base         string
	client       *http.Client
}

// minutesFrom is the time of the first reading of every place.
var minutesFrom = time.Date(2020, 1, 1, 0, 0, 0, 0, time.UTC)

const scalePlaces = 4

// writePlan writes a plan with one check at several places.
func (s *scaleRun) writePlan() string {
	text, err := os.ReadFile(filepath.Join("testdata", "scale.yaml"))
	if err != nil {
		s.t.Fatal(err)
	}
	path := filepath.Join(s.t.TempDir(), "plan.yaml")
	if err := os.WriteFile(path, text, 0o600); err != nil {
		s.t.Fatal(err)
	}
	return path
}

// writeReadings writes a file of readings, one a minute: free chlorine that falls and is made up again, pH
// that follows it, and every 3,000 readings ten under the limit.
func (s *scaleRun) writeReadings(place, n int) string {
	path := filepath.Join(s.t.TempDir(), fmt.Sprintf("place-%d.csv", place))
	f, err := os.Create(path)
	if err != nil {
		s.t.Fatal(err)
	}
	w := bufio.NewWriter(f)
	fmt.Fprintln(w, "When,Cl2,pH")
	for i := range n {
		chlorine := 320 - (i+37*place)%180 + i*7919%13
		if i%3000 > 2989 {
			chlorine = 80 + i%10
		}
		fmt.Fprintf(w, "%s,%d.%02d,6.%02d\n", minutesFrom.Add(time.Duration(i)*time.Minute).Format(time.RFC3339),
			chlorine/100, chlorine%100, 60+(i/7+place)%30)
	}
	if err := errors.Join(w.Flush(), f.Close()); err != nil {
		s.t.Fatal(err)
	}
	return path
}

// run runs a command of the program and gives what it printed, with the time it took.
func (s *scaleRun) run(args ...string) (string, time.Duration) {
	began := time.Now()
	out, err := exec.CommandContext(s.t.Context(), s.binary, args...).CombinedOutput()
	if err != nil {
		s.t.Fatalf("%s: %v\n%s", args[0], err, out)
	}
	return string(out), time.Since(began)
}

func (s *scaleRun) importAll() {
	s.run("plan", "sign", s.writePlan(), "--data", s.data, "--demo", "--from", "2019-12-01T00:00:00Z", "--reason", "first plan")
	var took time.Duration
	each := s.n / scalePlaces
	for place := range scalePlaces {
		file := s.writeReadings(place, each)
		out, one := s.run("import", file, "--data", s.data, "--check", "probe-reading", "--place", fmt.Sprintf("basin-%d", place+1),
			"--time", "When", "--column", "free_chlorine=Cl2:mg/L", "--column", "ph=pH")
		want := fmt.Sprintf("%d rows, %d readings kept, 0 recorded before, 0 bad; %d outside", each, each, each/3000*10)
		if !strings.Contains(out, want) {
			s.t.Fatalf("import printed\n%s\nwant %s", out, want)
		}
		took += one
		if err := os.Remove(file); err != nil {
			s.t.Fatal(err)
		}
	}
	info, err := os.Stat(filepath.Join(s.data, "log.db"))
	if err != nil {
		s.t.Fatal(err)
	}
	benchmark.Figure(s.t, "%d readings of two quantities imported in %s (%.0f/s), %d MB on disk, %.0f bytes each", s.n, took.Round(time.Millisecond),
		float64(s.n)/took.Seconds(), info.Size()>>20, float64(info.Size())/float64(s.n))
	if within := importWithin * time.Duration(max(1, s.n/million)); took > within {
		s.t.Errorf("the import took %s, %s is asked for", took, within)
	}
}

var codeLine = regexp.MustCompile(`set-up code .*: (\S+)`)

func (s *scaleRun) addPerson() {
	out, _ := s.run("user", "add", "Ana Test", "--sign-in", "ana", "--role", "manager", "--data", s.data)
	m := codeLine.FindStringSubmatch(out)
	if m == nil {
		s.t.Fatalf("user add printed %q", out)
	}
	s.code = m[1]
}

// serve starts the service and gives it.
func (s *scaleRun) serve() *exec.Cmd {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		s.t.Fatal(err)
	}
	addr := l.Addr().String()
	if err := l.Close(); err != nil {
		s.t.Fatal(err)
	}
	s.base = "http://" + addr
	cmd := exec.CommandContext(s.t.Context(), s.binary, "serve", "--data", s.data, "--listen", addr)
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	cmd.WaitDelay = time.Minute
	cmd.Stderr = &bytes.Buffer{}
	if err := cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	return cmd
}

var progressLine = regexp.MustCompile(`(\d+) of (\d+) records`)

// ready waits until the service takes commands. A cold start must say meanwhile that it does not, and how
// far it is.
func (s *scaleRun) ready(cold bool) {
	ctx, cancel := context.WithTimeout(s.t.Context(), 15*time.Minute)
	defer cancel()
	var said []int
	for ctx.Err() == nil {
		resp, err := http.Get(s.base + "/readyz")
		if err != nil {
			time.Sleep(5 * time.Millisecond)
			continue
		}
		body, err := io.ReadAll(resp.Body)
		if err = errors.Join(err, resp.Body.Close()); err != nil {
			s.t.Fatal(err)
		}
		if resp.StatusCode == http.StatusOK {
			break
		}
		m := progressLine.FindSubmatch(body)
		if resp.StatusCode != http.StatusServiceUnavailable || m == nil {
			s.t.Fatalf("/readyz: %d %s", resp.StatusCode, body)
		}
		done, err := strconv.Atoi(string(m[1]))
		if err != nil {
			s.t.Fatal(err)
		}
		said = append(said, done)
		time.Sleep(10 * time.Millisecond)
	}
	if ctx.Err() != nil {
		s.t.Fatal("the service does not become ready")
	}
	if cold && (len(said) < 3 || !slices.IsSorted(said) || said[len(said)-1] <= said[0]) {
		s.t.Errorf("a cold replay said %v of %d: it must say that it is not ready, and how far it is", said, s.n)
	}
}

const scalePassword = "umbrella seventeen cardboard river"

// signIn chooses a password with the set-up code, which signs in.
func (s *scaleRun) signIn() {
	jar, err := cookiejar.New(nil)
	if err != nil {
		s.t.Fatal(err)
	}
	s.client = &http.Client{Jar: jar}
	body, err := json.Marshal(map[string]string{"name": "ana", "code": s.code, "password": scalePassword})
	if err != nil {
		s.t.Fatal(err)
	}
	resp, err := s.client.Post(s.base+"/api/v1/password", "application/json", bytes.NewReader(body))
	if err != nil {
		s.t.Fatal(err)
	}
	answer, err := io.ReadAll(resp.Body)
	if err = errors.Join(err, resp.Body.Close()); err != nil || resp.StatusCode >= 300 {
		s.t.Fatalf("choose a password: %d %s %v", resp.StatusCode, answer, err)
	}
}

// readDays asks for the readings of one check on some days, all pages of each, and gives the times.
func (s *scaleRun) readDays() {
	days := s.n / scalePlaces / 1440
	var took []time.Duration
	for i := range 20 {
		day := minutesFrom.AddDate(0, 0, i*(days-1)/19)
		began := time.Now()
		if n := s.day(day, fmt.Sprintf("basin-%d", i%scalePlaces+1)); n != 1440 {
			s.t.Fatalf("%s has %d readings, want 1440", day, n)
		}
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	median, worst := took[len(took)/2], took[len(took)-1]
	benchmark.Figure(s.t, "a day's 1,440 readings of one check: median %s, worst %s of %d days", median.Round(10*time.Microsecond), worst.Round(10*time.Microsecond), len(took))
	if median > dayWithin {
		s.t.Errorf("a day's readings took %s, %s is asked for", median, dayWithin)
	}
}

// day reads the readings of a check at a place on one day, page by page, and gives how many there are.
func (s *scaleRun) day(day time.Time, place string) int {
	q := url.Values{"check": {"probe-reading"}, "place": {place}, "from": {day.Format(time.RFC3339)},
		"to": {day.AddDate(0, 0, 1).Format(time.RFC3339)}, "limit": {strconv.Itoa(pageOfDay)}}
	n := 0
	for {
		resp, err := s.client.Get(s.base + "/api/v1/readings?" + q.Encode())
		if err != nil {
			s.t.Fatal(err)
		}
		body, err := io.ReadAll(resp.Body)
		if err = errors.Join(err, resp.Body.Close()); err != nil || resp.StatusCode != http.StatusOK {
			s.t.Fatalf("readings: %d %s %v", resp.StatusCode, body, err)
		}
		var page struct {
			Readings []struct {
				Kind string `json:"kind"`
			} `json:"readings"`
			Next string `json:"next"`
		}
		if err := json.Unmarshal(body, &page); err != nil {
			s.t.Fatal(err)
		}
		for _, r := range page.Readings {
			if r.Kind == "reading" {
				n++
			}
		}
		if page.Next == "" {
			return n
		}
		q.Set("cursor", page.Next)
	}
}

// pageOfDay is the largest page of the API.
const pageOfDay = 200

// stop stops the service and gives the most memory it took.
func (s *scaleRun) stop(cmd *exec.Cmd) int64 {
	memory := highWater(s.t, cmd.Process.Pid)
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		s.t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		s.t.Fatalf("serve: %v\n%s", err, cmd.Stderr)
	}
	return memory
}

// highWater reads the most memory that a process had at once, as Linux counts it (VmHWM of proc(5)).
func highWater(t *testing.T, pid int) int64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		t.Skipf("the memory of a process is read on Linux only: %v", err)
	}
	m := regexp.MustCompile(`VmHWM:\s+(\d+) kB`).FindSubmatch(text)
	if m == nil {
		t.Fatalf("no VmHWM in\n%s", text)
	}
	kb, err := strconv.ParseInt(string(m[1]), 10, 64)
	if err != nil {
		t.Fatal(err)
	}
	return kb << 10
}
