package haccp

import (
	"encoding/json"
	"iter"
	"slices"
	"sort"
	"time"
)

// linkSize is how many entries a link of a chain holds. The tail grows to twice as many before its older
// half becomes a link, so that an entry that comes a little late still falls into the tail.
const linkSize = 32

// chain is a list in order of which adding at the end copies one link only. It is a value: what changes
// returns a new chain and leaves the old one, and all it shares with it, as it was. How it is cut into links
// is never seen from outside.
type chain[T any] struct {
	links [][]*T // full ones; never empty
	tail  []*T
}

// IsZero reports whether the chain is empty; it is then left out of a snapshot.
func (c chain[T]) IsZero() bool { return len(c.links) == 0 && len(c.tail) == 0 }

func (c chain[T]) all() iter.Seq[*T] {
	return func(yield func(*T) bool) {
		for _, l := range c.links {
			for i := range l {
				if !yield(l[i]) {
					return
				}
			}
		}
		for i := range c.tail {
			if !yield(c.tail[i]) {
				return
			}
		}
	}
}

func (c chain[T]) backward() iter.Seq[*T] {
	return func(yield func(*T) bool) {
		for _, v := range slices.Backward(c.tail) {
			if !yield(v) {
				return
			}
		}
		for _, l := range slices.Backward(c.links) {
			for _, v := range slices.Backward(l) {
				if !yield(v) {
					return
				}
			}
		}
	}
}

// last returns the last entry, nil where there is none.
func (c chain[T]) last() *T {
	for v := range c.backward() {
		return v
	}
	return nil
}

func (c chain[T]) contains(is func(*T) bool) bool {
	for v := range c.backward() {
		if is(v) {
			return true
		}
	}
	return false
}

// since yields the entries from the first on that does not lie before; before is true for a beginning of
// the chain.
func (c chain[T]) since(before func(*T) bool) iter.Seq[*T] {
	return func(yield func(*T) bool) {
		first := sort.Search(len(c.links), func(i int) bool { l := c.links[i]; return !before(l[len(l)-1]) })
		for n := first; n <= len(c.links); n++ {
			l := c.tail
			if n < len(c.links) {
				l = c.links[n]
			}
			for i := sort.Search(len(l), func(i int) bool { return !before(l[i]) }); i < len(l); i++ {
				if !yield(l[i]) {
					return
				}
			}
		}
	}
}

// len counts the entries.
func (c chain[T]) len() int {
	n := len(c.tail)
	for _, l := range c.links {
		n += len(l)
	}
	return n
}

// insert returns the chain with v at its place in the order given.
func (c chain[T]) insert(v T, order func(a, b *T) int) chain[T] {
	if len(c.tail) == 0 && len(c.links) > 0 {
		if last := c.links[len(c.links)-1]; order(last[len(last)-1], &v) > 0 {
			return c.insertLate(v, order)
		}
	}
	if len(c.tail) > 0 && order(c.tail[0], &v) > 0 && len(c.links) > 0 {
		return c.insertLate(v, order)
	}
	c.tail = enter(c.tail, &v, order)
	if len(c.tail) >= 2*linkSize {
		c.links, c.tail = append(slices.Clip(c.links), slices.Clip(c.tail[:linkSize])), slices.Clip(c.tail[linkSize:])
	}
	return c
}

// enter returns the list with v at its place.
func enter[T any](list []*T, v *T, order func(a, b *T) int) []*T {
	i := len(list)
	for i > 0 && order(list[i-1], v) > 0 {
		i--
	}
	out := make([]*T, 0, len(list)+1)
	out = append(append(out, list[:i]...), v)
	return append(out, list[i:]...)
}

// insertLate puts v into the link where it belongs, and cuts that in two where it grew too long.
func (c chain[T]) insertLate(v T, order func(a, b *T) int) chain[T] {
	i := len(c.links) - 1
	for i > 0 && order(c.links[i][0], &v) > 0 {
		i--
	}
	link := enter(c.links[i], &v, order)
	c.links = slices.Clone(c.links)
	if half := len(link) / 2; half >= linkSize {
		c.links[i] = slices.Clip(link[:half])
		c.links = slices.Insert(c.links, i+1, slices.Clip(link[half:]))
	} else {
		c.links[i] = link
	}
	return c
}

// change returns the chain with every entry passed through a function; false drops the entry.
func (c chain[T]) change(f func(T) (T, bool)) chain[T] {
	var out []*T
	for v := range c.all() {
		if w, ok := f(*v); ok {
			out = append(out, &w)
		}
	}
	return chainOf(out)
}

func chainOf[T any](list []*T) chain[T] {
	var c chain[T]
	for len(list) >= 2*linkSize {
		c.links, list = append(c.links, slices.Clip(list[:linkSize])), list[linkSize:]
	}
	c.tail = slices.Clone(list)
	return c
}

// trim is keep for a chain: what is dropped depends on the entries alone, not on the links.
func (c chain[T]) trim(horizon time.Duration, at func(*T) time.Time) chain[T] {
	last := c.last()
	var first *T
	for v := range c.all() {
		first = v
		break
	}
	if first == nil || at(first).After(at(last).Add(-horizon-slack)) {
		return c
	}
	edge := at(last).Add(-horizon)
	n := -1 // the entry before stays
	for v := range c.all() {
		if at(v).After(edge) {
			break
		}
		n++
	}
	return c.drop(max(n, 0))
}

// drop returns the chain without its first n entries.
func (c chain[T]) drop(n int) chain[T] {
	for len(c.links) > 0 && n >= len(c.links[0]) {
		n -= len(c.links[0])
		c.links = c.links[1:]
	}
	switch {
	case n == 0:
	case len(c.links) > 0:
		c.links = slices.Clone(c.links)
		c.links[0] = slices.Clone(c.links[0][n:])
	default:
		c.tail = slices.Clone(c.tail[n:])
	}
	return c
}

// MarshalJSON writes the entries as one array.
func (c chain[T]) MarshalJSON() ([]byte, error) {
	return json.Marshal(slices.AppendSeq(make([]*T, 0, c.len()), c.all()))
}

// UnmarshalJSON replaces the entries.
func (c *chain[T]) UnmarshalJSON(b []byte) error {
	var list []*T
	if err := json.Unmarshal(b, &list); err != nil {
		return err
	}
	*c = chainOf(list)
	return nil
}
