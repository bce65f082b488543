package main

import (
	"context"
	"fmt"
	"os"
	"strings"

	"linewarden/internal/app"
	"linewarden/internal/app/transfer"
)

type moveCommand struct {
	From       string `required:"" help:"Where the plant is kept: data folder, file with the URI of a MongoDB database, or the URI itself." placeholder:"PLACE"`
	To         string `required:"" help:"Where it shall be kept." placeholder:"PLACE"`
	SigningKey string `help:"File with the site's signing key; a data folder has its own." placeholder:"FILE"`
	Site       string `help:"Site, where there are several." placeholder:"ID"`
}

// Help is shown by --help.
func (moveCommand) Help() string {
	return `Stop every server first. All records, checkpoints and passwords go to the other place, and what is there
is verified against the root of the source; then the source takes no more records. A move that was cut short is
completed by the same command. Where the other place holds another log nothing is done. People sign in again.

A database does not hold the signing key: after a move into one, hand the key to the service as a secret file.

Examples:
  linewarden move --from /var/lib/linewarden --to /etc/linewarden/mongodb-uri
  linewarden move --from /etc/linewarden/mongodb-uri --to /var/lib/linewarden --signing-key north-plant.signing-key`
}

// placeOf tells a data folder from a database: what is a file, or a URI, names a database.
func placeOf(text, key string) app.Place {
	info, err := os.Stat(text)
	if strings.Contains(text, "://") || err == nil && info.Mode().IsRegular() {
		return app.Place{MongoDB: text, SigningKey: key}
	}
	return app.Place{Data: text}
}

// Run moves a plant.
func (c *moveCommand) Run(ctx context.Context, t *terminal) error {
	open := placeOf(c.From, c.SigningKey)
	if open.Data != "" {
		if _, err := os.Stat(open.Data); err != nil { // an empty source is never made
			return fmt.Errorf("there is no data folder %s", open.Data)
		}
	}
	from, err := open.Open(ctx, t.quiet())
	if err != nil {
		return err
	}
	defer closing(t, from)
	to, err := placeOf(c.To, c.SigningKey).Open(ctx, t.quiet())
	if err != nil {
		return err
	}
	defer closing(t, to)
	m, err := transfer.Move(ctx, from, to, transfer.MoveOptions{Site: c.Site, Now: t.now(), Progress: t.records})
	if err != nil {
		return err
	}
	t.print("%d records of site %s are in %s, and verified; %s takes no more of them\ncheckpoint:\n%s", m.Size, m.Site, to.Where(), from.Where(), strings.TrimRight(m.Checkpoint, "\n"))
	return nil
}
