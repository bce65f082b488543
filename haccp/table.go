package haccp

import (
	"encoding/json"
	"iter"
	"maps"
	"sync"
	"sync/atomic"

	"github.com/tidwall/btree"
)

// table is an ordered map from string keys that can be forked at no cost: the two share everything until
// one of them is changed. Values are immutable: to change one, set a new one.
type table[V any] struct{ *shared[V] }

// shared is what tables share. Once it was forked nobody changes it any more; who wants to takes a copy,
// which shares its nodes.
type shared[V any] struct {
	m      *btree.Map[string, V]
	mu     sync.Mutex // a copy leaves its mark on the map it came from too
	forked atomic.Bool
}

func newTable[V any]() table[V] { return table[V]{&shared[V]{m: btree.NewMap[string, V](0)}} }

// fork may be called by several goroutines at once, as long as none changes t.
func (t table[V]) fork() table[V] {
	t.forked.Store(true)
	return t
}

func (t table[V]) get(key string) (V, bool) { return t.m.Get(key) }

func (t *table[V]) set(key string, v V) { t.own().Set(key, v) }

func (t *table[V]) delete(key string) { t.own().Delete(key) }

// own gives the map for changing it.
func (t *table[V]) own() *btree.Map[string, V] {
	if t.forked.Load() {
		t.mu.Lock()
		m := t.m.IsoCopy()
		t.mu.Unlock()
		t.shared = &shared[V]{m: m}
	}
	return t.m
}

// all yields the entries in the order of their keys.
func (t table[V]) all() iter.Seq2[string, V] {
	return func(yield func(string, V) bool) { t.m.Scan(yield) }
}

// MarshalJSON writes the entries as an object in the order of their keys.
func (t table[V]) MarshalJSON() ([]byte, error) {
	m := maps.Collect(t.all())
	return json.Marshal(m)
}

// UnmarshalJSON replaces the entries.
func (t *table[V]) UnmarshalJSON(b []byte) error {
	var m map[string]V
	if err := json.Unmarshal(b, &m); err != nil {
		return err
	}
	*t = newTable[V]()
	for k, v := range m {
		t.set(k, v)
	}
	return nil
}
