// Package report writes what the log says as files that other programs read: CSV (RFC 4180, UTF-8, no byte
// order mark) and NDJSON (one JSON object a line).
//
// Every row carries the plant, the time zone and the checkpoint it was made at, and the mark of an invented
// plant, so that no row stands alone without them. Times are RFC 3339 in the plant's time zone with its
// offset. Column names and codes are English words of the record format, whatever the language of people.
package report

import (
	"encoding/csv"
	"fmt"
	"io"
	"regexp"
	"strconv"
	"strings"
	"time"

	"linewarden/internal/wording"
)

// Head stands on every row of an export.
type Head struct {
	Site       string
	Name       string
	Demo       bool           // an invented plant; every row says so
	Zone       *time.Location // nil: UTC
	Made       time.Time
	Checkpoint string           // size and root of the log
	Language   wording.Language // of the mark of an invented plant
	Part       string           // what a corrective-action log was narrowed to; "": it is whole
}

// headColumns are the last columns of every CSV.
var headColumns = []string{"plant", "time_zone", "checkpoint", "made", "mark"}

func (h Head) cells() []string {
	return []string{h.Name, h.zone().String(), h.Checkpoint, h.time(h.Made), h.mark()}
}

func (h Head) mark() string {
	if !h.Demo {
		return ""
	}
	if h.Language == "" {
		h.Language = wording.English
	}
	return h.Language.Text("ui.demo")
}

func (h Head) zone() *time.Location {
	if h.Zone == nil {
		return time.UTC
	}
	return h.Zone
}

// time writes a moment as RFC 3339 in the plant's zone, with milliseconds where there are any; nothing for none.
func (h Head) time(t time.Time) string {
	if t.IsZero() {
		return ""
	}
	return t.In(h.zone()).Format("2006-01-02T15:04:05.999Z07:00")
}

// number is a whole cell that a spreadsheet may take for a number without harm.
var number = regexp.MustCompile(`^[+-]?[0-9]+(\.[0-9]+)?([eE][+-]?[0-9]+)?$`)

// Cell escapes a CSV cell that a spreadsheet would take for a formula: one that begins with = + - @ TAB or
// CR gets an apostrophe in front, unless the whole cell is a number.
func Cell(s string) string {
	if s == "" || !strings.ContainsRune("=+-@\t\r", rune(s[0])) || number.MatchString(s) {
		return s
	}
	return "'" + s
}

// table writes rows as CSV with line ends of RFC 4180.
type table struct {
	w     *csv.Writer
	width int
	head  []string
}

func newTable(w io.Writer, h Head, columns []string) (*table, error) {
	t := &table{w: csv.NewWriter(w), head: h.cells()}
	t.w.UseCRLF = true
	all := append(append([]string{}, columns...), headColumns...)
	t.width = len(columns)
	if err := t.w.Write(all); err != nil {
		return nil, fmt.Errorf("write csv: %w", err)
	}
	return t, nil
}

func (t *table) row(cells []string) error {
	if len(cells) != t.width {
		return fmt.Errorf("write csv: a row has %d cells, the table %d columns", len(cells), t.width)
	}
	out := make([]string, 0, t.width+len(t.head))
	for _, c := range append(cells, t.head...) {
		out = append(out, Cell(c))
	}
	if err := t.w.Write(out); err != nil {
		return fmt.Errorf("write csv: %w", err)
	}
	return nil
}

func (t *table) end() error {
	t.w.Flush()
	if err := t.w.Error(); err != nil {
		return fmt.Errorf("write csv: %w", err)
	}
	return nil
}

func whole(n int64) string {
	if n == 0 {
		return ""
	}
	return strconv.FormatInt(n, 10)
}
