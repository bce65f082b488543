package sqlitestore

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"maps"
	"strings"
	"sync"

	"linewarden/internal/record"
)

const (
	classKind  = 0
	classAbout = 1
	siteShift  = 40     // a key is site << siteShift + number
	maxWords   = 50_000 // words kept in memory for each folder
)

// word is a kind or key of about, as it is written once.
type word struct {
	site  int64
	class int64
	text  string
}

// end is where the log of a site ends; the root is left out.
type end struct {
	site int64
	head record.Head
}

// writer owns the one connection that writes to the log file.
type writer struct {
	mu    sync.Mutex
	db    *sql.DB
	conn  *sql.Conn
	words map[word]int64
	fresh map[word]int64 // of the transaction that is open
	last  map[string]end // of the sites that were appended to; nobody else writes while the lock is held
	gaps  map[int64]gap  // of command ids, by number of site
	args  []any

	begin, commit, rollback      *sql.Stmt
	head, insertRoot, insertPage *sql.Stmt
	findSite, insertSite         *sql.Stmt
	findWord, insertWord         *sql.Stmt
	insertCheckpoint, setIndexed *sql.Stmt
	newestCommand                *sql.Stmt
	knownIDs, knownCommands      *probe
	ids, commands, entries       *bulk
}

func openWriter(ctx context.Context, path string) (*writer, error) {
	if err := createPrivate(path); err != nil {
		return nil, err
	}
	db, err := openFile(path, "mode=rw", "page_size(8192)", "journal_mode(wal)", "synchronous(full)", "foreign_keys(on)",
		"cache_size(-16384)", "wal_autocheckpoint(6000)", "journal_size_limit(67108864)", "temp_store(memory)")
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1)
	w := &writer{db: db, words: map[word]int64{}, fresh: map[word]int64{}, last: map[string]end{}, gaps: map[int64]gap{}}
	if err := w.prepare(ctx); err != nil {
		return nil, errors.Join(err, w.close())
	}
	return w, nil
}

func (w *writer) prepare(ctx context.Context) error {
	if err := checkVersion(ctx, w.db); err != nil {
		return err
	}
	if err := migrate(ctx, w.db, logMigrations...); err != nil {
		return err
	}
	conn, err := w.db.Conn(ctx)
	if err != nil {
		return err
	}
	w.conn = conn
	for _, p := range []struct {
		into **sql.Stmt
		text string
	}{
		{&w.begin, `BEGIN IMMEDIATE`},
		{&w.commit, `COMMIT`},
		{&w.rollback, `ROLLBACK`},
		{&w.head, `SELECT key, size FROM log_commit WHERE key >= ? AND key < ? ORDER BY key DESC LIMIT 1`},
		{&w.insertRoot, `INSERT INTO log_commit (key, first, size, root) VALUES (?, ?, ?, ?)`},
		{&w.insertPage, `INSERT INTO page (key, hashes, records) VALUES (?, ?, ?)`},
		{&w.findSite, `SELECT id FROM site WHERE name = ?`},
		{&w.insertSite, `INSERT INTO site (name) VALUES (?)`},
		{&w.findWord, `SELECT id FROM word WHERE site = ? AND class = ? AND text = ?`},
		{&w.insertWord, `INSERT INTO word (site, class, text) VALUES (?, ?, ?)`},
		{&w.insertCheckpoint, `INSERT INTO checkpoint (site, size, note) VALUES (?, ?, ?) ON CONFLICT DO NOTHING`},
		{&w.newestCommand, `SELECT max(id) FROM command WHERE site = ? AND id < ?`},
		{&w.setIndexed, `INSERT OR REPLACE INTO indexed (site, seq) VALUES (?, ?)`},
	} {
		if *p.into, err = conn.PrepareContext(ctx, p.text); err != nil { //nolint:sqlclosecheck // closed with the writer
			return fmt.Errorf("prepare %s: %w", p.text, err)
		}
	}
	w.knownIDs = &probe{conn: conn, table: "record_id", stmts: map[int]*sql.Stmt{}}
	w.knownCommands = &probe{conn: conn, table: "command", stmts: map[int]*sql.Stmt{}}
	// A statement that fails ends the transaction here, so none needs a journal of its own to be taken back by.
	w.ids = newBulk(conn, `INSERT OR FAIL INTO record_id (site, id, seq) VALUES `, 3)
	w.commands = newBulk(conn, `INSERT OR FAIL INTO command (site, id, first, count) VALUES `, 4)
	w.entries = newBulk(conn, `INSERT OR FAIL INTO entry (word, at, seq) VALUES `, 3)
	return nil
}

func (w *writer) close() error {
	var errs []error
	if w.conn != nil {
		_, err := w.conn.ExecContext(context.Background(), `PRAGMA wal_checkpoint(TRUNCATE)`)
		errs = append(errs, err, w.conn.Close())
	}
	return errors.Join(append(errs, w.db.Close())...)
}

// transaction runs fn in a transaction. An error of COMMIT itself leaves the
// outcome open.
func (w *writer) transaction(ctx context.Context, fn func(ctx context.Context) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	ctx = context.WithoutCancel(ctx)
	if _, err := w.begin.ExecContext(ctx); err != nil {
		return fmt.Errorf("begin: %w", err)
	}
	clear(w.fresh)
	if err := fn(ctx); err != nil {
		_, rollbackErr := w.rollback.ExecContext(ctx)
		return errors.Join(err, rollbackErr)
	}
	if _, err := w.commit.ExecContext(ctx); err != nil {
		err = fmt.Errorf("%w: %w", record.ErrUncertain, err)
		if _, rollbackErr := w.rollback.ExecContext(ctx); rollbackErr != nil && !strings.Contains(rollbackErr.Error(), "no transaction is active") {
			err = errors.Join(err, rollbackErr)
		}
		return err
	}
	if len(w.words)+len(w.fresh) > maxWords {
		clear(w.words)
	}
	maps.Copy(w.words, w.fresh)
	return nil
}

// site gives the number of a site and writes it down where it is new.
func (w *writer) site(ctx context.Context, name string) (int64, error) {
	return findOrInsert(ctx, w.findSite, w.insertSite, name)
}

func (w *writer) word(ctx context.Context, k word) (int64, error) {
	if id, ok := w.words[k]; ok {
		return id, nil
	}
	if id, ok := w.fresh[k]; ok {
		return id, nil
	}
	id, err := findOrInsert(ctx, w.findWord, w.insertWord, k.site, k.class, k.text)
	if err == nil {
		k.text = strings.Clone(k.text)
		w.fresh[k] = id
	}
	return id, err
}

func findOrInsert(ctx context.Context, find, insert *sql.Stmt, args ...any) (int64, error) {
	var id int64
	err := find.QueryRowContext(ctx, args...).Scan(&id)
	if !errors.Is(err, sql.ErrNoRows) {
		return id, err
	}
	res, err := insert.ExecContext(ctx, args...)
	if err != nil {
		return 0, err
	}
	return res.LastInsertId()
}

// bulk inserts rows of one table with as few statements as it can.
type bulk struct {
	conn   *sql.Conn
	prefix string
	cols   int
	stmts  map[int]*sql.Stmt
}

const bulkRows = 64

func newBulk(conn *sql.Conn, prefix string, cols int) *bulk {
	return &bulk{conn: conn, prefix: prefix, cols: cols, stmts: map[int]*sql.Stmt{}}
}

// insert writes len(args)/cols rows.
func (b *bulk) insert(ctx context.Context, args []any) error {
	for n := bulkRows; len(args) > 0; n /= 2 {
		for len(args) >= n*b.cols {
			if err := b.exec(ctx, n, args[:n*b.cols]); err != nil {
				return err
			}
			args = args[n*b.cols:]
		}
	}
	return nil
}

func (b *bulk) exec(ctx context.Context, rows int, args []any) error {
	stmt := b.stmts[rows]
	if stmt == nil {
		tuple := "(" + marks(b.cols) + ")"
		var err error
		stmt, err = b.conn.PrepareContext(ctx, b.prefix+strings.TrimSuffix(strings.Repeat(tuple+",", rows), ","))
		if err != nil {
			return err
		}
		b.stmts[rows] = stmt
	}
	_, err := stmt.ExecContext(ctx, args...)
	return err
}

// marks gives n question marks with commas between.
func marks(n int) string { return strings.Repeat("?,", n-1) + "?" }

// probe asks whether a table holds one of some ids of a site, with a few prepared forms.
type probe struct {
	conn  *sql.Conn
	table string
	stmts map[int]*sql.Stmt
}

// any asks for n ids; args are the site and they.
func (p *probe) any(ctx context.Context, n int, args []any) (bool, error) {
	stmt := p.stmts[n]
	if stmt == nil {
		var err error
		text := `SELECT EXISTS (SELECT 1 FROM ` + p.table + ` WHERE site = ? AND id IN (` + marks(n) + `))`
		if stmt, err = p.conn.PrepareContext(ctx, text); err != nil {
			return false, err
		}
		p.stmts[n] = stmt
	}
	var found bool
	return found, stmt.QueryRowContext(ctx, args...).Scan(&found)
}
