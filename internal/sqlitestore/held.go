package sqlitestore

import (
	"strings"
	"sync"
)

// How many bytes of records are held in memory: twice this at most.
const heldBytes = 8 << 20

// held keeps records that were read lately, by the key that each would have as a page of its own. A record of the log
// never changes, so what is held is always right.
type held struct {
	mu         sync.Mutex
	young, old map[int64]string
	size       int // bytes of the young
}

func (h *held) get(key int64) (string, bool) {
	h.mu.Lock()
	defer h.mu.Unlock()
	rec, ok := h.young[key]
	if !ok {
		if rec, ok = h.old[key]; ok {
			h.add(key, rec)
		}
	}
	return rec, ok
}

// put keeps a copy, so that no text of a whole page stays with it.
func (h *held) put(key int64, rec string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.add(key, strings.Clone(rec))
}

func (h *held) add(key int64, rec string) {
	if h.young == nil || h.size+len(rec) > heldBytes {
		h.young, h.old, h.size = map[int64]string{}, h.young, 0
	}
	h.young[key] = rec
	h.size += len(rec)
}
