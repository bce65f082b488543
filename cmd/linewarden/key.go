package main

import (
	"linewarden/internal/app"
)

type keyCommand struct {
	Site   string `arg:"" help:"Id of the site that is to be founded."`
	Output string `short:"o" required:"" help:"File for the signing key; the public half goes beside it." placeholder:"FILE"`
}

// Help is shown by --help.
func (keyCommand) Help() string {
	return `A site in a database is founded and served with a key from a file that only the service can read; it
is made once, by this command. Keep a copy: without it nobody can sign the log any more. Where the log is in a
data folder this command is not needed.

Example:
  linewarden key north-plant -o /etc/linewarden/north-plant.signing-key`
}

// Run makes a signing key.
func (c *keyCommand) Run(t *terminal) error {
	secret, public := app.KeyFiles(c.Output)
	if _, err := app.MakeKey(c.Site, secret, public); err != nil {
		return err
	}
	t.print("signing key of site %s: %s (keep a copy)\nkey to verify with: %s", c.Site, secret, public)
	return nil
}
