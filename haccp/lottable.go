package haccp

import (
	"iter"

	"linewarden/haccp/lot"
)

// lotTable holds lots and finds them by place and time.
type lotTable struct {
	table[*LotState]
	stays lot.Index
}

// lotsOf makes the table of settled lots.
func lotsOf(t table[*LotState]) lotTable {
	out := lotTable{table: t}
	for _, l := range t.all() {
		out.stays.Put(nil, &l.Lot)
	}
	return out
}

func (t lotTable) fork() lotTable { return lotTable{t.table.fork(), t.stays.Fork()} }

// set takes in a settled lot. One that was set is not changed any more.
func (t *lotTable) set(code string, l *LotState) {
	t.stays.Put(t.Get(code), &l.Lot)
	t.table.set(code, l)
}

func (t *lotTable) delete(code string) {
	t.stays.Put(t.Get(code), nil)
	t.table.delete(code)
}

// Get implements lot.Lots.
func (t lotTable) Get(code string) *lot.Lot {
	if l, ok := t.get(code); ok {
		return &l.Lot
	}
	return nil
}

// Codes implements lot.Lots.
func (t lotTable) Codes() iter.Seq[string] {
	return func(yield func(string) bool) { t.m.Scan(func(code string, _ *LotState) bool { return yield(code) }) }
}
