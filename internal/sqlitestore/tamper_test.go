package sqlitestore_test

import (
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"strings"
	"testing"

	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
	"linewarden/internal/record/recordtest"
	"linewarden/internal/sqlitestore"
)

// madeStore makes a folder with a log and closes it.
func madeStore(t *testing.T, sizes ...int) (dir, key string) {
	t.Helper()
	dir = t.TempDir()
	s, err := sqlitestore.Open(t.Context(), dir, sqlitestore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	keys, err := recordtest.NewKeys("north", "a", 0)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := recordtest.MakeLog(t.Context(), site(t, s, "north"), keys, nil, sizes...); err != nil {
		t.Fatal(err)
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	return dir, keys.Signer.VerifierKey()
}

// raw opens the file as somebody with a tool for SQLite would, and takes the
// triggers off.
func raw(t *testing.T, dir string) *sql.DB {
	t.Helper()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, sqlitestore.LogFile)+"?_pragma=ignore_check_constraints(on)")
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { db.Close() })
	rows, err := db.QueryContext(t.Context(), `SELECT name FROM sqlite_schema WHERE type = 'trigger'`)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			t.Fatal(err)
		}
		names = append(names, name)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil { //nolint:sqlclosecheck // closed before the tables change
		t.Fatal(err)
	}
	for _, name := range names {
		if _, err := db.ExecContext(t.Context(), "DROP TRIGGER "+name); err != nil {
			t.Fatal(err)
		}
	}
	return db
}

// columns are all that is stored about a log, with the part that must be named.
var columns = []struct {
	table, column string
	kinds         string
}{
	{"page", "records", "record commit"},
	{"page", "hashes", "node"},
	{"page", "key", "record commit"},
	{"log_commit", "root", "root"},
	{"log_commit", "first", "commit record node"},
	{"log_commit", "size", "commit record node root"},
	{"log_commit", "key", "commit record"},
	{"checkpoint", "note", "checkpoint signature other key"},
	{"checkpoint", "size", "checkpoint cut short"},
	{"record_id", "id", "look-up table"},
	{"record_id", "seq", "look-up table"},
	{"command", "id", "look-up table"},
	{"command", "first", "look-up table"},
	{"command", "count", "look-up table"},
	{"word", "text", "look-up table"},
	{"word", "class", "look-up table"},
	{"word", "id", "look-up table"},
	{"entry", "word", "look-up table"},
	{"entry", "at", "look-up table"},
	{"entry", "seq", "look-up table"},
}

// TestEveryStoredByte changes one byte (or one number by one) in every row of
// every table, one after the other, and looks that VerifyLog names the part.
func TestEveryStoredByte(t *testing.T) {
	dir, key := madeStore(t, 3, 1, 5)
	db := raw(t, dir)
	s := open(t, dir, sqlitestore.Options{ReadOnly: true})
	log := site(t, s, "north")
	r, err := evidence.VerifyLog(t.Context(), "north", log, evidence.VerifyOptions{Key: key})
	if err != nil || !r.OK() || r.Last != 10 {
		t.Fatalf("before any change: %v, %v", r.Fault, err)
	}
	for _, c := range columns {
		n := 0
		if err := db.QueryRowContext(t.Context(), "SELECT count(*) FROM "+c.table).Scan(&n); err != nil || n == 0 {
			t.Fatalf("%s has %d rows: %v", c.table, n, err)
		}
		for row := range n {
			for _, place := range []int{0, 1, 7, 13, 31, 700, 1500, 2500} {
				tamper(t, db, log, c.table, c.column, c.kinds, row, place)
			}
		}
	}
}

// tamper changes one value in a transaction of its own and puts it back.
func tamper(t *testing.T, db *sql.DB, log record.Log, table, column, kinds string, row, place int) {
	t.Helper()
	ctx := t.Context()
	where := fmt.Sprintf("SELECT %s FROM %s LIMIT 1 OFFSET %d", column, table, row)
	var old any
	if err := db.QueryRowContext(ctx, where).Scan(&old); err != nil {
		t.Fatal(err)
	}
	changed := changeByte(old, place)
	if changed == nil {
		return
	}
	all := snapshotTable(t, db, table)
	if !replaceValue(t, db, table, column, row, changed) {
		return // The change would break a key: nobody can make it either.
	}
	name := fmt.Sprintf("%s.%s row %d place %d", table, column, row, place)
	r, err := evidence.VerifyLog(ctx, "north", log, evidence.VerifyOptions{})
	switch {
	case err != nil:
		t.Errorf("%s: %v", name, err)
	case r.Fault == nil:
		t.Errorf("%s: not found", name)
	case !strings.Contains(kinds, string(r.Fault.Kind)):
		t.Errorf("%s: got %v, want one of %s", name, r.Fault, kinds)
	case column == "records" && r.Fault.Seq != seqAt(db, t, row, place):
		t.Errorf("%s: names record %d, not %d (%v)", name, r.Fault.Seq, seqAt(db, t, row, place), r.Fault)
	case (table == "log_commit" && column == "root" || column == "hashes") && r.Fault.Commit != int64(row+1):
		t.Errorf("%s: names commit %d (%v)", name, r.Fault.Commit, r.Fault)
	}
	all.restore(t, db)
}

// seqAt is the record that a byte of a page belongs to.
func seqAt(db *sql.DB, t *testing.T, row, place int) (seq int64) {
	t.Helper()
	err := db.QueryRowContext(t.Context(), `SELECT key - (1 << 40) + length(substr(records, 1, ?2)) - length(replace(substr(records, 1, ?2), char(10), ''))
		FROM page ORDER BY key LIMIT 1 OFFSET ?1`, row, place).Scan(&seq)
	if err != nil {
		t.Fatal(err)
	}
	return seq
}

// changeByte changes one byte of a text or blob, or a number by one; nil where
// there is no such place.
func changeByte(v any, place int) any {
	switch v := v.(type) {
	case int64:
		if place > 1 {
			return nil
		}
		return v + int64(1-2*place)
	case string:
		if place >= len(v) {
			return nil
		}
		b := []byte(v)
		if b[place]++; b[place] >= 0x80 {
			b[place] = 'A'
		}
		return string(b)
	case []byte:
		if place >= len(v) {
			return nil
		}
		b := append([]byte(nil), v...)
		b[place] ^= 1
		return b
	}
	return nil
}

// table is the content of a table.
type table struct {
	name    string
	columns []string
	rows    [][]any
}

func snapshotTable(t *testing.T, db *sql.DB, name string) table {
	t.Helper()
	rows, err := db.QueryContext(t.Context(), "SELECT * FROM "+name)
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	out := table{name: name}
	if out.columns, err = rows.Columns(); err != nil {
		t.Fatal(err)
	}
	for rows.Next() {
		values := make([]any, len(out.columns))
		into := make([]any, len(values))
		for i := range values {
			into[i] = &values[i]
		}
		if err := rows.Scan(into...); err != nil {
			t.Fatal(err)
		}
		out.rows = append(out.rows, values)
	}
	if err := rows.Err(); err != nil {
		t.Fatal(err)
	}
	return out
}

// restore writes the content back.
func (c table) restore(t *testing.T, db *sql.DB) {
	t.Helper()
	tx, err := db.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.write(t, tx); err != nil {
		t.Fatal(err)
	}
	if err := tx.Commit(); err != nil {
		t.Fatal(err)
	}
}

func (c table) write(t *testing.T, tx *sql.Tx) error {
	if _, err := tx.ExecContext(t.Context(), "DELETE FROM "+c.name); err != nil {
		return err
	}
	insert := "INSERT INTO " + c.name + " VALUES (" + strings.Repeat("?,", len(c.columns)-1) + "?)"
	for _, row := range c.rows {
		if _, err := tx.ExecContext(t.Context(), insert, row...); err != nil {
			return err
		}
	}
	return nil
}

// replaceValue changes one value; false where the table cannot hold the change
// or holds the same rows after it.
func replaceValue(t *testing.T, db *sql.DB, name, column string, row int, value any) bool {
	t.Helper()
	c := snapshotTable(t, db, name)
	for i := range c.columns {
		if c.columns[i] == column {
			c.rows[row][i] = value
		}
	}
	tx, err := db.BeginTx(t.Context(), nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := c.write(t, tx); err != nil {
		if err := tx.Rollback(); err != nil {
			t.Fatal(err)
		}
		return false
	}
	return tx.Commit() == nil
}

// TestTablesRefuse tries what the triggers must stop.
func TestTablesRefuse(t *testing.T) {
	dir, _ := madeStore(t, 2)
	db, err := sql.Open("sqlite", "file:"+filepath.Join(dir, sqlitestore.LogFile))
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	for _, text := range []string{
		`UPDATE page SET records = 'x'`, `DELETE FROM page`, `UPDATE log_commit SET size = 9`, `DELETE FROM log_commit`,
		`UPDATE page SET hashes = x''`, `DELETE FROM checkpoint`, `UPDATE checkpoint SET note = ''`,
		`UPDATE site SET name = 'x'`, `DELETE FROM site`,
		`INSERT INTO page (key, hashes, records) VALUES ((1 << 40) + 2, x'', 'x')`,
		`REPLACE INTO page SELECT * FROM page`, `REPLACE INTO log_commit SELECT * FROM log_commit`,
		`INSERT INTO log_commit (key, first, size, root) VALUES ((1 << 40) + 9, 4, 4, zeroblob(32))`,
		`INSERT INTO page (key, hashes, records) VALUES ((1 << 40) + 4, x'', x'00')`,
	} {
		if _, err := db.ExecContext(t.Context(), text); err == nil {
			t.Errorf("%s: was taken", text)
		}
	}
	if _, err := db.ExecContext(t.Context(), `INSERT INTO page (key, hashes, records) VALUES ((1 << 40) + 4, x'', 'x')`); err != nil {
		t.Errorf("the next page: %v", err)
	}
	s := open(t, dir, sqlitestore.Options{ReadOnly: true})
	r, err := evidence.VerifyLog(t.Context(), "north", site(t, s, "north"), evidence.VerifyOptions{})
	if err != nil || r.Fault == nil || r.Fault.Seq != 4 {
		t.Errorf("a record behind the last commit: %v, %v", r.Fault, err)
	}
}
