package lot

import (
	"cmp"
	"iter"
	"math"
	"math/bits"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"github.com/tidwall/btree"
)

// open stands for the end of what has none yet.
const open = math.MaxInt64

// A run is a closed interval of whole numbers that belongs to a lot: milliseconds of a stay at a place, numbers of
// boxes with a prefix. It is not changed once it was put into runs.
type run struct {
	group    string // place, or prefix
	lot      string
	from, to int64
	stay     *Stay // of a stay; nil: of anything else
	length   int8  // see lengthOf
}

// lengthOf sorts runs by how long they are: those of length n are at most 4^n long, the open ones the longest. What
// meets an interval then begins within 4^n before it, so that one look for each length finds it.
func lengthOf(from, to int64) int8 {
	switch {
	case to == open:
		return 63
	case to <= from:
		return 0
	}
	return int8((bits.Len64(uint64(to-from)) + 1) / 2) //nolint:gosec // at most 32
}

func reach(length int8) int64 {
	if length > 30 {
		return open
	}
	return 1 << (2 * length)
}

func (x *run) compare(y *run) int {
	if c := cmp.Compare(x.group, y.group); c != 0 {
		return c
	}
	if x.length != y.length {
		return int(x.length) - int(y.length)
	}
	return x.inTime(y)
}

// inTime orders runs of one group.
func (x *run) inTime(y *run) int {
	if x.from != y.from {
		return cmp.Compare(x.from, y.from)
	}
	if c := cmp.Compare(x.lot, y.lot); c != 0 {
		return c
	}
	if x.to != y.to {
		return cmp.Compare(x.to, y.to)
	}
	if x.stay == nil || y.stay == nil || x.stay == y.stay {
		return 0
	}
	return x.stay.compare(y.stay)
}

func (s *Stay) compare(o *Stay) int {
	return cmp.Or(cmp.Compare(s.Step, o.Step), s.From.Compare(o.From), s.To.Compare(o.To), cmp.Compare(s.Filling, o.Filling),
		s.LastIn.Compare(o.LastIn), s.FirstOut.Compare(o.FirstOut), truth(s.NoFrom, o.NoFrom), truth(s.NoTo, o.NoTo),
		truth(s.Unseen, o.Unseen), truth(s.Limbo, o.Limbo))
}

func truth(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

// runs finds runs by group and interval. It can be forked at no cost: the two share everything until one of them is
// changed. The zero runs is empty.
type runs struct {
	t    *tree
	used uint64 // lengths that there were
}

type tree struct {
	m      *btree.BTreeG[*run]
	mu     sync.Mutex // a copy leaves its mark on the tree it came from too
	forked atomic.Bool
}

func newTree() *tree {
	return &tree{m: btree.NewBTreeGOptions(func(a, b *run) bool { return a.compare(b) < 0 }, btree.Options{NoLocks: true})}
}

// fork may be called by several goroutines at once, as long as none changes r.
func (r runs) fork() runs {
	if r.t != nil {
		r.t.forked.Store(true)
	}
	return r
}

// own gives the tree for changing it.
func (r *runs) own() *btree.BTreeG[*run] {
	switch {
	case r.t == nil:
		r.t = newTree()
	case r.t.forked.Load():
		r.t.mu.Lock()
		m := r.t.m.IsoCopy()
		r.t.mu.Unlock()
		r.t = &tree{m: m}
	}
	return r.t.m
}

func (r *runs) put(x *run) {
	x.length = lengthOf(x.from, x.to)
	r.used |= 1 << x.length
	r.own().Set(x)
}

func (r *runs) remove(x *run) {
	x.length = lengthOf(x.from, x.to)
	r.own().Delete(x)
}

// lengths yields the lengths that there may be.
func (r runs) lengths() iter.Seq[int8] {
	return func(yield func(int8) bool) {
		for u := r.used; u != 0; u &= u - 1 {
			if !yield(int8(bits.TrailingZeros64(u))) { //nolint:gosec // below 64
				return
			}
		}
	}
}

// meeting yields the runs of a group that meet [from, to], in no order.
func (r runs) meeting(group string, from, to int64) iter.Seq[*run] {
	return func(yield func(*run) bool) {
		if r.t == nil {
			return
		}
		for n := range r.lengths() {
			first := int64(math.MinInt64)
			if back := reach(n); back < open && from > math.MinInt64+back {
				first = from - back
			}
			more := true
			r.t.m.Ascend(&run{group: group, length: n, from: first}, func(x *run) bool {
				if x.group != group || x.length != n || x.from > to {
					return false
				}
				if x.to >= from {
					more = yield(x)
				}
				return more
			})
			if !more {
				return
			}
		}
	}
}

// after returns the run that follows x in its group, nil for none.
func (r runs) after(x *run) *run {
	var next *run
	for n := range r.lengths() {
		pivot := *x
		pivot.length = n
		r.t.m.Ascend(&pivot, func(y *run) bool {
			if y.group != x.group || y.length != n {
				return false
			}
			if y.inTime(x) <= 0 {
				return true
			}
			if next == nil || y.inTime(next) < 0 {
				next = y
			}
			return false
		})
	}
	return next
}

// before returns the run that x follows in its group, nil for none.
func (r runs) before(x *run) *run {
	var last *run
	for n := range r.lengths() {
		pivot := *x
		pivot.length = n
		r.t.m.Descend(&pivot, func(y *run) bool {
			if y.group != x.group || y.length != n {
				return false
			}
			if y.inTime(x) >= 0 {
				return true
			}
			if last == nil || y.inTime(last) > 0 {
				last = y
			}
			return false
		})
	}
	return last
}

// Index finds the stays of lots by place and time. A fork costs the same whatever it holds. The zero Index is empty.
type Index struct{ stays runs }

// Fork returns an index that may be changed without changing x. Several goroutines may fork one index at once, as long
// as none changes it.
func (x Index) Fork() Index { return Index{x.stays.fork()} }

// Put takes in the stays of a settled lot in the place of those it had: old is the lot as it was put last, nil where
// it is new. A nil lot takes the old one out.
func (x *Index) Put(old, lot *Lot) {
	var was, is []Stay
	code := ""
	if old != nil {
		was, code = old.stays, old.Code
	}
	if lot != nil {
		is, code = lot.stays, lot.Code
	}
	for i := range was {
		if !slices.Contains(is, was[i]) {
			x.stays.remove(runOf(code, &was[i]))
		}
	}
	for i := range is {
		if !slices.Contains(was, is[i]) {
			x.stays.put(runOf(code, &is[i]))
		}
	}
}

func runOf(code string, s *Stay) *run {
	return &run{group: s.Place, lot: code, from: s.From.UnixMilli(), to: endOf(s.To), stay: s}
}

// endOf is a moment in milliseconds, open where it is zero. One that is no whole millisecond is taken to the next.
func endOf(t time.Time) int64 {
	if t.IsZero() {
		return open
	}
	ms := t.UnixMilli()
	if t.After(time.UnixMilli(ms)) {
		ms++
	}
	return ms
}

// meeting yields the stays at a place that meet [from, to]; a zero to is open.
func (x Index) meeting(place string, from, to time.Time) iter.Seq[*run] {
	return func(yield func(*run) bool) {
		for h := range x.stays.meeting(place, from.UnixMilli(), endOf(to)) {
			if h.stay.Meets(from, to) && !yield(h) {
				return
			}
		}
	}
}
