package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/sqlitestore"
)

// ErrNoSite says that a data folder holds no site yet.
var ErrNoSite = errors.New("no site has been founded there")

// Folder is an open data folder: the record logs, the accounts and the signing keys in it.
type Folder struct {
	Dir      string
	ReadOnly bool
	Logger   *slog.Logger
	store    *sqlitestore.Store
	accounts *sqlitestore.Accounts
	outbox   *sqlitestore.Outbox
}

// OpenFolder opens a data folder for writing, and makes it where it is missing. A folder that another
// process writes to gives a *sqlitestore.LockedError; see Taken.
func OpenFolder(ctx context.Context, dir string, logger *slog.Logger) (*Folder, error) {
	return openFolder(ctx, dir, logger, false)
}

// LookFolder opens a data folder to look at what is in it: for writing where it can, because the state then
// comes from the snapshot, else for reading.
func LookFolder(ctx context.Context, dir string, logger *slog.Logger) (*Folder, error) {
	if _, err := os.Stat(dir); err == nil {
		if f, err := OpenFolder(ctx, dir, logger); err == nil {
			return f, nil
		}
	}
	return ReadFolder(ctx, dir, logger)
}

// ReadFolder opens a data folder for reading, whoever writes to it meanwhile.
func ReadFolder(ctx context.Context, dir string, logger *slog.Logger) (*Folder, error) {
	return openFolder(ctx, dir, logger, true)
}

func openFolder(ctx context.Context, dir string, logger *slog.Logger, readOnly bool) (*Folder, error) {
	if logger == nil {
		logger = slog.New(slog.DiscardHandler)
	}
	if info, err := os.Stat(dir); readOnly && (err != nil || !info.IsDir()) {
		return nil, fmt.Errorf("there is no data folder %s", dir)
	}
	store, err := sqlitestore.Open(ctx, dir, sqlitestore.Options{ReadOnly: readOnly})
	if err != nil {
		return nil, err
	}
	return &Folder{Dir: dir, ReadOnly: readOnly, Logger: logger, store: store}, nil
}

// Taken gives, for a folder that another process writes to, the line to show; ok is false for any other
// error.
func Taken(err error) (line string, ok bool) {
	locked, ok := errors.AsType[*sqlitestore.LockedError](err)
	if !ok {
		return "", false
	}
	line = "the server is running on the data folder " + locked.Dir
	if locked.Holder != "" {
		line += " (" + locked.Holder + ")"
	}
	return line + ": use its pages or its API for this, or stop it first", true
}

// SiteID gives the id of the site in the folder: the wished one, or the only one. ErrNoSite where there is
// none.
func (f *Folder) SiteID(ctx context.Context, wish string) (string, error) {
	sites, err := f.store.Sites(ctx)
	if err != nil {
		return "", fmt.Errorf("sites of %s: %w", f.Dir, err)
	}
	var founded []string
	for _, s := range sites {
		log, err := f.store.Site(ctx, s)
		if err != nil {
			return "", err
		}
		head, err := log.Head(ctx)
		if err != nil {
			return "", err
		}
		if head.Size > 0 {
			founded = append(founded, s)
		}
	}
	switch {
	case len(founded) == 0:
		return "", fmt.Errorf("data folder %s: %w", f.Dir, ErrNoSite)
	case wish == "" && len(founded) > 1:
		return "", fmt.Errorf("data folder %s holds several sites (%s): say which with --site", f.Dir, strings.Join(founded, ", "))
	case wish == "":
		return founded[0], nil
	}
	for _, s := range founded {
		if s == wish {
			return s, nil
		}
	}
	return "", fmt.Errorf("data folder %s holds no site %q, only %s", f.Dir, wish, strings.Join(founded, ", "))
}

// Log gives the record log of a site.
func (f *Folder) Log(ctx context.Context, site string) (*sqlitestore.Log, error) {
	return f.store.Site(ctx, site)
}

// Found writes record 1 of a new site. Its signing key is made first, so that a crash between the two
// leaves a key that the next try uses.
func (f *Folder) Found(ctx context.Context, p plant.Founding, clock func() time.Time) error {
	log, err := f.store.Site(ctx, p.Site)
	if err != nil {
		return err
	}
	head, err := log.Head(ctx)
	if err != nil {
		return err
	}
	if head.Size > 0 {
		return fmt.Errorf("found site %s: %w: it was founded before", p.Site, haccp.ErrConflict)
	}
	o, err := f.NewOptions(ctx, p.Site)
	if err != nil {
		return err
	}
	o.Clock = clock
	return plant.Found(ctx, o, p)
}

// NewOptions gives what a new site is founded and opened with. It makes the site's signing key where there
// is none.
func (f *Folder) NewOptions(ctx context.Context, site string) (plant.Options, error) {
	if _, err := f.makeKey(site); err != nil {
		return plant.Options{}, err
	}
	return f.Options(ctx, site)
}

// Founding reads record 1 of a site.
func (f *Folder) Founding(ctx context.Context, site string) (record.Founding, error) {
	log, err := f.store.Site(ctx, site)
	if err != nil {
		return record.Founding{}, err
	}
	var out record.Founding
	err = log.Scan(ctx, 1, 1, func(_ int64, rec string) error {
		env, err := record.DecodeString(rec)
		if err == nil {
			out, err = record.ReadFounding(&env)
		}
		return err
	})
	if err == nil && out.Site == "" {
		err = ErrNoSite
	}
	return out, err
}

// Options gives what a site of the folder is opened with. Of a folder opened for reading the site can
// decide nothing.
func (f *Folder) Options(ctx context.Context, site string) (plant.Options, error) {
	log, err := f.store.Site(ctx, site)
	if err != nil {
		return plant.Options{}, err
	}
	o := plant.Options{Log: log, Zones: time.LoadLocation, Logger: f.Logger}
	if f.ReadOnly {
		return o, nil
	}
	o.Snapshots, o.Checkpoints = log, log
	o.Signer, err = f.Key(site)
	return o, err
}

// Open opens a site of the folder and waits until its log is read; progress may be nil.
func (f *Folder) Open(ctx context.Context, site string, progress func(done, total int64)) (*plant.Site, error) {
	o, err := f.Options(ctx, site)
	if err != nil {
		return nil, err
	}
	o.Progress = progress
	return plant.Open(ctx, o)
}

// Accounts gives the accounts of the folder, which only one process at a time may use.
func (f *Folder) Accounts() (*sqlitestore.Accounts, error) {
	if f.ReadOnly {
		return nil, sqlitestore.ErrReadOnly
	}
	if f.accounts == nil {
		a, err := sqlitestore.OpenAccounts(f.Dir)
		if err != nil {
			return nil, err
		}
		f.accounts = a
	}
	return f.accounts, nil
}

// Announce tells whoever finds the folder taken who has it.
func (f *Folder) Announce(holder string) error { return f.store.Announce(holder) }

// CheckFile lets the data base look at its own file.
func (f *Folder) CheckFile(ctx context.Context) error { return f.store.CheckFile(ctx) }

// Close ends all use of the folder.
func (f *Folder) Close() error {
	var err error
	if f.accounts != nil {
		err = f.accounts.Close()
	}
	if f.outbox != nil {
		err = errors.Join(err, f.outbox.Close())
	}
	return errors.Join(err, f.store.Close())
}
