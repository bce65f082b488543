package config

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"
)

// Backup says how the service makes backups by itself.
type Backup struct {
	// Folder is where they go, each into a folder of its own: an absolute path, best on another disk, or a path in the
	// data folder. It must be there, except in the data folder.
	Folder string `yaml:"folder"`
	// Every is how often one is made, such as 24h; 0s makes none.
	Every Duration `yaml:"every"`
	// Keep is how many of the newest are kept of each site; older ones are removed after a newer one was verified.
	Keep int `yaml:"keep"`
}

const (
	backupOften = time.Hour
	backupKeep  = 14
	backupMost  = 10_000
)

// In gives the folder for backups, and whether it is named as one in the data folder.
func (b *Backup) In(data string) (folder string, inData bool) {
	if filepath.IsAbs(b.Folder) {
		return filepath.Clean(b.Folder), false
	}
	return filepath.Join(data, b.Folder), true
}

// checkBackup says what is wrong with the settings of backups. A folder that is not there is not refused: a plant
// must start without its backup disk.
func (c *Config) checkBackup() []error {
	var errs []error
	bad := func(field, format string, args ...any) {
		errs = append(errs, fmt.Errorf("backup.%s: %s", field, fmt.Sprintf(format, args...)))
	}
	b := &c.Backup
	if b.Keep < 1 || b.Keep > backupMost {
		bad("keep", "%d is not from 1 to %d", b.Keep, backupMost)
	}
	switch {
	case b.Every < 0 || b.Every > 0 && b.Every.Std() < backupOften:
		bad("every", "%s is too often: at least 1h, such as 24h, or 0s for no backups", b.Every.Std())
	case b.Every == 0 && b.Folder != "":
		bad("every", "say how often a backup goes into %s, such as 24h", b.Folder)
	case b.Every > 0 && b.Folder == "":
		bad("folder", "name the folder for the backups")
	}
	if b.Folder == "" {
		return errs
	}
	dir, inData := b.In(c.Data)
	switch {
	case inData && c.Data == "":
		bad("folder", "%q is no absolute path, and there is no data folder that it could be in", b.Folder)
	case inData && !filepath.IsLocal(b.Folder):
		bad("folder", "%q leads out of the data folder: write the absolute path", b.Folder)
	case c.Data != "" && sameFolder(dir, c.Data):
		bad("folder", "%s is the data folder itself: name a folder in it, or better one on another disk", b.Folder)
	default:
		if err := writable(dir); err != nil {
			bad("folder", "%v", err)
		}
	}
	return errs
}

func sameFolder(a, b string) bool {
	x, err := filepath.Abs(a)
	y, err2 := filepath.Abs(b)
	if err == nil && err2 == nil && x == y {
		return true
	}
	i, err := os.Stat(a)
	j, err2 := os.Stat(b)
	return err == nil && err2 == nil && os.SameFile(i, j)
}

// writable says why a folder can never be written to. One that is missing, full or broken today may be mended.
func writable(dir string) error {
	info, err := os.Stat(dir)
	switch {
	case errors.Is(err, syscall.ENOTDIR) || err == nil && !info.IsDir():
		return fmt.Errorf("%s is a file or lies in one, and no folder", dir)
	case errors.Is(err, fs.ErrPermission):
		return fmt.Errorf("%s cannot be looked into: give the account that runs the service the right to", dir)
	case err != nil:
		return nil //nolint:nilerr // it may be mended; the job says so until then
	}
	f, err := os.CreateTemp(dir, ".linewarden-*")
	if errors.Is(err, fs.ErrPermission) {
		return fmt.Errorf("%s cannot be written to: give the account that runs the service the right to", dir)
	}
	if err != nil {
		return nil //nolint:nilerr // as above
	}
	return errors.Join(f.Close(), os.Remove(f.Name()))
}
