// Package sqlitestore keeps record logs in a SQLite file in a data folder: WAL,
// synchronous=FULL, one transaction a commit, so that what was appended survives
// a power cut. One process at a time may write to a folder; any number may read.
//
// The tables of the log refuse changes and deletions by themselves. That stops
// mistakes; a person with the file can still change it, and that is what the
// tree and its checkpoints show.
package sqlitestore

import (
	"cmp"
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"

	_ "modernc.org/sqlite" // the database driver

	"linewarden/internal/record"
)

//go:embed migrations/*.sql
var migrations embed.FS

// logMigrations are the steps of the log file, in their order.
var logMigrations = []string{"migrations/0001_log.sql", "migrations/0002_pages.sql"}

// Names of the files in a data folder.
const (
	LogFile   = "log.db"
	CacheFile = "cache.db" // snapshots; may be deleted while nothing runs
	LockFile  = "lock"
)

// oldestSQLite is the first version without the WAL-reset race.
const oldestSQLite = "3.51.3"

// Options say how a data folder is opened.
type Options struct {
	ReadOnly bool // without the lock; nothing can be appended
	Readers  int  // reading connections at once; 0: 4
	Run      int  // records that the tail gathers before it is written to the look-up tables; 0: 4096
}

// Store is one open data folder.
type Store struct {
	dir    string
	lock   *fileLock
	read   *reader
	held   held
	write  *writer
	cache  *sql.DB
	run    int
	mu     sync.Mutex
	logs   map[string]*Log
	closed bool
}

// ErrReadOnly says that the folder was opened for reading only.
var ErrReadOnly = errors.New("data folder is open for reading only")

// Open opens a data folder and makes it if need be. A folder that another
// process writes to gives a *LockedError; reading only needs no lock, but the
// folder must hold a log already.
func Open(ctx context.Context, dir string, o Options) (*Store, error) {
	s := &Store{dir: dir, run: cmp.Or(o.Run, defaultRun), logs: map[string]*Log{}}
	err := s.open(ctx, o)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("open data folder %s: %w", dir, err), s.Close())
	}
	return s, nil
}

func (s *Store) open(ctx context.Context, o Options) error {
	path := filepath.Join(s.dir, LogFile)
	if o.ReadOnly {
		if _, err := os.Stat(path); err != nil {
			return fmt.Errorf("no record log there: %w", err)
		}
	} else if err := s.openForWriting(ctx, path); err != nil {
		return err
	}
	readers := o.Readers
	if readers == 0 {
		readers = 4
	}
	db, err := openFile(path, "mode=ro", "query_only(1)", "cache_size(-8000)")
	if err != nil {
		return err
	}
	s.read = newReader(db)
	db.SetMaxOpenConns(readers)
	db.SetMaxIdleConns(readers)
	if err := checkVersion(ctx, db); err != nil {
		return err
	}
	return checkSchema(ctx, db, logMigrations...)
}

func (s *Store) openForWriting(ctx context.Context, path string) error {
	if err := os.MkdirAll(s.dir, 0o700); err != nil {
		return err
	}
	lock, err := acquire(s.dir)
	if err != nil {
		return err
	}
	s.lock = lock
	if s.write, err = openWriter(ctx, path); err != nil {
		return err
	}
	s.cache, err = openCache(ctx, filepath.Join(s.dir, CacheFile))
	return err
}

// Announce writes a line, such as the address of the server, into the lock file
// for whoever finds the folder taken.
func (s *Store) Announce(holder string) error {
	if s.lock == nil {
		return ErrReadOnly
	}
	return s.lock.announce(holder)
}

// Close ends all use of the folder. It may be called twice.
func (s *Store) Close() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	var errs []error
	for _, l := range s.logs {
		errs = append(errs, l.flush(context.Background()))
	}
	if s.read != nil {
		errs = append(errs, s.read.close())
	}
	if s.write != nil {
		errs = append(errs, s.write.close())
	}
	if s.cache != nil {
		errs = append(errs, s.cache.Close())
	}
	if s.lock != nil {
		errs = append(errs, s.lock.release())
	}
	return errors.Join(errs...)
}

// Site gives the log of a site, which is empty until something is appended. An
// impossible site id is record.ErrInvalid.
func (s *Store) Site(ctx context.Context, site string) (*Log, error) {
	if !record.ValidSite(site) {
		return nil, fmt.Errorf("%w: site %q", record.ErrInvalid, site)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if l := s.logs[site]; l != nil {
		return l, nil
	}
	l := &Log{store: s, site: site}
	if _, err := l.siteID(ctx); err != nil && !errors.Is(err, record.ErrNotFound) {
		return nil, err
	}
	s.logs[site] = l
	return l, nil
}

// Sites gives the ids of the sites in the folder, sorted.
func (s *Store) Sites(ctx context.Context) ([]string, error) {
	rows, err := s.read.query(ctx, `SELECT name FROM site ORDER BY name`)
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	var names []string
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return nil, err
		}
		names = append(names, name)
	}
	return names, rows.Err()
}

// CheckFile lets SQLite check the file itself: pages, indexes and constraints.
// VerifyLog checks what stands in it.
func (s *Store) CheckFile(ctx context.Context) error {
	var result string
	if err := s.read.row(ctx, `PRAGMA integrity_check(1)`).Scan(&result); err != nil {
		return fmt.Errorf("check %s: %w", LogFile, err)
	}
	if result != "ok" {
		return fmt.Errorf("check %s: %w: %s", LogFile, record.ErrTampered, result)
	}
	return nil
}

// openFile opens a database file with the pragmas that every connection needs.
func openFile(path, mode string, pragmas ...string) (*sql.DB, error) {
	full, err := filepath.Abs(path)
	if err != nil {
		return nil, err
	}
	q := []string{mode, "_txlock=immediate"}
	for _, p := range append([]string{"busy_timeout(5000)"}, pragmas...) {
		q = append(q, "_pragma="+url.QueryEscape(p))
	}
	u := url.URL{Scheme: "file", Path: filepath.ToSlash(full), RawQuery: strings.Join(q, "&")}
	db, err := sql.Open("sqlite", u.String())
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", path, err)
	}
	return db, nil
}

// createPrivate makes the file with mode 0600 where there is none. It never
// opens a file that is there: closing it would drop SQLite's locks.
func createPrivate(path string) error {
	if _, err := os.Stat(path); err == nil || !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	return f.Close()
}

func checkVersion(ctx context.Context, db *sql.DB) error {
	var version string
	if err := db.QueryRowContext(ctx, `SELECT sqlite_version()`).Scan(&version); err != nil {
		return fmt.Errorf("read the version of SQLite: %w", err)
	}
	if versionNumber(version) < versionNumber(oldestSQLite) {
		return fmt.Errorf("SQLite %s may damage a WAL database; %s or later is needed", version, oldestSQLite)
	}
	return nil
}

func versionNumber(v string) int {
	n := 0
	for part := range strings.SplitSeq(v, ".") {
		k, err := strconv.Atoi(part)
		if err != nil {
			return 0
		}
		n = n*1000 + k
	}
	return n
}

// migrate brings a file to the newest of the given migrations; user_version
// counts those that have run.
func migrate(ctx context.Context, db *sql.DB, files ...string) error {
	var have int
	if err := db.QueryRowContext(ctx, `PRAGMA user_version`).Scan(&have); err != nil {
		return fmt.Errorf("read the version of the tables: %w", err)
	}
	if have > len(files) {
		return fmt.Errorf("the tables have version %d, this program knows %d: it is too old for this data folder", have, len(files))
	}
	for i := have; i < len(files); i++ {
		text, err := migrations.ReadFile(files[i])
		if err != nil {
			return err
		}
		tx, err := db.BeginTx(ctx, nil)
		if err != nil {
			return fmt.Errorf("%s: %w", files[i], err)
		}
		_, err = tx.ExecContext(ctx, string(text)+"\nPRAGMA user_version = "+strconv.Itoa(i+1))
		if err != nil {
			return errors.Join(fmt.Errorf("%s: %w", files[i], err), tx.Rollback())
		}
		if err := tx.Commit(); err != nil {
			return fmt.Errorf("%s: %w", files[i], err)
		}
	}
	return nil
}

// checkSchema refuses a file that needs other migrations than those given.
func checkSchema(ctx context.Context, db *sql.DB, files ...string) error {
	var have int
	if err := db.QueryRowContext(ctx, `PRAGMA user_version`).Scan(&have); err != nil {
		return fmt.Errorf("read the version of the tables: %w", err)
	}
	if have != len(files) {
		return fmt.Errorf("the tables have version %d, this program needs %d: start the server once on this folder, or use a newer program", have, len(files))
	}
	return nil
}
