package wiretest

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/internal/demo"
	"linewarden/internal/memstore"
	"linewarden/internal/mongostore"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
	"linewarden/internal/record/recordtest"
)

func signerOf(t testing.TB, name string) *record.Signer {
	t.Helper()
	keys, err := recordtest.NewKeys(name, t.Name(), 1)
	if err != nil {
		t.Fatal(err)
	}
	return keys.Signer
}

// whole verifies a log in its store, with everything beside it.
func whole(t testing.TB, name string, log record.Log) evidence.Result {
	t.Helper()
	r, err := evidence.VerifyLog(t.Context(), name, log, evidence.VerifyOptions{})
	if err != nil || r.Fault != nil {
		t.Fatalf("verify: %v, %v", r.Fault, err)
	}
	return r
}

func stateOf(t testing.TB, s *plant.Site) []byte {
	t.Helper()
	b, err := s.View().Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Three days of the invented plant, with their deviations, fixes, closings, misses and amendments: what stands
// in the database verifies, and folds to the state that the same records give in another store.
func TestDemoHistory(t *testing.T) {
	uri := database(t)
	store := open(t, mongostore.Options{URI: uri})
	log := site(t, store, demo.Site)
	o := plant.Options{Log: log, Snapshots: log, Checkpoints: log, Signer: signerOf(t, demo.Site), Zones: time.LoadLocation}
	h, err := demo.Write(t.Context(), demo.Options{Plant: o, Now: time.Date(2026, 3, 5, 18, 0, 0, 0, time.UTC), Days: demo.MinDays})
	if err != nil {
		t.Fatal(err)
	}
	if r := whole(t, demo.Site, log); r.Size != h.Records || r.Size < 200 {
		t.Errorf("%d records, %d written", r.Size, h.Records)
	}
	mem := memstore.New().Site(demo.Site)
	for n := int64(1); ; n++ {
		c, err := log.ReadCommit(t.Context(), n)
		if errors.Is(err, record.ErrNotFound) {
			break
		}
		if err != nil {
			t.Fatal(err)
		}
		var lookups []record.Lookup
		for _, rec := range c.Records {
			e, err := record.DecodeString(rec)
			if err != nil {
				t.Fatal(err)
			}
			lookups = append(lookups, record.LookupOf(&e))
		}
		if err := mem.Append(t.Context(), n-1, c, lookups); err != nil {
			t.Fatal(err)
		}
	}
	var states [][]byte
	for _, o := range []plant.Options{
		{Log: mem, Zones: time.LoadLocation},                 // replayed elsewhere
		{Log: log, Zones: time.LoadLocation},                 // replayed from the database
		{Log: log, Snapshots: log, Zones: time.LoadLocation}, // from the snapshot in the database
	} {
		s, err := plant.Open(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		states = append(states, stateOf(t, s))
		if err := s.Close(t.Context()); err != nil {
			t.Error(err)
		}
	}
	if !bytes.Equal(states[0], states[1]) || !bytes.Equal(states[0], states[2]) {
		t.Error("the states differ")
	}
}

// founded opens a site that has been founded as a demo, over connections that fail on command.
func founded(t *testing.T, uri string, f *Faults) (*plant.Site, *mongostore.Log) {
	t.Helper()
	log := site(t, open(t, mongostore.Options{URI: uri, Dialer: f}), "north")
	o := plant.Options{Log: log, Snapshots: log, Checkpoints: log, Signer: signerOf(t, "north"), Zones: time.LoadLocation}
	if err := plant.Found(t.Context(), o, plant.Founding{Site: "north", Name: "Invented plant", Demo: true}); err != nil {
		t.Fatal(err)
	}
	s, err := plant.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	return s, log
}

var console = haccp.Actor{ID: haccp.KnownConsole, Name: haccp.KnownConsole, Role: haccp.RoleConsole, Known: haccp.KnownConsole}

func addPerson(n int) *haccp.Command {
	return &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskPerson, At: time.Now().UTC(), AtKnown: haccp.AtServer, By: console,
		Ask: &haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: fmt.Sprint("p", n), Name: fmt.Sprint("Invented ", n), SignIn: fmt.Sprint("p", n)}}}
}

// Clients send until they are answered, while inserts are cut, doubled and refused at random: every command
// stands in the log once, the numbers have no gap, and the log verifies.
func TestWriterInTrouble(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 1))
	f := NewFaults()
	s, log := founded(t, database(t), f)
	const clients, each = 3, 20
	var wg sync.WaitGroup
	for c := range clients {
		wg.Go(func() {
			for i := range each {
				cmd := addPerson(c*each + i)
				for try := 0; ; try++ {
					_, err := s.Do(t.Context(), plant.Request{Command: cmd})
					if err == nil {
						break
					}
					if _, again := plant.RetryAfter(err); !again || try > 100 {
						t.Errorf("client %d, command %d: %v", c, i, err)
						return
					}
					time.Sleep(20 * time.Millisecond)
				}
			}
		})
	}
	done := make(chan struct{})
	go func() { wg.Wait(); close(done) }()
	actions := []Fault{{Action: CutBefore}, {Action: CutAfter}, {Action: Twice}, {Action: Replace, Answer: stepDown(10107)},
		{Action: ReplaceOut, Answer: stepDown(189)}, {Action: ReplaceOut, Answer: unconfirmed(64)}, {Action: Replace, Answer: unconfirmed(11602)}}
	happened := 0
	for running := true; running; {
		if left := f.Left(); left < 2 && happened < 16 {
			happened += 2 - left
			fault, behind := actions[chance.IntN(len(actions))], actions[chance.IntN(len(actions))]
			fault.Command, fault.Collection = "insert", "commits"
			behind.Command, behind.Collection = "insert", "lookups"
			f.Plan(fault, behind)
		}
		select {
		case <-done:
			running = false
		case <-time.After(time.Millisecond):
		}
	}
	f.Plan()
	if happened < 8 {
		t.Errorf("only %d faults", happened)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Error(err)
	}
	people := 0
	seen := map[string]bool{}
	err := log.Scan(t.Context(), 1, 1<<40, func(seq int64, rec string) error {
		e, err := record.DecodeString(rec)
		if err != nil || e.Seq != seq {
			return fmt.Errorf("record %d: %w", seq, err)
		}
		if e.Kind == haccp.KindPersonAdded {
			people++
			if seen[e.Command.String()] {
				return fmt.Errorf("command %s is there twice", e.Command)
			}
			seen[e.Command.String()] = true
		}
		return nil
	})
	if err != nil || people != clients*each {
		t.Errorf("%d people, want %d: %v", people, clients*each, err)
	}
	whole(t, "north", log)
}

// While the server is gone readings are refused with a hint when to send them again; afterwards they are taken,
// and everything acknowledged before is there.
func TestPlantWhileTheServerIsGone(t *testing.T) {
	f := NewFaults()
	s, log := founded(t, database(t)+"?serverSelectionTimeoutMS=1000", f)
	for n := range 5 {
		if _, err := s.Do(t.Context(), plant.Request{Command: addPerson(n)}); err != nil {
			t.Fatal(err)
		}
	}
	f.Down(true)
	// The first call meets connections of before; then the driver knows that the server is gone.
	if _, err := log.Head(t.Context()); err == nil {
		t.Fatal("the server is not gone")
	}
	late := addPerson(99)
	refused := 0
	for began := time.Now(); time.Since(began) < 2*time.Second || refused < 2; {
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		_, err := s.Do(ctx, plant.Request{Command: late})
		cancel()
		if after, again := plant.RetryAfter(err); !again || after <= 0 || !errors.Is(err, plant.ErrBusy) {
			t.Fatalf("while the server is gone: %v", err)
		}
		refused++
	}
	f.Down(false)
	var err error
	for range 50 {
		if _, err = s.Do(t.Context(), plant.Request{Command: late}); err == nil {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	if err != nil {
		t.Fatalf("after it came back: %v", err)
	}
	if err := s.Close(t.Context()); err != nil {
		t.Error(err)
	}
	if r := whole(t, "north", log); r.Size != 7 {
		t.Errorf("%d records, want 7", r.Size)
	}
}

// The connection breaks in the middle of an append, and the server is gone when the commit is to be read back: the
// site says that it has stopped. Once the server can be read again it goes on, and the command, sent again, is
// recorded once, whether the commit was written or not.
func TestPlantInDoubtWhileTheServerIsGone(t *testing.T) {
	for name, action := range map[string]Action{"written": CutAfter, "not written": CutBefore} {
		t.Run(name, func(t *testing.T) {
			f := NewFaults()
			s, log := founded(t, database(t)+"?serverSelectionTimeoutMS=500", f)
			if _, err := s.Do(t.Context(), plant.Request{Command: addPerson(1)}); err != nil {
				t.Fatal(err)
			}
			f.Plan(Fault{Command: "insert", Collection: "commits", Action: action, ThenDown: true})
			doubtful := addPerson(2)
			if _, err := s.Do(t.Context(), plant.Request{Command: doubtful}); !errors.Is(err, plant.ErrStopped) {
				t.Fatalf("a commit in doubt that cannot be read back: %v", err)
			}
			if err := s.Ready(); !errors.Is(err, plant.ErrStopped) {
				t.Errorf("ready: %v", err)
			}
			f.Down(false)
			for began := time.Now(); s.Ready() != nil && time.Since(began) < 20*time.Second; time.Sleep(50 * time.Millisecond) {
				if err := s.CatchUp(t.Context(), s.Head().Commit+1); err != nil && s.Ready() == nil && !errors.Is(err, plant.ErrBehind) {
					t.Error(err)
				}
			}
			res, err := s.Do(t.Context(), plant.Request{Command: doubtful})
			if err != nil || res.Repeated != (action == CutAfter) {
				t.Errorf("the command again: repeated %t, %v", res.Repeated, err)
			}
			if err := s.Close(t.Context()); err != nil {
				t.Error(err)
			}
			if r := whole(t, "north", log); r.Size != 3 {
				t.Errorf("%d records, want 3", r.Size)
			}
		})
	}
}
