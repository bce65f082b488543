package haccp

import (
	"encoding/json"
	"iter"
	"maps"
	"sync"

	"github.com/tidwall/btree"
)

// table is an ordered map from string keys that can be forked cheaply: a fork shares its nodes with the
// table it came from until one of the two is changed. Values are immutable: to change one, set a new one.
type table[V any] struct {
	m  *btree.Map[string, V]
	mu *sync.Mutex // a fork leaves its mark on the table it came from too
}

func newTable[V any]() table[V] { return table[V]{btree.NewMap[string, V](0), new(sync.Mutex)} }

// fork may be called by several goroutines at once, as long as none changes t.
func (t table[V]) fork() table[V] {
	t.mu.Lock()
	defer t.mu.Unlock()
	return table[V]{t.m.IsoCopy(), new(sync.Mutex)}
}

func (t table[V]) get(key string) (V, bool) { return t.m.Get(key) }

func (t table[V]) set(key string, v V) { t.m.Set(key, v) }

func (t table[V]) delete(key string) { t.m.Delete(key) }

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
