package sqlitestore

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// LockedError says that another process writes to the data folder.
type LockedError struct {
	Dir    string
	Holder string // what the holder announced, may be empty
}

// Error implements error.
func (e *LockedError) Error() string {
	msg := fmt.Sprintf("another process writes to data folder %s", e.Dir)
	if e.Holder != "" {
		msg += " (" + e.Holder + ")"
	}
	return msg + "; stop it, or let it do this"
}

// fileLock is the held lock file of a data folder.
type fileLock struct{ file *os.File }

var errLocked = errors.New("locked")

// acquire takes the lock of a folder or gives a *LockedError. The file stays
// when the lock is released: removing it would race with the next holder.
func acquire(dir string) (*fileLock, error) {
	path := filepath.Join(dir, LockFile)
	f, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, err
	}
	if err := tryLock(f); err != nil {
		text, readErr := os.ReadFile(path)
		closeErr := f.Close()
		if errors.Is(err, errLocked) {
			return nil, &LockedError{Dir: dir, Holder: strings.TrimSpace(string(text))}
		}
		return nil, errors.Join(fmt.Errorf("lock %s: %w", path, err), readErr, closeErr)
	}
	l := &fileLock{f}
	return l, l.announce("")
}

func (l *fileLock) announce(holder string) error {
	text := "process " + strconv.Itoa(os.Getpid())
	if holder != "" {
		text += ", " + holder
	}
	if err := l.file.Truncate(0); err != nil {
		return err
	}
	_, err := l.file.WriteAt([]byte(text+"\n"), 0)
	return err
}

func (l *fileLock) release() error {
	return errors.Join(l.file.Truncate(0), l.file.Close())
}
