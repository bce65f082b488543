// Package agenda keeps what is to be looked at by the clock, and when: a heap of moments with a name each, so that a
// tick costs what is due and not what there is. It reads no clock.
package agenda

import (
	"container/heap"
	"time"
)

// Agenda holds names, each with one moment. The zero Agenda is empty and ready for use. It is not for several
// goroutines at once.
type Agenda struct {
	queue queue
	at    map[string]*entry
}

type entry struct {
	name  string
	at    time.Time
	index int
}

// Put has a name looked at at a moment, in place of the one it had; the zero time takes it out.
func (a *Agenda) Put(name string, at time.Time) {
	e := a.at[name]
	switch {
	case e == nil && at.IsZero():
	case e == nil:
		if a.at == nil {
			a.at = map[string]*entry{}
		}
		e = &entry{name: name, at: at}
		a.at[name] = e
		heap.Push(&a.queue, e)
	case at.IsZero():
		heap.Remove(&a.queue, e.index)
		delete(a.at, name)
	default:
		e.at = at
		heap.Fix(&a.queue, e.index)
	}
}

// Sooner puts a name where it has no moment yet, or a later one.
func (a *Agenda) Sooner(name string, at time.Time) {
	if e := a.at[name]; e == nil || at.Before(e.at) {
		a.Put(name, at)
	}
}

// Ripe takes out the names whose moment has come, the earliest first, at most most of them; 0: all.
func (a *Agenda) Ripe(now time.Time, most int) []string {
	var out []string
	for len(a.queue) > 0 && !a.queue[0].at.After(now) && (most == 0 || len(out) < most) {
		e := heap.Pop(&a.queue).(*entry) //nolint:forcetypeassert // the heap holds nothing else
		delete(a.at, e.name)
		out = append(out, e.name)
	}
	return out
}

// Due gives the names whose moment has come, in no order, and leaves them in.
func (a *Agenda) Due(now time.Time) []string {
	var out []string
	var walk func(i int)
	walk = func(i int) { // below a moment to come lie only later ones
		if i < len(a.queue) && !a.queue[i].at.After(now) {
			out = append(out, a.queue[i].name)
			walk(2*i + 1)
			walk(2*i + 2)
		}
	}
	walk(0)
	return out
}

// Next gives the earliest moment; false where nothing is kept.
func (a *Agenda) Next() (time.Time, bool) {
	if len(a.queue) == 0 {
		return time.Time{}, false
	}
	return a.queue[0].at, true
}

// Len gives how many names are kept.
func (a *Agenda) Len() int { return len(a.queue) }

// Clear takes everything out.
func (a *Agenda) Clear() { *a = Agenda{} }

// queue is a heap by moment, then name.
type queue []*entry

func (q queue) Len() int { return len(q) }

func (q queue) Less(i, j int) bool {
	if c := q[i].at.Compare(q[j].at); c != 0 {
		return c < 0
	}
	return q[i].name < q[j].name
}

func (q queue) Swap(i, j int) {
	q[i], q[j] = q[j], q[i]
	q[i].index, q[j].index = i, j
}

func (q *queue) Push(x any) {
	e := x.(*entry) //nolint:forcetypeassert // only Put pushes
	e.index = len(*q)
	*q = append(*q, e)
}

func (q *queue) Pop() any {
	old := *q
	e := old[len(old)-1]
	old[len(old)-1] = nil
	*q = old[:len(old)-1]
	return e
}
