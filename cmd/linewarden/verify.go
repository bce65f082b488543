package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"linewarden/internal/app"
	"linewarden/internal/record/evidence"
)

type verifyCommand struct {
	File string `arg:"" optional:"" help:"Export to verify (*.records.ndjson)."`
	placeFlags
	Site  string `help:"Site, where there are several." placeholder:"ID"`
	Key   string `help:"The log's public key, known from elsewhere: a file, or the key itself; it stands in the data folder as SITE.verify-key." placeholder:"FILE"`
	Since string `help:"An earlier checkpoint, known from elsewhere: signed, or its size and root as at the foot of a page." placeholder:"FILE"`
}

// Help is shown by --help.
func (verifyCommand) Help() string {
	return `Exits 0 and prints the checkpoint, or exits 1 and names the first bad record or the damaged part. It
says what it could not prove: without --key nothing about who signed, without --since nothing against
somebody who holds the key and signed a rewritten log.

Examples:
  linewarden verify audit.records.ndjson --key plant.verify-key
  linewarden verify --mongodb /etc/linewarden/mongodb-uri
  linewarden verify --data /var/lib/linewarden --since shift-end.checkpoint`
}

// Run verifies a file or a data folder.
func (c *verifyCommand) Run(ctx context.Context, t *terminal) error {
	if (c.File == "") == (c.place() == app.Place{}) {
		return errors.New("verify wants either a file or --data DIR (or --mongodb)")
	}
	o := evidence.VerifyOptions{Progress: t.progress("verifying", "records")}
	var err error
	if o.Key, err = keyText(c.Key); err != nil {
		return err
	}
	if c.Since != "" {
		b, err := os.ReadFile(c.Since)
		if err != nil {
			return fmt.Errorf("read the earlier checkpoint: %w", err)
		}
		o.Since = strings.TrimSpace(strings.ReplaceAll(string(b), "\r\n", "\n")) + "\n" // as an editor or a mail left it
	}
	result, err := c.verify(ctx, t, o)
	if err != nil {
		return err
	}
	return show(t, &result)
}

func (c *verifyCommand) verify(ctx context.Context, t *terminal, o evidence.VerifyOptions) (evidence.Result, error) {
	if c.File == "" {
		return c.verifyFolder(ctx, t, o)
	}
	f, err := os.Open(c.File)
	if err != nil {
		return evidence.Result{}, fmt.Errorf("read the export: %w", err)
	}
	defer f.Close()
	return evidence.Verify(ctx, bufio.NewReaderSize(f, 1<<20), o)
}

func (c *verifyCommand) verifyFolder(ctx context.Context, t *terminal, o evidence.VerifyOptions) (evidence.Result, error) {
	f, err := c.place().Read(ctx, t.quiet())
	if err != nil {
		return evidence.Result{}, err
	}
	defer closing(t, f)
	if err := f.CheckFile(ctx); err != nil {
		return evidence.Result{}, err
	}
	id, err := f.SiteID(ctx, c.Site)
	if err != nil {
		return evidence.Result{}, err
	}
	log, err := f.Log(ctx, id)
	if err != nil {
		return evidence.Result{}, err
	}
	return evidence.VerifyLog(ctx, id, log, o)
}

// keyText reads a public key: a file that holds it, or the key itself.
func keyText(s string) (string, error) {
	if s == "" || strings.HasPrefix(s, "linewarden/") && strings.Contains(s, "+") {
		return s, nil
	}
	b, err := os.ReadFile(s)
	if err != nil {
		return "", fmt.Errorf("read the key: %w", err)
	}
	return strings.TrimSpace(string(b)), nil
}

// remedy names the flag that would prove what was not.
var remedy = map[evidence.Claim]string{evidence.ClaimOrigin: " (--key)", evidence.ClaimSince: " (--since)"}

// show prints what a verification found; the fault is the error.
func show(t *terminal, r *evidence.Result) error {
	if r.Fault != nil {
		return r.Fault
	}
	t.print("records %d to %d of %d of site %s are whole", r.First, r.Last, r.Size, r.Site)
	for _, c := range r.Proved {
		t.print("proved: %s", c.ProvedText())
	}
	for _, c := range r.NotProved {
		t.print("not proved: %s%s", c.MissingText(), remedy[c])
	}
	for _, seq := range r.LostAt {
		t.print("record %d says that the key before it was lost: origin is proved up to record %d only", seq, r.OriginTo)
	}
	if r.Checkpoint != "" {
		t.print("checkpoint:\n%s", strings.TrimRight(r.Checkpoint, "\n"))
		return nil
	}
	t.print("root of %d records: %s", r.Size, r.Root)
	return nil
}
