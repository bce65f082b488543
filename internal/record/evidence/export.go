package evidence

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"strconv"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/record"
)

// ExportFormat is the format word in the header of an export.
const ExportFormat = "linewarden-records-1"

// maxLine is the longest line of an export: a record as a JSON string can be at
// most twice as long as the record.
const maxLine = 2*record.MaxRecordBytes + 16<<10

// checkpointMember begins the last line of an export.
const checkpointMember = `{"checkpoint":`

// Header is the first line of an export.
type Header struct {
	Complete    bool   // all records from 1 to Size
	First, Last int64  // seq of the first and last record in the file
	Format      string // ExportFormat
	Key         string // verifier key of the checkpoint at the end
	Site, LogID string
	Size        int64 // records under the checkpoint at the end
}

var headerFields = []string{"complete", "first", "format", "key", "last", "log_id", "site", "size"}

func (h Header) line() []byte {
	dst := strconv.AppendBool([]byte(`{"complete":`), h.Complete)
	dst = strconv.AppendInt(append(dst, `,"first":`...), h.First, 10)
	dst = record.AppendString(append(dst, `,"format":`...), h.Format)
	dst = record.AppendString(append(dst, `,"key":`...), h.Key)
	dst = strconv.AppendInt(append(dst, `,"last":`...), h.Last, 10)
	dst = record.AppendString(append(dst, `,"log_id":`...), h.LogID)
	dst = record.AppendString(append(dst, `,"site":`...), h.Site)
	dst = strconv.AppendInt(append(dst, `,"size":`...), h.Size, 10)
	return append(dst, '}')
}

func parseHeader(line string) (Header, error) {
	var h Header
	c := record.NewStrictReader(line)
	seen := 0
	err := c.Fields(headerFields, func(index int) error {
		seen++
		switch headerFields[index] {
		case "complete":
			h.Complete = c.Word("true")
			if !h.Complete && !c.Word("false") {
				return c.Errorf("complete must be true or false")
			}
			return nil
		case "first":
			return c.Integer(&h.First)
		case "format":
			return c.Filled(&h.Format)
		case "key":
			return c.Filled(&h.Key)
		case "last":
			return c.Integer(&h.Last)
		case "log_id":
			return c.Filled(&h.LogID)
		case "site":
			return c.Filled(&h.Site)
		default:
			return c.Integer(&h.Size)
		}
	})
	if err == nil {
		err = c.End()
	}
	if err == nil && seen != len(headerFields) {
		err = fmt.Errorf("%w: a member is missing", record.ErrInvalid)
	}
	if err != nil {
		return h, err
	}
	return h, h.check()
}

func (h Header) check() error {
	site, logID, err := record.ParseVerifierKey(h.Key)
	switch {
	case h.Format != ExportFormat:
		return fmt.Errorf("%w: format %.60q is not known here, only %q", record.ErrInvalid, h.Format, ExportFormat)
	case err != nil:
		return err
	case site != h.Site || logID != h.LogID:
		return fmt.Errorf("%w: the key is not one of this site and log", record.ErrInvalid)
	case h.First < 1 || h.Last < h.First || h.Size < h.Last:
		return fmt.Errorf("%w: records %d to %d of %d cannot be", record.ErrInvalid, h.First, h.Last, h.Size)
	case h.Complete != (h.First == 1 && h.Last == h.Size):
		return fmt.Errorf("%w: records %d to %d of %d do not fit complete=%t", record.ErrInvalid, h.First, h.Last, h.Size, h.Complete)
	}
	return nil
}

// exportLine is one record of an export.
type exportLine struct {
	leaf   tlog.Hash
	proof  []tlog.Hash
	partly bool // has a proof, which may be empty
	record string
}

var exportFields = []string{"leaf", "proof", "record"}

func appendExportLine(dst []byte, l exportLine) []byte {
	dst = record.AppendHash(append(dst, `{"leaf":`...), l.leaf)
	if l.partly {
		dst = append(dst, `,"proof":[`...)
		for i, p := range l.proof {
			if i > 0 {
				dst = append(dst, ',')
			}
			dst = record.AppendHash(dst, p)
		}
		dst = append(dst, ']')
	}
	dst = record.AppendString(append(dst, `,"record":`...), l.record)
	return append(dst, '}')
}

func parseExportLine(line string) (exportLine, error) {
	var l exportLine
	c := record.NewStrictReader(line)
	seen := 0
	err := c.Fields(exportFields, func(index int) error {
		seen++
		switch index {
		case 0:
			return c.Hash((*[32]byte)(&l.leaf))
		case 1:
			l.partly = true
			if c.Word("[]") {
				return nil
			}
			return c.List(func() error {
				var p tlog.Hash
				err := c.Hash((*[32]byte)(&p))
				l.proof = append(l.proof, p)
				return err
			})
		default:
			return c.Filled(&l.record)
		}
	})
	if err == nil {
		err = c.End()
	}
	if want := len(exportFields); err == nil && seen != want && (seen != want-1 || l.partly) {
		err = fmt.Errorf("%w: leaf or record is missing", record.ErrInvalid)
	}
	return l, err
}

// ExportOptions say what Export writes.
type ExportOptions struct {
	First, Last int64  // 0: from the beginning, to the end of the checkpoint
	Checkpoint  string // signed note over the records, or over more than them
	Key         string // verifier key of the checkpoint
	// Progress, where given, is called now and then with the records written.
	Progress func(done, total int64)
}

// Export writes records of a log under a signed checkpoint. The result can be
// checked with Verify, or with a few lines in any language.
func Export(ctx context.Context, w io.Writer, log record.Log, o ExportOptions) error {
	cp, _, err := record.VerifyCheckpoint(o.Checkpoint, o.Key)
	if err != nil {
		return fmt.Errorf("export: %w", err)
	}
	h := Header{First: max(o.First, 1), Last: o.Last, Format: ExportFormat, Key: o.Key, Site: cp.Site, LogID: cp.LogID, Size: cp.Size}
	if h.Last == 0 {
		h.Last = h.Size
	}
	h.Complete = h.First == 1 && h.Last == h.Size
	if err := h.check(); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	out := bufio.NewWriterSize(w, 1<<16)
	if err := writeLine(out, h.line()); err != nil {
		return err
	}
	if err := exportRecords(ctx, out, log, h, o.Progress); err != nil {
		return fmt.Errorf("export: %w", err)
	}
	if err := writeLine(out, append(record.AppendString([]byte(checkpointMember), o.Checkpoint), '}')); err != nil {
		return err
	}
	return out.Flush()
}

func writeLine(out *bufio.Writer, line []byte) error {
	_, err := out.Write(append(line, '\n'))
	return err
}

func exportRecords(ctx context.Context, out *bufio.Writer, log record.Log, h Header, progress func(done, total int64)) error {
	hashes := record.HashReader(ctx, log)
	next, buf := h.First, make([]byte, 0, 4096)
	err := log.Scan(ctx, h.First, h.Last, func(seq int64, rec string) error {
		l := exportLine{leaf: record.LeafHash(rec), partly: !h.Complete, record: rec}
		if l.partly {
			var err error
			if l.proof, err = tlog.ProveRecord(h.Size, seq-1, hashes); err != nil {
				return fmt.Errorf("prove record %d: %w", seq, err)
			}
		}
		if seq != next {
			return fmt.Errorf("record %d: %w", next, record.ErrNotFound)
		}
		next++
		if progress != nil && next%1024 == 0 {
			progress(next-h.First, h.Last-h.First+1)
		}
		buf = appendExportLine(buf[:0], l)
		return writeLine(out, buf)
	})
	if err == nil && next != h.Last+1 {
		err = fmt.Errorf("record %d: %w", next, record.ErrNotFound)
	}
	return err
}

// lineReader gives the lines of an export without their line feeds.
type lineReader struct {
	in   *bufio.Reader
	line int64 // number of the line last read, from 1
	buf  []byte
}

var errLongLine = errors.New("the line is too long")

// next gives the next line; ended is false where the last line has no line
// feed. At the end the error is io.EOF.
func (r *lineReader) next() (line string, ended bool, err error) {
	r.buf = r.buf[:0]
	r.line++
	for {
		part, err := r.in.ReadSlice('\n')
		r.buf = append(r.buf, part...)
		switch {
		case len(r.buf) > maxLine:
			return "", false, errLongLine
		case err == nil:
			return string(r.buf[:len(r.buf)-1]), true, nil
		case errors.Is(err, bufio.ErrBufferFull):
		case errors.Is(err, io.EOF) && len(r.buf) > 0:
			return string(r.buf), false, nil
		default:
			return "", false, err
		}
	}
}
