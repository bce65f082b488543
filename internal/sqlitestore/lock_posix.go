//go:build unix

package sqlitestore

import (
	"errors"
	"os"
	"syscall"
)

// tryLock takes an exclusive lock that the system drops when the process ends;
// errLocked where another open file holds it.
func tryLock(f *os.File) error {
	err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return errLocked
	}
	return err
}
