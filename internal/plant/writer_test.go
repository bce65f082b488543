package plant

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"linewarden/haccp"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
	"linewarden/internal/record/recordtest"
)

// verified checks the whole log and gives its records' texts.
func (b *bench) verified(t testing.TB) []string {
	t.Helper()
	res, err := evidence.VerifyLog(context.Background(), "plant", b.store, evidence.VerifyOptions{})
	if err != nil || res.Fault != nil {
		t.Fatalf("verify: %v %v", err, res.Fault)
	}
	var events []*haccp.Event
	err = b.store.Scan(context.Background(), 2, 1<<40, func(seq int64, rec string) error {
		_, e, err := readEvent(record.Stored{Seq: seq, Bytes: rec})
		events = append(events, e)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return texts(events)
}

func wantTexts(t testing.TB, got []string, want ...string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Fatalf("the log holds %q, want %q", got, want)
	}
}

func TestDoRecordsAndAnswers(t *testing.T) {
	b := found(t)
	res := mustDo(t, b.Site, note(1, "one\ntwo"))
	if res.Repeated || res.Head.Size != 3 || res.Head.Commit != 2 || len(res.Events) != 2 {
		t.Fatalf("result %+v", res)
	}
	if v := b.View(); v.Size != 3 || v.Counts.Readings != 2 || b.Head() != res.Head {
		t.Fatalf("view has %d records, head %+v", v.Size, b.Head())
	}
	wantTexts(t, b.verified(t), "one", "two")
}

func TestRepeatedCommand(t *testing.T) {
	b := found(t)
	first := mustDo(t, b.Site, note(1, "one\ntwo"))
	mustDo(t, b.Site, note(2, "three"))
	check := func(t *testing.T) {
		t.Helper()
		again := mustDo(t, b.Site, note(1, "one\ntwo"))
		if !again.Repeated || !slices.Equal(texts(again.Events), texts(first.Events)) || again.Events[1].ID != first.Events[1].ID ||
			again.Events[0].Seq != first.Events[0].Seq || again.Head.Size < first.Head.Size {
			t.Fatalf("second answer %+v", again)
		}
		other := note(1, "else")
		_, err := b.Do(t.Context(), other)
		refusal, is := errors.AsType[*haccp.Refusal](err)
		if !is || !errors.Is(err, haccp.ErrConflict) || refusal.Data != nil || refusal.Items != nil {
			t.Fatalf("other content: %v", err)
		}
		person := note(1, "one\ntwo")
		person.Command.By.ID = "p-2"
		if _, err := b.Do(t.Context(), person); !errors.Is(err, haccp.ErrConflict) {
			t.Fatalf("other person: %v", err)
		}
	}
	check(t)
	t.Run("not remembered, found by the store", func(t *testing.T) {
		b.restart(t)
		check(t)
	})
	wantTexts(t, b.verified(t), "one", "two", "three")
}

// restart closes the site and opens it again, with an empty memory of commands.
func (b *bench) restart(t testing.TB) {
	t.Helper()
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	b.open(t)
}

// TestRepeatedOutOfState repeats a command that would be refused as things stand now.
func TestRepeatedOutOfState(t *testing.T) {
	b := found(t)
	limit := fakeRequest(1, "limit", &fakeAsk{Text: "only", Limit: 1})
	mustDo(t, b.Site, limit)
	b.restart(t)
	if again := mustDo(t, b.Site, limit); !again.Repeated || len(again.Events) != 1 {
		t.Fatalf("answer %+v", again)
	}
	if _, err := b.Do(t.Context(), fakeRequest(2, "limit", &fakeAsk{Text: "more", Limit: 1})); !errors.Is(err, haccp.ErrConflict) {
		t.Fatalf("a new one over the limit: %v", err)
	}
	if res := mustDo(t, b.Site, fakeRequest(2, "limit", &fakeAsk{Text: "more", Limit: 2})); res.Repeated {
		t.Fatal("a refused command left its id behind")
	}
	wantTexts(t, b.verified(t), "only", "more")
}

// atOnce has requests wait together, so that they come into one batch, and gives their answers.
func (b *bench) atOnce(t testing.TB, requests ...Request) ([]Result, []error) {
	t.Helper()
	gate := make(chan struct{})
	b.rules.hold(gate)
	results, errs := make([]Result, len(requests)+1), make([]error, len(requests)+1)
	var wg sync.WaitGroup
	start := func(i int, r Request) {
		wg.Go(func() { results[i], errs[i] = b.Do(t.Context(), r) })
	}
	before := b.rules.decided()
	start(len(requests), fakeRequest(1_000_000+before, "nothing", &fakeAsk{}))
	for b.rules.decided() == before {
		time.Sleep(time.Millisecond)
	}
	for i, r := range requests {
		start(i, r)
		for len(b.inbox) < i+1 {
			time.Sleep(50 * time.Microsecond)
		}
	}
	b.rules.hold(nil)
	close(gate)
	wg.Wait()
	return results[:len(requests)], errs[:len(requests)]
}

func TestBatchIsOneCommit(t *testing.T) {
	b := found(t)
	appends := b.log.Appends()
	results, errs := b.atOnce(t, note(1, "one"), note(2, "two"), note(1, "one"), note(2, "else"),
		fakeRequest(3, "limit", &fakeAsk{Text: "third", Limit: 3}), fakeRequest(4, "limit", &fakeAsk{Text: "fourth", Limit: 3}),
		fakeRequest(5, "odd", &fakeAsk{}))
	if n := b.log.Appends() - appends; n != 1 {
		t.Fatalf("%d commits for one batch", n)
	}
	for i, want := range []error{nil, nil, nil, haccp.ErrConflict, nil, haccp.ErrConflict, haccp.ErrInvalid} {
		if !errors.Is(errs[i], want) {
			t.Errorf("command %d: %v, want %v", i, errs[i], want)
		}
	}
	if !results[2].Repeated || results[2].Events[0] != results[0].Events[0] || results[1].Head.Size != 4 {
		t.Errorf("results %+v", results)
	}
	wantTexts(t, b.verified(t), "one", "two", "third")
}

// TestFactsOfABatch compares the facts a command gets from commands before it in the same batch with
// those it gets when they are stored.
func TestFactsOfABatch(t *testing.T) {
	requests := func() []Request {
		about := func(n int, text string, keys ...string) Request {
			return fakeRequest(n, "note", &fakeAsk{Text: text, About: keys})
		}
		in := haccp.Range{About: "place:a", From: time.Date(2026, 3, 2, 8, 0, 1, 0, time.UTC), To: time.Date(2026, 3, 2, 8, 0, 9, 0, time.UTC)}
		asks := func(n int, need haccp.Need) Request {
			return fakeRequest(n, "ask", &fakeAsk{Need: need, About: []string{"place:a"}})
		}
		return []Request{
			about(0, "before the range", "place:a"), about(2, "in", "place:a", "place:b"), about(3, "other place", "place:b"),
			asks(4, haccp.Need{Ranges: []haccp.Range{in}}), about(1, "earlier in time, later recorded", "place:a"),
			asks(5, haccp.Need{Ranges: []haccp.Range{in}}),
			asks(6, haccp.Need{IDs: []string{haccp.RecordID(commandID(2), 0)}}), asks(7, haccp.Need{IDs: []string{haccp.RecordID(commandID(99), 0)}}),
			asks(8, haccp.Need{IDs: []string{"no id"}}),
			asks(9, haccp.Need{Leaves: []int64{3}}), asks(10, haccp.Need{Leaves: []int64{1}}), asks(11, haccp.Need{Leaves: []int64{99}}),
			asks(12, haccp.Need{Roots: []int64{3}}), asks(13, haccp.Need{Roots: []int64{1}}), asks(14, haccp.Need{Roots: []int64{99}}),
			asks(15, haccp.Need{Ranges: []haccp.Range{{About: "place:a"}}}),
		}
	}
	one := found(t)
	for _, r := range requests() {
		mustDo(t, one.Site, r)
	}
	batch := found(t)
	if _, errs := batch.atOnce(t, requests()...); errors.Join(errs...) != nil {
		t.Fatal(errors.Join(errs...))
	}
	if batch.Head().Commit != 2 {
		t.Fatalf("the batch became %d commits", batch.Head().Commit-1)
	}
	want := one.verified(t)
	if slices.Contains(want, "") || want[3] != "place:a: 3" || want[5] != "place:a: 3 5 6" {
		t.Fatalf("facts one by one: %q", want)
	}
	got := batch.verified(t)
	for i := range want {
		// The founding records and so all hashes over them differ by their random command ids.
		if i == 9 || i == 10 || i == 12 || i == 13 {
			if len(got[i]) != len(want[i]) {
				t.Errorf("fact %d: %q, want the like of %q", i, got[i], want[i])
			}
			continue
		}
		if got[i] != want[i] && (i < 9) {
			t.Errorf("fact %d: %q, want %q", i, got[i], want[i])
		}
	}
	wantTexts(t, got[15:], want[15])
	checkHashes(t, batch, got)
}

// checkHashes compares the leaf and root that commands of a batch were told with those of the log.
func checkHashes(t *testing.T, b *bench, got []string) {
	t.Helper()
	leaf, err := b.Inclusion(t.Context(), 3, 3)
	if err != nil {
		t.Fatal(err)
	}
	wantTexts(t, []string{got[9], got[12], got[11], got[14]},
		" leaf 3 "+leaf.Leaf, " root 3 "+leaf.Root, " leaf 99 ", " root 99 ")
}

func TestLargeBatchIsSplit(t *testing.T) {
	b := found(t)
	var requests []Request
	var want []string
	for n := range 12 {
		text := ""
		for i := range 100 {
			line := fmt.Sprintf("%d.%d", n, i)
			want = append(want, line)
			if i > 0 {
				text += "\n"
			}
			text += line
		}
		requests = append(requests, note(n, text))
	}
	_, errs := b.atOnce(t, requests...)
	if err := errors.Join(errs...); err != nil {
		t.Fatal(err)
	}
	if commits := b.Head().Commit - 1; commits != 3 {
		t.Errorf("1,200 records in %d commits, want 3", commits)
	}
	wantTexts(t, b.verified(t), want...)
}

func TestStoreFaults(t *testing.T) {
	for _, c := range []struct {
		name    string
		faults  []recordtest.Fault
		want    error
		records []string
	}{
		{"written, reported as uncertain", []recordtest.Fault{recordtest.WrittenUncertain}, nil, []string{"one"}},
		{"not written, reported as uncertain", []recordtest.Fault{recordtest.NotWrittenUncertain, recordtest.NotWrittenUncertain}, nil, []string{"one"}},
		{"not written", []recordtest.Fault{recordtest.NotWritten}, ErrBusy, nil},
		{"in doubt for ever", slices.Repeat([]recordtest.Fault{recordtest.NotWrittenUncertain}, appendTries), ErrBusy, nil},
		{"conflict", []recordtest.Fault{recordtest.Conflicts}, nil, []string{"rival", "one"}},
		{"uncertain, another's", []recordtest.Fault{recordtest.RivalUncertain}, nil, []string{"rival", "one"}},
		{"conflict twice", []recordtest.Fault{recordtest.Conflicts, recordtest.Conflicts}, nil, []string{"rival", "rival", "one"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := found(t)
			b.log.Rival = b.rival(t)
			b.log.Plan(c.faults...)
			_, err := b.Do(t.Context(), note(1, "one"))
			if !errors.Is(err, c.want) {
				t.Fatalf("answer %v, want %v", err, c.want)
			}
			wantTexts(t, b.verified(t), c.records...)
			if err := b.Ready(); err != nil {
				t.Fatal(err)
			}
			res := mustDo(t, b.Site, note(1, "one"))
			if res.Repeated != (c.want == nil) {
				t.Fatalf("sent again: repeated is %v", res.Repeated)
			}
			if got, want := b.View().Counts.Readings, int64(len(b.verified(t))); got != want {
				t.Fatalf("the view counts %d, the log %d", got, want)
			}
		})
	}
}

// rival writes a commit of its own, as another instance would.
func (b *bench) rival(t *testing.T) func(ctx context.Context, log record.Log) error {
	n := 5000
	return func(ctx context.Context, log record.Log) error {
		n++
		o := b.opt
		o.Log, o.Snapshots, o.Registerer, o.rules = log, nil, nil, &fakeRules{}
		other, err := Open(ctx, o)
		if err != nil {
			return err
		}
		defer other.Close(ctx)
		_, err = other.Do(ctx, note(n, "rival"))
		return err
	}
}

// TestConflictDecidesAgain has a refusal and an acceptance turn over because another instance was first.
func TestConflictDecidesAgain(t *testing.T) {
	b := found(t)
	b.log.Rival = b.rival(t)
	b.log.Plan(recordtest.Conflicts)
	_, errs := b.atOnce(t, note(1, "one"), fakeRequest(2, "limit", &fakeAsk{Text: "two", Limit: 2}))
	if errs[0] != nil || !errors.Is(errs[1], haccp.ErrConflict) {
		t.Fatalf("answers %v", errs)
	}
	wantTexts(t, b.verified(t), "rival", "one")
}

func TestUnreadableStopsWriting(t *testing.T) {
	b := found(t)
	mustDo(t, b.Site, note(1, "one"))
	b.log.Plan(recordtest.WrittenUncertain)
	b.log.Unreadable(true)
	if _, err := b.Do(t.Context(), note(2, "two")); !errors.Is(err, ErrStopped) {
		t.Fatalf("answer %v", err)
	}
	if err := b.Ready(); !errors.Is(err, ErrStopped) {
		t.Fatalf("ready: %v", err)
	}
	b.log.Unreadable(false)
	if _, err := b.Do(t.Context(), note(3, "three")); !errors.Is(err, ErrStopped) {
		t.Fatalf("afterwards: %v", err)
	}
	if _, e, err := b.Record(t.Context(), 2); err != nil || e.Body.(*haccp.Note).Text != "one" {
		t.Fatalf("reads must go on: %v", err)
	}
	b.restart(t)
	if res := mustDo(t, b.Site, note(2, "two")); !res.Repeated {
		t.Fatal("after a restart the command in doubt is in the log")
	}
	wantTexts(t, b.verified(t), "one", "two")
}

func TestUnreadableFacts(t *testing.T) {
	b := found(t)
	b.log.Unreadable(true)
	ask := fakeRequest(1, "ask", &fakeAsk{Need: haccp.Need{Ranges: []haccp.Range{{About: "place:a"}}}})
	_, err := b.Do(t.Context(), ask)
	if after, ok := RetryAfter(err); !errors.Is(err, ErrBusy) || !ok || after <= 0 {
		t.Fatalf("answer %v", err)
	}
	b.log.Unreadable(false)
	mustDo(t, b.Site, ask)
}

func TestOverload(t *testing.T) {
	b := found(t)
	gate := make(chan struct{})
	b.rules.hold(gate)
	var wg sync.WaitGroup
	var mu sync.Mutex
	refused, kept := 0, 0
	for n := range inboxSize + record.MaxCommitRecords + 200 {
		wg.Go(func() {
			_, err := b.Do(t.Context(), note(n, "x"))
			mu.Lock()
			defer mu.Unlock()
			switch after, ok := RetryAfter(err); {
			case err == nil:
				kept++
			case errors.Is(err, ErrBusy) && ok && after > 0:
				if refused++; refused == 100 {
					b.rules.hold(nil)
					close(gate)
				}
			default:
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if got := len(b.verified(t)); got != kept || refused < 100 {
		t.Fatalf("%d records, %d answered with yes, %d refused", got, kept, refused)
	}
}

// TestOldCommands lets commands wait longer than 5 s behind a slow store.
func TestOldCommands(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := found(t)
		b.log.Slow(6 * time.Second)
		var wg sync.WaitGroup
		wg.Go(func() { mustDo(t, b.Site, note(1, "one")) })
		synctest.Wait()
		wg.Go(func() {
			if _, err := b.Do(t.Context(), note(2, "two")); !errors.Is(err, ErrBusy) {
				t.Errorf("answer %v", err)
			}
		})
		wg.Wait()
		b.log.Slow(0)
		if res := mustDo(t, b.Site, note(2, "two")); res.Repeated {
			t.Error("a refused command was recorded")
		}
		wantTexts(t, b.verified(t), "one", "two")
		if err := b.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
	})
}

// TestHangingStore has the store never answer: the writer gives up and stays able to write.
func TestHangingStore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := found(t)
		b.log.Plan(recordtest.Hangs)
		if _, err := b.Do(t.Context(), note(1, "one")); !errors.Is(err, ErrBusy) {
			t.Errorf("answer %v", err)
		}
		mustDo(t, b.Site, note(1, "one"))
		if err := b.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
	})
}

func TestCancelledCaller(t *testing.T) {
	b := found(t)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := b.Do(ctx, note(1, "one")); !errors.Is(err, context.Canceled) {
		t.Fatalf("answer %v", err)
	}
	mustDo(t, b.Site, note(2, "two"))
	if got := b.verified(t); !slices.Contains(got, "two") {
		t.Fatalf("the log holds %q", got)
	}
}

func TestBadRequests(t *testing.T) {
	b := found(t)
	badID := note(1, "x")
	badID.Command.ID = "7"
	badJSON := note(1, "x")
	badJSON.Sent = []byte(`{"a":1e309}`)
	notText := note(1, "bad \xff text")
	fine := note(1, "x")
	fine.Command.At = fine.Command.At.Add(1500 * time.Nanosecond)
	for name, r := range map[string]Request{"no command": {}, "id": badID, "json": badJSON, "not UTF-8": notText} {
		_, err := b.Do(t.Context(), r)
		if refusal, is := errors.AsType[*haccp.Refusal](err); !is || !errors.Is(refusal.Kind, haccp.ErrInvalid) || refusal.Message == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
	if at := mustDo(t, b.Site, fine).Events[0].At; at.Nanosecond() != 0 {
		t.Errorf("at is %v, not in whole milliseconds", at)
	}
	wantTexts(t, b.verified(t), "x")
}

// TestCloseLosesNothing closes a site under load: what was answered with yes is in the log, once.
func TestCloseLosesNothing(t *testing.T) {
	b := found(t)
	var wg sync.WaitGroup
	var mu sync.Mutex
	kept := map[string]bool{}
	for c := range 32 {
		wg.Go(func() {
			for n := range 200 {
				text := fmt.Sprintf("%d/%d", c, n)
				_, err := b.Do(t.Context(), note(c*1000+n, text))
				if errors.Is(err, ErrClosed) {
					return
				}
				if err != nil {
					t.Error(err)
				}
				mu.Lock()
				kept[text] = true
				mu.Unlock()
			}
		})
	}
	time.Sleep(5 * time.Millisecond)
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	head := b.Head()
	wg.Wait()
	got := b.verified(t)
	if len(got) != len(kept) || head.Size != int64(len(got)+1) {
		t.Fatalf("%d records, %d answered, head %d", len(got), len(kept), head.Size)
	}
	for _, text := range got {
		if !kept[text] {
			t.Fatalf("%q was recorded and not answered", text)
		}
	}
	note, err := b.store.LastCheckpoint(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if c, err := record.ParseCheckpoint(note); err != nil || c.Size != head.Size || c.Root != head.Root {
		t.Fatalf("checkpoint at close: %+v %v", c, err)
	}
	if seq, _, _, err := b.store.LoadSnapshot(t.Context(), snapshotName); err != nil || seq != head.Size {
		t.Fatalf("snapshot at close is of record %d: %v", seq, err)
	}
	if err := b.Close(t.Context()); err != nil {
		t.Fatalf("closed twice: %v", err)
	}
}

// TestConcurrentClients mixes writers, repeats and readers.
func TestConcurrentClients(t *testing.T) {
	b := found(t, func(o *Options) { o.SnapshotEvery = 100 })
	var wg sync.WaitGroup
	for c := range 16 {
		wg.Go(func() {
			for n := range 50 {
				id := c/2*1000 + n // two clients send each command
				res, err := b.Do(t.Context(), note(id, fmt.Sprint(id)))
				if err != nil {
					t.Error(err)
					return
				}
				v := b.View()
				if v.Size < res.Head.Size || texts(res.Events)[0] != fmt.Sprint(id) {
					t.Errorf("view of %d records after head %d", v.Size, res.Head.Size)
				}
				if _, err := v.Snapshot(); err != nil {
					t.Error(err)
				}
			}
		})
	}
	wg.Wait()
	if got := b.verified(t); len(got) != 400 {
		t.Fatalf("%d records of 400 commands", len(got))
	}
}
