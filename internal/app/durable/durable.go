// Package durable writes files that are either there whole or not there.
package durable

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
)

// Write writes a new file and has it on the disk before it has its name, so that no half file is ever
// found. A file that is there already is replaced.
func Write(path, text string, mode fs.FileMode) error {
	tmp := path + ".new"
	f, err := os.OpenFile(tmp, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, mode)
	if err != nil {
		return err
	}
	_, err = f.WriteString(text)
	if err == nil {
		err = f.Chmod(mode)
	}
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return errors.Join(err, os.Remove(tmp))
	}
	if err := os.Rename(tmp, path); err != nil {
		return err
	}
	return SyncFolder(filepath.Dir(path))
}

// SyncFolder makes a renamed file's name durable, where the system lets a folder be synced.
func SyncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, errors.ErrUnsupported) || errors.Is(err, fs.ErrPermission) || errors.Is(err, fs.ErrInvalid) {
		err = nil
	}
	return errors.Join(err, d.Close())
}
