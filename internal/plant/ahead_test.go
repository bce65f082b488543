package plant

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
)

// slowLog takes its time for a commit, and says while it does: until something was decided meanwhile, or 5 ms.
type slowLog struct {
	record.Log
	writing atomic.Bool
	ahead   atomic.Int64 // decisions made while a commit was written
}

func (l *slowLog) Append(ctx context.Context, expected int64, c record.Commit, lookups []record.Lookup) error {
	l.writing.Store(true)
	defer l.writing.Store(false)
	had := l.ahead.Load()
	for end := time.Now().Add(5 * time.Millisecond); l.ahead.Load() == had && time.Now().Before(end); {
		time.Sleep(time.Millisecond)
	}
	return l.Log.Append(ctx, expected, c, lookups)
}

// watchedRules counts the decisions that are made while a commit is written.
type watchedRules struct {
	rules
	log *slowLog
}

func (r *watchedRules) Decide(s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error) {
	r.count()
	return r.rules.Decide(s, c, f, now)
}

func (r *watchedRules) DecideOn(s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error) {
	r.count()
	return r.rules.DecideOn(s, c, f, now)
}

func (r *watchedRules) count() {
	if r.log.writing.Load() {
		r.log.ahead.Add(1)
	}
}

// TestAheadDecidesAsOneByOne sends the same commands one by one, and a few at a time while others are being written.
func TestAheadDecidesAsOneByOne(t *testing.T) {
	total := int64(0)
	for seed := uint64(0); seed < 6 || seed < 100 && total < 50; seed++ {
		one, many := newReal(t), newReal(t)
		refused := [2][]string{}
		for _, q := range one.shift(seed, 150) {
			if _, err := one.Do(t.Context(), q); err != nil {
				refused[0] = append(refused[0], err.Error())
			}
		}
		if err := many.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
		log := &slowLog{Log: many.store}
		watch := &watchedRules{rules: haccpRules{}, log: log}
		many.opt.Log, many.opt.rules, many.opt.Shared = log, watch, true
		many.open(t)
		var jobs []*job
		rng := rand.New(rand.NewPCG(seed, 2))
		for _, q := range many.shift(seed, 150) {
			j, err := many.newJob(t.Context(), q)
			if err != nil {
				t.Fatal(err)
			}
			jobs = append(jobs, j)
			many.inbox <- j
			if rng.IntN(8) == 0 { // what comes next comes while the last ones are written
				for range rng.IntN(30) {
					time.Sleep(50 * time.Microsecond)
					if log.writing.Load() {
						break
					}
				}
			}
		}
		for _, j := range jobs {
			if a := <-j.done; a.err != nil {
				refused[1] = append(refused[1], a.err.Error())
			}
		}
		sameLog(t, seed, one, many, refused)
		total += log.ahead.Load()
	}
	if total < 50 {
		t.Fatalf("only %d decisions were made while a commit was written", total)
	}
}

// TestAheadWithFaults has clients record at once on a store that takes its time, fails in every way and is written to by
// another instance; each sends every command twice, and again while the service is busy. Every command is there once, the
// answers are those of the log, and what is shown is what a replay gives.
func TestAheadWithFaults(t *testing.T) {
	b := found(t, func(o *Options) { o.Shared = true })
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	log := &slowLog{Log: b.log}
	watch := &watchedRules{rules: b.rules, log: log}
	b.opt.Log, b.opt.rules = log, watch
	b.open(t)
	b.log.Rival = b.rival(t)
	const clients, each, most = 16, 60, 600
	var sent [clients]int
	done := make(chan struct{})
	var disturbing sync.WaitGroup
	disturbing.Go(func() {
		rng := rand.New(rand.NewPCG(3, 4))
		for {
			select {
			case <-done:
				return
			case <-time.After(8 * time.Millisecond):
				b.log.Plan(recordtest.Fault(rng.IntN(int(recordtest.Hangs))))
			}
		}
	})
	var wg sync.WaitGroup
	for c := range clients {
		wg.Go(func() {
			for ; sent[c] < each || sent[c] < most && log.ahead.Load() < 20; sent[c]++ {
				n := c*most + sent[c]
				time.Sleep(time.Duration(n%7) * 300 * time.Microsecond) // not all wait for the same commit
				var both sync.WaitGroup
				for range 2 {
					both.Go(func() {
						var res Result
						err := ErrBusy
						for errors.Is(err, ErrBusy) {
							res, err = b.Do(t.Context(), note(n, fmt.Sprint(n)))
						}
						if err != nil || texts(res.Events)[0] != fmt.Sprint(n) || b.View().Size < res.Head.Size {
							t.Errorf("command %d: %v, %v", n, texts(res.Events), err)
						}
					})
				}
				both.Wait()
			}
		})
	}
	wg.Wait()
	close(done)
	disturbing.Wait()
	got := b.verified(t)
	seen := map[string]int{}
	for _, x := range got {
		seen[x]++
	}
	for c := range sent {
		for i := range sent[c] {
			if n := c*most + i; seen[fmt.Sprint(n)] != 1 {
				t.Errorf("command %d is there %d times", n, seen[fmt.Sprint(n)])
			}
		}
	}
	if seen["rival"] == 0 || log.ahead.Load() < 20 {
		t.Errorf("%d commits of another instance, %d decisions while a commit was written", seen["rival"], log.ahead.Load())
	}
	if n := b.View().Counts.Readings; n != int64(len(got)) || b.Ready() != nil {
		t.Errorf("the view counts %d, the log %d; %v", n, len(got), b.Ready())
	}
}

// heldLog writes nothing while it is held.
type heldLog struct {
	record.Log
	held sync.RWMutex
}

func (l *heldLog) Append(ctx context.Context, expected int64, c record.Commit, lookups []record.Lookup) error {
	l.held.RLock()
	defer l.held.RUnlock()
	return l.Log.Append(ctx, expected, c, lookups)
}

// TestAheadOfWhatFails holds a commit until a command was decided on it, and has it conflict with another instance's: what
// was decided ahead is decided again, on what is there instead.
func TestAheadOfWhatFails(t *testing.T) {
	b := found(t, func(o *Options) { o.Shared = true })
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	held := &heldLog{Log: b.log}
	b.opt.Log = held
	b.open(t)
	b.log.Rival = b.rival(t)
	b.atOnce(t, note(1, "one"), note(2, "two")) // nobody else comes: from here on a commit says that more follows
	held.held.Lock()
	b.log.Plan(recordtest.Conflicts)
	decided := func(n int) {
		for end := time.Now().Add(20 * time.Second); b.rules.decided() < n; time.Sleep(time.Millisecond) {
			if time.Now().After(end) {
				t.Errorf("%d decisions, want %d while a commit is written", b.rules.decided(), n)
				return
			}
		}
	}
	var wg sync.WaitGroup
	before := b.rules.decided()
	wg.Go(func() { b.atOnce(t, note(3, "three"), note(4, "four")) })
	decided(before + 3) // with one that records nothing, behind which the two gather
	var err error
	wg.Go(func() { _, err = b.Do(t.Context(), fakeRequest(5, "limit", &fakeAsk{Text: "five", Limit: 5})) })
	decided(before + 4)
	held.held.Unlock()
	wg.Wait()
	if !errors.Is(err, haccp.ErrConflict) {
		t.Errorf("with another instance's there are 5 before it, and it was answered %v", err)
	}
	wantTexts(t, b.verified(t), "one", "two", "rival", "three", "four")
	if n := b.rules.decided() - before; n != 7 {
		t.Errorf("%d decisions, want 7: one for the command that records nothing and two for each of the three", n)
	}
}
