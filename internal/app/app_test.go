package app_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/access"
	"linewarden/internal/app"
	"linewarden/internal/config"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
)

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

var staff = []struct{ id, role string }{
	{"tina", haccp.RoleTechnician}, {"lea", haccp.RoleLineLead}, {"mara", haccp.RoleManager}, {"aldo", haccp.RoleAuditor},
}

// quick are costs of sign-in that suit a test; those of a plant are tested in package access.
func quick() *access.Settings {
	s := access.Defaults()
	s.Params, s.WeakHashes = access.Params{Memory: 64, Time: 1, Threads: 1}, true
	return &s
}

// founded makes a data folder with the demo plan in force since yesterday and the staff.
func founded(t testing.TB) string {
	t.Helper()
	dir, ctx := filepath.Join(t.TempDir(), "data"), t.Context()
	src, err := os.ReadFile(filepath.Join("..", "demo", "plan.yaml"))
	check(t, err)
	r := planfile.Check("plan.yaml", src, plan.Options{Acts: haccp.Acts()})
	check(t, r.Errors.Err())
	r.Plan.LiveFrom = time.Now().AddDate(1, 0, 0).Truncate(time.Second) // no check falls due meanwhile
	f, err := app.OpenFolder(ctx, dir, nil)
	check(t, err)
	defer func() { check(t, f.Close()) }()
	check(t, f.Found(ctx, plant.Founding{Site: r.Plan.Site, Name: "Test plant", Demo: true}, time.Now))
	site, err := f.Open(ctx, r.Plan.Site, nil)
	check(t, err)
	defer func() { check(t, site.Close(context.Background())) }()
	v, again, err := app.SignPlan(ctx, site, app.PlanSigning{Plan: r.Plan, Source: src, By: app.Console(), Reason: "first",
		From: time.Now().Add(-24 * time.Hour), Now: time.Now()})
	if v != 1 || again || err != nil {
		t.Fatal(v, again, err)
	}
	for _, p := range staff {
		for _, c := range []haccp.PersonChange{
			{Change: "added", PersonBody: haccp.PersonBody{Person: p.id, Name: strings.ToUpper(p.id), SignIn: p.id}},
			{Change: "role-given", PersonBody: haccp.PersonBody{Person: p.id, Role: p.role}},
		} {
			_, err := site.Do(ctx, plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskPerson, At: time.Now(),
				AtKnown: haccp.AtServer, By: app.Console(), Ask: &c}})
			check(t, err)
		}
	}
	return dir
}

// service is a started service with a password for each of the staff.
type service struct {
	*app.App
	passwords map[string]string
	logged    *bytes.Buffer
}

func start(t testing.TB, dir string, change func(*config.Config, *app.Parts)) *service {
	t.Helper()
	cfg := config.Default()
	cfg.Data, cfg.Listen = dir, "127.0.0.1:0"
	s := &service{logged: &bytes.Buffer{}}
	parts := app.Parts{Access: quick(), Logger: slog.New(slog.NewTextHandler(s.logged, nil))}
	if change != nil {
		change(&cfg, &parts)
	}
	a, err := app.New(t.Context(), cfg, parts)
	check(t, err)
	s.App = a
	t.Cleanup(func() { stop(t, s) })
	check(t, a.Wait(t.Context()))
	var ids []string
	for _, p := range staff {
		ids = append(ids, p.id)
	}
	s.passwords, err = a.Door().DemoPasswords(t.Context(), ids, time.Now())
	check(t, err)
	check(t, a.Start())
	return s
}

func stop(t testing.TB, s *service) {
	t.Helper()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	check(t, s.Stop(ctx))
}

func (s *service) as(t testing.TB, who string) *client {
	t.Helper()
	return newClient(t, s.URL()).signIn(who, s.passwords[who])
}

// A plant day over the real socket: a test outside, the deviation it opens, the work on it by two people,
// the corrective-action log and an export that verifies.
func TestPlantDay(t *testing.T) {
	dir := founded(t)
	var ahead atomic.Int64 // how far the plant's clock is ahead of the machine's
	s := start(t, dir, func(_ *config.Config, p *app.Parts) {
		p.Clock = func() time.Time { return time.Now().Add(time.Duration(ahead.Load())) }
	})
	tech, lead, manager := s.as(t, "tina"), s.as(t, "lea"), s.as(t, "mara")

	tech.say("/api/v1/fillings", obj{"place": "bath-1", "water": "municipal", "volume": obj{"value": "1200", "unit": "L"}})
	lead.say("/api/v1/lines/line-1/started", obj{"note": "shift begins"})
	if a := tech.say("/api/v1/readings", bathTest("120")); a["verdict"] != "inside" {
		t.Fatalf("inside reading: %v", a)
	}
	low := bathTest("60")
	a := tech.say("/api/v1/readings", low)
	opened, _ := a["opened"].([]any)
	if a["verdict"] != "outside" || len(opened) != 1 || a["plan_version"] != float64(1) || len(a["instructions"].([]any)) == 0 {
		t.Fatalf("outside reading: %v", a)
	}
	// The same request again gives the first answer again.
	again := tech.want("POST", "/api/v1/readings", low, 200)
	if again["seq"] != a["seq"] {
		t.Errorf("repeated: record %v, first %v", again["seq"], a["seq"])
	}
	id := text(opened[0].(obj)["deviation"])
	parts := "/api/v1/deviations/" + id + "/parts"
	if status, o := lead.sign(parts, s.passwords["lea"], obj{"part": "control-restored", "restored": "chlorine added"}); status != 409 || o["code"] != "still-outside" {
		t.Errorf("restored without a re-test: %d %v", status, o)
	}
	tech.say("/api/v1/additions", obj{"place": "bath-1", "chemical": "sodium-hypochlorite", "amount": obj{"value": "0.5", "unit": "L"}})
	tech.say("/api/v1/fixes", obj{"point": "wash-chlorine", "place": "bath-1", "fix": "add-hypochlorite", "deviation": id})
	ahead.Add(int64(6 * time.Minute)) // the plan's mixing time is 5 minutes
	tech.say("/api/v1/readings", bathTest("118"))
	tech.say("/api/v1/readings", bathTest("121"))

	sign := func(c *client, who string, body obj) {
		t.Helper()
		if status, o := c.sign(parts, s.passwords[who], body); status != 201 {
			t.Fatalf("sign %v: %d %v", body["part"], status, o)
		}
	}
	sign(lead, "lea", obj{"part": "control-restored", "restored": "hypochlorite added, tested twice"})
	sign(manager, "mara", obj{"part": "product-evaluated", "product": obj{"exposed": false, "evidence": "feed was stopped"}})
	if status, o := manager.sign(parts, s.passwords["mara"], obj{"part": "closed"}); status != 409 || o["code"] != "parts-missing" {
		t.Errorf("closed too early: %d %v", status, o)
	}
	sign(manager, "mara", obj{"part": "cause-and-action", "cause": "dosing pump lost its prime", "action": "pump is checked at each filling"})
	if status, o := tech.sign(parts, s.passwords["tina"], obj{"part": "closed"}); status != 403 {
		t.Errorf("closed by the technician: %d %v", status, o)
	}
	if status, o := manager.sign(parts, "not the password", obj{"part": "closed"}); status != 403 {
		t.Errorf("signed with a wrong password: %d %v", status, o)
	}
	sign(manager, "mara", obj{"part": "closed"})

	auditor := s.as(t, "aldo")
	from, to := time.Now().Add(-time.Hour).UTC().Format(time.RFC3339), time.Now().Add(time.Hour).UTC().Format(time.RFC3339)
	log := auditor.want("GET", "/api/v1/corrective-actions?from="+from+"&to="+to, nil, 200)
	entry := obj{}
	for _, day := range log["days"].([]any) {
		for _, e := range day.(obj)["entries"].([]any) {
			if e.(obj)["deviation"] == id {
				entry = e.(obj)
			}
		}
	}
	if entry["status"] != "closed" || entry["deviation"] != id || entry["closed_by"] != "MARA" || entry["cause"] != "dosing pump lost its prime" {
		t.Errorf("corrective-action log: %v", entry)
	}
	status, export := auditor.send("GET", "/api/v1/export/records", nil)
	if status != 200 {
		t.Fatalf("export: %d %s", status, export)
	}
	verifies(t, export, s.Site().Key())
	failed := 0
	check(t, s.Site().Records(t.Context(), 1, s.Site().Head().Size, func(_ int64, rec string) error {
		if strings.Contains(rec, `"kind":"signature.failed"`) && strings.Contains(rec, `"person":"mara"`) {
			failed++
		}
		return nil
	}))
	if failed != 1 {
		t.Errorf("%d failed signatures recorded", failed)
	}
}

func verifies(t *testing.T, export []byte, key string) {
	t.Helper()
	r, err := evidence.Verify(t.Context(), bytes.NewReader(export), evidence.VerifyOptions{Key: key})
	if err != nil || r.Fault != nil || r.Last < 10 {
		t.Fatalf("verify: %+v, %v", r, err)
	}
	i := bytes.Index(export, []byte("pump lost"))
	if i < 0 {
		t.Fatal("the export lacks what was signed")
	}
	export[i]++
	r, err = evidence.Verify(t.Context(), bytes.NewReader(export), evidence.VerifyOptions{Key: key})
	if err != nil || r.Fault == nil || r.Fault.Kind != evidence.FaultRecord {
		t.Errorf("one byte changed: %+v, %v", r, err)
	}
}

// What was answered before a stop is there after it, sessions and state too, from a snapshot.
func TestStopLosesNothing(t *testing.T) {
	dir := founded(t)
	s := start(t, dir, nil)
	tech := s.as(t, "tina")
	seq := tech.say("/api/v1/readings", bathTest("120"))["seq"]
	head := s.Site().Head()
	stop(t, s)
	if !strings.Contains(s.logged.String(), "msg=stopped") {
		t.Errorf("log:\n%s", s.logged)
	}
	if _, err := net.DialTimeout("tcp", s.Addr(), time.Second); err == nil {
		t.Error("a stopped service still takes connections")
	}
	again := start(t, dir, func(c *config.Config, _ *app.Parts) { c.Listen = s.Addr() })
	if got := again.Site().Head(); got != head {
		t.Errorf("head %+v after the restart, %+v before", got, head)
	}
	if !strings.Contains(again.metrics(t), `linewarden_plant_snapshots_total{result="loaded",site="vallequince-demo"} 1`) {
		t.Error("the state did not come from the snapshot")
	}
	events := tech.want("GET", "/api/v1/readings?check=bath-test&place=bath-1", nil, 200) // the session of before
	if got := events["readings"].([]any)[0].(obj)["seq"]; got != seq {
		t.Errorf("reading %v, want %v", got, seq)
	}
	signedAtStop(t, dir, again, head.Size)
}

// signedAtStop wants the newest checkpoint of a folder to be over so many records.
func signedAtStop(t *testing.T, dir string, s *service, size int64) {
	t.Helper()
	f, err := app.ReadFolder(t.Context(), dir, nil)
	check(t, err)
	defer func() { check(t, f.Close()) }()
	log, err := f.Log(t.Context(), "vallequince-demo")
	check(t, err)
	note, err := log.LastCheckpoint(t.Context())
	check(t, err)
	if cp, _, err := record.VerifyCheckpoint(note, s.Site().Key()); err != nil || cp.Size != size {
		t.Errorf("checkpoint over %d of %d: %v", cp.Size, size, err)
	}
}

// A stop in the middle of a burst: requests under way are answered, and every reading that was acknowledged
// is in the log once.
func TestStopInABurst(t *testing.T) {
	dir := founded(t)
	s := start(t, dir, nil)
	var mu sync.Mutex
	acknowledged := map[string]bool{}
	var done atomic.Int64
	var wg sync.WaitGroup
	for _, who := range []string{"tina", "lea", "mara"} {
		for range 8 {
			c := s.as(t, who)
			wg.Go(func() {
				for {
					body := bathTest("120")
					id := uuid.NewString()
					body["id"] = id
					status, err := c.try("/api/v1/readings", body)
					if err != nil || status != 201 {
						return
					}
					mu.Lock()
					acknowledged[id] = true
					mu.Unlock()
					done.Add(1)
				}
			})
		}
	}
	for done.Load() < 200 {
		time.Sleep(time.Millisecond)
	}
	stop(t, s)
	wg.Wait()
	f, err := app.OpenFolder(t.Context(), dir, nil)
	check(t, err)
	defer func() { check(t, f.Close()) }()
	site, err := f.Open(t.Context(), "vallequince-demo", nil)
	check(t, err)
	defer func() { check(t, site.Close(context.Background())) }()
	for id := range acknowledged {
		if events, err := site.Command(t.Context(), id); err != nil || len(events) == 0 || events[0].Kind != haccp.KindReading {
			t.Fatalf("reading %s was acknowledged and is not in the log: %v %v", id, events, err)
		}
	}
	t.Logf("%d readings acknowledged before the stop", len(acknowledged))
}

func (s *service) metrics(t *testing.T) string {
	t.Helper()
	status, out := newClient(t, s.URL()).send("GET", "/metrics", nil)
	if status != 200 {
		t.Fatalf("metrics: %d", status)
	}
	return string(out)
}

func TestHealthAndMetrics(t *testing.T) {
	s := start(t, founded(t), nil)
	c := newClient(t, s.URL())
	for path, want := range map[string]string{"/healthz": "ok\n", "/readyz": "ready\n"} {
		if status, out := c.send("GET", path, nil); status != 200 || string(out) != want {
			t.Errorf("%s: %d %q", path, status, out)
		}
	}
	m := s.metrics(t)
	for _, name := range []string{"linewarden_plant_log_records", "linewarden_timetable_overdue_deviations",
		"linewarden_point_state", "linewarden_access_locks_total", "linewarden_http_requests_total", "go_goroutines"} {
		if !strings.Contains(m, "\n"+name) {
			t.Errorf("metric %s is missing", name)
		}
	}
	closed := start(t, founded(t), func(c *config.Config, _ *app.Parts) { c.NoMetrics = true })
	if status, _ := newClient(t, closed.URL()).send("GET", "/metrics", nil); status == 200 {
		t.Error("metrics are open though closed by the settings")
	}
}

// A lock after many failed attempts is in the record log, by the timetable, and survives a restart.
func TestLockoutIsRecorded(t *testing.T) {
	dir := founded(t)
	s := start(t, dir, func(_ *config.Config, p *app.Parts) { p.Access.Lock.Pauses = 0 })
	c := newClient(t, s.URL())
	for range s.lockAfter() {
		c.send("POST", "/api/v1/session", obj{"name": "tina", "password": "wrong"})
	}
	if status, _ := c.send("POST", "/api/v1/session", obj{"name": "tina", "password": s.passwords["tina"]}); status != 429 {
		t.Errorf("the right password during a lock: %d", status)
	}
	events, _, err := s.Site().Find(t.Context(), plant.Query{Kind: haccp.KindSignInLocked})
	check(t, err)
	if len(events) != 1 || events[0].By.ID != "timetable" || events[0].Body.(*haccp.PersonBody).Person != "tina" ||
		!strings.Contains(events[0].Body.(*haccp.PersonBody).Reason, "until ") {
		t.Fatalf("lock records: %+v", events)
	}
}

func (s *service) lockAfter() int { return access.Defaults().Lock.Failures }

// A device that is enrolled over the API is in the log by the administrator's hand, and its token works.
func TestDeviceEnrolment(t *testing.T) {
	s := start(t, founded(t), nil)
	_, err := s.Site().Do(t.Context(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskPerson, At: time.Now(),
		AtKnown: haccp.AtServer, By: app.Console(), Ask: &haccp.PersonChange{Change: "role-given",
			PersonBody: haccp.PersonBody{Person: "aldo", Role: haccp.RoleAdministrator}}}})
	check(t, err)
	e, err := s.Door().EnrolDevice(t.Context(), "aldo", "tablet at bath 1", access.DeviceTablet, time.Now())
	check(t, err)
	d, err := s.Door().DeviceByToken(t.Context(), e.Token)
	if err != nil || d.Name != "tablet at bath 1" {
		t.Fatalf("%+v, %v", d, err)
	}
	events, _, err := s.Site().Find(t.Context(), plant.Query{Kind: haccp.KindDeviceEnrolled})
	check(t, err)
	if len(events) != 1 || events[0].By.ID != "aldo" || events[0].By.Role != haccp.RoleAdministrator {
		t.Errorf("%+v", events)
	}
	check(t, s.Door().RevokeDevice(t.Context(), "aldo", e.ID, time.Now()))
	if _, err := s.Door().DeviceByToken(t.Context(), e.Token); !errors.Is(err, access.ErrDevice) {
		t.Errorf("revoked: %v", err)
	}
}

// A folder has one writer; whoever comes second is told who is there. A reader may come at any time.
func TestFolderIsTaken(t *testing.T) {
	dir := founded(t)
	s := start(t, dir, nil)
	_, err := app.OpenFolder(t.Context(), dir, nil)
	line, ok := app.Taken(err)
	if !ok || !strings.Contains(line, dir) || !strings.Contains(line, s.URL()) || !strings.Contains(line, "API") {
		t.Errorf("%v: %q", err, line)
	}
	f, err := app.ReadFolder(t.Context(), dir, nil)
	check(t, err)
	check(t, f.Close())
	if _, err := app.ReadFolder(t.Context(), filepath.Join(dir, "none"), nil); err == nil {
		t.Error("a folder that is not there was opened for reading")
	}
}

// serve refuses a key that is not the log's, one that is missing, and a folder without a site.
func TestRefusesWrongKeyAndEmptyFolder(t *testing.T) {
	cfg := config.Default()
	cfg.Data, cfg.Listen = filepath.Join(t.TempDir(), "new"), "127.0.0.1:0"
	if _, err := app.New(t.Context(), cfg, app.Parts{}); !errors.Is(err, app.ErrNoSite) {
		t.Errorf("empty folder: %v", err)
	}
	dir := founded(t)
	cfg.Data = dir
	key := filepath.Join(dir, "vallequince-demo.signing-key")
	info, err := os.Stat(key)
	check(t, err)
	if info.Mode().Perm() != 0o600 {
		t.Errorf("key file has mode %v", info.Mode())
	}
	other := founded(t)
	b, err := os.ReadFile(filepath.Join(other, "vallequince-demo.signing-key"))
	check(t, err)
	check(t, os.WriteFile(key, b, 0o600))
	if _, err := app.New(t.Context(), cfg, app.Parts{}); !errors.Is(err, plant.ErrKey) {
		t.Errorf("another log's key: %v", err)
	}
	check(t, os.Remove(key))
	if _, err := app.New(t.Context(), cfg, app.Parts{}); err == nil || !strings.Contains(err.Error(), "is missing") {
		t.Errorf("no key: %v", err)
	}
	if f, err := app.OpenFolder(t.Context(), dir, nil); err != nil {
		t.Errorf("a refused start kept the folder: %v", err)
	} else {
		check(t, f.Close())
	}
	cfg.Listen = "0.0.0.0:0"
	if _, err := app.New(t.Context(), cfg, app.Parts{}); !errors.Is(err, config.ErrPlain) {
		t.Errorf("plain http off loopback: %v", err)
	}
}

// While the log is read, /readyz says so and commands get a hint when to come again.
func TestNotReadyWhileReplaying(t *testing.T) {
	dir := founded(t)
	check(t, os.Remove(filepath.Join(dir, "cache.db"))) // no snapshot
	cfg := config.Default()
	cfg.Data, cfg.Listen = dir, "127.0.0.1:0"
	let := make(chan struct{})
	a, err := app.New(t.Context(), cfg, app.Parts{Access: quick(), Progress: func(done, total int64) { <-let }})
	check(t, err)
	s := &service{App: a, logged: &bytes.Buffer{}}
	t.Cleanup(func() { stop(t, s) })
	check(t, a.Start())
	c := newClient(t, a.URL())
	status, out := c.send("GET", "/readyz", nil)
	if status != 503 || !strings.Contains(string(out), "of 10 records") {
		t.Errorf("readyz while replaying: %d %q", status, out)
	}
	if status, _ := c.send("GET", "/healthz", nil); status != 200 {
		t.Errorf("healthz while replaying: %d", status)
	}
	close(let)
	check(t, a.Wait(t.Context()))
	if status, out := c.send("GET", "/readyz", nil); status != 200 {
		t.Errorf("readyz afterwards: %d %q", status, out)
	}
}

// A body over the limit and one that is no JSON are refused with a problem document.
func TestBadBodies(t *testing.T) {
	s := start(t, founded(t), nil)
	tech := s.as(t, "tina")
	before := s.Site().Head()
	status, out := tech.send("POST", "/api/v1/readings", obj{"id": uuid.NewString(), "note": strings.Repeat("x", 10<<20)})
	if status != 413 {
		t.Errorf("10 MB: %d %.200s", status, out)
	}
	var problem obj
	if err := json.Unmarshal(out, &problem); err != nil || problem["detail"] == "" {
		t.Errorf("10 MB: %v %.200s", err, out)
	}
	if s.Site().Head() != before {
		t.Error("a refused body was stored")
	}
}
