// Package importer reads the readings of a CSV file and records them through the site's own commands.
//
// A file is read twice: first to the end to hash and to check it, then to record it. Good rows are kept,
// bad ones are listed with their line and every fault they have; nothing is guessed, and no value is
// changed to make it fit. The ids of the commands follow from the file and the rows, so the same file
// imported twice adds nothing, and an import that was broken off goes on where it stopped.
package importer

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"linewarden/haccp"
	"linewarden/internal/plant"
)

// What to do with a local time that the clocks show twice.
const (
	TwiceAsk    = ""       // list the row as bad and ask
	TwiceFirst  = "first"  // take the first coming
	TwiceSecond = "second" // take the second coming
)

// MaxBadRows is how many bad rows a report lists; further ones are counted.
const MaxBadRows = 10_000

// Site is what the importer asks of a site at work; *plant.Site is one.
type Site interface {
	Send(ctx context.Context, r plant.Request) (*plant.Pending, error)
	View() *haccp.State
}

// Column says in which column of the file a quantity stands.
type Column struct {
	Quantity string // such as "free_chlorine"
	Column   string // name in the header line
	Unit     string // such as "mg/L"; "": the plan's unit for the check, else the usual one
	Method   string // id of a method of the plan; "": none is recorded
}

// Options says what is imported. Site, Open, Check, Place, TimeColumn, Columns and By are required.
type Options struct {
	Site Site
	// Open opens the file from its beginning; it is called twice.
	Open func() (io.ReadCloser, error)
	File string // name of the file, for messages
	Size int64  // bytes of the file, for Progress; 0: not known

	Check, Place string
	TimeColumn   string
	// TimeLayout is a layout in plain letters or Go's reference time, see ParseTime; "": RFC 3339 and
	// 2006-01-02 15:04:05 are read.
	TimeLayout string
	// Columns lists what is measured. A row without a value in the first one is bad; the others may be empty.
	Columns []Column
	// Twice is TwiceAsk, TwiceFirst or TwiceSecond.
	Twice string
	// AllOrNothing records nothing where any row is bad.
	AllOrNothing bool
	By           haccp.Actor
	Clock        func() time.Time // nil: time.Now
	// Progress is called now and then, from one goroutine, with the bytes done in this pass and in all;
	// phase is PhaseCheck, then PhaseRecord.
	Progress func(phase string, done, total int64)
}

// The two passes over a file.
const (
	PhaseCheck  = "check"
	PhaseRecord = "record"
)

// BadRow is a row that is not kept, with every fault that it has.
type BadRow struct {
	Line   int64    `json:"line"` // of the file, from 1
	Faults []string `json:"faults"`
}

// Report says what became of a file.
type Report struct {
	File    string    `json:"file"`           // SHA-256 in hex
	Rows    int64     `json:"rows"`           // with any cell filled, without the header
	Kept    int64     `json:"kept"`           // readings recorded now
	Already int64     `json:"already"`        // rows recorded before
	Bad     []BadRow  `json:"bad,omitempty"`  // in the order of the file, at most MaxBadRows
	BadRows int64     `json:"bad_rows"`       // all of them
	Outside int64     `json:"outside"`        // readings recorded now that are outside a limit
	Opened  int64     `json:"opened"`         // deviations and nonconformities opened now
	First   time.Time `json:"first,omitzero"` // earliest and latest time of a good row
	Last    time.Time `json:"last,omitzero"`
}

// ErrBadRows is the error of an import with AllOrNothing of a file with bad rows. Nothing is recorded.
var ErrBadRows = errors.New("the file has bad rows, and nothing was recorded")

// Run imports a file. The report stands with an error, too: it says how far the import came. An error of
// the options or of the header line wraps haccp.ErrInvalid.
func Run(ctx context.Context, o Options) (Report, error) {
	if o.Clock == nil {
		o.Clock = time.Now
	}
	if o.Progress == nil {
		o.Progress = func(string, int64, int64) {}
	}
	s, err := newSheet(&o)
	if err != nil {
		return Report{}, err
	}
	im := &importing{o: &o, sheet: s}
	if err := im.check(ctx); err != nil {
		return im.report, fmt.Errorf("read %s: %w", o.File, err)
	}
	if o.AllOrNothing && im.report.BadRows > 0 {
		return im.report, fmt.Errorf("%s: %w: %d of %d", o.File, ErrBadRows, im.report.BadRows, im.report.Rows)
	}
	if err := im.record(ctx); err != nil {
		return im.report, fmt.Errorf("import %s: %w", o.File, err)
	}
	return im.report, nil
}

func invalid(field, code, format string, args ...any) error {
	return &haccp.Refusal{Kind: haccp.ErrInvalid, Field: field, Code: code, Message: fmt.Sprintf(format, args...)}
}
