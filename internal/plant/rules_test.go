package plant

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
	_ "time/tzdata"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/memstore"
	"linewarden/internal/planfile"
	"linewarden/internal/plant/codec"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
)

// real is a site that works by the rules of haccp, with the invented plan of the demo.
type real struct {
	*Site
	opt   Options
	store *memstore.Log
	now   time.Time
	ids   int
}

var (
	console = haccp.Actor{ID: "console", Name: "Console", Role: haccp.RoleConsole, Known: haccp.KnownConsole}
	tina    = haccp.Actor{ID: "tina", Name: "Tina Test", Role: haccp.RoleTechnician, Known: haccp.KnownPassword}
	mara    = haccp.Actor{ID: "mara", Name: "Mara Test", Role: haccp.RoleManager, Known: haccp.KnownPassword}
)

func newReal(t testing.TB) *real {
	t.Helper()
	src, err := os.ReadFile(filepath.Join("..", "demo", "plan.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	checked := planfile.Check("plan.yaml", src, plan.Options{})
	if checked.Plan == nil {
		t.Fatal(checked.Errors)
	}
	p := checked.Plan
	r := &real{store: memstore.New().Site(p.Site), now: time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)}
	r.opt = Options{Log: r.store, Snapshots: r.store, Checkpoints: r.store, Signer: keys(t, p.Site), Zones: time.LoadLocation,
		Clock: func() time.Time { return r.now }}
	if err := Found(t.Context(), r.opt, Founding{Site: p.Site, Name: "Invented plant", Demo: true}); err != nil {
		t.Fatal(err)
	}
	r.open(t)
	for _, who := range []haccp.Actor{tina, mara} {
		r.must(t, r.command(haccp.AskPerson, console, &haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: who.ID, Name: who.Name, SignIn: who.ID}}))
		r.must(t, r.command(haccp.AskPerson, console, &haccp.PersonChange{Change: "role-given", PersonBody: haccp.PersonBody{Person: who.ID, Role: who.Role}}))
	}
	r.must(t, r.command(haccp.AskSignPlan, console, &haccp.SignPlan{From: r.now.AddDate(-1, 0, 0), Plan: p, Reason: "first plan",
		Source: string(src), Signature: r.signature(haccp.MeaningPlan)}))
	r.now = r.now.Add(time.Minute)
	return r
}

func (r *real) open(t testing.TB) {
	t.Helper()
	s, err := Open(t.Context(), r.opt)
	if err != nil {
		t.Fatal(err)
	}
	r.Site = s
	t.Cleanup(func() { _ = s.Close(context.Background()) })
}

func (r *real) signature(meaning string) haccp.Signature {
	h := r.Head()
	return haccp.Signature{Meaning: meaning, Statement: "I sign " + meaning, Language: "en", Head: haccp.Head{Size: h.Size, Root: base64Of(h.Root)}}
}

func (r *real) command(kind string, by haccp.Actor, ask any) Request {
	r.ids++
	id := commandID(r.ids)
	return Request{Sent: []byte(`{"id":"` + id + `"}`),
		Command: &haccp.Command{ID: id, Kind: kind, At: r.now, AtKnown: haccp.AtDevice, By: by, Ask: ask}}
}

func (r *real) must(t testing.TB, q Request) Result {
	t.Helper()
	res, err := r.Do(t.Context(), q)
	if err != nil {
		t.Fatalf("%s: %v", q.Command.Kind, err)
	}
	return res
}

func bathTest(place, chlorine string) *haccp.Reading {
	entry := func(q, method, value, unit string) haccp.Entry {
		return haccp.Entry{Quantity: q, Method: method, Read: quantity.Exact(quantity.MustDecimal(value), quantity.Unit(unit))}
	}
	return &haccp.Reading{Check: "bath-test", Place: place, Mode: "hand", Entries: []haccp.Entry{
		entry("free_chlorine", "chlorine-titration", chlorine, "mg/L"), entry("ph", "ph-meter", "6.75", "pH"),
		entry("temperature", "thermometer", "12.0", "°C"), entry("salt", "salt-meter", "30", "g/L")}}
}

// shift is a mix of commands over some hours: fillings, readings inside and outside, early and late,
// fixes, amendments, voids and what is refused. It is the same for the same seed.
func (r *real) shift(seed uint64, n int) []Request {
	rng := rand.New(rand.NewPCG(seed, 1))
	var out []Request
	var readings []string
	begin := r.now
	for i := range n {
		place := fmt.Sprintf("bath-%d", 1+rng.IntN(2))
		q := r.command(haccp.KindReading, tina, bathTest(place, fmt.Sprint(90+rng.IntN(45))))
		c := q.Command
		switch rng.IntN(12) {
		case 0:
			level := quantity.Exact(quantity.MustDecimal("60"), "cm")
			c.Kind, c.Ask = haccp.KindFilled, &haccp.Bath{Place: place, Water: "town water", Level: &level}
		case 1:
			c.Kind, c.Ask = haccp.KindFixDone, &haccp.FixDone{Point: "wash-chlorine", Place: place, Fix: "add-hypochlorite"}
		case 2:
			c.Ask = bathTest("no-such-bath", "100")
		case 3:
			if len(readings) > 0 {
				c.Kind, c.By = haccp.AskVoid, mara
				s := r.signature(haccp.MeaningVoid)
				c.Ask = &haccp.Void{Target: readings[rng.IntN(len(readings))], Reason: "wrong bath", Signature: &s}
			}
		case 4:
			if len(readings) > 0 {
				c.Kind, c.By = haccp.AskAmend, mara
				s := r.signature(haccp.MeaningAmend)
				c.Ask = &haccp.Amend{Target: readings[rng.IntN(len(readings))], New: bathTest(place, "125"), Reason: "typed wrongly", Signature: &s}
			}
		}
		c.At = begin.Add(time.Duration(i)*time.Minute - time.Duration(rng.IntN(40))*time.Minute)
		if c.Kind == haccp.KindReading {
			readings = append(readings, haccp.RecordID(c.ID, 0))
		}
		out = append(out, q)
	}
	r.now = begin.Add(time.Duration(n) * time.Minute)
	return out
}

// told gives what a log says without what differs between two foundings: kinds, ids, bodies of readings
// and refusals.
func (r *real) log(t testing.TB) []string {
	t.Helper()
	var out []string
	err := r.store.Scan(context.Background(), 2, 1<<40, func(seq int64, rec string) error {
		_, e, err := readEvent(record.Stored{Seq: seq, Bytes: rec})
		if err == nil && e.Kind != haccp.KindPlanSigned {
			body, _, _ := strings.Cut(bodyText(t, e), `,"signature"`)
			out = append(out, fmt.Sprint(e.Seq, e.Kind, e.ID, e.At, e.Findings, body))
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

func bodyText(t testing.TB, e *haccp.Event) string {
	t.Helper()
	b, err := codec.AppendBody(nil, e.Body)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestBatchDecidesAsOneByOne sends the same commands one by one and all at once.
func TestBatchDecidesAsOneByOne(t *testing.T) {
	for seed := range uint64(6) {
		one, batch := newReal(t), newReal(t)
		refused := [2][]string{}
		for _, q := range one.shift(seed, 120) {
			if _, err := one.Do(t.Context(), q); err != nil {
				refused[0] = append(refused[0], err.Error())
			}
		}
		jobs := make([]*job, 0, 120)
		for _, q := range batch.shift(seed, 120) {
			j, err := batch.newJob(t.Context(), q)
			if err != nil {
				t.Fatal(err)
			}
			jobs = append(jobs, j)
		}
		before := batch.Head().Commit
		batch.mu.Lock() // all of them wait before the writer sees the first
		first := make(chan struct{})
		batch.opt.Clock, batch.Site.opt.Clock = nil, func() time.Time { <-first; return batch.now }
		for _, j := range jobs {
			batch.inbox <- j
		}
		batch.mu.Unlock()
		close(first)
		for _, j := range jobs {
			if a := <-j.done; a.err != nil {
				refused[1] = append(refused[1], a.err.Error())
			}
		}
		if n := batch.Head().Commit - before; n > 3 {
			t.Fatalf("120 commands at once became %d commits", n)
		}
		want := sameLog(t, seed, one, batch, refused)
		opened := slices.ContainsFunc(want, func(s string) bool { return strings.Contains(s, haccp.KindDeviationOpened) })
		if !opened || len(refused[0]) == 0 || len(refused[0]) > 60 {
			t.Fatalf("seed %d: too little happened: %d refused %q", seed, len(refused[0]), refused[0])
		}
	}
}

// sameLog wants two sites to have recorded and refused the same, and gives what they recorded.
func sameLog(t *testing.T, seed uint64, one, many *real, refused [2][]string) []string {
	t.Helper()
	want, got := one.log(t), many.log(t)
	for i := range min(len(want), len(got)) {
		if want[i] != got[i] {
			t.Fatalf("seed %d: record %d\n%s\none by one\n%s", seed, i+2, got[i], want[i])
		}
	}
	if len(want) != len(got) || !slices.Equal(refused[0], refused[1]) {
		t.Fatalf("seed %d: %d and %d records; refused\n%q\n%q", seed, len(want), len(got), refused[0], refused[1])
	}
	return want
}

// TestRulesReplay opens a site of the real rules again, from records alone and from its snapshot.
func TestRulesReplay(t *testing.T) {
	r := newReal(t)
	for _, q := range r.shift(7, 200) {
		if _, err := r.Do(t.Context(), q); err != nil {
			if _, is := errors.AsType[*haccp.Refusal](err); !is {
				t.Fatal(err)
			}
		}
	}
	live := stateBytes(t, r.View())
	for name, snapshots := range map[string]Snapshots{"records": nil, "snapshot": r.store} {
		if err := r.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
		r.opt.Snapshots = snapshots
		r.open(t)
		if got := stateBytes(t, r.View()); got != live {
			i := 0
			for i < min(len(got), len(live)) && got[i] == live[i] {
				i++
			}
			t.Fatalf("from the %s:\n%.300s\nwant\n%.300s", name, got[max(0, i-100):], live[max(0, i-100):])
		}
	}
	if res, err := evidence.VerifyLog(t.Context(), r.site, r.store, evidence.VerifyOptions{}); err != nil || res.Fault != nil {
		t.Fatal(err, res.Fault)
	}
}

// BenchmarkReadings measures the whole writer's path with the real rules: 64 clients, 2 baths, memory.
func BenchmarkReadings(b *testing.B) {
	r := newReal(b)
	from := r.now
	r.now = r.now.Add(24 * time.Hour)
	var mu sync.Mutex
	next := func() Request {
		mu.Lock()
		defer mu.Unlock()
		q := r.command(haccp.KindReading, tina, bathTest(fmt.Sprintf("bath-%d", 1+r.ids%2), "125"))
		q.Command.At = from.Add(time.Duration(r.ids) * 10 * time.Millisecond)
		return q
	}
	work := make(chan Request, 1024)
	var wg sync.WaitGroup
	for range 64 {
		wg.Go(func() {
			for q := range work {
				if _, err := r.Do(context.Background(), q); err != nil {
					b.Error(err)
				}
			}
		})
	}
	b.ReportAllocs()
	for b.Loop() {
		work <- next()
	}
	close(work)
	wg.Wait()
}
