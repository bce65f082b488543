package wiretest

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"path/filepath"
	"strings"

	_ "modernc.org/sqlite" // the form in which the server keeps its data
)

// IndexIDs gives the collections that a database has by now the index that the server means them to have. FerretDB
// 1.24.2 makes the index of _id over the expression _ferretdb_sjson->"_id" and asks for a document by
// _ferretdb_sjson->'$._id', which SQLite does not take for the same, so that it reads the whole collection for every
// document asked for by its key. Here an index is made over what is asked for; filters that name anything else, ranges
// and orders go through the whole collection still. On another server than the one started here it does nothing.
func (s *Server) IndexIDs(ctx context.Context, database string) (err error) {
	if !s.Own() {
		return nil
	}
	db, err := sql.Open("sqlite", "file:"+filepath.Join(s.folder, database+".sqlite")+"?_pragma=busy_timeout(10000)")
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, db.Close()) }()
	tables, err := tablesOf(ctx, db)
	if err != nil {
		return err
	}
	for _, t := range tables {
		if _, err := db.ExecContext(ctx, fmt.Sprintf(`CREATE UNIQUE INDEX IF NOT EXISTS %q ON %q (_ferretdb_sjson->'$._id')`, t+"_by_id", t)); err != nil {
			return fmt.Errorf("index of %s: %w", t, err)
		}
	}
	return nil
}

// tablesOf names the tables of collections.
func tablesOf(ctx context.Context, db *sql.DB) (names []string, err error) {
	rows, err := db.QueryContext(ctx, "SELECT name FROM sqlite_master WHERE type = 'table'")
	if err != nil {
		return nil, err
	}
	defer rows.Close()
	for rows.Next() {
		var name string
		if err := rows.Scan(&name); err != nil {
			return nil, err
		}
		if !strings.HasPrefix(name, "_ferretdb") && !strings.HasPrefix(name, "sqlite_") {
			names = append(names, name)
		}
	}
	return names, rows.Err()
}
