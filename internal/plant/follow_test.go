package plant

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"linewarden/haccp"
	"linewarden/internal/plant/codec"
	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
)

// beside opens one more instance on the log of a site.
func (b *bench) beside(t testing.TB, change ...func(*Options)) *Site {
	t.Helper()
	o := b.opt
	for _, c := range change {
		c(&o)
	}
	s, err := Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Close(context.Background()) })
	return s
}

// TestInstancesShareALog has three instances record at once, each command sent to two of them at the same
// moment: every command is there once, and every instance ends with the same state.
func TestInstancesShareALog(t *testing.T) {
	b := found(t, func(o *Options) { o.Shared = true })
	sites := []*Site{b.Site, b.beside(t), b.beside(t)}
	const clients, each = 12, 25
	var wg sync.WaitGroup
	var first, again atomic.Int64
	for c := range clients {
		wg.Go(func() {
			for i := range each {
				n := c*each + i
				var both sync.WaitGroup
				for k := range 2 {
					both.Go(func() {
						res, err := sites[(n+k)%len(sites)].Do(t.Context(), note(n, fmt.Sprint(n)))
						switch {
						case err != nil:
							t.Errorf("command %d: %v", n, err)
						case len(res.Events) != 1 || texts(res.Events)[0] != fmt.Sprint(n):
							t.Errorf("command %d was answered with %v", n, texts(res.Events))
						case res.Repeated:
							again.Add(1)
						default:
							first.Add(1)
						}
					})
				}
				both.Wait()
			}
		})
	}
	wg.Wait()
	if first.Load() != clients*each || again.Load() != clients*each {
		t.Fatalf("%d first answers and %d repeated ones, want %d of each", first.Load(), again.Load(), clients*each)
	}
	if got := len(b.verified(t)); got != clients*each {
		t.Fatalf("the log holds %d commands, want %d", got, clients*each)
	}
	head, err := b.store.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var states []string
	for _, s := range sites {
		if err := s.CatchUp(t.Context(), head.Commit); err != nil {
			t.Fatal(err)
		}
		snap, err := s.View().Snapshot()
		if err != nil || s.Head() != head {
			t.Fatalf("head %+v, want %+v (%v)", s.Head(), head, err)
		}
		states = append(states, string(snap))
	}
	if states[0] != states[1] || states[0] != states[2] {
		t.Fatal("the instances hold different states of the same log")
	}
}

// An instance that is behind reads what others wrote before it answers, and says so where there is nothing.
func TestCatchUp(t *testing.T) {
	b := found(t)
	other := b.beside(t)
	res := mustDo(t, b.Site, note(1, "one"))
	if other.Head().Commit >= res.Head.Commit {
		t.Fatal("the other instance knows the commit without having read it")
	}
	if err := other.CatchUp(t.Context(), res.Head.Commit); err != nil || other.View().Counts.Readings != 1 {
		t.Fatalf("after catching up: %v, %d", err, other.View().Counts.Readings)
	}
	if err := other.CatchUp(t.Context(), res.Head.Commit+1); !errors.Is(err, ErrBehind) {
		t.Fatalf("a commit that is not there: %v", err)
	}
	mustDo(t, b.beside(t, func(o *Options) { o.Log = b.store }), note(2, "two"))
	b.log.Unreadable(true)
	if err := other.CatchUp(t.Context(), res.Head.Commit+1); !errors.Is(err, ErrBusy) {
		t.Fatalf("a store that cannot be read: %v", err)
	}
	b.log.Unreadable(false)
	if err := other.CatchUp(t.Context(), res.Head.Commit+1); err != nil {
		t.Fatal(err)
	}
}

// A newer instance writes a kind that the older one does not know: the older one goes on serving reads of
// what it knows, stops deciding and says so, and nothing it has acknowledged is lost.
func TestOlderInstanceBesideANewerOne(t *testing.T) {
	b := found(t)
	older := b.beside(t)
	mustDo(t, older, note(1, "by the older one"))
	tree, head, err := record.OpenTree(t.Context(), b.store)
	if err != nil {
		t.Fatal(err)
	}
	build := record.NewBuilder("plant", tree, head.Commit+1)
	id, err := record.ParseUUID(commandID(7))
	if err != nil {
		t.Fatal(err)
	}
	at := time.Now().UTC().Truncate(time.Millisecond)
	env := record.Envelope{V: 1, Site: "plant", ID: record.RecordID(id, 0), Command: id, Kind: "future.thing", At: at,
		AtKnown: haccp.AtServer, RecordedAt: at, About: []string{"site"}, Body: []byte(`{}`),
		By: &record.Person{ID: "p-1", Name: "Ana Test", Role: haccp.RoleTechnician, Known: haccp.KnownPassword}}
	if err := build.AppendCommand([]record.Envelope{env}); err != nil {
		t.Fatal(err)
	}
	commit, lookups := build.Build()
	if err := b.store.Append(t.Context(), head.Commit, commit, lookups); err != nil {
		t.Fatal(err)
	}
	if _, err := older.Do(t.Context(), note(2, "too late")); !errors.Is(err, ErrUnknown) {
		t.Fatalf("the older one decided: %v", err)
	}
	if err := older.Ready(); !errors.Is(err, codec.ErrUnknown) {
		t.Fatalf("ready: %v", err)
	}
	if older.View().Counts.Readings != 1 || older.Head() != head {
		t.Fatalf("the older one shows %d at %+v", older.View().Counts.Readings, older.Head())
	}
	events, _, err := older.Find(t.Context(), Query{Kind: "future.thing"})
	if err != nil || len(events) != 1 {
		t.Fatalf("reading the record it does not know: %v, %v", events, err)
	}
	if events, err := older.Command(t.Context(), commandID(1)); err != nil || len(events) != 1 {
		t.Fatalf("what it acknowledged: %v, %v", events, err)
	}
}

// A site that stopped because nobody could say what became of a commit goes on when the log can be read
// again; the command is in the log once.
func TestStopInDoubtEnds(t *testing.T) {
	b := found(t)
	b.log.Plan(recordtest.WrittenUncertain)
	b.log.Unreadable(true)
	if _, err := b.Do(t.Context(), note(1, "one")); !errors.Is(err, ErrStopped) {
		t.Fatalf("in doubt: %v", err)
	}
	if err := b.CatchUp(t.Context(), 2); err == nil {
		t.Fatal("caught up with a log that cannot be read")
	}
	b.log.Unreadable(false)
	if err := b.CatchUp(t.Context(), 2); err != nil || b.Ready() != nil {
		t.Fatalf("the log can be read again: %v, %v", err, b.Ready())
	}
	if res := mustDo(t, b.Site, note(1, "one")); !res.Repeated {
		t.Fatal("recorded twice")
	}
	wantTexts(t, b.verified(t), "one")
}

// slow is a log whose reads and appends take the time that a database over a network takes.
type slow struct {
	record.Log
	read, write time.Duration
}

func (l *slow) ReadCommit(ctx context.Context, n int64) (record.Commit, error) {
	time.Sleep(l.read)
	return l.Log.ReadCommit(ctx, n)
}

func (l *slow) Append(ctx context.Context, expected int64, c record.Commit, lookups []record.Lookup) error {
	time.Sleep(l.write)
	return l.Log.Append(ctx, expected, c, lookups)
}

// BenchmarkInstances measures one and two instances on one log with the rules of haccp, on stores of
// different speed; the clients are those of each instance. It prints conflicts per commit.
func BenchmarkInstances(b *testing.B) {
	for _, delay := range []time.Duration{0, time.Millisecond, 4 * time.Millisecond} {
		for _, x := range []struct{ instances, clients int }{{1, 64}, {2, 32}, {2, 64}, {3, 64}} {
			b.Run(fmt.Sprintf("append=%v/instances=%d/clients=%d", delay, x.instances, x.instances*x.clients), func(b *testing.B) {
				r, began := newReal(b), time.Now()
				r.opt.Shared = x.instances > 1
				r.opt.Log = &slow{r.store, delay / 2, delay}
				r.opt.Clock = func() time.Time { return r.now.Add(time.Since(began)) }
				var sites []*Site
				var regs []*prometheus.Registry
				for range x.instances {
					reg := prometheus.NewRegistry()
					o := r.opt
					o.Registerer = reg
					s, err := Open(context.Background(), o)
					if err != nil {
						b.Fatal(err)
					}
					defer s.Close(context.Background())
					sites, regs = append(sites, s), append(regs, reg)
				}
				var next atomic.Int64
				var wg sync.WaitGroup
				b.ResetTimer()
				for _, s := range sites {
					for range x.clients {
						wg.Go(func() {
							for {
								n := int(next.Add(1))
								if n > b.N {
									return
								}
								id := commandID(1_000_000 + n)
								q := Request{Sent: []byte(`{"id":"` + id + `"}`), Command: &haccp.Command{ID: id, Kind: haccp.KindReading,
									At: r.opt.Clock(), AtKnown: haccp.AtServer, By: tina, Ask: bathTest("bath-1", "100")}}
								for {
									_, err := s.Do(context.Background(), q)
									if err == nil {
										break
									}
									if !errors.Is(err, ErrBusy) {
										b.Error(err)
										return
									}
								}
							}
						})
					}
				}
				wg.Wait()
				b.StopTimer()
				b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "commands/s")
				commits, conflicts := 0.0, 0.0
				for _, reg := range regs {
					commits += sum(b, reg, "plant_commits_total")
					conflicts += sum(b, reg, "plant_store_errors_total")
				}
				b.ReportMetric(conflicts/commits, "conflicts/commit")
				b.ReportMetric(float64(b.N)/commits, "commands/commit")
			})
		}
	}
}

// sum adds up a counter with all its labels.
func sum(b *testing.B, reg *prometheus.Registry, name string) (total float64) {
	b.Helper()
	families, err := reg.Gather()
	if err != nil {
		b.Fatal(err)
	}
	for _, f := range families {
		if f.GetName() != name {
			continue
		}
		for _, m := range f.GetMetric() {
			total += m.GetCounter().GetValue()
		}
	}
	return total
}
