// Package memstore keeps record logs in memory, for tests. It behaves as the
// stores on disk do and loses everything when the process ends.
package memstore

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"sort"
	"sync"

	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/record"
)

// Store holds the logs of any number of sites.
type Store struct {
	mu    sync.Mutex
	sites map[string]*Log
}

// New makes an empty store.
func New() *Store { return &Store{sites: map[string]*Log{}} }

// Site gives the log of a site, which is empty at first.
func (s *Store) Site(site string) *Log {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.sites[site] == nil {
		s.sites[site] = &Log{
			ids: map[record.UUID]int64{}, commands: map[record.UUID][]int64{},
			keys: map[key][]entry{}, snapshots: map[string]snapshot{},
		}
	}
	return s.sites[site]
}

// Sites gives the ids of the sites that have records, sorted.
func (s *Store) Sites() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	var names []string
	for name, l := range s.sites {
		if h, err := l.Head(context.Background()); err == nil && h.Commit > 0 {
			names = append(names, name)
		}
	}
	slices.Sort(names)
	return names
}

// News implements record.News.
func (s *Store) News(ctx context.Context, known map[string]int64) (map[string]int64, error) {
	out := map[string]int64{}
	for site, commit := range known {
		h, err := s.Site(site).Head(ctx)
		if err != nil {
			return nil, err
		}
		if h.Commit > commit {
			out[site] = h.Commit
		}
	}
	return out, nil
}

type key struct {
	table record.LookupTable
	text  string
}

type entry struct {
	at  int64 // milliseconds since 1970
	seq int64
}

func (e entry) compare(o entry) int {
	return cmp.Or(cmp.Compare(e.at, o.at), cmp.Compare(e.seq, o.seq))
}

type checkpoint struct {
	size int64
	note string
}

type snapshot struct {
	seq  int64
	root [32]byte
	data []byte
}

// Log is the log of one site with its checkpoints and snapshots. It implements
// record.Log, record.Checkpoints and record.LookupLister.
type Log struct {
	mu          sync.RWMutex
	commits     []record.Commit
	records     []string
	nodes       []tlog.Hash
	ids         map[record.UUID]int64
	commands    map[record.UUID][]int64
	keys        map[key][]entry
	checkpoints []checkpoint
	snapshots   map[string]snapshot
}

// Head implements record.Log.
func (l *Log) Head(ctx context.Context) (record.Head, error) {
	if err := ctx.Err(); err != nil {
		return record.Head{}, err
	}
	l.mu.RLock()
	defer l.mu.RUnlock()
	return l.head(), nil
}

func (l *Log) head() record.Head {
	if len(l.commits) == 0 {
		return record.Head{Root: new(record.Tree).Root()}
	}
	c := l.commits[len(l.commits)-1]
	return record.Head{Commit: c.Number, Size: c.Size, Root: c.Root}
}

// Append implements record.Log.
func (l *Log) Append(ctx context.Context, expected int64, c record.Commit, lookups []record.Lookup) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	head := l.head()
	if head.Commit != expected {
		return fmt.Errorf("%w: the log is at commit %d, not %d", record.ErrConflict, head.Commit, expected)
	}
	if err := c.Check(head); err != nil {
		return err
	}
	if err := l.checkLookups(c, lookups); err != nil {
		return err
	}
	l.commits = append(l.commits, c)
	l.records = append(l.records, c.Records...)
	l.nodes = append(l.nodes, c.Nodes...)
	for _, k := range lookups {
		l.index(k)
	}
	return nil
}

func (l *Log) checkLookups(c record.Commit, lookups []record.Lookup) error {
	if len(lookups) != len(c.Records) {
		return fmt.Errorf("%w: %d records with %d look-up entries", record.ErrInvalid, len(c.Records), len(lookups))
	}
	seen := map[record.UUID]bool{}
	commands := map[record.UUID]bool{}
	var last record.UUID
	for _, k := range lookups {
		if _, old := l.ids[k.ID]; old || seen[k.ID] {
			return fmt.Errorf("%w: record id %s", record.ErrDuplicateID, k.ID)
		}
		seen[k.ID] = true
		if _, old := l.commands[k.Command]; old || commands[k.Command] && k.Command != last {
			return fmt.Errorf("%w: command id %s", record.ErrDuplicateID, k.Command)
		}
		commands[k.Command], last = !k.Command.IsZero(), k.Command
	}
	return nil
}

func (l *Log) index(k record.Lookup) {
	l.ids[k.ID] = k.Seq
	if !k.Command.IsZero() {
		l.commands[k.Command] = append(l.commands[k.Command], k.Seq)
	}
	e := entry{k.At.UnixMilli(), k.Seq}
	l.insert(key{record.LookupByKind, k.Kind}, e)
	for _, about := range k.About {
		l.insert(key{record.LookupByAbout, about}, e)
	}
}

func (l *Log) insert(k key, e entry) {
	list := l.keys[k]
	i, _ := slices.BinarySearchFunc(list, e, entry.compare)
	l.keys[k] = slices.Insert(list, i, e)
}

// ReadCommit implements record.Log.
func (l *Log) ReadCommit(ctx context.Context, number int64) (record.Commit, error) {
	if err := ctx.Err(); err != nil {
		return record.Commit{}, err
	}
	l.mu.RLock()
	defer l.mu.RUnlock()
	if number < 1 || number > int64(len(l.commits)) {
		return record.Commit{}, fmt.Errorf("commit %d: %w", number, record.ErrNotFound)
	}
	c := l.commits[number-1]
	c.Records, c.Nodes = slices.Clone(c.Records), slices.Clone(c.Nodes)
	return c, nil
}

// Scan implements record.Log.
func (l *Log) Scan(ctx context.Context, from, to int64, fn func(seq int64, rec string) error) error {
	l.mu.RLock()
	records := l.records
	l.mu.RUnlock()
	for seq := max(from, 1); seq <= min(to, int64(len(records))); seq++ {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := fn(seq, records[seq-1]); err != nil {
			return err
		}
	}
	return nil
}

// Find implements record.Log.
func (l *Log) Find(ctx context.Context, q record.Query) ([]record.Stored, record.Cursor, error) {
	if err := ctx.Err(); err != nil {
		return nil, record.Cursor{}, err
	}
	limit, err := q.PageSize()
	if err != nil {
		return nil, record.Cursor{}, err
	}
	l.mu.RLock()
	defer l.mu.RUnlock()
	var page []record.Stored
	var last entry
	more := false
	l.walk(q, func(e entry) bool {
		if more = len(page) == limit; more {
			return false
		}
		page, last = append(page, record.Stored{Seq: e.seq, Bytes: l.records[e.seq-1]}), e
		return true
	})
	if !more {
		return page, record.Cursor{}, nil
	}
	return page, record.CursorOf(last.at, last.seq), nil
}

// walk calls fn with the matching entries in the order asked for until it
// returns false.
func (l *Log) walk(q record.Query, fn func(entry) bool) {
	list, other := l.keys[key{record.LookupByAbout, q.About}], l.keys[key{record.LookupByKind, q.Kind}]
	if q.About == "" {
		list, other = other, nil
	}
	n := len(list)
	for i := range n {
		e := list[i]
		after := e.compare(entry{q.After.At.UnixMilli(), q.After.Seq})
		if q.Descending {
			e = list[n-1-i]
			after = -e.compare(entry{q.After.At.UnixMilli(), q.After.Seq})
		}
		if !q.From.IsZero() && e.at < q.From.UnixMilli() || !q.To.IsZero() && e.at >= q.To.UnixMilli() || !q.After.IsZero() && after <= 0 {
			continue
		}
		if q.About != "" && q.Kind != "" {
			if _, found := slices.BinarySearchFunc(other, e, entry.compare); !found {
				continue
			}
		}
		if !fn(e) {
			return
		}
	}
}

// Commands implements record.Log.
func (l *Log) Commands(ctx context.Context, ids []record.UUID) (map[record.UUID][]record.Stored, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	l.mu.RLock()
	defer l.mu.RUnlock()
	found := map[record.UUID][]record.Stored{}
	for _, id := range ids {
		if found[id] != nil {
			continue
		}
		for _, seq := range l.commands[id] {
			found[id] = append(found[id], record.Stored{Seq: seq, Bytes: l.records[seq-1]})
		}
	}
	return found, nil
}

// ByID implements record.Log.
func (l *Log) ByID(ctx context.Context, ids []record.UUID) (map[record.UUID]record.Stored, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	l.mu.RLock()
	defer l.mu.RUnlock()
	found := map[record.UUID]record.Stored{}
	for _, id := range ids {
		if seq, ok := l.ids[id]; ok {
			found[id] = record.Stored{Seq: seq, Bytes: l.records[seq-1]}
		}
	}
	return found, nil
}

// Hashes implements record.Log.
func (l *Log) Hashes(ctx context.Context, indexes []int64) ([]tlog.Hash, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	l.mu.RLock()
	defer l.mu.RUnlock()
	out := make([]tlog.Hash, len(indexes))
	for i, index := range indexes {
		if index < 0 || index >= int64(len(l.nodes)) {
			return nil, fmt.Errorf("stored hash %d: %w", index, record.ErrNotFound)
		}
		out[i] = l.nodes[index]
	}
	return out, nil
}

// LookupEntries implements record.LookupLister.
func (l *Log) LookupEntries(_ context.Context, fn func(record.LookupEntry) error) error {
	l.mu.RLock()
	var all []record.LookupEntry
	for id, seq := range l.ids {
		all = append(all, record.LookupEntry{Table: record.LookupByID, Key: id.String(), Seq: seq})
	}
	for id, seqs := range l.commands {
		for _, seq := range seqs {
			all = append(all, record.LookupEntry{Table: record.LookupByCommand, Key: id.String(), Seq: seq})
		}
	}
	for k, list := range l.keys {
		for _, e := range list {
			all = append(all, record.LookupEntry{Table: k.table, Key: k.text, AtMS: e.at, Seq: e.seq})
		}
	}
	l.mu.RUnlock()
	for _, e := range all {
		if err := fn(e); err != nil {
			return err
		}
	}
	return nil
}

// AddCheckpoint implements record.Checkpoints.
func (l *Log) AddCheckpoint(ctx context.Context, size int64, note string) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	for _, c := range l.checkpoints {
		if c.note == note {
			return nil
		}
	}
	l.checkpoints = append(l.checkpoints, checkpoint{size, note})
	sort.SliceStable(l.checkpoints, func(i, j int) bool { return l.checkpoints[i].size < l.checkpoints[j].size })
	return nil
}

// EachCheckpoint implements record.Checkpoints.
func (l *Log) EachCheckpoint(ctx context.Context, after int64, fn func(size int64, note string) error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	l.mu.RLock()
	all := slices.Clone(l.checkpoints)
	l.mu.RUnlock()
	for _, c := range all {
		if c.size <= after {
			continue
		}
		if err := fn(c.size, c.note); err != nil {
			return err
		}
	}
	return nil
}

// LastCheckpoint implements record.Checkpoints.
func (l *Log) LastCheckpoint(ctx context.Context) (string, error) {
	if err := ctx.Err(); err != nil {
		return "", err
	}
	l.mu.RLock()
	defer l.mu.RUnlock()
	if len(l.checkpoints) == 0 {
		return "", fmt.Errorf("checkpoint: %w", record.ErrNotFound)
	}
	return l.checkpoints[len(l.checkpoints)-1].note, nil
}

// SaveSnapshot keeps the state at a seq under a name, in place of the one
// before; see the interface of the package that folds.
func (l *Log) SaveSnapshot(ctx context.Context, name string, seq int64, root [32]byte, data []byte) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.snapshots[name] = snapshot{seq, root, slices.Clone(data)}
	return nil
}

// LoadSnapshot gives what SaveSnapshot kept; seq is 0 where there is none.
func (l *Log) LoadSnapshot(ctx context.Context, name string) (seq int64, root [32]byte, data []byte, err error) {
	if err := ctx.Err(); err != nil {
		return 0, root, nil, err
	}
	l.mu.RLock()
	defer l.mu.RUnlock()
	s := l.snapshots[name]
	return s.seq, s.root, slices.Clone(s.data), nil
}
