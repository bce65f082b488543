package main

import (
	"context"
	"errors"
	"os/user"
	"strings"
	"time"

	"linewarden/internal/app"
	"linewarden/internal/app/transfer"
)

type backupCommand struct {
	Dir string `arg:"" help:"Folder to make for the backup; it must not be there."`
	placeFlags
	Site    string `help:"Site, where there are several." placeholder:"ID"`
	WithKey bool   `help:"Put the signing key into the backup too: whoever has it can sign in the plant's name."`
}

// Help is shown by --help.
func (backupCommand) Help() string {
	return `A backup may be made while the server runs. It holds the records up to that moment as an export that
anybody can verify, the checkpoints, and the passwords, hashed; not the sessions, and the signing key only where
you ask for it: keep a copy of the key elsewhere. What was written is verified before the folder gets its name.

Examples:
  linewarden backup /mnt/backup/2026-03-01 --data /var/lib/linewarden
  linewarden backup /mnt/backup/2026-03-01 --mongodb /etc/linewarden/mongodb-uri --signing-key north-plant.signing-key`
}

// records gives the progress of a long work on records.
func (t *terminal) records(what string) func(done, total int64) { return t.progress(what, "records") }

// Run makes a backup.
func (c *backupCommand) Run(ctx context.Context, t *terminal) error {
	f, err := c.place().Read(ctx, t.quiet())
	if err != nil {
		return err
	}
	defer closing(t, f)
	m, err := transfer.Backup(ctx, f, transfer.BackupOptions{Site: c.Site, Dir: c.Dir, WithKey: c.WithKey, Now: t.now(), Program: version, Progress: t.records})
	if err != nil {
		return err
	}
	t.print("%d records of site %s are in %s, and verified\ncheckpoint:\n%s", m.Size, m.Site, c.Dir, strings.TrimRight(m.Checkpoint, "\n"))
	if m.WithKey {
		t.say("the signing key is in it: keep it where only those come who may sign in the plant's name")
	} else {
		t.say("the signing key is not in it: keep a copy elsewhere; without it a restored log cannot be gone on with")
	}
	return nil
}

type restoreCommand struct {
	Dir        string `arg:"" help:"Folder of the backup."`
	Data       string `help:"Data folder to put it into; a new one is made." placeholder:"DIR"`
	MongoDB    string `name:"mongodb" help:"MongoDB database to put it into: the file that holds its URI, or the URI itself." placeholder:"FILE"`
	SigningKey string `help:"File with the site's signing key, where the backup does not hold it." placeholder:"FILE"`
	By         string `help:"Your name as it is printed in the record of the restore (default: the name of the account)." placeholder:"NAME"`
	Reason     string `help:"Why; it is recorded." placeholder:"TEXT"`
}

// Help is shown by --help.
func (restoreCommand) Help() string {
	return `The backup is verified, put where the site is not yet, verified there, and the log then says by whom and
from which backup it was restored. What was recorded after the backup is lost, unless tablets and probes send it
again. A restore that was cut short is completed by the same command.

Examples:
  linewarden restore /mnt/backup/2026-03-01 --data /var/lib/linewarden --by "Rosa Canul" --reason "disk failed"
  linewarden restore /mnt/backup/2026-03-01 --mongodb /etc/linewarden/mongodb-uri --signing-key north-plant.signing-key`
}

// Run puts a backup back.
func (c *restoreCommand) Run(ctx context.Context, t *terminal) error {
	if c.By == "" {
		u, err := user.Current()
		if err != nil || u.Username == "" {
			return errors.New("say who you are with --by NAME: it is recorded")
		}
		c.By = u.Username
	}
	place := app.Place{Data: c.Data, MongoDB: c.MongoDB}
	if c.MongoDB != "" {
		place.SigningKey = c.SigningKey
	}
	if err := place.Check(); err != nil {
		return err
	}
	if _, err := transfer.ReadBackup(c.Dir); err != nil { // before a folder is made for it
		return err
	}
	f, err := place.Open(ctx, t.quiet())
	if err != nil {
		return err
	}
	defer closing(t, f)
	r, err := transfer.Restore(ctx, f, transfer.RestoreOptions{Dir: c.Dir, SigningKey: c.SigningKey, Operator: c.By, Reason: c.Reason, Clock: t.now, Progress: t.records})
	if err != nil {
		return err
	}
	m := &r.Manifest
	if r.Again {
		t.print("this backup was put back before; nothing was done")
	} else {
		t.print("%d records of site %s, as they were on %s, are in %s, and verified; the restore is recorded", m.Size, m.Site, m.Made.Format(time.RFC3339), f.Where())
	}
	t.print("checkpoint:\n%s", strings.TrimRight(r.Checkpoint, "\n"))
	return nil
}
