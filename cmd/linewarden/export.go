package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"linewarden/internal/app"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
)

type exportCommand struct {
	Report string `arg:"" enum:"corrective-actions,readings,lots,records" help:"corrective-actions, readings, lots or records."`
	placeFlags
	Site   string `help:"Site, where there are several." placeholder:"ID"`
	From   moment `help:"From this time on (RFC 3339)." placeholder:"TIME"`
	To     moment `help:"Until this time (RFC 3339; default: now)." placeholder:"TIME"`
	Format string `help:"csv or ndjson (default: ndjson for records, else csv)." placeholder:"FORMAT"`
	Output string `short:"o" help:"File to write (default: standard output)." placeholder:"FILE"`
}

// Help is shown by --help.
func (exportCommand) Help() string {
	return `Records come with their leaves and a signed checkpoint: anybody can verify them, with linewarden
verify or with a few lines in any language. A period makes a partial export, with proofs. Lots come with the
key data elements of 21 CFR 1 subpart S, sorted by lot, date and location.

Examples:
  linewarden export records --data DIR -o plant.records.ndjson
  linewarden export lots --data DIR --from 2026-03-01T00:00:00Z -o trace.csv
  linewarden export corrective-actions --data DIR --from 2026-03-01T00:00:00Z --to 2026-04-01T00:00:00Z -o march.csv`
}

// Run writes the export. A file gets its name only when it is whole.
func (c *exportCommand) Run(ctx context.Context, t *terminal) error {
	if err := c.checkFormat(); err != nil {
		return err
	}
	f, err := c.place().Look(ctx, t.quiet())
	if err != nil {
		return err
	}
	defer closing(t, f)
	id, err := f.SiteID(ctx, c.Site)
	if err != nil {
		return err
	}
	if c.To.IsZero() {
		c.To.Time = t.now()
	}
	if !c.From.Before(c.To.Time) {
		return errors.New("--from must be before --to")
	}
	return c.write(t, func(w io.Writer) error {
		if c.Report == "records" {
			return c.records(ctx, t, f, id, w)
		}
		return c.report(ctx, t, f, id, w)
	})
}

func (c *exportCommand) checkFormat() error {
	if c.Format == "" {
		c.Format = "csv"
		if c.Report == "records" {
			c.Format = "ndjson"
		}
	}
	switch {
	case c.Format == "xlsx" || c.Format == "pdf":
		return fmt.Errorf("--format %s comes with a later version: take csv or ndjson", c.Format)
	case c.Format != "csv" && c.Format != "ndjson":
		return fmt.Errorf("--format %q is not csv or ndjson", c.Format)
	case c.Report == "records" && c.Format != "ndjson":
		return errors.New("records are exported as ndjson, the form that can be verified")
	}
	return nil
}

// write calls the work with the file to write, or with standard output.
func (c *exportCommand) write(t *terminal, work func(io.Writer) error) error {
	if c.Output == "" || c.Output == "-" {
		w := bufio.NewWriter(t.out)
		return errors.Join(work(w), w.Flush())
	}
	tmp, err := os.CreateTemp(filepath.Dir(c.Output), filepath.Base(c.Output)+".*")
	if err != nil {
		return fmt.Errorf("write %s: %w", c.Output, err)
	}
	w := bufio.NewWriterSize(tmp, 1<<20)
	err = work(w)
	if err == nil {
		err = errors.Join(w.Flush(), tmp.Sync())
	}
	err = errors.Join(err, tmp.Close())
	if err == nil {
		err = os.Rename(tmp.Name(), c.Output)
	}
	if err != nil {
		return errors.Join(err, os.Remove(tmp.Name()))
	}
	t.say("written: %s", c.Output)
	return nil
}

// records exports the records of the period, or all of them.
func (c *exportCommand) records(ctx context.Context, t *terminal, f *app.Folder, id string, w io.Writer) error {
	log, err := f.Log(ctx, id)
	if err != nil {
		return err
	}
	signer, err := f.Key(id)
	if err != nil {
		return err
	}
	founding, err := f.Founding(ctx, id)
	if err != nil {
		return err
	}
	head, err := log.Head(ctx)
	if err != nil {
		return err
	}
	note, err := signer.Sign(record.Checkpoint{Site: id, LogID: founding.LogID, Size: head.Size, Root: head.Root})
	if err != nil {
		return err
	}
	o := evidence.ExportOptions{Checkpoint: note, Key: signer.VerifierKey(), Progress: t.progress("exporting", "records")}
	if !c.From.IsZero() {
		if o.First, o.Last, err = recordedBetween(ctx, log, head.Size, c.From.Time, c.To.Time); err != nil {
			return err
		}
	}
	return evidence.Export(ctx, w, log, o)
}

// recordedBetween gives the first and last record that was recorded in a period. recorded_at never runs
// backwards in a log, so that both are found by halving.
func recordedBetween(ctx context.Context, log record.Log, size int64, from, to time.Time) (first, last int64, err error) {
	if first, err = firstAt(ctx, log, size, from); err != nil {
		return 0, 0, err
	}
	if last, err = firstAt(ctx, log, size, to); err != nil {
		return 0, 0, err
	}
	last--
	if last < first {
		return 0, 0, errors.New("no record was recorded in this period")
	}
	return first, last, nil
}

// firstAt gives the first record with recorded_at at or after a moment, size+1 where there is none.
func firstAt(ctx context.Context, log record.Log, size int64, at time.Time) (int64, error) {
	low, high := int64(1), size+1
	for low < high {
		mid := (low + high) / 2
		var when time.Time
		err := log.Scan(ctx, mid, mid, func(_ int64, rec string) error {
			env, err := record.DecodeString(rec)
			when = env.RecordedAt
			return err
		})
		if err != nil {
			return 0, err
		}
		if when.Before(at) {
			low = mid + 1
		} else {
			high = mid
		}
	}
	return low, nil
}
