package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"time"

	"linewarden/alerts"
	"linewarden/haccp"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/sqlitestore"
)

// ErrNoSite says that a data folder holds no site yet.
var ErrNoSite = errors.New("no site has been founded there")

// Folder is where plants are kept, open: a data folder with the record logs, the accounts and the signing
// keys in it, or a MongoDB database with the first two.
type Folder struct {
	Dir      string // of a data folder; else empty
	ReadOnly bool
	Logger   *slog.Logger
	place    Place
	where    string // in words
	store    storage
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
	return &Folder{Dir: dir, ReadOnly: readOnly, Logger: logger, place: Place{Data: dir}, where: "data folder " + dir,
		store: &sqliteStorage{Store: store, dir: dir}}, nil
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

// Sites gives the ids of the logs that hold records, sorted; that of a group among them.
func (f *Folder) Sites(ctx context.Context) ([]string, error) {
	sites, err := f.store.Sites(ctx)
	if err != nil {
		return nil, fmt.Errorf("sites of %s: %w", f.where, err)
	}
	var founded []string
	for _, s := range sites {
		log, err := f.store.Site(ctx, s)
		if err != nil {
			return nil, err
		}
		head, err := log.Head(ctx)
		if err != nil {
			return nil, err
		}
		if head.Size > 0 {
			founded = append(founded, s)
		}
	}
	slices.Sort(founded)
	return founded, nil
}

// SiteID gives the id of the site in the folder: the wished one, or the only one. ErrNoSite where there is
// none.
func (f *Folder) SiteID(ctx context.Context, wish string) (string, error) {
	sites, err := f.Sites(ctx)
	if err != nil {
		return "", err
	}
	return pickSite(f.where, sites, wish)
}

// Log gives the record log of a site.
func (f *Folder) Log(ctx context.Context, site string) (SiteLog, error) {
	return f.store.Site(ctx, site)
}

// Found writes record 1 of a new site. Its signing key is made first, so that a crash between the two
// leaves a key that the next try uses.
func (f *Folder) Found(ctx context.Context, p plant.Founding, clock func() time.Time) error {
	if p.Site == haccp.GroupID {
		return fmt.Errorf("found site %s: %w: that is the id of a group's own log: choose another", p.Site, haccp.ErrInvalid)
	}
	return f.found(ctx, p, clock)
}

func (f *Folder) found(ctx context.Context, p plant.Founding, clock func() time.Time) error {
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

// FoundGroup writes record 1 of a group.
func (f *Folder) FoundGroup(ctx context.Context, name string, clock func() time.Time) error {
	return f.found(ctx, plant.Founding{Site: haccp.GroupID, Name: name}, clock)
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
		if f.Dir == "" {
			o.Snapshots = cached{log}
		}
		return o, nil
	}
	if err := f.checkMoved(ctx, site); err != nil {
		return o, err
	}
	signer, err := f.Key(site)
	if err != nil {
		return o, err
	}
	return f.OptionsWith(ctx, site, signer)
}

// OptionsWith gives what a site is opened for writing with, whatever the place of its key.
func (f *Folder) OptionsWith(ctx context.Context, site string, signer *record.Signer) (plant.Options, error) {
	log, err := f.store.Site(ctx, site)
	if err != nil {
		return plant.Options{}, err
	}
	return plant.Options{Log: log, Snapshots: log, Checkpoints: log, Signer: signer, Zones: time.LoadLocation, Logger: f.Logger}, nil
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

// Accounts gives the accounts of a site. Those of a data folder are the same for all its sites, and only one
// process at a time may write to them.
func (f *Folder) Accounts(site string) (Accounts, error) { return f.store.Accounts(site, f.ReadOnly) }

// Outbox gives where messages about alerts wait, the same for all sites of a data folder or database.
func (f *Folder) Outbox() (alerts.Outbox, error) {
	if f.ReadOnly {
		return nil, sqlitestore.ErrReadOnly
	}
	return f.store.Outbox()
}

// Shared gives what the instances that use a database share; nil for a data folder, which is one process's own.
func (f *Folder) Shared() Shared {
	s, ok := f.store.(Shared)
	if !ok {
		return nil
	}
	return s
}

// Where says in words which data folder or database this is; it holds no password.
func (f *Folder) Where() string { return f.where }

// Announce tells whoever finds the folder taken who has it.
func (f *Folder) Announce(holder string) error { return f.store.Announce(holder) }

// CheckFile lets the data base look at its own file.
func (f *Folder) CheckFile(ctx context.Context) error { return f.store.CheckFile(ctx) }

// Close ends all use of the folder.
func (f *Folder) Close() error { return f.store.Close() }
