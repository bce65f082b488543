package sqlitestore

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"slices"
	"sync"
	"time"

	"linewarden/internal/record"
)

// defaultRun is how many records the tail gathers before it is written to the look-up tables: a start
// may have to read as many again, and the commit that writes them takes some 30 ms longer.
const defaultRun = 4096

// tail is what the look-up tables would hold of the newest records. Ids are random: written at each
// commit they cost a page each, written in sorted runs hardly anything. The tail is derived: what a
// process leaves unwritten, the next one reads from the records.
type tail struct {
	mu       sync.RWMutex
	from     int64 // the tables hold what belongs to the records up to this one
	kinds    []string
	ids      map[record.UUID]int64
	commands map[record.UUID]run
	entries  map[term][]moment
}

// run is the records of a command.
type run struct{ first, count int64 }

// term is a kind or a key of about.
type term struct {
	class int64
	text  string
}

// moment is a place in the order of a search; at is in milliseconds since 1970.
type moment struct{ at, seq int64 }

func (m moment) compare(o moment) int {
	return cmp.Or(cmp.Compare(m.at, o.at), cmp.Compare(m.seq, o.seq))
}

func newTail(from int64) *tail {
	t := &tail{}
	t.begin(from)
	return t
}

func (t *tail) begin(from int64) {
	t.from, t.kinds = from, nil
	t.ids, t.commands, t.entries = map[record.UUID]int64{}, map[record.UUID]run{}, map[term][]moment{}
}

// last is the newest record that the tail knows.
func (t *tail) last() int64 { return t.from + int64(len(t.kinds)) }

// put takes the next record.
func (t *tail) put(k *record.Lookup) {
	t.kinds = append(t.kinds, k.Kind)
	t.ids[k.ID] = k.Seq
	if !k.Command.IsZero() {
		r, ok := t.commands[k.Command]
		if !ok {
			r.first = k.Seq
		}
		r.count++
		t.commands[k.Command] = r
	}
	m := moment{k.At.UnixMilli(), k.Seq}
	t.enter(term{classKind, k.Kind}, m)
	for _, text := range k.About {
		t.enter(term{classAbout, text}, m)
	}
}

func (t *tail) enter(key term, m moment) {
	list := t.entries[key]
	if n := len(list); n == 0 || list[n-1].compare(m) < 0 {
		t.entries[key] = append(list, m)
		return
	}
	i, _ := slices.BinarySearchFunc(list, m, moment.compare)
	t.entries[key] = slices.Insert(list, i, m)
}

// add takes the records of a commit that is in the file. Where the tail was written, it begins anew.
func (t *tail) add(lookups []record.Lookup, written bool) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if written {
		t.begin(t.last())
	}
	for i := range lookups {
		t.put(&lookups[i])
	}
}

// between gives the moments of a key, and of a kind if one is named, between two bounds that are left
// out: in order, or from the end, and no more than limit.
func (t *tail) between(key term, kind string, low, high moment, descending bool, limit int) []moment {
	t.mu.RLock()
	defer t.mu.RUnlock()
	list := t.entries[key]
	i, found := slices.BinarySearchFunc(list, low, moment.compare)
	if found {
		i++
	}
	j, _ := slices.BinarySearchFunc(list, high, moment.compare)
	if i >= j {
		return nil
	}
	var out []moment
	for n := range j - i {
		m := list[i+n]
		if descending {
			m = list[j-1-n]
		}
		if kind == "" || t.kinds[m.seq-t.from-1] == kind {
			out = append(out, m)
		}
		if len(out) == limit {
			break
		}
	}
	return out
}

// readTail reads what belongs to the records that the look-up tables do not cover.
func (l *Log) readTail(ctx context.Context) (*tail, error) {
	base, _, err := l.keys(ctx)
	if err != nil || base == 0 {
		return newTail(0), err
	}
	var from, size int64
	err = l.store.read.row(ctx, `SELECT coalesce((SELECT seq FROM indexed WHERE site = ?1), 0),
		coalesce((SELECT size FROM log_commit WHERE key >= ?1 << 40 AND key < (?1 + 1) << 40 ORDER BY key DESC LIMIT 1), 0)`, base>>siteShift).Scan(&from, &size)
	if err != nil {
		return nil, fmt.Errorf("look-up entries of site %s: %w", l.site, err)
	}
	t := newTail(max(0, min(from, size)))
	err = l.Scan(ctx, t.from+1, size, func(seq int64, rec string) error {
		e, err := record.DecodeString(rec)
		if err != nil {
			e = record.Envelope{} // verify names it; it has nothing to be found by
		}
		k := record.LookupOf(&e)
		k.Seq = seq
		t.put(&k)
		return nil
	})
	return t, err
}

// newest gives the tail: in a folder that this process writes to the one that Append keeps, else one
// that is read now. Whoever asks the tables too must ask them after it: what leaves the tail meanwhile
// is in the tables then.
func (l *Log) newest(ctx context.Context) (*tail, error) {
	if l.store.write == nil {
		return l.readTail(ctx)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.tail == nil {
		t, err := l.readTail(ctx)
		if err != nil {
			return nil, err
		}
		l.tail = t
	}
	return l.tail, nil
}

// forgetTail has the tail read again: the file may hold more than it, or less.
func (l *Log) forgetTail() {
	l.mu.Lock()
	l.tail = nil
	l.mu.Unlock()
}

// claim refuses a commit with an id or a command that the log has already. An id that follows from the
// command's is new where the command is, so the table is not asked for it. Only the writer may call it.
func (w *writer) claim(ctx context.Context, site int64, t *tail, lookups []record.Lookup) error {
	all := make([]record.UUID, 0, len(lookups))
	var ids, commands []record.UUID
	ordinal := 0
	for i := range lookups {
		k := &lookups[i]
		if _, known := t.ids[k.ID]; known {
			return fmt.Errorf("%w: record id %s", record.ErrDuplicateID, k.ID)
		}
		all = append(all, k.ID)
		ordinal++
		if i == 0 || k.Command.IsZero() || lookups[i-1].Command != k.Command {
			ordinal = 0
		}
		if k.Command.IsZero() || k.ID != record.RecordID(k.Command, ordinal) {
			ids = append(ids, k.ID)
		}
		if k.Command.IsZero() || ordinal > 0 {
			continue
		}
		if _, known := t.commands[k.Command]; known {
			return fmt.Errorf("%w: command id %s", record.ErrDuplicateID, k.Command)
		}
		commands = append(commands, k.Command)
	}
	if err := once(all); err != nil {
		return err
	}
	if err := once(commands); err != nil {
		return err
	}
	if err := w.absent(ctx, w.knownIDs, site, ids); err != nil {
		return fmt.Errorf("record: %w", err)
	}
	free, err := w.gap(ctx, site)
	if err != nil {
		return fmt.Errorf("newest command: %w", err)
	}
	commands = slices.DeleteFunc(commands, free.holds)
	if err := w.absent(ctx, w.knownCommands, site, commands); err != nil {
		return fmt.Errorf("command: %w", err)
	}
	return nil
}

// gap is a range of command ids, without its ends, of which the table has none. Ids of version 7 begin with
// the time (RFC 9562 section 5.7), so that nearly all that come lie in the gap above the newest one written.
type gap struct{ above, below record.UUID }

func (g gap) holds(id record.UUID) bool {
	return compareIDs(g.above, id) < 0 && compareIDs(id, g.below) < 0
}

// gapAhead is how far ahead of the clock a gap reaches. Ids that lie further ahead are asked for.
const gapAhead = time.Hour

// gap gives that of a site, which stays what it is until commands are written to the table.
func (w *writer) gap(ctx context.Context, site int64) (gap, error) {
	if g, ok := w.gaps[site]; ok {
		return g, nil
	}
	var g gap
	ms := time.Now().Add(gapAhead).UnixMilli()
	for i := range 6 {
		g.below[i] = byte(ms >> (40 - 8*i)) //nolint:gosec // one byte after the other
	}
	var newest []byte
	if err := w.newestCommand.QueryRowContext(ctx, site, g.below[:]).Scan(&newest); err != nil {
		return gap{}, err
	}
	copy(g.above[:], newest)
	w.gaps[site] = g
	return g, nil
}

// once sorts ids and refuses one that is there twice.
func once(ids []record.UUID) error {
	slices.SortFunc(ids, compareIDs)
	for i := 1; i < len(ids); i++ {
		if ids[i] == ids[i-1] {
			return fmt.Errorf("%w: id %s twice in a commit", record.ErrDuplicateID, ids[i])
		}
	}
	return nil
}

// absent refuses ids that the table has.
func (w *writer) absent(ctx context.Context, known *probe, site int64, ids []record.UUID) error {
	for n := bulkRows; len(ids) > 0; n /= 2 {
		for ; len(ids) >= n; ids = ids[n:] {
			args := append(w.args[:0], site)
			for i := range n {
				args = append(args, ids[i][:])
			}
			w.args = args
			found, err := known.any(ctx, n, args)
			if err != nil {
				return err
			}
			if found {
				return fmt.Errorf("%w: an id from %s to %s", record.ErrDuplicateID, ids[0], ids[n-1])
			}
		}
	}
	return nil
}

func compareIDs(a, b record.UUID) int { return bytes.Compare(a[:], b[:]) }

// write puts the tail into the look-up tables, each in the order of the table, which is several times
// faster than in the order of the records.
func (w *writer) write(ctx context.Context, site int64, t *tail) error {
	delete(w.gaps, site)
	if err := w.writeIDs(ctx, site, t); err != nil {
		return err
	}
	if err := w.writeEntries(ctx, site, t); err != nil {
		return err
	}
	_, err := w.setIndexed.ExecContext(ctx, site, t.last())
	return err
}

func (w *writer) writeIDs(ctx context.Context, site int64, t *tail) error {
	ids := make([]record.UUID, 0, len(t.ids))
	for id := range t.ids {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, compareIDs)
	args := w.args[:0]
	for i := range ids {
		args = append(args, site, ids[i][:], t.ids[ids[i]])
	}
	if err := w.ids.insert(ctx, args); err != nil {
		return err
	}
	commands := make([]record.UUID, 0, len(t.commands))
	for id := range t.commands {
		commands = append(commands, id)
	}
	slices.SortFunc(commands, compareIDs)
	args = args[:0]
	for i := range commands {
		r := t.commands[commands[i]]
		args = append(args, site, commands[i][:], r.first, r.count)
	}
	w.args = args
	return w.commands.insert(ctx, args)
}

func (w *writer) writeEntries(ctx context.Context, site int64, t *tail) error {
	numbers := make(map[int64]term, len(t.entries))
	order := make([]int64, 0, len(t.entries))
	for key := range t.entries {
		number, err := w.word(ctx, word{site, key.class, key.text})
		if err != nil {
			return err
		}
		numbers[number] = key
		order = append(order, number)
	}
	slices.Sort(order)
	args := w.args[:0]
	for _, number := range order {
		for _, m := range t.entries[numbers[number]] {
			args = append(args, number, m.at, m.seq)
		}
	}
	w.args = args
	return w.entries.insert(ctx, args)
}

// flush writes what is left of the tail, so that the next start need not read it.
func (l *Log) flush(ctx context.Context) error {
	w := l.store.write
	l.mu.Lock()
	t := l.tail
	l.mu.Unlock()
	if w == nil || t == nil || len(t.kinds) == 0 {
		return nil
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	err := w.transaction(ctx, func(ctx context.Context) error {
		site, err := w.site(ctx, l.site)
		if err != nil {
			return err
		}
		return w.write(ctx, site, t)
	})
	if err != nil {
		return fmt.Errorf("write look-up entries of site %s: %w", l.site, err)
	}
	t.add(nil, true)
	return nil
}
