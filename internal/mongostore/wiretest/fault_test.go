package wiretest

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"

	"linewarden/internal/mongostore"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
	"linewarden/internal/record/recordtest"
)

// faulty opens a fresh database over connections that fail on command, with a log of four records.
func faulty(t *testing.T) (*mongostore.Log, *Faults, *record.Tree) {
	t.Helper()
	f := NewFaults()
	log := site(t, open(t, mongostore.Options{URI: database(t), Dialer: f}), "north")
	tree := recordtest.Fill(t, "north", log, 1, 3)
	return log, f, tree
}

func stepDown(code int) bson.D {
	return bson.D{{Key: "ok", Value: 0.0}, {Key: "errmsg", Value: "not primary"}, {Key: "code", Value: code},
		{Key: "errorLabels", Value: bson.A{"RetryableWriteError"}}}
}

// unconfirmed is the answer to an insert that was carried out where the majority did not confirm it.
func unconfirmed(code int) bson.D {
	return bson.D{{Key: "ok", Value: 1.0}, {Key: "n", Value: int32(1)}, {Key: "writeConcernError", Value: bson.D{
		{Key: "code", Value: code}, {Key: "errmsg", Value: "waiting for replication"}}}}
}

// What happens to an insert on its way is told as it is: written, not written, or in doubt; and the commit
// number read back says which.
func TestAppendInTrouble(t *testing.T) {
	for _, c := range []struct {
		name    string
		fault   Fault
		want    error // nil: success
		written bool
	}{
		{"connection cut before the server heard of it", Fault{Action: CutBefore}, record.ErrUncertain, false},
		{"connection cut in the middle", Fault{Action: CutAfter}, record.ErrUncertain, true},
		{"sent twice by the driver", Fault{Action: Twice}, nil, true},
		{"not the primary any more", Fault{Action: Replace, Answer: stepDown(10107)}, record.ErrUncertain, false},
		{"stepped down in the middle", Fault{Action: ReplaceOut, Answer: stepDown(189)}, record.ErrUncertain, true},
		{"shutting down", Fault{Action: Replace, Answer: stepDown(91)}, record.ErrUncertain, false},
		{"the majority does not confirm", Fault{Action: ReplaceOut, Answer: unconfirmed(64)}, record.ErrUncertain, true},
		{"written, and lost with the old primary", Fault{Action: Replace, Answer: unconfirmed(11602)}, record.ErrUncertain, false},
		{"no leave to write", Fault{Action: Replace, Answer: bson.D{{Key: "ok", Value: 0.0}, {Key: "code", Value: 13}, {Key: "errmsg", Value: "not authorized"}}}, errRefused, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			log, f, tree := faulty(t)
			c.fault.Command, c.fault.Collection = "insert", "commits"
			f.Plan(c.fault)
			commit, lookups, next := recordtest.Build(t, "north", tree, 3, 5)
			err := log.Append(t.Context(), 2, commit, lookups)
			switch {
			case f.Left() > 0:
				t.Fatal("the fault did not happen")
			case c.want == nil && err != nil, c.want == record.ErrUncertain && !errors.Is(err, record.ErrUncertain),
				c.want == errRefused && (err == nil || errors.Is(err, record.ErrUncertain) || errors.Is(err, record.ErrConflict)):
				t.Fatalf("Append: %v", err)
			}
			got, err := log.ReadCommit(t.Context(), 3)
			if c.written && (err != nil || got.Root != commit.Root || !slices.Equal(got.Records, commit.Records)) || !c.written && !errors.Is(err, record.ErrNotFound) {
				t.Fatalf("read back: %v", err)
			}
			if !c.written {
				if err := log.Append(t.Context(), 2, commit, lookups); err != nil {
					t.Fatalf("the same commit again: %v", err)
				}
			}
			recordtest.Fill(t, "north", log, 2)
			verified(t, log, next.Size()+2)
		})
	}
}

var errRefused = errors.New("refused by the server")

// verified verifies the whole log, its look-up entries included.
func verified(t testing.TB, log *mongostore.Log, size int64) {
	t.Helper()
	head, err := log.Head(t.Context())
	if err != nil || head.Size != size {
		t.Errorf("the log has %d records, want %d: %v", head.Size, size, err)
	}
	entries := int64(0)
	err = log.LookupEntries(t.Context(), func(e record.LookupEntry) error {
		if e.Table == record.LookupByID {
			entries++
		}
		return nil
	})
	if err != nil || entries != size {
		t.Errorf("%d records with %d look-up entries: %v", size, entries, err)
	}
}

// A rival of the same number wins, whatever the driver says of ours.
func TestDuplicateOfARival(t *testing.T) {
	uri := database(t)
	a := site(t, open(t, mongostore.Options{URI: uri}), "north")
	b := site(t, open(t, mongostore.Options{URI: uri}), "north")
	tree := recordtest.Fill(t, "north", a, 1)
	if _, err := b.Head(t.Context()); err != nil {
		t.Fatal(err)
	}
	recordtest.Fill(t, "north", a, 2)
	commit, lookups, _ := recordtest.Build(t, "north", tree, 2, 3)
	if err := b.Append(t.Context(), 1, commit, lookups); !errors.Is(err, record.ErrConflict) {
		t.Errorf("a number that is taken: %v", err)
	}
	verified(t, b, 3)
}

// A server that takes its time gets as much as the caller has; after that the outcome is open.
func TestSlowServer(t *testing.T) {
	log, f, tree := faulty(t)
	commit, lookups, next := recordtest.Build(t, "north", tree, 3, 2)
	f.Slow(300 * time.Millisecond)
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	err := log.Append(ctx, 2, commit, lookups)
	if err == nil || !errors.Is(err, context.DeadlineExceeded) && !errors.Is(err, record.ErrUncertain) {
		t.Errorf("a deadline that passed: %v", err)
	}
	f.Slow(20 * time.Millisecond)
	switch err := log.Append(t.Context(), 2, commit, lookups); {
	case err == nil:
	case errors.Is(err, record.ErrConflict): // it was written after all: then it is ours
		if got, err := log.ReadCommit(t.Context(), 3); err != nil || got.Root != commit.Root {
			t.Errorf("commit 3 is another one: %v", err)
		}
	default:
		t.Errorf("a slow server: %v", err)
	}
	verified(t, log, next.Size())
}

// While the server is gone every call says so soon and writes nothing; afterwards everything goes on.
func TestServerGone(t *testing.T) {
	log, f, tree := faulty(t)
	f.Down(true)
	commit, lookups, _ := recordtest.Build(t, "north", tree, 3, 2)
	ctx, cancel := context.WithTimeout(t.Context(), 500*time.Millisecond)
	defer cancel()
	if err := log.Append(ctx, 2, commit, lookups); err == nil {
		t.Error("something was appended to nowhere") // by a connection of before, so that the outcome may be open
	}
	if _, err := log.ReadCommit(ctx, 3); err == nil || errors.Is(err, record.ErrNotFound) {
		t.Errorf("a server that is gone knows of commit 3: %v", err)
	}
	if err := log.Append(ctx, 2, commit, lookups); err == nil || errors.Is(err, record.ErrUncertain) {
		t.Errorf("an insert that never left this machine: %v", err)
	}
	if _, err := log.Head(ctx); err == nil {
		t.Error("a head was read from nowhere")
	}
	if _, _, err := log.Find(ctx, record.Query{Kind: "note"}); err == nil {
		t.Error("records were found nowhere")
	}
	f.Down(false)
	if err := log.Append(t.Context(), 2, commit, lookups); err != nil {
		t.Errorf("after the server came back: %v", err)
	}
	verified(t, log, 6)
}

// Entries that cannot be written are found in memory, and written by whoever opens the log next.
func TestEntriesThatCannotBeWritten(t *testing.T) {
	uri := database(t)
	f := NewFaults()
	first, err := mongostore.Open(t.Context(), mongostore.Options{URI: uri, Dialer: f, Run: 8})
	if err != nil {
		t.Fatal(err)
	}
	log := site(t, first, "north")
	f.Plan(Fault{Command: "insert", Collection: "lookups", Action: Replace, Times: 1000,
		Answer: bson.D{{Key: "ok", Value: 0.0}, {Key: "code", Value: 8000}, {Key: "errmsg", Value: "disk full"}}})
	recordtest.Fill(t, "north", log, 1, 20, 30)
	notes(t, log, 51)
	if err := first.Close(t.Context()); err != nil {
		t.Error(err)
	}
	if n, err := Count(t.Context(), server.URI, databaseOf(uri), "lookups"); err != nil || n != 0 {
		t.Fatalf("%d documents were written: %v", n, err)
	}
	second, err := mongostore.Open(t.Context(), mongostore.Options{URI: uri})
	if err != nil {
		t.Fatal(err)
	}
	log = site(t, second, "north")
	notes(t, log, 51)
	if err := second.Close(t.Context()); err != nil {
		t.Error(err)
	}
	f = NewFaults()
	again := site(t, open(t, mongostore.Options{URI: uri, Dialer: f}), "north")
	notes(t, again, 51)
	verified(t, again, 51)
	if n := f.Seen("insert", "lookups"); n != 0 {
		t.Errorf("%d inserts of entries that are there", n)
	}
}

// More than so many runs that wait are forgotten and read from the commits again; appends then say what is wrong.
func TestEntriesThatCannotBeWrittenForLong(t *testing.T) {
	f := NewFaults()
	log := site(t, open(t, mongostore.Options{URI: database(t), Dialer: f, Run: 2}), "north")
	f.Plan(Fault{Command: "insert", Collection: "lookups", Action: Replace, Times: 1_000_000,
		Answer: bson.D{{Key: "ok", Value: 0.0}, {Key: "code", Value: 8000}, {Key: "errmsg", Value: "disk full"}}})
	tree, head := recordtest.Fill(t, "north", log, 10, 10, 10, 10), int64(4)
	commit, lookups, _ := recordtest.Build(t, "north", tree, head+1, 3)
	if err := log.Append(t.Context(), head, commit, lookups); err == nil || errors.Is(err, record.ErrConflict) || errors.Is(err, record.ErrUncertain) {
		t.Errorf("an append that can keep no entries: %v", err)
	}
	f.Plan()
	if err := log.Append(t.Context(), head, commit, lookups); err != nil {
		t.Errorf("after the server takes entries again: %v", err)
	}
	notes(t, log, 43)
	verified(t, log, 43)
}

// notes reads all notes, in pages and in both orders.
func notes(t *testing.T, log *mongostore.Log, want int) {
	t.Helper()
	for _, descending := range []bool{false, true} {
		n := 0
		for q := (record.Query{Kind: "note", Limit: 7, Descending: descending}); ; {
			page, next, err := log.Find(t.Context(), q)
			if err != nil {
				t.Fatal(err)
			}
			n += len(page)
			if q.After = next; next.IsZero() {
				break
			}
		}
		if n != want {
			t.Errorf("%d records found, want %d", n, want)
		}
	}
}

// Two instances at one log: each finds what the other wrote, and ids of one are known to the other.
func TestTwoInstances(t *testing.T) {
	uri := database(t)
	one, two := open(t, mongostore.Options{URI: uri}), open(t, mongostore.Options{URI: uri})
	a, b := site(t, one, "north"), site(t, two, "north")
	for range 4 {
		recordtest.Fill(t, "north", a, 3)
		recordtest.Fill(t, "north", b, 4)
	}
	for name, log := range map[string]*mongostore.Log{"first": a, "second": b} {
		if _, err := log.Head(t.Context()); err != nil {
			t.Fatal(err)
		}
		page, _, err := log.Find(t.Context(), record.Query{Kind: "note"})
		if err != nil || len(page) != 28 {
			t.Errorf("the %s finds %d records: %v", name, len(page), err)
		}
	}
	verified(t, a, 28)
	tree, head, err := record.OpenTree(t.Context(), a)
	if err != nil {
		t.Fatal(err)
	}
	commit, lookups, _ := recordtest.Build(t, "north", tree, head.Commit+1, 2)
	lookups[1].ID = recordtest.Note("north", 25).ID // written by the second
	if err := a.Append(t.Context(), head.Commit, commit, lookups); !errors.Is(err, record.ErrDuplicateID) {
		t.Errorf("an id that the other instance used: %v", err)
	}
	recordtest.Fill(t, "south", site(t, two, "south"), 1, 1)
	news, err := one.News(t.Context(), map[string]int64{"north": 3, "south": 0, "west": 0})
	if err != nil || len(news) != 2 || news["north"] != 8 || news["south"] != 2 {
		t.Errorf("news %v: %v", news, err)
	}
	if news, err := one.News(t.Context(), map[string]int64{"north": 8, "south": 2}); err != nil || len(news) != 0 {
		t.Errorf("no news is %v: %v", news, err)
	}
	if sites, err := one.Sites(t.Context()); err != nil || !slices.Equal(sites, []string{"north", "south"}) {
		t.Errorf("sites %v: %v", sites, err)
	}
}

// An id of long ago is refused by an instance that has just been started, before and after it knows all ids.
func TestDuplicateAfterARestart(t *testing.T) {
	uri := database(t)
	first, err := mongostore.Open(t.Context(), mongostore.Options{URI: uri, Run: 10})
	if err != nil {
		t.Fatal(err)
	}
	recordtest.Fill(t, "north", site(t, first, "north"), 1, 40)
	if err := first.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	log := site(t, open(t, mongostore.Options{URI: uri}), "north")
	tree, head, err := record.OpenTree(t.Context(), log)
	if err != nil {
		t.Fatal(err)
	}
	for round := range 5 {
		commit, lookups, _ := recordtest.Build(t, "north", tree, head.Commit+1, 3)
		lookups[2].Command = recordtest.Note("north", 7*round).Command
		if err := log.Append(t.Context(), head.Commit, commit, lookups); !errors.Is(err, record.ErrDuplicateID) {
			t.Errorf("round %d: %v", round, err)
		}
		lookups[2].Command = record.UUID{1}
		lookups[1].ID = recordtest.Note("north", 7*round).ID
		if err := log.Append(t.Context(), head.Commit, commit, lookups); !errors.Is(err, record.ErrDuplicateID) {
			t.Errorf("round %d, a record id: %v", round, err)
		}
		time.Sleep(50 * time.Millisecond)
	}
	recordtest.Fill(t, "north", log, 3)
	verified(t, log, 44)
}

// A snapshot may be larger than a document may be; one with a part missing is none.
func TestLargeSnapshot(t *testing.T) {
	uri := database(t)
	log := site(t, open(t, mongostore.Options{URI: uri}), "north")
	data := make([]byte, 20<<20)
	for i := range data {
		data[i] = byte(i * i >> 7)
	}
	for seq := range int64(2) {
		if err := log.SaveSnapshot(t.Context(), "state", seq+7, [32]byte{byte(seq)}, data[seq:]); err != nil {
			t.Fatal(err)
		}
	}
	seq, root, got, err := log.LoadSnapshot(t.Context(), "state")
	if err != nil || seq != 8 || root != [32]byte{1} || !slices.Equal(got, data[1:]) {
		t.Errorf("snapshot of record %d, %d bytes: %v", seq, len(got), err)
	}
	name := databaseOf(uri)
	if n, err := Count(t.Context(), server.URI, name, "snapshots"); err != nil || n != 4 {
		t.Errorf("%d documents, want a manifest and three parts: %v", n, err)
	}
	if err := DeleteOne(t.Context(), server.URI, name, "snapshots", bson.D{{Key: "name", Value: "state"}}); err != nil {
		t.Fatal(err)
	}
	if seq, _, _, err := log.LoadSnapshot(t.Context(), "state"); err != nil || seq != 0 {
		t.Errorf("a snapshot without one of its parts: %d, %v", seq, err)
	}
}

// What was acknowledged survives the death of the server.
func TestKilledServer(t *testing.T) {
	own, err := Start(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	if !own.Own() {
		t.Skip("the server at " + Variable + " is not ours to kill")
	}
	t.Cleanup(func() { own.Stop() })
	uri, err := Within(own.URI, RandomDatabase())
	if err != nil {
		t.Fatal(err)
	}
	log := site(t, open(t, mongostore.Options{URI: uri}), "north")
	recordtest.Fill(t, "north", log, 1, 5, 5)
	if err := own.Kill(); err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Second)
	defer cancel()
	if _, err := log.Head(ctx); err == nil {
		t.Error("a dead server answers")
	}
	if err := own.Restart(); err != nil {
		t.Fatal(err)
	}
	recordtest.Fill(t, "north", log, 4)
	verified(t, log, 15)
}

// The collections of a newer program are refused, and so is writing to what was opened for reading.
func TestVersionAndReadOnly(t *testing.T) {
	uri := database(t)
	if _, err := mongostore.Open(t.Context(), mongostore.Options{URI: uri, ReadOnly: true}); err == nil {
		t.Error("a database without a log was opened for reading")
	}
	recordtest.Fill(t, "north", site(t, open(t, mongostore.Options{URI: uri}), "north"), 2)
	read := site(t, open(t, mongostore.Options{URI: uri, ReadOnly: true}), "north")
	commit, lookups, _ := recordtest.Build(t, "north", new(record.Tree), 1, 1)
	for what, err := range map[string]error{
		"Append": read.Append(t.Context(), 0, commit, lookups), "AddCheckpoint": read.AddCheckpoint(t.Context(), 1, "x"),
		"SaveSnapshot": read.SaveSnapshot(t.Context(), "x", 1, [32]byte{}, nil),
	} {
		if !errors.Is(err, mongostore.ErrReadOnly) {
			t.Errorf("%s: %v", what, err)
		}
	}
	verified(t, read, 2)
	if err := Insert(t.Context(), server.URI, databaseOf(uri), "schema", bson.D{{Key: "_id", Value: "version 99"}, {Key: "version", Value: 99}}); err != nil {
		t.Fatal(err)
	}
	if _, err := mongostore.Open(t.Context(), mongostore.Options{URI: uri}); err == nil {
		t.Error("the collections of a newer program were opened")
	}
}

// A database from before a collection got its indexes has them after the next start; one open for reading makes none.
func TestIndexesAreMadeWhereMissing(t *testing.T) {
	uri := database(t)
	open(t, mongostore.Options{URI: uri})
	indexes := func(collection string) (names []string) {
		err := with(t.Context(), server.URI, databaseOf(uri), func(db *mongo.Database) error {
			all, err := db.Collection(collection).Indexes().ListSpecifications(t.Context())
			for _, x := range all {
				names = append(names, x.Name)
			}
			return err
		})
		if err != nil {
			t.Fatal(err)
		}
		return names
	}
	for _, collection := range []string{"messages", "outcomes"} {
		want := indexes(collection)
		if len(want) != 3 {
			t.Fatalf("%s has the indexes %q", collection, want)
		}
		if err := DropCollection(t.Context(), server.URI, databaseOf(uri), collection); err != nil {
			t.Fatal(err)
		}
		if err := Insert(t.Context(), server.URI, databaseOf(uri), collection, bson.D{{Key: "_id", Value: "north/x"}}); err != nil {
			t.Fatal(err)
		}
		open(t, mongostore.Options{URI: uri, ReadOnly: true})
		if got := indexes(collection); len(got) != 1 {
			t.Errorf("opened for reading, %s has the indexes %q", collection, got)
		}
		open(t, mongostore.Options{URI: uri})
		if got := indexes(collection); !slices.Equal(got, want) {
			t.Errorf("%s has the indexes %q, want %q", collection, got, want)
		}
	}
}

// The layouts that no release wrote are refused, with what to do.
func TestFormerLayout(t *testing.T) {
	uri := database(t)
	if err := Insert(t.Context(), server.URI, databaseOf(uri), "schema", bson.D{{Key: "_id", Value: "version 1"}, {Key: "version", Value: 1}}); err != nil {
		t.Fatal(err)
	}
	_, err := mongostore.Open(t.Context(), mongostore.Options{URI: uri})
	if err == nil || !strings.Contains(err.Error(), "version 1") || !strings.Contains(err.Error(), "export") {
		t.Errorf("got %v", err)
	}
}

// Whoever may write to the database can change it; verification finds it.
func TestChangesInTheDatabaseAreFound(t *testing.T) {
	for _, c := range []struct {
		name, collection string
		filter, change   bson.D
		remove           bool
		kind             evidence.FaultKind
	}{
		{"a root", "commits", bson.D{{Key: "commit", Value: int64(2)}}, bson.D{{Key: "root", Value: make([]byte, 32)}}, false, evidence.FaultRoot},
		{"a record", "commits", bson.D{{Key: "commit", Value: int64(2)}}, bson.D{{Key: "records", Value: "{}\n{}\n{}"}}, false, evidence.FaultRecord},
		{"a commit is gone", "commits", bson.D{{Key: "commit", Value: int64(2)}}, nil, true, evidence.FaultCommit},
		{"the key of look-up entries", "lookups", bson.D{{Key: "key", Value: "kind/note"}, {Key: "run", Value: int64(1)}}, bson.D{{Key: "key", Value: "kind/other"}}, false, evidence.FaultLookup},
		{"look-up entries cut short", "lookups", bson.D{{Key: "key", Value: "kind/note"}, {Key: "run", Value: int64(1)}}, bson.D{{Key: "pairs", Value: []byte{}}}, false, evidence.FaultLookup},
		{"look-up entries are gone", "lookups", bson.D{{Key: "key", Value: "kind/note"}, {Key: "run", Value: int64(1)}}, nil, true, evidence.FaultLookup},
		{"an id that a commit names", "commits", bson.D{{Key: "commit", Value: int64(2)}}, bson.D{{Key: "names.1", Value: bson.Binary{Subtype: 4, Data: make([]byte, 16)}}}, false, evidence.FaultLookup},
		{"all that a commit names", "commits", bson.D{{Key: "commit", Value: int64(2)}}, bson.D{{Key: "names", Value: bson.A{}}}, false, evidence.FaultLookup},
	} {
		t.Run(c.name, func(t *testing.T) {
			uri := database(t)
			keys, err := recordtest.NewKeys("north", c.name, 1)
			if err != nil {
				t.Fatal(err)
			}
			store, err := mongostore.Open(t.Context(), mongostore.Options{URI: uri, Run: 2})
			if err != nil {
				t.Fatal(err)
			}
			if _, err := recordtest.MakeLog(t.Context(), site(t, store, "north"), keys, nil, 3, 2); err != nil {
				t.Fatal(err)
			}
			if err := store.Close(t.Context()); err != nil {
				t.Fatal(err)
			}
			log := site(t, open(t, mongostore.Options{URI: uri}), "north")
			if r, err := evidence.VerifyLog(t.Context(), "north", log, evidence.VerifyOptions{}); err != nil || r.Fault != nil {
				t.Fatalf("before the change: %v, %v", r.Fault, err)
			}
			if c.remove {
				err = DeleteOne(t.Context(), server.URI, databaseOf(uri), c.collection, c.filter)
			} else {
				err = Change(t.Context(), server.URI, databaseOf(uri), c.collection, c.filter, c.change)
			}
			if err != nil {
				t.Fatal(err)
			}
			r, err := evidence.VerifyLog(t.Context(), "north", log, evidence.VerifyOptions{})
			if err != nil || r.Fault == nil || r.Fault.Kind != c.kind {
				t.Errorf("fault %v, %v; want kind %v", r.Fault, err, c.kind)
			}
		})
	}
}

// Who opens a log again writes no entries that are there; whoever drops the collection has all of them made again.
func TestDroppedEntries(t *testing.T) {
	uri := database(t)
	s, err := mongostore.Open(t.Context(), mongostore.Options{URI: uri, Run: 8})
	if err != nil {
		t.Fatal(err)
	}
	recordtest.Fill(t, "north", site(t, s, "north"), 1, 30)
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	before, err := Count(t.Context(), server.URI, databaseOf(uri), "lookups")
	if err != nil || before == 0 {
		t.Fatalf("%d documents: %v", before, err)
	}
	f := NewFaults()
	verified(t, site(t, open(t, mongostore.Options{URI: uri, Dialer: f}), "north"), 31)
	if n := f.Seen("insert", "lookups"); n != 0 {
		t.Errorf("%d inserts of entries that are there", n)
	}
	if err := DropCollection(t.Context(), server.URI, databaseOf(uri), "lookups"); err != nil {
		t.Fatal(err)
	}
	s, err = mongostore.Open(t.Context(), mongostore.Options{URI: uri})
	if err != nil {
		t.Fatal(err)
	}
	verified(t, site(t, s, "north"), 31)
	if err := s.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	if after, err := Count(t.Context(), server.URI, databaseOf(uri), "lookups"); err != nil || after != before {
		t.Errorf("%d documents made again, want %d: %v", after, before, err)
	}
}

// Two instances that write the same run write the same documents.
func TestTwoWriteOneRun(t *testing.T) {
	uri := database(t)
	one, two := open(t, mongostore.Options{URI: uri, Run: 16}), open(t, mongostore.Options{URI: uri, Run: 99})
	a, b := site(t, one, "north"), site(t, two, "north")
	for range 6 {
		recordtest.Fill(t, "north", a, 3)
		recordtest.Fill(t, "north", b, 4)
	}
	for _, log := range []*mongostore.Log{a, b} {
		if _, err := log.Head(t.Context()); err != nil {
			t.Fatal(err)
		}
		notes(t, log, 42)
		verified(t, log, 42)
	}
	for _, s := range []*mongostore.Store{one, two} { // both write what is whole
		if err := s.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	log := site(t, open(t, mongostore.Options{URI: uri}), "north")
	notes(t, log, 42)
	verified(t, log, 42)
	ends := int64(0)
	err := with(t.Context(), server.URI, databaseOf(uri), func(db *mongo.Database) (err error) {
		ends, err = db.Collection("lookups").CountDocuments(t.Context(), bson.D{{Key: "key", Value: ""}})
		return err
	})
	if err != nil || ends != 2 {
		t.Errorf("%d runs are written, want 2: %v", ends, err)
	}
}
