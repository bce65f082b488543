package recordtest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/record"
)

// Store is what a store gives for one site.
type Store interface {
	record.Log
	record.Checkpoints
	record.LookupLister
	SaveSnapshot(ctx context.Context, name string, seq int64, root [32]byte, data []byte) error
	LoadSnapshot(ctx context.Context, name string) (seq int64, root [32]byte, data []byte, err error)
}

// TestLog runs the contract of record.Log and of the small interfaces beside
// it. open gives the log of a site in one fresh store; it is called with two
// site ids in a test.
func TestLog(t *testing.T, open func(t *testing.T) func(site string) Store) {
	t.Helper()
	for _, c := range []struct {
		name string
		run  func(t *testing.T, at func(site string) Store)
	}{
		{"empty", testEmpty},
		{"append and read", testAppendAndRead},
		{"append refuses", testAppendRefuses},
		{"find", testFind},
		{"find against a plain model", testFindModel},
		{"commands and ids", testCommands},
		{"two sites", testSites},
		{"race", testRace},
		{"cancelled", testCancelled},
		{"checkpoints", testCheckpoints},
		{"snapshots", testSnapshots},
		{"look-up entries", testLookups},
	} {
		t.Run(c.name, func(t *testing.T) { c.run(t, open(t)) })
	}
}

// Fill appends commits of the given sizes, each record a command of its own,
// after what the log holds.
func Fill(t testing.TB, site string, log record.Log, sizes ...int) *record.Tree {
	t.Helper()
	tree, head, err := record.OpenTree(t.Context(), log)
	if err != nil {
		t.Fatal(err)
	}
	for i, size := range sizes {
		commit, lookups, next := Build(t, site, tree, head.Commit+int64(i)+1, size)
		if err := log.Append(t.Context(), commit.Number-1, commit, lookups); err != nil {
			t.Fatal(err)
		}
		tree = next
	}
	return tree
}

// Build makes a commit of notes that follow the tree.
func Build(t testing.TB, site string, tree *record.Tree, number int64, size int) (record.Commit, []record.Lookup, *record.Tree) {
	t.Helper()
	b := record.NewBuilder(site, tree, number)
	for range size {
		if err := b.AppendCommand([]record.Envelope{Note(site, int(tree.Size())+b.Len())}); err != nil {
			t.Fatal(err)
		}
	}
	c, lookups := b.Build()
	return c, lookups, b.Tree()
}

func testEmpty(t *testing.T, at func(string) Store) {
	log := at("north")
	head, err := log.Head(t.Context())
	if err != nil || head.Commit != 0 || head.Size != 0 || head.Root != new(record.Tree).Root() {
		t.Fatalf("head of an empty log: %+v, %v", head, err)
	}
	if _, err := log.ReadCommit(t.Context(), 1); !errors.Is(err, record.ErrNotFound) {
		t.Errorf("ReadCommit of an empty log: %v", err)
	}
	if _, err := log.Hashes(t.Context(), []int64{0}); !errors.Is(err, record.ErrNotFound) {
		t.Errorf("Hashes of an empty log: %v", err)
	}
	err = log.Scan(t.Context(), 1, 10, func(int64, string) error { return errors.New("called") })
	if err != nil {
		t.Errorf("Scan of an empty log: %v", err)
	}
	found, _, err := log.Find(t.Context(), record.Query{Kind: "note"})
	if err != nil || len(found) != 0 {
		t.Errorf("Find in an empty log: %v, %v", found, err)
	}
	if _, err := log.LastCheckpoint(t.Context()); !errors.Is(err, record.ErrNotFound) {
		t.Errorf("LastCheckpoint of an empty log: %v", err)
	}
}

func testAppendAndRead(t *testing.T, at func(string) Store) {
	log, ctx := at("north"), t.Context()
	tree := new(record.Tree)
	var want []record.Commit
	for i, size := range []int{1, 3, 64, 1, 200, 500, 17} {
		c, lookups, next := Build(t, "north", tree, int64(i+1), size)
		if err := log.Append(ctx, int64(i), c, lookups); err != nil {
			t.Fatal(err)
		}
		tree, want = next, append(want, c)
		head, err := log.Head(ctx)
		if err != nil || head != (record.Head{Commit: c.Number, Size: c.Size, Root: c.Root}) {
			t.Fatalf("head after commit %d: %+v, %v", c.Number, head, err)
		}
	}
	var nodes []tlog.Hash
	var records []string
	for _, c := range want {
		got, err := log.ReadCommit(ctx, c.Number)
		if err != nil || got.First != c.First || got.Size != c.Size || got.Root != c.Root || got.Number != c.Number ||
			!slices.Equal(got.Records, c.Records) || !slices.Equal(got.Nodes, c.Nodes) {
			t.Fatalf("commit %d read back differs: %v", c.Number, err)
		}
		nodes, records = append(nodes, c.Nodes...), append(records, c.Records...)
	}
	if _, err := log.ReadCommit(ctx, int64(len(want)+1)); !errors.Is(err, record.ErrNotFound) {
		t.Errorf("a commit past the end: %v", err)
	}
	for _, index := range []int64{0, 1, 2, 5, int64(len(nodes)) - 1} {
		got, err := log.Hashes(ctx, []int64{index, 0})
		if err != nil || got[0] != nodes[index] || got[1] != nodes[0] {
			t.Errorf("stored hash %d: %v", index, err)
		}
	}
	if _, err := log.Hashes(ctx, []int64{int64(len(nodes))}); !errors.Is(err, record.ErrNotFound) {
		t.Errorf("a hash past the end: %v", err)
	}
	checkScan(t, log, records)
	reopened, _, err := record.OpenTree(ctx, log)
	if err != nil || reopened.Root() != tree.Root() || !reopened.LastRecorded().Equal(tree.LastRecorded()) {
		t.Errorf("OpenTree: %v", err)
	}
}

func checkScan(t *testing.T, log record.Log, records []string) {
	t.Helper()
	for _, r := range [][2]int64{{1, 1 << 40}, {2, 5}, {-3, 2}, {700, 786}, {786, 1000}, {787, 1000}, {5, 4}} {
		next := max(r[0], 1)
		err := log.Scan(t.Context(), r[0], r[1], func(seq int64, rec string) error {
			if seq != next || rec != records[seq-1] {
				return fmt.Errorf("record %d instead of %d", seq, next)
			}
			next++
			return nil
		})
		if want := max(min(r[1], int64(len(records)))+1, max(r[0], 1)); err != nil || next != want {
			t.Errorf("Scan %v ended at %d instead of %d: %v", r, next, want, err)
		}
	}
	stop := errors.New("stop")
	if err := log.Scan(t.Context(), 1, 9, func(int64, string) error { return stop }); !errors.Is(err, stop) {
		t.Errorf("Scan hides the error of fn: %v", err)
	}
}

func testAppendRefuses(t *testing.T, at func(string) Store) {
	log, ctx := at("north"), t.Context()
	tree := Fill(t, "north", log, 4, 2)
	before, err := log.Head(ctx)
	if err != nil {
		t.Fatal(err)
	}
	good, lookups, _ := Build(t, "north", tree, 3, 5)
	refuse := func(name string, want error, expected int64, c record.Commit, l []record.Lookup) {
		t.Helper()
		if err := log.Append(ctx, expected, c, l); !errors.Is(err, want) {
			t.Errorf("%s: got %v, want %v", name, err, want)
		}
		if head, err := log.Head(ctx); err != nil || head != before {
			t.Errorf("%s: something was written: %+v, %v", name, head, err)
		}
	}
	refuse("an old number", record.ErrConflict, 1, good, lookups)
	refuse("a number ahead", record.ErrConflict, 7, good, lookups)
	bad := good
	bad.Number = 4
	refuse("a gap in the numbers", record.ErrInvalid, 2, bad, lookups)
	bad = good
	bad.First++
	refuse("a gap in seq", record.ErrInvalid, 2, bad, lookups)
	bad = good
	bad.Nodes = bad.Nodes[1:]
	refuse("a node missing", record.ErrInvalid, 2, bad, lookups)
	refuse("a look-up entry missing", record.ErrInvalid, 2, good, lookups[1:])
	bad = good
	bad.Records, bad.Size, bad.Nodes = nil, before.Size, nil
	refuse("no records", record.ErrInvalid, 2, bad, nil)
	double := slices.Clone(lookups)
	double[2].ID = double[1].ID
	refuse("an id twice in a commit", record.ErrDuplicateID, 2, good, double)
	double = slices.Clone(lookups)
	double[2].ID = Note("north", 0).ID
	refuse("an id of an earlier commit", record.ErrDuplicateID, 2, good, double)
	double = slices.Clone(lookups)
	double[4].Command = Note("north", 1).Command
	refuse("a command of an earlier commit", record.ErrDuplicateID, 2, good, double)
	double = slices.Clone(lookups)
	double[4].Command = double[0].Command
	refuse("a command in two parts", record.ErrDuplicateID, 2, good, double)
	if err := log.Append(ctx, 2, good, lookups); err != nil {
		t.Errorf("the good commit after all refusals: %v", err)
	}
}

func testFind(t *testing.T, at func(string) Store) {
	log, ctx := at("north"), t.Context()
	Fill(t, "north", log, 100, 100, 57)
	q := record.Query{About: "place:bath-1", Limit: 10}
	var seqs []int64
	for pages := 0; ; pages++ {
		page, next, err := log.Find(ctx, q)
		if err != nil || len(page) > 10 || pages > 20 {
			t.Fatalf("page %d of %d records: %v", pages, len(page), err)
		}
		for _, r := range page {
			seqs = append(seqs, r.Seq)
		}
		if next.IsZero() {
			break
		}
		q.After = next
	}
	if len(seqs) != 129 || seqs[0] != 1 || seqs[1] != 3 || seqs[128] != 257 {
		t.Errorf("paging gives %d records", len(seqs))
	}
	for _, bad := range []record.Query{{}, {Kind: "note", Limit: -1}, {Kind: "note", Limit: record.MaxPage + 1}} {
		if _, _, err := log.Find(ctx, bad); !errors.Is(err, record.ErrInvalid) {
			t.Errorf("query %+v: %v", bad, err)
		}
	}
}

// testFindModel compares Find with a filter over all records; at runs against
// the order of seq for a part of them.
func testFindModel(t *testing.T, at func(string) Store) {
	log, ctx := at("north"), t.Context()
	tree := new(record.Tree)
	var all []record.Envelope
	for n := range 5 {
		b := record.NewBuilder("north", tree, int64(n+1))
		for i := range 40 {
			e := Note("north", n*40+i)
			if i%3 == 0 {
				e.At = Start.Add(time.Duration(500-n*40-i) * time.Second)
			}
			if i%7 == 0 {
				e.Kind = "other"
			}
			if err := b.AppendCommand([]record.Envelope{e}); err != nil {
				t.Fatal(err)
			}
			e.Seq = int64(n*40 + i + 1)
			all = append(all, e)
		}
		c, l := b.Build()
		if err := log.Append(ctx, int64(n), c, l); err != nil {
			t.Fatal(err)
		}
		tree = b.Tree()
	}
	for _, about := range []string{"", "place:bath-1", "lot:2", "lot:999"} {
		for _, kind := range []string{"", "note", "other", "none"} {
			for _, span := range [][2]int{{0, 0}, {50, 120}, {120, 0}, {0, 77}, {300, 500}} {
				for _, descending := range []bool{false, true} {
					if about == "" && kind == "" {
						continue
					}
					q := record.Query{About: about, Kind: kind, Descending: descending, Limit: 7}
					if span[0] > 0 {
						q.From = Start.Add(time.Duration(span[0]) * time.Second)
					}
					if span[1] > 0 {
						q.To = Start.Add(time.Duration(span[1]) * time.Second)
					}
					compareWithModel(t, log, q, all)
				}
			}
		}
	}
}

func compareWithModel(t *testing.T, log record.Log, q record.Query, all []record.Envelope) {
	t.Helper()
	var want, got []int64
	match := slices.DeleteFunc(slices.Clone(all), func(e record.Envelope) bool {
		return q.About != "" && !slices.Contains(e.About, q.About) || q.Kind != "" && e.Kind != q.Kind ||
			!q.From.IsZero() && e.At.Before(q.From) || !q.To.IsZero() && !e.At.Before(q.To)
	})
	slices.SortFunc(match, func(a, b record.Envelope) int {
		c := a.At.Compare(b.At)
		if c == 0 {
			c = int(a.Seq - b.Seq)
		}
		if q.Descending {
			return -c
		}
		return c
	})
	for _, e := range match {
		want = append(want, e.Seq)
	}
	for first := q; ; {
		page, next, err := log.Find(t.Context(), first)
		if err != nil {
			t.Fatalf("%+v: %v", q, err)
		}
		for _, r := range page {
			if e, err := record.DecodeString(r.Bytes); err != nil || e.Seq != r.Seq {
				t.Fatalf("%+v: record %d has other bytes: %v", q, r.Seq, err)
			}
			got = append(got, r.Seq)
		}
		if next.IsZero() {
			break
		}
		first.After = next
	}
	if !slices.Equal(got, want) {
		t.Errorf("%+v: got %v, want %v", q, got, want)
	}
}

func testCommands(t *testing.T, at func(string) Store) {
	log, ctx := at("north"), t.Context()
	b := record.NewBuilder("north", new(record.Tree), 1)
	three := []record.Envelope{Note("north", 0), Note("north", 1), Note("north", 2)}
	for i := range three {
		three[i].Command = three[0].Command
		three[i].ID = record.RecordID(three[0].Command, i)
	}
	alone := Note("north", 3)
	alone.Command = record.UUID{}
	for _, command := range [][]record.Envelope{three, {alone}, {Note("north", 4)}} {
		if err := b.AppendCommand(command); err != nil {
			t.Fatal(err)
		}
	}
	c, l := b.Build()
	if err := log.Append(ctx, 0, c, l); err != nil {
		t.Fatal(err)
	}
	ids := []record.UUID{three[0].Command, Note("north", 4).Command, Note("north", 99).Command, three[0].Command}
	for n := range 200 {
		ids = append(ids, Note("north", 1000+n).Command)
	}
	found, err := log.Commands(ctx, ids)
	if err != nil || len(found) != 2 || len(found[ids[0]]) != 3 || len(found[ids[1]]) != 1 {
		t.Fatalf("Commands: %v, %v", found, err)
	}
	for i, r := range found[ids[0]] {
		if r.Seq != int64(i+1) || r.Bytes != c.Records[i] {
			t.Errorf("record %d of the command is %d", i, r.Seq)
		}
	}
	byID, err := log.ByID(ctx, []record.UUID{alone.ID, three[2].ID, Note("north", 77).ID})
	if err != nil || len(byID) != 2 || byID[alone.ID].Seq != 4 || byID[three[2].ID].Bytes != c.Records[2] {
		t.Errorf("ByID: %v, %v", byID, err)
	}
	if none, err := log.Commands(ctx, nil); err != nil || len(none) != 0 {
		t.Errorf("Commands of none: %v, %v", none, err)
	}
}

func testSites(t *testing.T, at func(string) Store) {
	north, south := at("north"), at("south")
	Fill(t, "north", north, 10, 10)
	Fill(t, "south", south, 3)
	Fill(t, "north", north, 5)
	for site, want := range map[string]int64{"north": 25, "south": 3} {
		head, err := at(site).Head(t.Context())
		if err != nil || head.Size != want {
			t.Errorf("site %s has %d records: %v", site, head.Size, err)
		}
		found, _, err := at(site).Find(t.Context(), record.Query{Kind: "note"})
		if err != nil || int64(len(found)) != want {
			t.Errorf("site %s: Find gives %d records: %v", site, len(found), err)
		}
		n := int64(0)
		err = at(site).Scan(t.Context(), 1, 1<<50, func(int64, string) error { n++; return nil })
		if err != nil || n != want {
			t.Errorf("site %s: Scan gives %d records: %v", site, n, err)
		}
	}
	if found, err := south.Commands(t.Context(), []record.UUID{Note("north", 1).Command}); err != nil || len(found) != 0 {
		t.Errorf("a command of another site: %v, %v", found, err)
	}
}

// testRace lets several writers try the same number: one wins each time.
func testRace(t *testing.T, at func(string) Store) {
	log := at("north")
	tree := Fill(t, "north", log, 1)
	for round := range 5 {
		c, lookups, next := Build(t, "north", tree, int64(round+2), 3)
		var wg sync.WaitGroup
		errs := make([]error, 4)
		for i := range errs {
			wg.Go(func() { errs[i] = log.Append(t.Context(), int64(round+1), c, lookups) })
		}
		wg.Wait()
		won := 0
		for _, err := range errs {
			if err == nil {
				won++
			} else if !errors.Is(err, record.ErrConflict) {
				t.Errorf("a loser gets %v", err)
			}
		}
		if won != 1 {
			t.Fatalf("%d writers wrote commit %d", won, round+2)
		}
		tree = next
	}
}

func testCancelled(t *testing.T, at func(string) Store) {
	log := at("north")
	tree := Fill(t, "north", log, 1)
	c, lookups, _ := Build(t, "north", tree, 2, 3)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := log.Append(ctx, 1, c, lookups); !errors.Is(err, context.Canceled) {
		t.Errorf("Append with a cancelled context: %v", err)
	}
	if head, err := log.Head(t.Context()); err != nil || head.Commit != 1 {
		t.Errorf("it was written: %+v, %v", head, err)
	}
}

func testCheckpoints(t *testing.T, at func(string) Store) {
	log, ctx := at("north"), t.Context()
	Fill(t, "north", log, 1)
	for _, size := range []int64{30, 10, 20, 10} {
		if err := log.AddCheckpoint(ctx, size, fmt.Sprint("note ", size)); err != nil {
			t.Fatal(err)
		}
	}
	var got []int64
	err := log.EachCheckpoint(ctx, 0, func(size int64, note string) error {
		if note != fmt.Sprint("note ", size) {
			return fmt.Errorf("note of %d is %q", size, note)
		}
		got = append(got, size)
		return nil
	})
	if err != nil || !slices.Equal(got, []int64{10, 20, 30}) {
		t.Errorf("checkpoints of sizes %v: %v", got, err)
	}
	got = nil
	err = log.EachCheckpoint(ctx, 10, func(size int64, _ string) error { got = append(got, size); return nil })
	if err != nil || !slices.Equal(got, []int64{20, 30}) {
		t.Errorf("checkpoints after 10: %v: %v", got, err)
	}
	if last, err := log.LastCheckpoint(ctx); err != nil || last != "note 30" {
		t.Errorf("last checkpoint %q: %v", last, err)
	}
}

func testSnapshots(t *testing.T, at func(string) Store) {
	log, ctx := at("north"), t.Context()
	if seq, _, data, err := log.LoadSnapshot(ctx, "fold 1"); err != nil || seq != 0 || data != nil {
		t.Fatalf("a snapshot before any: %d, %v", seq, err)
	}
	for i := byte(1); i <= 2; i++ {
		if err := log.SaveSnapshot(ctx, "fold 1", int64(i), [32]byte{i}, []byte{i, 7}); err != nil {
			t.Fatal(err)
		}
	}
	seq, root, data, err := log.LoadSnapshot(ctx, "fold 1")
	if err != nil || seq != 2 || root != [32]byte{2} || !slices.Equal(data, []byte{2, 7}) {
		t.Errorf("snapshot %d %x %v: %v", seq, root[:1], data, err)
	}
	if seq, _, _, err := log.LoadSnapshot(ctx, "fold 2"); err != nil || seq != 0 {
		t.Errorf("a snapshot of another name: %d, %v", seq, err)
	}
	if seq, _, _, err := at("south").LoadSnapshot(ctx, "fold 1"); err != nil || seq != 0 {
		t.Errorf("a snapshot of another site: %d, %v", seq, err)
	}
}

func testLookups(t *testing.T, at func(string) Store) {
	log := at("north")
	Fill(t, "north", log, 20, 1)
	Fill(t, "south", at("south"), 2)
	count := map[record.LookupTable]int{}
	err := log.LookupEntries(t.Context(), func(e record.LookupEntry) error {
		want := Note("north", int(e.Seq-1))
		ok := false
		switch e.Table {
		case record.LookupByID:
			ok = e.Key == want.ID.String()
		case record.LookupByCommand:
			ok = e.Key == want.Command.String()
		case record.LookupByKind:
			ok = e.Key == want.Kind && e.AtMS == want.At.UnixMilli()
		case record.LookupByAbout:
			ok = slices.Contains(want.About, e.Key) && e.AtMS == want.At.UnixMilli()
		}
		if !ok {
			return fmt.Errorf("entry %+v does not fit record %d", e, e.Seq)
		}
		count[e.Table]++
		return nil
	})
	if err != nil || count[record.LookupByID] != 21 || count[record.LookupByCommand] != 21 || count[record.LookupByKind] != 21 || count[record.LookupByAbout] != 84 {
		t.Errorf("look-up entries %v: %v", count, err)
	}
}
