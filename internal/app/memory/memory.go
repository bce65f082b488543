// Package memory gives the collector of garbage more room than Go does by itself.
package memory

import (
	"os"
	"runtime/debug"
	"runtime/metrics"
)

// How much memory is given to have less to do with collecting garbage.
const (
	gcPercent   = 400       // of what is alive, in place of Go's 100
	leastMemory = 256 << 20 // bytes for Go's part of the process before it is pressed for memory
)

// Tune lets garbage grow to some hundred megabytes, which saves a fifth of the processor time where
// many readings come at once, and no further: the limit follows what is alive. It is called again where
// that may have changed. Whoever sets GOGC or GOMEMLIMIT is left alone.
func Tune() {
	if os.Getenv("GOGC") != "" || os.Getenv("GOMEMLIMIT") != "" {
		return
	}
	live := []metrics.Sample{{Name: "/gc/heap/live:bytes"}} // as of the last collection
	metrics.Read(live)
	limit := int64(leastMemory)
	if live[0].Value.Kind() == metrics.KindUint64 {
		limit = max(limit, 2*int64(live[0].Value.Uint64()))
	}
	debug.SetGCPercent(gcPercent)
	debug.SetMemoryLimit(limit)
}
