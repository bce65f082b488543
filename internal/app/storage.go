package app

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strings"
	"time"

	"linewarden/alerts"
	"linewarden/internal/access"
	"linewarden/internal/mongostore"
	"linewarden/internal/mongostore/fleet"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/sqlitestore"
)

// SiteLog is what a store keeps of one site.
type SiteLog interface {
	record.Log
	record.Checkpoints
	record.LookupLister
	plant.Snapshots
}

// Accounts is what a store keeps of the people's sign-in, with a way to copy it.
type Accounts interface {
	access.Accounts
	// EachCredential calls fn with every credential, in any order; an error of fn ends it and is returned.
	EachCredential(ctx context.Context, fn func(kind, owner, secret string, at time.Time) error) error
}

// sideStorage is where a technology keeps what stands outside the logs.
type sideStorage interface {
	Accounts(site string, readOnly bool) (Accounts, error)
	Outbox() (alerts.Outbox, error)
}

// storage is the technology behind a Folder.
type storage interface {
	Site(ctx context.Context, site string) (SiteLog, error)
	Sites(ctx context.Context) ([]string, error)
	sideStorage
	Announce(holder string) error
	CheckFile(ctx context.Context) error
	Moved(ctx context.Context, site string) (text string, err error)
	SetMoved(ctx context.Context, site, text string) error
	Close() error
}

// Place names where a plant is kept: a data folder, or a MongoDB database with the file of the signing key.
type Place struct {
	Data       string // data folder
	MongoDB    string // URI of the database, or the file that holds it
	SigningKey string // file with the site's signing key, or folder with SITE.signing-key; database only
}

// Check says what is wrong with a place.
func (p Place) Check() error {
	switch {
	case p.Data == "" && p.MongoDB == "":
		return errors.New("name the data folder (--data DIR) or the database (--mongodb URI or file that holds it)")
	case p.Data != "" && p.MongoDB != "":
		return errors.New("--data and --mongodb exclude each other")
	case p.Data != "" && p.SigningKey != "":
		return errors.New("--signing-key goes with --mongodb: a data folder holds its own key")
	}
	return nil
}

// Open opens a place for writing.
func (p Place) Open(ctx context.Context, logger *slog.Logger) (*Folder, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	if p.MongoDB != "" {
		return openDatabase(ctx, p, logger, false)
	}
	return OpenFolder(ctx, p.Data, logger)
}

// Look opens a place to look at what is in it, as LookFolder does.
func (p Place) Look(ctx context.Context, logger *slog.Logger) (*Folder, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	if p.MongoDB != "" {
		return openDatabase(ctx, p, logger, true)
	}
	return LookFolder(ctx, p.Data, logger)
}

// Read opens a place for reading.
func (p Place) Read(ctx context.Context, logger *slog.Logger) (*Folder, error) {
	if err := p.Check(); err != nil {
		return nil, err
	}
	if p.MongoDB != "" {
		return openDatabase(ctx, p, logger, true)
	}
	return ReadFolder(ctx, p.Data, logger)
}

// sqliteStorage is a data folder.
type sqliteStorage struct {
	*sqlitestore.Store
	dir      string
	accounts *sqlitestore.Accounts
	outbox   *sqlitestore.Outbox
}

// Site gives the log of a site.
func (s *sqliteStorage) Site(ctx context.Context, site string) (SiteLog, error) {
	return s.Store.Site(ctx, site)
}

// Accounts gives the accounts of the folder, the same for every site in it.
func (s *sqliteStorage) Accounts(_ string, readOnly bool) (Accounts, error) {
	if s.accounts != nil {
		return s.accounts, nil
	}
	open := sqlitestore.OpenAccounts
	if readOnly {
		open = sqlitestore.ReadAccounts
	}
	var err error
	s.accounts, err = open(s.dir)
	if err != nil {
		return nil, err
	}
	return s.accounts, nil
}

// Outbox gives the outbox of the folder, the same for every site in it.
func (s *sqliteStorage) Outbox() (alerts.Outbox, error) {
	if s.outbox == nil {
		o, err := sqlitestore.OpenOutbox(s.dir)
		if err != nil {
			return nil, err
		}
		s.outbox = o
	}
	return s.outbox, nil
}

// Close ends all use of the folder.
func (s *sqliteStorage) Close() error {
	var err error
	if s.outbox != nil {
		err = s.outbox.Close()
	}
	if s.accounts != nil {
		err = errors.Join(err, s.accounts.Close())
	}
	return errors.Join(err, s.Store.Close())
}

// mongoStorage is a MongoDB database.
type mongoStorage struct {
	*mongostore.Store
	*fleet.Fleet
}

// Outbox gives the outbox of the database, the same for every site and instance.
func (s mongoStorage) Outbox() (alerts.Outbox, error) {
	o, err := s.Store.Outbox()
	if err != nil {
		return nil, err
	}
	return o, nil
}

// closeWithin is how long a database may take to be closed.
const closeWithin = 10 * time.Second

// openDatabase opens a MongoDB database. Many instances may have it open for writing at a time.
func openDatabase(ctx context.Context, p Place, logger *slog.Logger, readOnly bool) (*Folder, error) {
	if logger == nil {
		logger = slog.New(slog.DiscardHandler)
	}
	uri, err := mongoURI(p.MongoDB)
	if err != nil {
		return nil, err
	}
	store, err := mongostore.Open(ctx, mongostore.Options{URI: uri, ReadOnly: readOnly})
	if err != nil {
		return nil, err
	}
	return &Folder{ReadOnly: readOnly, Logger: logger, place: p, where: "database " + store.Target(), store: mongoStorage{store, store.Fleet()}}, nil
}

// mongoURI gives the URI itself, or reads it from the file that is named.
func mongoURI(text string) (string, error) {
	if strings.HasPrefix(text, "mongodb://") || strings.HasPrefix(text, "mongodb+srv://") {
		return text, nil
	}
	b, err := os.ReadFile(text)
	if err != nil {
		return "", fmt.Errorf("read the file with the URI of the database: %w", err)
	}
	return strings.TrimSpace(string(b)), nil
}

// Site gives the log of a site.
func (s mongoStorage) Site(ctx context.Context, site string) (SiteLog, error) {
	return s.Store.Site(ctx, site)
}

// Accounts gives the accounts of a site.
func (s mongoStorage) Accounts(site string, _ bool) (Accounts, error) {
	return s.Store.Accounts(site), nil
}

// Announce does nothing: a database is open to many.
func (s mongoStorage) Announce(string) error { return nil }

// CheckFile asks whether the server answers; what stands in it is for verify to say.
func (s mongoStorage) CheckFile(ctx context.Context) error { return s.Ping(ctx) }

// Close ends all use of the database.
func (s mongoStorage) Close() error {
	ctx, cancel := context.WithTimeout(context.Background(), closeWithin)
	defer cancel()
	return s.Store.Close(ctx)
}

// cached lets snapshots be loaded and keeps none.
type cached struct{ plant.Snapshots }

// SaveSnapshot does nothing.
func (cached) SaveSnapshot(context.Context, string, int64, [32]byte, []byte) error { return nil }
