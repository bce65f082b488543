package alerts_test

import (
	"context"
	"errors"
	"log/slog"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/uuid"

	"linewarden/alerts"
	"linewarden/haccp"
	"linewarden/internal/memstore"
	"linewarden/internal/plant"
)

// pausable is a store of leases that one instance can be cut off from.
type pausable struct {
	alerts.Lease
	cut atomic.Bool
}

var errCut = errors.New("cut off")

func (p *pausable) Beat(ctx context.Context, holder string, beat int64) error {
	if p.cut.Load() {
		return errCut
	}
	return p.Lease.Beat(ctx, holder, beat)
}

// instance is one instance of the service on the log of a plant.
type instance struct {
	*plantUnderTest
	rota  *alerts.Rota
	lease *pausable
	stop  context.CancelFunc
	done  chan struct{}
}

// beside starts an instance on the plant's log.
func (p *plantUnderTest) beside(leases *memstore.Leases, name string) *instance {
	p.t.Helper()
	q := &plantUnderTest{t: p.t, log: p.log, out: &lockedBuffer{}}
	i := &instance{plantUnderTest: q, lease: &pausable{Lease: leases}, done: make(chan struct{})}
	site, err := plant.Open(context.Background(), plant.Options{Log: p.log, Zones: time.LoadLocation, Clock: q.now, Shared: true})
	check(p.t, err)
	logger := slog.New(slog.NewTextHandler(q.out, nil))
	i.rota = alerts.NewRota(i.lease, name, logger)
	q.site = site
	q.table, err = alerts.New(alerts.Options{Site: site, Clock: q.now, Logger: logger, Rota: i.rota})
	check(p.t, err)
	ctx, cancel := context.WithCancel(context.Background())
	i.stop = cancel
	q.table.Start()
	go func() {
		defer close(i.done)
		i.rota.Run(ctx)
	}()
	return i
}

func (i *instance) close() {
	i.stop()
	<-i.done
	i.plantUnderTest.close()
}

func (i *instance) catchUp() {
	i.t.Helper()
	head, err := i.log.Head(context.Background())
	check(i.t, err)
	check(i.t, i.site.CatchUp(context.Background(), head.Commit))
}

// takeovers lists the holders of the log's epochs.
func (p *plantUnderTest) takeovers() []string {
	p.t.Helper()
	events, _, err := p.site.Find(context.Background(), plant.Query{Kind: haccp.KindTimetableTaken})
	check(p.t, err)
	var out []string
	for n, e := range events {
		b := e.Body.(*haccp.TimetableTaken)
		if b.Epoch != int64(n)+1 {
			p.t.Errorf("takeover %d has epoch %d", n+1, b.Epoch)
		}
		out = append(out, b.Holder)
	}
	return out
}

// One instance at a time runs the timetable; another one follows when it stops, at once, or falls silent, after
// a while; every miss is recorded once, and the paused one cannot write.
func TestOneInstanceRunsTheTimetable(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, "2026-11-02T06:00:00Z")
		p.line(true)
		leases := memstore.NewLeases()
		a, b := p.beside(leases, "a"), p.beside(leases, "b")
		until(t, "2026-11-02T06:36:00Z")
		a.catchUp()
		same(t, a.missed("knife-check"), "2026-11-02T06:30Z")
		first := a.takeovers()
		if len(first) != 1 {
			t.Fatalf("takeovers %v, want one", first)
		}
		holder, other := a, b
		if first[0] == "b" {
			holder, other = b, a
		}
		if s := other.table.Status(); s.Outcome != alerts.OutcomeOthers {
			t.Errorf("the other one: %+v", s)
		}
		holder.lease.cut.Store(true) // paused, or cut off from the store of leases
		time.Sleep(30 * time.Second)
		synctest.Wait()
		if _, mine := holder.rota.Epoch("clock-demo"); mine {
			t.Error("an instance that cannot show that it is alive goes on")
		}
		epoch, mine := other.rota.Epoch("clock-demo")
		if !mine || epoch != 2 {
			t.Fatalf("the other one holds epoch %d, %v", epoch, mine)
		}
		until(t, "2026-11-02T07:06:00Z")
		other.catchUp()
		same(t, other.missed("knife-check"), "2026-11-02T06:30Z", "2026-11-02T07:00Z")
		_, err := holder.site.Do(context.Background(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskSweep,
			At: time.Now(), AtKnown: haccp.AtServer, By: alerts.Actor, Ask: &haccp.Sweep{Epoch: 1}}})
		refusal, is := errors.AsType[*haccp.Refusal](err)
		if !is || refusal.Code != haccp.CodeStaleEpoch {
			t.Errorf("a command of the old epoch: %v", err)
		}
		holder.lease.cut.Store(false)
		other.close() // gives the lease up
		time.Sleep(4 * time.Second)
		synctest.Wait()
		if epoch, mine := holder.rota.Epoch("clock-demo"); !mine || epoch != 3 {
			t.Errorf("after the other one stopped: epoch %d, %v", epoch, mine)
		}
		until(t, "2026-11-02T07:36:00Z")
		holder.catchUp()
		same(t, holder.missed("knife-check"), "2026-11-02T06:30Z", "2026-11-02T07:00Z", "2026-11-02T07:30Z")
		if all := holder.takeovers(); len(all) != 3 || all[0] == all[1] || all[1] == all[2] {
			t.Errorf("takeovers %v", all)
		}
		holder.close()
		p.close()
	})
}

// Leases may be lost, being no part of the log: the next epoch then follows that of the log.
func TestLostLeases(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := newPlant(t, "2026-11-02T06:00:00Z")
		p.line(true)
		a := p.beside(memstore.NewLeases(), "a")
		until(t, "2026-11-02T06:36:00Z")
		a.close()
		b := p.beside(memstore.NewLeases(), "b")
		until(t, "2026-11-02T07:06:00Z")
		b.catchUp()
		same(t, b.missed("knife-check"), "2026-11-02T06:30Z", "2026-11-02T07:00Z")
		if got := b.takeovers(); len(got) != 2 || got[1] != "b" {
			t.Errorf("takeovers %v", got)
		}
		b.close()
		p.close()
	})
}
