package runs

import (
	"encoding/binary"
	"sync"

	"linewarden/internal/record"
)

// A Filter knows of the ids of commands for certain that they are new, so that an append need not ask the server: a Bloom
// filter, which may take a new id for an old one (about twice in ten thousand) and never the reverse.
type Filter struct {
	mu       sync.Mutex
	parts    []filterPart // each twice as large as the one before
	complete bool         // every command of the log is in it
}

type filterPart struct {
	bits []uint64
	room int // ids that may still be added
}

const (
	filterFirst  = 1 << 16 // ids in the first part
	filterBits   = 20      // for each id
	filterProbes = 7       // of these set
)

// FilterMost is the number of records of a log whose commands are read into a filter, of some 10 MB; beyond it the
// server is asked.
const FilterMost = 4_000_000

// Add adds an id.
func (f *Filter) Add(id record.UUID) {
	f.mu.Lock()
	defer f.mu.Unlock()
	n := len(f.parts)
	if n == 0 || f.parts[n-1].room == 0 {
		room := filterFirst << n
		f.parts = append(f.parts, filterPart{make([]uint64, room*filterBits/64), room})
		n++
	}
	p := &f.parts[n-1]
	p.room--
	p.each(id, func(word *uint64, bit uint64) bool { *word |= bit; return true })
}

// News reports that the id was never added. While the filter is not complete it says so of none.
func (f *Filter) News(id record.UUID) bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	if !f.complete {
		return false
	}
	for i := range f.parts {
		all := true
		f.parts[i].each(id, func(word *uint64, bit uint64) bool { all = *word&bit != 0; return all })
		if all {
			return false
		}
	}
	return true
}

func (p *filterPart) each(id record.UUID, fn func(word *uint64, bit uint64) bool) {
	a, b := mix(binary.BigEndian.Uint64(id[:8])), mix(binary.BigEndian.Uint64(id[8:]))
	a, b = a^(b<<1), (a+b)|1
	for range filterProbes {
		n := a % uint64(64*len(p.bits))
		if !fn(&p.bits[n/64], 1<<(n%64)) {
			return
		}
		a += b
	}
}

// mix spreads the bits of a number: ids made in one second differ in few of them.
func mix(x uint64) uint64 {
	x ^= x >> 33
	x *= 0xff51afd7ed558ccd
	x ^= x >> 33
	x *= 0xc4ceb9fe1a85ec53
	return x ^ x>>33
}

// Complete reports that every id of the log was added.
func (f *Filter) Complete() bool {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.complete
}

// SetComplete says that every id of the log was added.
func (f *Filter) SetComplete() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.complete = true
}
