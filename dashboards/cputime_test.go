//go:build unix

package dashboards_test

import (
	"syscall"
	"testing"
	"time"
)

// cpuTime is the processor time that the process has used: on a machine shared with others the time on the wall says
// little.
func cpuTime(t testing.TB) time.Duration {
	t.Helper()
	var u syscall.Rusage
	check(t, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
