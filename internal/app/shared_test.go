package app_test

import (
	"context"
	"crypto/rand"
	"log/slog"
	"maps"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/alerts"
	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/app"
	"linewarden/internal/config"
	"linewarden/internal/memstore"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

// sharedMemory is a home in memory that several instances use at once.
type sharedMemory struct {
	*memstore.Store
	alerts.Lease
	accounts *memoryAccounts
	signer   *record.Signer
}

// memoryAccounts gives no credential away, as no test copies them.
type memoryAccounts struct{ *memstore.Accounts }

func (memoryAccounts) EachCredential(context.Context, func(kind, owner, secret string, at time.Time) error) error {
	return nil
}

func (m *sharedMemory) Sites(context.Context) ([]string, error) { return m.Store.Sites(), nil }

func (m *sharedMemory) Options(_ context.Context, site string) (plant.Options, error) {
	log := m.Site(site)
	return plant.Options{Log: log, Snapshots: log, Checkpoints: log, Signer: m.signer, Zones: time.LoadLocation}, nil
}

func (m *sharedMemory) Founding(ctx context.Context, site string) (f record.Founding, err error) {
	err = m.Site(site).Scan(ctx, 1, 1, func(_ int64, rec string) error {
		env, err := record.DecodeString(rec)
		if err == nil {
			f, err = record.ReadFounding(&env)
		}
		return err
	})
	return f, err
}

func (m *sharedMemory) Accounts(string) (app.Accounts, error) { return m.accounts, nil }
func (m *sharedMemory) Outbox() (alerts.Outbox, error)        { return memstore.NewOutbox(), nil }
func (m *sharedMemory) Shared() app.Shared                    { return m }
func (m *sharedMemory) Where() string                         { return "memory" }
func (m *sharedMemory) Announce(string) error                 { return nil }
func (m *sharedMemory) Close() error                          { return nil }

// sharedPlant founds a plant in memory with the demo plan in force and the staff.
func sharedPlant(t *testing.T) *sharedMemory {
	t.Helper()
	src, err := os.ReadFile(filepath.Join("..", "demo", "plan.yaml"))
	check(t, err)
	r := planfile.Check("plan.yaml", src, plan.Options{Acts: haccp.Acts()})
	check(t, r.Errors.Err())
	r.Plan.LiveFrom = time.Now().AddDate(1, 0, 0).Truncate(time.Second)
	logID, err := record.NewLogID(rand.Reader)
	check(t, err)
	secret, _, err := record.GenerateKey(rand.Reader, r.Plan.Site, logID)
	check(t, err)
	m := &sharedMemory{Store: memstore.New(), Lease: memstore.NewLeases(), accounts: &memoryAccounts{memstore.NewAccounts()}}
	m.signer, err = record.NewSigner(secret)
	check(t, err)
	o, err := m.Options(t.Context(), r.Plan.Site)
	check(t, err)
	check(t, plant.Found(t.Context(), o, plant.Founding{Site: r.Plan.Site, Name: "Test plant", Demo: true}))
	site, err := plant.Open(t.Context(), o)
	check(t, err)
	_, _, err = app.SignPlan(t.Context(), site, app.PlanSigning{Plan: r.Plan, Source: src, By: app.Console(), Reason: "first",
		From: time.Now().Add(-24 * time.Hour), Now: time.Now()})
	check(t, err)
	for _, p := range staff {
		for _, c := range []haccp.PersonChange{
			{Change: "added", PersonBody: haccp.PersonBody{Person: p.id, Name: strings.ToUpper(p.id), SignIn: p.id}},
			{Change: "role-given", PersonBody: haccp.PersonBody{Person: p.id, Role: p.role}},
		} {
			_, err := site.Do(t.Context(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskPerson, At: time.Now(),
				AtKnown: haccp.AtServer, By: app.Console(), Ask: &c}})
			check(t, err)
		}
	}
	check(t, site.Close(context.Background()))
	return m
}

func (m *sharedMemory) instance(t *testing.T) *app.App {
	t.Helper()
	cfg := config.Default()
	cfg.Listen, cfg.Data = "127.0.0.1:0", "unused"
	a, err := app.New(t.Context(), cfg, app.Parts{Home: m, Access: quick(), Logger: slog.New(slog.DiscardHandler)})
	check(t, err)
	t.Cleanup(func() { check(t, a.Stop(context.Background())) })
	check(t, a.Wait(t.Context()))
	check(t, a.Start())
	return a
}

// at gives the client of another instance with the same cookies and form token.
func (c *client) at(a *app.App) *client {
	other := *c
	other.url = a.URL()
	return &other
}

// head asks for the site and gives status and the head of the answer; seen is what the client has seen.
func (c *client) head(seen int64) (status int, head int64, retry string) {
	c.t.Helper()
	req, err := http.NewRequest("GET", c.url+"/api/v1/site", nil)
	check(c.t, err)
	req.Header.Set("Linewarden-Head", strconv.FormatInt(seen, 10))
	res, err := c.http.Do(req)
	check(c.t, err)
	check(c.t, res.Body.Close())
	if res.StatusCode == http.StatusOK {
		head, err = strconv.ParseInt(res.Header.Get("Linewarden-Head"), 10, 64)
		check(c.t, err)
	}
	return res.StatusCode, head, res.Header.Get("Retry-After")
}

// Two instances: a session of one is good at the other; whoever wrote at one finds it at the other at once; a
// head that is not there yet is 503 with a time to ask again; many write at both and everything is there once.
func TestTwoInstances(t *testing.T) {
	m := sharedPlant(t)
	a, b := m.instance(t), m.instance(t)
	passwords, err := a.Door().DemoPasswords(t.Context(), []string{"tina"}, time.Now())
	check(t, err)
	tina := newClient(t, a.URL()).signIn("tina", passwords["tina"])
	other := tina.at(b)
	for i := range 20 {
		tina.say("/api/v1/readings", bathTest(strconv.Itoa(110+i)))
		_, head, _ := tina.head(0)
		status, got, _ := other.head(head)
		if status != 200 || got < head {
			t.Fatalf("written at %d, shown at the other instance: %d, head %d", head, status, got)
		}
	}
	_, head, _ := tina.head(0)
	if status, _, retry := other.head(head + 1000); status != 503 || retry == "" {
		t.Errorf("a head nobody has seen: %d, Retry-After %q", status, retry)
	}
	before := a.Site().View().Counts.Readings
	var wg sync.WaitGroup
	var mu sync.Mutex
	seen := map[string]int{}
	for c := range 16 {
		wg.Go(func() {
			for i := range 10 {
				body := with(bathTest(strconv.Itoa(110+i)), "id", uuid.NewString())
				for k := range 2 { // the same command to both
					status, err := []*client{tina, other}[(c+k)%2].try("/api/v1/readings", body)
					if err != nil || status != []int{201, 200}[k] {
						t.Errorf("client %d: %d %v", c, status, err)
					}
				}
				mu.Lock()
				seen[text(body["id"])]++
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	end, err := m.Site("vallequince-demo").Head(t.Context())
	check(t, err)
	var states []string
	for _, s := range []*app.App{a, b} {
		check(t, s.Site().CatchUp(t.Context(), end.Commit))
		if n := s.Site().View().Counts.Readings - before; n != int64(len(seen)) {
			t.Errorf("%d readings, %d were sent: %v", n, len(seen), slices.Collect(maps.Keys(seen))[:1])
		}
		snap, err := s.Site().View().Snapshot()
		check(t, err)
		states = append(states, string(snap))
	}
	if states[0] != states[1] {
		t.Error("two instances hold different states of one log")
	}
}

// A page tells what its reader has seen by a cookie; a stop drains what was sent, and the other instance goes on.
func TestInstanceStopsBesideAnother(t *testing.T) {
	m := sharedPlant(t)
	a, b := m.instance(t), m.instance(t)
	passwords, err := a.Door().DemoPasswords(t.Context(), []string{"tina"}, time.Now())
	check(t, err)
	tina := newClient(t, a.URL()).signIn("tina", passwords["tina"])
	wantPage(t, tina, "/", "Test plant")
	cookie := ""
	u, err := http.NewRequest("GET", a.URL(), nil)
	check(t, err)
	for _, c := range tina.http.Jar.Cookies(u.URL) {
		if c.Name == "linewarden-head-vallequince-demo" {
			cookie = c.Value
		}
	}
	if cookie != strconv.FormatInt(a.Site().Head().Commit, 10) {
		t.Errorf("the page's cookie says %q, the log is at %d", cookie, a.Site().Head().Commit)
	}
	var wg sync.WaitGroup
	var mu sync.Mutex
	acked := []string{}
	for range 8 {
		wg.Go(func() {
			for range 20 {
				body := with(bathTest("120"), "id", uuid.NewString())
				status, err := tina.try("/api/v1/readings", body)
				if err != nil || status >= 500 { // it stops: the same command to the other one
					status, err = tina.at(b).try("/api/v1/readings", body)
				}
				if err != nil || status != 201 && status != 200 {
					t.Errorf("%d %v", status, err)
					continue
				}
				mu.Lock()
				acked = append(acked, text(body["id"]))
				mu.Unlock()
			}
		})
	}
	time.Sleep(20 * time.Millisecond)
	check(t, a.Stop(context.Background()))
	wg.Wait()
	for _, id := range acked {
		events, err := b.Site().Command(t.Context(), id)
		check(t, err)
		if len(events) == 0 || len(acked) != 160 {
			t.Fatalf("%d acknowledged; %s is recorded by %d records", len(acked), id, len(events))
		}
	}
}
