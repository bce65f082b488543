package evidence

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"strings"

	"linewarden/internal/record"
)

// Records calls fn with every record of an export, in order; an error of fn ends it and is returned. It
// checks the form of the lines only: whoever uses the records has verified the export before.
func Records(ctx context.Context, in io.Reader, fn func(seq int64, rec string) error) error {
	r := lineReader{in: bufio.NewReaderSize(in, 1<<16)}
	line, _, err := r.next()
	if err != nil {
		return fmt.Errorf("read the export: %w", err)
	}
	h, err := parseHeader(line)
	if err != nil {
		return fmt.Errorf("header of the export: %w", err)
	}
	for seq := h.First; ; seq++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		line, _, err := r.next()
		if err != nil {
			return fmt.Errorf("read record %d of the export: %w", seq, err)
		}
		if strings.HasPrefix(line, checkpointMember) {
			if seq != h.Last+1 {
				return fmt.Errorf("%w: the export ends with record %d, not %d", record.ErrInvalid, seq-1, h.Last)
			}
			return nil
		}
		l, err := parseExportLine(line)
		if err != nil {
			return fmt.Errorf("record %d of the export: %w", seq, err)
		}
		if err := fn(seq, l.record); err != nil {
			return err
		}
	}
}
