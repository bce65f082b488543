package mongostore

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
	"golang.org/x/mod/sumdb/tlog"

	"linewarden/internal/mongostore/lines"
	"linewarden/internal/record"
)

// Log is the log of one site with its checkpoints and snapshots. It implements record.Log,
// record.Checkpoints and record.LookupLister.
type Log struct {
	store *Store
	site  string
	index *index
	last  atomic.Pointer[record.Head] // newest head known here; others may have gone on
	ends  ends
	given *given
	lost  atomic.Pointer[commitDoc] // read last where an own insert found it in its place
}

// commitDoc is a commit as it is stored.
type commitDoc struct {
	ID      string        `bson:"_id"`
	Site    string        `bson:"site"`
	Commit  int64         `bson:"commit"`
	First   int64         `bson:"first"`
	Size    int64         `bson:"size"`
	Root    []byte        `bson:"root"`
	Nodes   []byte        `bson:"nodes"`
	Records lines.Records `bson:"records"`
	Token   []byte        `bson:"token"` // drawn for the insert, by which it knows its own document again

	Names []bson.Binary `bson:"names"` // ids of the records and of their commands, each once
	More  bool          `bson:"more,omitempty"`
}

// marshal gives the document as BSON. Its records are most of it.
func (d *commitDoc) marshal() (bson.Raw, error) {
	size := 512 + len(d.Nodes) + 32*len(d.Names)
	for _, rec := range d.Records {
		size += len(rec) + 1
	}
	buf := bytes.NewBuffer(make([]byte, 0, size))
	err := bson.NewEncoder(bson.NewDocumentWriter(buf)).Encode(d)
	return buf.Bytes(), err
}

// key gives the _id of a numbered document of the site; _ids are in the order of the numbers.
func key(site string, n int64) string { return fmt.Sprintf("%s/%012d", site, n) }

// maxNumber is the largest number that key keeps in order: ten thousand years of a record a second.
const maxNumber = 999_999_999_999

func isMissing(err error) bool { return errors.Is(err, mongo.ErrNoDocuments) }

func oneHash(b []byte) (tlog.Hash, error) {
	if len(b) != tlog.HashSize {
		return tlog.Hash{}, fmt.Errorf("%w: a hash of %d bytes", record.ErrTampered, len(b))
	}
	return tlog.Hash(b), nil
}

func (d *commitDoc) head() (record.Head, error) {
	root, err := oneHash(d.Root)
	return record.Head{Commit: d.Commit, Size: d.Size, Root: root}, err
}

// ends remembers where the newest commits that were seen end, so that the one after each is asked for by its _id.
type ends struct {
	mu    sync.Mutex
	sizes [64]struct{ commit, size int64 }
}

func (e *ends) put(commit, size int64) {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.sizes[commit%int64(len(e.sizes))] = struct{ commit, size int64 }{commit, size}
}

// of gives the number of records up to a commit.
func (e *ends) of(commit int64) (size int64, known bool) {
	if commit <= 0 {
		return 0, commit == 0
	}
	e.mu.Lock()
	defer e.mu.Unlock()
	s := e.sizes[commit%int64(len(e.sizes))]
	return s.size, s.commit == commit
}

// saw remembers a head, and the newest one seen.
func (l *Log) saw(h record.Head) {
	l.ends.put(h.Commit, h.Size)
	for {
		old := l.last.Load()
		if old != nil && old.Commit >= h.Commit {
			return
		}
		if l.last.CompareAndSwap(old, &h) {
			l.index.know(h.Size)
			return
		}
	}
}

// withoutRecords leaves out what is large in a commit, withoutNames what only look-ups need.
var (
	withoutRecords = bson.D{{Key: "records", Value: 0}, {Key: "nodes", Value: 0}, {Key: "names", Value: 0}}
	withoutNames   = bson.D{{Key: "names", Value: 0}}
)

// Head implements record.Log.
func (l *Log) Head(ctx context.Context) (record.Head, error) {
	var d commitDoc
	err := l.store.commits().FindOne(ctx, bson.D{{Key: "site", Value: l.site}},
		options.FindOne().SetSort(bson.D{{Key: "commit", Value: -1}}).SetProjection(withoutRecords)).Decode(&d)
	if isMissing(err) {
		return record.Head{Root: new(record.Tree).Root()}, nil
	}
	if err != nil {
		return record.Head{}, fmt.Errorf("head of site %s: %w", l.site, err)
	}
	h, err := d.head()
	if err == nil {
		l.saw(h)
	}
	return h, err
}

// ReadCommit implements record.Log.
func (l *Log) ReadCommit(ctx context.Context, number int64) (record.Commit, error) {
	d, err := l.readCommit(ctx, number)
	if isMissing(err) {
		return record.Commit{}, fmt.Errorf("commit %d of site %s: %w", number, l.site, record.ErrNotFound)
	}
	if err != nil {
		return record.Commit{}, fmt.Errorf("commit %d of site %s: %w", number, l.site, err)
	}
	h, err := d.head()
	if err != nil {
		return record.Commit{}, err
	}
	l.saw(h)
	c := record.Commit{Number: d.Commit, First: d.First, Records: d.Records, Size: d.Size, Root: h.Root, More: d.More}
	for b := d.Nodes; len(b) >= tlog.HashSize; b = b[tlog.HashSize:] {
		c.Nodes = append(c.Nodes, tlog.Hash(b[:tlog.HashSize]))
	}
	return c, nil
}

// readCommit finds a commit by its number, or by its _id where the end of the commit before it is known: who follows a
// log, or reads it through, asks for one document by its key. One that an own insert met in its place, or that its
// writer told of, is there already, and never changes.
func (l *Log) readCommit(ctx context.Context, number int64) (*commitDoc, error) {
	if d := l.lost.Swap(nil); d != nil && d.Commit == number {
		return d, nil
	}
	if d := l.given.take(number); d != nil {
		l.ends.put(d.Commit, d.Size)
		return d, nil
	}
	filter := bson.D{{Key: "site", Value: l.site}, {Key: "commit", Value: number}}
	if before, known := l.ends.of(number - 1); known {
		filter = bson.D{{Key: "_id", Value: key(l.site, before+1)}}
	}
	var d commitDoc
	err := l.store.commits().FindOne(ctx, filter, options.FindOne().SetProjection(withoutNames)).Decode(&d)
	if err == nil && d.Commit != number {
		err = fmt.Errorf("%w: record %d begins commit %d, not %d", record.ErrTampered, d.First, d.Commit, number)
	}
	if err == nil {
		l.ends.put(d.Commit, d.Size)
	}
	return &d, err
}

// scanCommits is the number of commits that one query of Scan reads, so that no cursor stays open for long.
const scanCommits = 500

// Scan implements record.Log.
func (l *Log) Scan(ctx context.Context, from, to int64, fn func(seq int64, rec string) error) error {
	from, to = max(from, 1), min(to, maxNumber)
	for from <= to {
		next, err := l.scanSome(ctx, from, to, fn)
		if err != nil || next == from {
			return err
		}
		from = next
	}
	return nil
}

// scanSome reads some commits and gives the seq to go on with, from itself at the end.
func (l *Log) scanSome(ctx context.Context, from, to int64, fn func(seq int64, rec string) error) (int64, error) {
	start, err := l.holding(ctx, from, bson.D{{Key: "_id", Value: 1}})
	if errors.Is(err, record.ErrNotFound) {
		return from, nil
	}
	if err != nil {
		return from, fmt.Errorf("scan records of site %s: %w", l.site, err)
	}
	found, err := l.store.commits().Find(ctx, bson.D{{Key: "_id", Value: bson.D{{Key: "$gte", Value: start.ID}, {Key: "$lte", Value: key(l.site, to)}}}},
		options.Find().SetSort(bson.D{{Key: "_id", Value: 1}}).SetLimit(scanCommits).
			SetProjection(bson.D{{Key: "first", Value: 1}, {Key: "records", Value: 1}}))
	if err != nil {
		return from, fmt.Errorf("scan records of site %s: %w", l.site, err)
	}
	defer found.Close(context.WithoutCancel(ctx))
	for found.Next(ctx) {
		var d commitDoc
		if err := found.Decode(&d); err != nil {
			return from, fmt.Errorf("scan records of site %s: %w", l.site, err)
		}
		for i, rec := range d.Records {
			seq := d.First + int64(i)
			if seq < from {
				continue
			}
			if seq > to {
				break
			}
			if err := fn(seq, rec); err != nil {
				return from, err
			}
			from = seq + 1
		}
	}
	if err := found.Err(); err != nil {
		return from, fmt.Errorf("scan records of site %s: %w", l.site, err)
	}
	return from, nil
}

// holding gives the last commit that begins at or before a seq, or record.ErrNotFound.
func (l *Log) holding(ctx context.Context, seq int64, members bson.D) (*commitDoc, error) {
	filter := bson.D{{Key: "_id", Value: bson.D{{Key: "$gte", Value: key(l.site, 0)}, {Key: "$lte", Value: key(l.site, min(seq, maxNumber))}}}}
	if first := l.index.firstOf(seq); first > 0 {
		filter = bson.D{{Key: "_id", Value: key(l.site, first)}}
	}
	var d commitDoc
	err := l.store.commits().FindOne(ctx, filter, options.FindOne().SetSort(bson.D{{Key: "_id", Value: -1}}).SetProjection(members)).Decode(&d)
	if isMissing(err) {
		return nil, record.ErrNotFound
	}
	return &d, err
}

// Hashes implements record.Log.
func (l *Log) Hashes(ctx context.Context, indexes []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(indexes))
	var d *commitDoc
	for i, index := range indexes {
		level, n := int(0), int64(0)
		if index >= 0 {
			level, n = tlog.SplitStoredHashIndex(index)
		}
		seq := (n + 1) << level // the record that completed the node
		if index < 0 || seq > maxNumber {
			return nil, fmt.Errorf("stored hash %d of site %s: %w", index, l.site, record.ErrNotFound)
		}
		if d == nil || seq < d.First || seq > d.Size {
			var err error
			members := bson.D{{Key: "first", Value: 1}, {Key: "size", Value: 1}, {Key: "nodes", Value: 1}}
			if d, err = l.holding(ctx, seq, members); err != nil {
				return nil, fmt.Errorf("stored hash %d of site %s: %w", index, l.site, err)
			}
		}
		at := (index - tlog.StoredHashCount(d.First-1)) * tlog.HashSize
		if at < 0 || at+tlog.HashSize > int64(len(d.Nodes)) {
			return nil, fmt.Errorf("stored hash %d of site %s: %w", index, l.site, record.ErrNotFound)
		}
		out[i] = tlog.Hash(d.Nodes[at : at+tlog.HashSize])
	}
	return out, nil
}
