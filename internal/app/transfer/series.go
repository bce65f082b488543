package transfer

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"linewarden/alerts"
	"linewarden/internal/app"
)

const (
	stampLayout = "20060102T150405Z"  // of the name of a backup in a series, after the site and a dash
	staleAfter  = 24 * time.Hour      // what was not finished for so long never will be
	removing    = unfinished + "gone" // ends the name of a backup that is being removed
)

// Series gives the job that keeps backups of a site in a folder. A backup is called SITE-20260301T050000Z and bears
// its name only when it is whole and verified. The oldest go after that, beyond the number that is kept: of the
// folder's content only what such a job made of this very log, and to which nobody added anything.
func Series(o app.BackupSeries) alerts.Backups {
	s := &series{o}
	return alerts.Backups{Last: s.last, Make: s.make}
}

type series struct{ app.BackupSeries }

// made is one backup of a series.
type made struct {
	name string
	at   time.Time
	m    BackupManifest
}

// list gives the backups of the site in the folder, the newest first.
func (s *series) list() ([]made, error) {
	entries, err := os.ReadDir(s.Dir)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("folder for backups: %w", err)
	}
	var out []made
	for _, e := range entries {
		at, ok := s.stamp(e.Name())
		if !ok || !e.IsDir() {
			continue
		}
		m, err := readManifest(filepath.Join(s.Dir, e.Name()))
		if err != nil || m.Site != s.Site || !m.Made.Truncate(time.Second).Equal(at) {
			continue // not one of ours
		}
		out = append(out, made{e.Name(), at, m})
	}
	slices.SortFunc(out, func(a, b made) int { return cmp.Or(b.at.Compare(a.at), cmp.Compare(a.name, b.name)) })
	return out, nil
}

// stamp reads the moment in the name of a backup of the site.
func (s *series) stamp(name string) (time.Time, bool) {
	text, ok := strings.CutPrefix(name, s.Site+"-")
	if !ok {
		return time.Time{}, false
	}
	at, err := time.Parse(stampLayout, text)
	return at, err == nil
}

// last gives when the newest backup was made; zero where there is none.
func (s *series) last(ctx context.Context) (time.Time, error) {
	log, err := s.logID(ctx)
	if err != nil {
		return time.Time{}, err
	}
	list, err := s.list()
	for _, b := range list {
		if b.m.LogID == log {
			return b.m.Made, nil
		}
	}
	return time.Time{}, err
}

func (s *series) logID(ctx context.Context) (string, error) {
	founding, err := s.From.Founding(ctx, s.Site)
	return founding.LogID, err
}

// make makes a backup, and removes what is not kept any more after the new one was verified as it lies there.
func (s *series) make(ctx context.Context) error {
	if err := s.ready(); err != nil {
		return err
	}
	now := s.Clock().UTC()
	name := s.Site + "-" + now.Format(stampLayout)
	dir := filepath.Join(s.Dir, name)
	silent := func(string) func(done, total int64) { return nil }
	m, err := Backup(ctx, s.From, BackupOptions{Site: s.Site, Dir: dir, Now: now, Program: s.Program, Progress: silent})
	if err != nil {
		return err
	}
	if _, err := ReadBackup(dir); err != nil {
		return err
	}
	s.Logger.Info("a backup was made and verified", "site", s.Site, "folder", dir, "records", m.Size)
	if err := s.thin(name, m.LogID); err != nil {
		return fmt.Errorf("the backup %s is whole, but older ones cannot be removed: %w", name, err)
	}
	return nil
}

// ready sees that the folder is there. Only one that lies in the data folder is made: another may be a disk that
// is not mounted, and what were written there instead would be no backup.
func (s *series) ready() error {
	if s.MakeDir {
		if err := os.MkdirAll(s.Dir, 0o700); err != nil {
			return fmt.Errorf("folder for backups: %w", err)
		}
	}
	info, err := os.Stat(s.Dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("the folder for backups %s is not there: make it, or mount its disk", s.Dir)
	case err != nil:
		return fmt.Errorf("folder for backups: %w", err)
	case !info.IsDir():
		return fmt.Errorf("%s is a file, not a folder for backups", s.Dir)
	}
	return nil
}

// thin removes the backups of the same log beyond the number kept, never the one just made, and what was left
// unfinished long ago.
func (s *series) thin(newest, log string) error {
	list, err := s.list()
	if err != nil {
		return err
	}
	list = slices.DeleteFunc(list, func(b made) bool { return b.name == newest || b.m.LogID != log })
	errs := []error{s.sweep()}
	for i, b := range list {
		if i < s.Keep-1 {
			continue
		}
		dir := filepath.Join(s.Dir, b.name)
		if extra, err := added(dir, b.m); extra != "" || err != nil {
			s.Logger.Warn("a backup is not removed: something in it is not of the backup", "folder", dir, "name", extra, "error", err)
			continue
		}
		gone := dir + removing // half a backup bears no whole one's name
		err := os.Rename(dir, gone)
		if err == nil {
			err = os.RemoveAll(gone)
		}
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// added gives the name of a file in a backup that the backup did not write; "" where there is none.
func added(dir string, m BackupManifest) (string, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return "", err
	}
	for _, e := range entries {
		if _, ours := m.Files[e.Name()]; !ours && e.Name() != manifestName {
			return e.Name(), nil
		}
	}
	return "", nil
}

// sweep removes what a backup of the series, or a removal, that was cut short long ago left.
func (s *series) sweep() error {
	entries, err := os.ReadDir(s.Dir)
	if err != nil {
		return err
	}
	var errs []error
	for _, e := range entries {
		name, _, half := strings.Cut(e.Name(), unfinished)
		if _, ours := s.stamp(name); !half || !ours || !e.IsDir() {
			continue
		}
		if info, err := e.Info(); err == nil && s.Clock().Sub(info.ModTime()) > staleAfter {
			errs = append(errs, os.RemoveAll(filepath.Join(s.Dir, e.Name())))
		}
	}
	return errors.Join(errs...)
}
