package app

import (
	"context"
	"fmt"
	"log/slog"
	"slices"
	"strings"

	"linewarden/alerts"
	"linewarden/internal/access"
	"linewarden/internal/app/staff"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

// beside is what a home keeps outside the logs.
type beside interface {
	// Accounts gives what is kept of the people of a site outside its log.
	Accounts(site string) (Accounts, error)
	// Outbox gives where messages about alerts wait.
	Outbox() (alerts.Outbox, error)
}

// Home is where a service keeps its sites: a data folder that is its own, or a store that several instances share.
type Home interface {
	// Sites gives the ids of the logs that hold records, sorted; that of a group among them.
	Sites(ctx context.Context) ([]string, error)
	// Options gives what a site is opened with.
	Options(ctx context.Context, site string) (plant.Options, error)
	// Founding reads record 1 of a site.
	Founding(ctx context.Context, site string) (record.Founding, error)
	beside
	// Shared gives what instances that use the home at once share; nil where it is this process's own.
	Shared() Shared
	// Where says in words where it is.
	Where() string
	// Announce tells whoever finds the home in use where the service is.
	Announce(url string) error
	// Close ends all use.
	Close() error
}

// Shared is what instances of the service that use one store share: the heads of the logs, and who runs a
// timetable.
type Shared interface {
	record.News
	alerts.Lease
}

// pickSite gives the site to work on: the wished one, or the only one.
func pickSite(where string, sites []string, wish string) (string, error) {
	switch {
	case len(sites) == 0:
		return "", fmt.Errorf("%s: %w", where, ErrNoSite)
	case wish == "" && len(sites) > 1:
		return "", fmt.Errorf("%s holds several sites (%s): say which with --site", where, strings.Join(sites, ", "))
	case wish == "":
		return sites[0], nil
	case slices.Contains(sites, wish):
		return wish, nil
	}
	return "", fmt.Errorf("%s holds no site %q, only %s", where, wish, strings.Join(sites, ", "))
}

// Door opens the sign-in of a site: accounts from its home, people from the site's view.
func Door(ctx context.Context, home Home, site *plant.Site, set access.Settings, o DoorOptions) (*access.Gate, error) {
	id, _ := site.Name()
	accounts, err := home.Accounts(id)
	if err != nil {
		return nil, err
	}
	founding, err := home.Founding(ctx, id)
	if err != nil {
		return nil, fmt.Errorf("read the founding of site %s: %w", id, err)
	}
	set.Demo = founding.Demo
	set.Words = append(set.Words, founding.Site, founding.Name, "linewarden")
	people, report := staff.Of(site)
	logger := o.Logger
	if logger == nil {
		logger = slog.New(slog.DiscardHandler)
	}
	return access.New(access.Parts{Accounts: accounts, Directory: people, Report: report,
		Log: logger, Metrics: o.Registerer}, set)
}

// Door opens the sign-in of a site of the folder.
func (f *Folder) Door(ctx context.Context, site *plant.Site, set access.Settings, o DoorOptions) (*access.Gate, error) {
	return Door(ctx, f, site, set, o)
}
