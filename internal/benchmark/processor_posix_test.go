//go:build unix

package benchmark_test

import (
	"syscall"
	"time"
)

// processorTime is what this process has used of the processors. Beside other work on the machine it says
// more than the clock does.
func processorTime() time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
