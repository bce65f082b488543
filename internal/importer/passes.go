package importer

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"time"

	"linewarden/haccp"
)

// importing is one import on its way.
type importing struct {
	o       *Options
	sheet   *sheet
	report  Report
	total   int64 // bytes of the file
	ordered bool  // the good rows stand in order of time, or in the opposite one
}

// check reads the whole file: its hash, its bad rows, and whether it stands in order.
func (im *importing) check(ctx context.Context) error {
	var last time.Time
	rises, falls := true, true
	sum, err := im.pass(ctx, PhaseCheck, func(row *haccp.ImportRow, line int64, faults []string) error {
		r := &im.report
		r.Rows++
		if len(faults) > 0 {
			if r.BadRows++; len(r.Bad) < MaxBadRows {
				r.Bad = append(r.Bad, BadRow{line, faults})
			}
			return nil
		}
		if !last.IsZero() {
			rises, falls = rises && !row.At.Before(last), falls && !row.At.After(last)
		}
		last = row.At
		if r.First.IsZero() || row.At.Before(r.First) {
			r.First = row.At
		}
		if row.At.After(r.Last) {
			r.Last = row.At
		}
		return nil
	})
	im.report.File, im.ordered = sum, rises || falls
	return err
}

// record reads the file again and records its good rows.
func (im *importing) record(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	s := &sender{im: im}
	seen := newCounter(im.ordered)
	var batch []haccp.ImportRow
	sum, err := im.pass(ctx, PhaseRecord, func(row *haccp.ImportRow, _ int64, faults []string) error {
		if len(faults) > 0 {
			return nil
		}
		row.Occurrence = seen.count(row)
		if batch = append(batch, *row); len(batch) < haccp.MaxImportRows {
			return nil
		}
		err := s.send(ctx, batch)
		batch = nil
		return err
	})
	if err == nil && len(batch) > 0 {
		err = s.send(ctx, batch)
	}
	if err := errors.Join(err, s.finish(ctx)); err != nil {
		return err
	}
	if sum != im.report.File {
		return errors.New("the file was changed while it was read: import it again")
	}
	return nil
}

// pass reads the file from its beginning to its end and gives its hash.
func (im *importing) pass(ctx context.Context, phase string, each func(row *haccp.ImportRow, line int64, faults []string) error) (string, error) {
	f, err := im.o.Open()
	if err != nil {
		return "", err
	}
	in := &counted{in: f, sum: sha256.New()}
	err = im.rows(ctx, phase, in, each)
	if err == nil {
		_, err = io.Copy(io.Discard, in) // nothing is left but where the file ends in an error
	}
	if err := errors.Join(err, f.Close()); err != nil {
		return "", err
	}
	im.total = in.n
	im.o.Progress(phase, im.total, im.total)
	return hex.EncodeToString(in.sum.Sum(nil)), nil
}

// progressRows is after how many rows progress is told.
const progressRows = 4096

func (im *importing) rows(ctx context.Context, phase string, in *counted, each func(*haccp.ImportRow, int64, []string) error) error {
	r := newLineReader(in, 0)
	head, err := r.headLine()
	if errors.Is(err, io.EOF) {
		return invalid("file", "empty", "the file is empty: its first line names the columns")
	}
	if err != nil {
		return err
	}
	if r.comma, err = im.sheet.header(head); err != nil {
		return err
	}
	for n := 1; ; n++ {
		if n%progressRows == 0 {
			if err := ctx.Err(); err != nil {
				return err
			}
			im.o.Progress(phase, in.n, max(im.total, im.o.Size, in.n))
		}
		cells, line, err := r.next()
		var row haccp.ImportRow
		var faults []string
		bad, isLine := errors.AsType[*errLine](err)
		switch {
		case errors.Is(err, io.EOF):
			return nil
		case isLine:
			faults = []string{bad.what}
		case err != nil:
			return fmt.Errorf("line %d: %w", line, err)
		default:
			row, faults = im.sheet.row(cells, line)
		}
		if err := each(&row, line, faults); err != nil {
			return err
		}
	}
}

// headLine gives the first line that is not blank, as it stands.
func (r *lineReader) headLine() ([]byte, error) {
	for {
		l, err := r.raw()
		if err != nil {
			return nil, err
		}
		r.line++
		if len(l) > maxLine {
			return nil, invalid("file", "bad-header", "the first line is longer than %d bytes: is this a CSV file?", maxLine)
		}
		if len(l) > 0 {
			return append([]byte(nil), l...), nil
		}
	}
}

// counted counts and hashes what is read.
type counted struct {
	in  io.Reader
	n   int64
	sum hash.Hash
}

func (c *counted) Read(p []byte) (int, error) {
	n, err := c.in.Read(p)
	c.n += int64(n)
	c.sum.Write(p[:n])
	return n, err
}

// counter counts identical rows: those of one time with the same values. Where rows stand in order of
// time it keeps those of one moment only, else about 50 bytes for every row of the file.
type counter struct {
	ordered bool
	at      time.Time
	seen    map[[16]byte]int64
	text    []byte
}

func newCounter(ordered bool) *counter {
	return &counter{ordered: ordered, seen: map[[16]byte]int64{}}
}

// count gives the number of a row among those like it, from 1.
func (c *counter) count(row *haccp.ImportRow) int64 {
	if c.ordered && !row.At.Equal(c.at) {
		clear(c.seen)
	}
	c.at = row.At
	c.text = appendRow(c.text[:0], row)
	sum := sha256.Sum256(c.text)
	key := [16]byte(sum[:16])
	c.seen[key]++
	return c.seen[key]
}

// appendRow writes what makes a row the same as another: time and values.
func appendRow(dst []byte, row *haccp.ImportRow) []byte {
	dst = fmt.Append(dst, row.At.UnixMilli())
	for i := range row.Values {
		v := &row.Values[i]
		dst = append(append(append(append(dst, '|'), v.Quantity...), '|'), v.Method...)
		dst = v.Value.AppendJSON(append(dst, '|'))
	}
	return dst
}
