package plant

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"linewarden/haccp"
	"linewarden/internal/memstore"
	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
)

func stateBytes(t testing.TB, s *haccp.State) string {
	t.Helper()
	b, err := s.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// TestReplayEqualsLive opens a site again at many lengths of its log, with and without snapshot.
func TestReplayEqualsLive(t *testing.T) {
	for _, n := range []int{0, 1, 255, 256, 300, 1200} {
		b := found(t)
		var requests []Request
		for i := range n {
			requests = append(requests, note(i, fmt.Sprintf("%d\nmore", i)))
		}
		for part := range slices.Chunk(requests, 100) {
			if _, errs := b.atOnce(t, part...); errors.Join(errs...) != nil {
				t.Fatal(errors.Join(errs...))
			}
		}
		live, head := stateBytes(t, b.View()), b.Head()
		var folded []int64
		b.opt.Progress = func(done, total int64) {
			if folded = append(folded, done); total != head.Size {
				t.Errorf("progress towards %d of %d", total, head.Size)
			}
		}
		b.restart(t)
		if got := stateBytes(t, b.View()); got != live || b.Head() != head {
			t.Fatalf("%d: from the snapshot\n%s, want\n%s", n, got, live)
		}
		b.opt.Snapshots = nil
		b.restart(t)
		if got := stateBytes(t, b.View()); got != live || b.Head() != head {
			t.Fatalf("%d: from the records\n%s, want\n%s", n, got, live)
		}
		if len(folded) == 0 || folded[len(folded)-1] != head.Size || !slices.IsSorted(folded[1:]) {
			t.Fatalf("%d: progress was %v", n, folded)
		}
	}
}

// TestSnapshotsAreChecked has snapshots that must not be used.
func TestSnapshotsAreChecked(t *testing.T) {
	b := found(t)
	mustDo(t, b.Site, note(1, "one"))
	mustDo(t, b.Site, note(2, "two"))
	live := stateBytes(t, b.View())
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	seq, root, data, err := b.store.LoadSnapshot(t.Context(), snapshotName)
	if err != nil || seq != 3 {
		t.Fatalf("snapshot of record %d: %v", seq, err)
	}
	lie, err := haccp.Restore(data[slices.Index(data, '\n')+1:], utc)
	if err != nil {
		t.Fatal(err)
	}
	lie.Counts.Readings = 77
	wrong := sealSnapshot([]byte(stateBytes(t, lie)))
	for name, c := range map[string]struct {
		seq  int64
		root [32]byte
		data []byte
	}{
		"another root":    {3, [32]byte{1}, wrong},
		"another seq":     {2, root, wrong},
		"beyond the log":  {4, root, wrong},
		"damaged":         {3, root, append(slices.Clone(wrong[:len(wrong)-2]), ' ', '}')},
		"another version": {3, root, append([]byte("0"), wrong...)},
		"empty":           {3, root, nil},
		"no state":        {3, root, sealSnapshot([]byte("x"))},
	} {
		if err := b.store.SaveSnapshot(t.Context(), snapshotName, c.seq, c.root, c.data); err != nil {
			t.Fatal(err)
		}
		b.open(t)
		if got := stateBytes(t, b.View()); got != live {
			t.Errorf("%s: the state is %s, want %s", name, got, live)
		}
		if err := b.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.store.SaveSnapshot(t.Context(), snapshotName, 3, root, wrong); err != nil {
		t.Fatal(err)
	}
	b.open(t)
	if b.View().Counts.Readings != 77 {
		t.Error("a snapshot that fits is not used, so this test shows nothing")
	}
}

func TestSnapshotsInBackground(t *testing.T) {
	b := found(t, func(o *Options) { o.SnapshotEvery = 10 })
	for n := range 10 * rushed {
		mustDo(t, b.Site, note(n, "x"))
	}
	deadline := time.Now().Add(5 * time.Second)
	for {
		seq, _, _, err := b.store.LoadSnapshot(t.Context(), snapshotName)
		if err != nil || time.Now().After(deadline) {
			t.Fatalf("snapshot of record %d: %v", seq, err)
		}
		if seq >= 10 {
			return
		}
		time.Sleep(time.Millisecond)
	}
}

// rawCommit appends envelopes as another program would.
func (b *bench) rawCommit(t testing.TB, envelopes ...record.Envelope) {
	t.Helper()
	tree, head, err := record.OpenTree(t.Context(), b.store)
	if err != nil {
		t.Fatal(err)
	}
	builder := record.NewBuilder("plant", tree, head.Commit+1)
	if err := builder.AppendCommand(envelopes); err != nil {
		t.Fatal(err)
	}
	commit, lookups := builder.Build()
	if err := b.store.Append(t.Context(), head.Commit, commit, lookups); err != nil {
		t.Fatal(err)
	}
}

func raw(n int, kind string, v int, body string) record.Envelope {
	now := time.Now().UTC().Truncate(time.Millisecond)
	id, _ := record.ParseUUID(commandID(n))
	return record.Envelope{V: v, ID: record.RecordID(id, 0), Command: id, Kind: kind, At: now, AtKnown: "server",
		RecordedAt: now.Add(time.Second), About: []string{"place:x"}, Body: json.RawMessage(body)}
}

// TestUnknownRecords: the site serves reads, decides nothing and says why (DESIGN, evolution).
func TestUnknownRecords(t *testing.T) {
	for _, env := range []record.Envelope{raw(900, "of.tomorrow", 1, `{"x":1}`), raw(900, haccp.KindNote, 2, `{"x":1}`)} {
		check := func(t *testing.T, b *bench) {
			t.Helper()
			_, err := b.Do(t.Context(), note(2, "two"))
			for _, err := range []error{err, b.Ready()} {
				unknown, is := errors.AsType[*UnknownError](err)
				if !is || !errors.Is(err, ErrUnknown) || unknown.Seq != 3 || unknown.Kind != env.Kind || unknown.V != env.V {
					t.Fatalf("answer %v", err)
				}
			}
			events, _, err := b.Find(t.Context(), Query{About: "place:x"})
			if err != nil || len(events) != 1 || string(events[0].Body.(json.RawMessage)) != `{"x":1}` {
				t.Fatalf("found %+v, %v", events, err)
			}
			if _, e, err := b.Record(t.Context(), 2); err != nil || e.Body.(*haccp.Note).Text != "one" {
				t.Fatalf("record 2: %v", err)
			}
		}
		b := found(t)
		mustDo(t, b.Site, note(1, "one"))
		b.rawCommit(t, env)
		t.Run("met by the writer", func(t *testing.T) { check(t, b) })
		t.Run("met at start", func(t *testing.T) {
			b.restart(t)
			check(t, b)
			if b.Head().Size != 3 {
				t.Fatalf("head is %d", b.Head().Size)
			}
		})
	}
}

// TestAlteredRecord: a record that was changed in the store shows when it is folded.
func TestAlteredRecord(t *testing.T) {
	b := found(t)
	mustDo(t, b.Site, note(1, "one"))
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	b.opt.Snapshots, b.opt.Log = nil, alteredLog{b.store}
	if _, err := Open(t.Context(), b.opt); !errors.Is(err, record.ErrTampered) {
		t.Fatalf("open: %v", err)
	}
	b.Site, _ = Begin(t.Context(), b.opt)
	if err := b.Wait(t.Context()); !errors.Is(err, record.ErrTampered) {
		t.Fatalf("begin: %v", err)
	}
	if note, err := b.Checkpoint(t.Context()); err == nil {
		t.Fatalf("an altered log was signed: %s", note)
	}
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
}

type alteredLog struct{ *memstore.Log }

func (l alteredLog) Scan(ctx context.Context, from, to int64, fn func(int64, string) error) error {
	return l.Log.Scan(ctx, from, to, func(seq int64, rec string) error {
		if from == 1 && to > 1 && seq == 2 {
			rec = strings.Replace(rec, `"text":"one"`, `"text":"two"`, 1)
		}
		return fn(seq, rec)
	})
}

func TestOpenRefuses(t *testing.T) {
	empty := memstore.New().Site("plant")
	o := Options{Log: empty, Zones: utc, rules: &fakeRules{}}
	if _, err := Open(t.Context(), o); !errors.Is(err, record.ErrNotFound) {
		t.Errorf("an empty log: %v", err)
	}
	if _, err := Open(t.Context(), Options{}); err == nil {
		t.Error("options without a log were taken")
	}
	b := found(t)
	other, err := recordtest.NewKeys("plant", t.Name(), 1)
	if err != nil {
		t.Fatal(err)
	}
	o = b.opt
	o.Signer = other.Signer
	if _, err := Open(t.Context(), o); !errors.Is(err, ErrKey) {
		t.Errorf("another key: %v", err)
	}
	if err := Found(t.Context(), b.opt, Founding{Site: "plant", Name: "Again"}); !errors.Is(err, haccp.ErrConflict) {
		t.Errorf("founded twice: %v", err)
	}
	if err := Found(t.Context(), Options{Log: empty, Zones: utc, Signer: b.opt.Signer, rules: b.rules}, Founding{Site: "elsewhere", Name: "x"}); err == nil {
		t.Error("a site was founded with the key of another")
	}
}

// TestReplayingSite: reads work and commands are refused with a hint while the log is folded.
func TestReplayingSite(t *testing.T) {
	b := found(t)
	mustDo(t, b.Site, note(1, "one"))
	if err := b.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	b.opt.Snapshots = nil
	gate := make(chan struct{})
	b.opt.Progress = func(int64, int64) { <-gate }
	s, err := Begin(t.Context(), b.opt)
	if err != nil {
		t.Fatal(err)
	}
	_, err = s.Do(t.Context(), note(2, "two"))
	if _, hint := RetryAfter(err); !errors.Is(err, ErrReplaying) || !errors.Is(s.Ready(), ErrReplaying) || !hint {
		t.Fatalf("answer %v, ready %v", err, s.Ready())
	}
	if _, e, err := s.Record(t.Context(), 2); err != nil || e.Body.(*haccp.Note).Text != "one" || s.Head().Size != 2 {
		t.Fatalf("read while replaying: %v", err)
	}
	close(gate)
	if err := s.Wait(t.Context()); err != nil || s.Ready() != nil {
		t.Fatalf("after the replay: %v %v", err, s.Ready())
	}
	mustDo(t, s, note(2, "two"))
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
}

func TestFindPages(t *testing.T) {
	b := found(t)
	for n := range 10 {
		mustDo(t, b.Site, fakeRequest(n, "note", &fakeAsk{Text: fmt.Sprint(n), About: []string{"place:a"}}))
	}
	for _, descending := range []bool{false, true} {
		var got []string
		q := Query{About: "place:a", Kind: haccp.KindNote, Limit: 3, Descending: descending}
		for pages := 0; ; pages++ {
			events, next, err := b.Find(t.Context(), q)
			if err != nil || pages > 4 {
				t.Fatal(pages, err)
			}
			got = append(got, texts(events)...)
			if next == "" {
				break
			}
			q.After = next
		}
		if descending {
			slices.Reverse(got)
		}
		wantTexts(t, got, "0", "1", "2", "3", "4", "5", "6", "7", "8", "9")
	}
	for _, q := range []Query{{}, {About: "a", After: "%"}, {About: "a", After: "AAAA"}, {About: "a", Limit: -1}, {About: "a", Limit: record.MaxPage + 1}} {
		if _, _, err := b.Find(t.Context(), q); !errors.Is(err, haccp.ErrInvalid) {
			t.Errorf("query %+v: %v", q, err)
		}
	}
	for _, seq := range []int64{-1, 0, 12, 1 << 60} {
		if _, _, err := b.Record(t.Context(), seq); !errors.Is(err, haccp.ErrNotFound) {
			t.Errorf("record %d: %v", seq, err)
		}
	}
	for _, id := range []string{"", "x", commandID(77)} {
		if _, _, err := b.ByID(t.Context(), id); !errors.Is(err, haccp.ErrNotFound) {
			t.Errorf("id %q: %v", id, err)
		}
	}
	if _, e, err := b.ByID(t.Context(), haccp.RecordID(commandID(3), 0)); err != nil || e.Body.(*haccp.Note).Text != "3" {
		t.Errorf("by id: %v", err)
	}
}

// TestProofs checks proofs and checkpoint with the verifiers of package record, which are held against
// RFC 6962 there.
func TestProofs(t *testing.T) {
	b := found(t)
	var roots []record.Head
	for n := range 9 {
		roots = append(roots, b.Head())
		mustDo(t, b.Site, note(n, "x"))
	}
	signed, err := b.Checkpoint(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	c, _, err := record.VerifyCheckpoint(signed, b.opt.Signer.VerifierKey())
	if err != nil || c.Size != 10 || c.Root != b.Head().Root {
		t.Fatalf("checkpoint %+v: %v", c, err)
	}
	if again, err := b.Checkpoint(t.Context()); err != nil || again != signed {
		t.Fatal("the same head gave another checkpoint")
	}
	for _, h := range roots {
		p, err := b.Inclusion(t.Context(), h.Size, 0)
		if err != nil || p.Size != 10 || p.Root != base64Of(c.Root) {
			t.Fatalf("inclusion of %d: %+v %v", h.Size, p, err)
		}
		bytes, _, _ := b.Record(t.Context(), h.Size)
		if p.Leaf != base64Of(record.LeafHash(bytes)) {
			t.Fatal("the leaf is not that of the record")
		}
		k, err := b.Consistency(t.Context(), h.Size, 10)
		if err != nil || k.FromRoot != base64Of(h.Root) || k.ToRoot != base64Of(c.Root) {
			t.Fatalf("consistency of %d: %+v %v", h.Size, k, err)
		}
	}
	for _, bad := range [][2]int64{{11, 0}, {0, 0}, {1, 11}, {5, 4}, {1, -1}} {
		if _, err := b.Inclusion(t.Context(), bad[0], bad[1]); !errors.Is(err, haccp.ErrNotFound) {
			t.Errorf("inclusion %v: %v", bad, err)
		}
		if _, err := b.Consistency(t.Context(), bad[0], bad[1]); !errors.Is(err, haccp.ErrNotFound) {
			t.Errorf("consistency %v: %v", bad, err)
		}
	}
}

func TestMetrics(t *testing.T) {
	reg := prometheus.NewRegistry()
	b := found(t, func(o *Options) { o.Registerer = prometheus.WrapRegistererWithPrefix("linewarden_", reg) })
	mustDo(t, b.Site, note(1, "one\ntwo"))
	mustDo(t, b.Site, note(1, "one\ntwo"))
	if _, err := b.Do(t.Context(), fakeRequest(2, "odd", &fakeAsk{})); err == nil {
		t.Fatal("an unknown kind was taken")
	}
	families, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]float64{}
	for _, f := range families {
		m := f.GetMetric()[0]
		got[f.GetName()] = m.GetCounter().GetValue() + m.GetGauge().GetValue() + float64(m.GetHistogram().GetSampleCount())
	}
	for name, want := range map[string]float64{
		"linewarden_plant_commits_total": 1, "linewarden_plant_records_total": 2, "linewarden_plant_repeated_total": 1,
		"linewarden_plant_refusals_total": 1, "linewarden_plant_log_records": 3, "linewarden_plant_append_seconds": 1,
		"linewarden_plant_commit_records": 1, "linewarden_plant_replayed_records": 1, "linewarden_plant_replay_records": 1,
	} {
		if got[name] != want {
			t.Errorf("%s is %v, want %v", name, got[name], want)
		}
	}
}
