package sqlitestore_test

import (
	"database/sql"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
	"linewarden/internal/record/recordtest"
	"linewarden/internal/sqlitestore"
)

// verified checks a whole log.
func verified(t *testing.T, log *sqlitestore.Log, key string, size int64) {
	t.Helper()
	r, err := evidence.VerifyLog(t.Context(), "north", log, evidence.VerifyOptions{Key: key})
	if err != nil || !r.OK() || r.Last != size {
		t.Errorf("%d records, %v, %v; want %d sound ones", r.Last, r.Fault, err, size)
	}
}

// copyFolder copies a data folder as it lies on the disk at this moment, as a power cut would leave it.
func copyFolder(t *testing.T, from string) string {
	t.Helper()
	to := t.TempDir()
	for _, name := range []string{sqlitestore.LogFile, sqlitestore.LogFile + "-wal"} {
		raw, err := os.ReadFile(filepath.Join(from, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(to, name), raw, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return to
}

// TestLookupsOutliveTheProcess ends a process between two runs of look-up entries: all that was appended is
// found by whoever opens the folder next, for writing or for reading only.
func TestLookupsOutliveTheProcess(t *testing.T) {
	dir := t.TempDir()
	first := open(t, dir, sqlitestore.Options{Run: 10})
	keys, err := recordtest.NewKeys("north", "a", 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := recordtest.MakeLog(t.Context(), site(t, first, "north"), keys, nil, 4, 4, 4, 4); err != nil {
		t.Fatal(err)
	}
	left := copyFolder(t, dir)
	for _, o := range []sqlitestore.Options{{ReadOnly: true}, {Run: 10}} {
		log := site(t, open(t, left, o), "north")
		verified(t, log, keys.Signer.VerifierKey(), 17)
		for n := 1; n <= 16; n++ {
			note := recordtest.Note("north", n)
			found, err := log.ByID(t.Context(), []record.UUID{note.ID})
			if err != nil || found[note.ID].Seq != int64(n+1) {
				t.Errorf("record %d by its id: %d found, %v", n+1, len(found), err)
			}
			all, err := log.Commands(t.Context(), []record.UUID{note.Command})
			if err != nil || len(all[note.Command]) != 1 || all[note.Command][0].Seq != int64(n+1) {
				t.Errorf("record %d by its command: %d found, %v", n+1, len(all), err)
			}
			page, _, err := log.Find(t.Context(), record.Query{About: note.About[0], Kind: note.Kind})
			if err != nil || len(page) == 0 {
				t.Errorf("records about %s: %d found, %v", note.About[0], len(page), err)
			}
		}
		if o.ReadOnly {
			continue
		}
		head, err := log.Head(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		tree, _, err := record.OpenTree(t.Context(), log)
		if err != nil {
			t.Fatal(err)
		}
		for _, n := range []int{1, 16} { // one from the tables, one from the tail
			b := record.NewBuilder("north", tree, head.Commit+1)
			note := recordtest.Note("north", n)
			note.RecordedAt = recordtest.Note("north", 17).RecordedAt
			if err := b.AppendCommand([]record.Envelope{note}); err != nil {
				t.Fatal(err)
			}
			c, lookups := b.Build()
			if err := log.Append(t.Context(), head.Commit, c, lookups); !errors.Is(err, record.ErrDuplicateID) {
				t.Errorf("record %d appended again: %v", n+1, err)
			}
		}
		recordtest.Fill(t, "north", log, 1)
		verified(t, log, keys.Signer.VerifierKey(), 18)
	}
}

// TestCommandsOfTheClock refuses a command for the second time whose id is of version 7, whether it stands in the
// tables or in the tail, by the clock of now, of long ago or of a time to come, before and after a restart.
func TestCommandsOfTheClock(t *testing.T) {
	dir := t.TempDir()
	log := site(t, open(t, dir, sqlitestore.Options{Run: 4}), "north")
	keys, err := recordtest.NewKeys("north", "a", 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := recordtest.MakeLog(t.Context(), log, keys, nil); err != nil {
		t.Fatal(err)
	}
	appended := func(log *sqlitestore.Log, n int, command record.UUID) error {
		head, err := log.Head(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		tree, _, err := record.OpenTree(t.Context(), log)
		if err != nil {
			t.Fatal(err)
		}
		b := record.NewBuilder("north", tree, head.Commit+1)
		note := recordtest.Note("north", n)
		note.Command, note.ID = command, record.RecordID(command, 0)
		note.RecordedAt = recordtest.Note("north", 100).RecordedAt
		if err := b.AppendCommand([]record.Envelope{note}); err != nil {
			t.Fatal(err)
		}
		c, lookups := b.Build()
		return log.Append(t.Context(), head.Commit, c, lookups)
	}
	var made []record.UUID
	again := func(log *sqlitestore.Log) {
		for i, id := range made {
			if err := appended(log, i+1, id); !errors.Is(err, record.ErrDuplicateID) {
				t.Errorf("%d commands, number %d appended again: %v", len(made), i+1, err)
			}
		}
	}
	for i, ahead := range []time.Duration{0, -time.Second, time.Second, -1000 * time.Hour, 2 * time.Hour, 1000 * time.Hour, -time.Millisecond,
		59 * time.Minute, 0, 3 * time.Hour, 2 * time.Hour, time.Second, 0, 0} {
		id := record.UUID{6: 0x70, 8: 0x80, 15: byte(i)}
		for k, ms := 0, time.Now().Add(ahead).UnixMilli(); k < 6; k++ {
			id[k] = byte(ms >> (40 - 8*k)) //nolint:gosec // one byte after the other
		}
		if err := appended(log, i+1, id); err != nil {
			t.Fatal(err)
		}
		made = append(made, id)
		again(log)
	}
	again(site(t, open(t, copyFolder(t, dir), sqlitestore.Options{Run: 4}), "north"))
}

// TestFirstVersionOfTheTables opens a folder whose records stand one in a row, as the first version of the
// tables had them.
func TestFirstVersionOfTheTables(t *testing.T) {
	made, key := madeStore(t, 3, 1, 5)
	dir := t.TempDir()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, sqlitestore.LogFile))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	db.SetMaxOpenConns(1)
	text, err := os.ReadFile("migrations/0001_log.sql")
	if err != nil {
		t.Fatal(err)
	}
	run := func(text string, args ...any) {
		t.Helper()
		if _, err := db.ExecContext(t.Context(), text, args...); err != nil {
			t.Fatalf("%s: %v", text, err)
		}
	}
	run(string(text))
	run(`PRAGMA user_version = 1`)
	run(`ATTACH ? AS made`, filepath.Join(made, sqlitestore.LogFile))
	for _, name := range []string{"site", "log_commit", "checkpoint", "record_id", "command", "word", "entry"} {
		run(`INSERT INTO main.` + name + ` SELECT * FROM made.` + name)
	}
	rows, err := db.QueryContext(t.Context(), `SELECT key, hashes, records FROM made.page ORDER BY key`)
	if err != nil {
		t.Fatal(err)
	}
	type page struct {
		key     int64
		hashes  []byte
		records string
	}
	var pages []page
	for rows.Next() {
		var p page
		if err := rows.Scan(&p.key, &p.hashes, &p.records); err != nil {
			t.Fatal(err)
		}
		pages = append(pages, p)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil { //nolint:sqlclosecheck // closed before the tables change
		t.Fatal(err)
	}
	for _, p := range pages {
		run(`INSERT INTO node VALUES (?, ?)`, p.key, p.hashes)
		for i, rec := range strings.Split(p.records, "\n") {
			run(`INSERT INTO record VALUES (?, ?)`, p.key+int64(i), rec)
		}
	}
	if err := db.Close(); err != nil {
		t.Fatal(err)
	}
	if _, err := sqlitestore.Open(t.Context(), dir, sqlitestore.Options{ReadOnly: true}); err == nil {
		t.Error("a folder of the first version was opened for reading only, where nothing can be changed")
	}
	log := site(t, open(t, dir, sqlitestore.Options{}), "north")
	verified(t, log, key, 10)
	recordtest.Fill(t, "north", log, 2)
	verified(t, log, key, 12)
}
