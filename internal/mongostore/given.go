package mongostore

import (
	"fmt"
	"sync"

	"go.mongodb.org/mongo-driver/v2/bson"

	"linewarden/internal/record"
)

// given holds the newest commits that other instances told of, until they are read. They are documents of the database
// that come another way: whoever reads one checks it as one from there, and where it is missing asks the database.
type given struct {
	mu   sync.Mutex
	docs [64]*commitDoc // by number
	news chan struct{}  // holds one where something came
}

func newGiven() *given { return &given{news: make(chan struct{}, 1)} }

func (g *given) put(d *commitDoc) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if old := g.docs[d.Commit%int64(len(g.docs))]; old != nil && old.Commit >= d.Commit {
		return
	}
	g.docs[d.Commit%int64(len(g.docs))] = d
	select {
	case g.news <- struct{}{}:
	default:
	}
}

// take gives a commit once; nil: it is not here.
func (g *given) take(number int64) *commitDoc {
	g.mu.Lock()
	defer g.mu.Unlock()
	at := number % int64(len(g.docs))
	d := g.docs[at]
	if d == nil || d.Commit != number {
		return nil
	}
	g.docs[at] = nil
	return d
}

func (g *given) has(number int64) bool {
	g.mu.Lock()
	defer g.mu.Unlock()
	d := g.docs[number%int64(len(g.docs))]
	return d != nil && d.Commit == number
}

// Arrived gives a channel on which something comes when another instance told of commits.
func (l *Log) Arrived() <-chan struct{} { return l.given.news }

// Given reports that reading a commit once will ask nobody, since another instance told of it.
func (l *Log) Given(number int64) bool { return number > 0 && l.given.has(number) }

// Read takes the look-up entries of the next commit, which was read and found to fit.
func (l *Log) Read(lookups []record.Lookup) { l.index.read(lookups) }

// OnWritten sets what is called with the document of each commit that was written here. It is called before the store is used.
func (s *Store) OnWritten(fn func(doc []byte)) { s.written = fn }

// Deliver takes the document of a commit that another instance wrote. Documents of sites that are not open here are
// passed over.
func (s *Store) Deliver(doc []byte) error {
	d := new(commitDoc)
	if err := bson.Unmarshal(doc, d); err != nil {
		return fmt.Errorf("the document of a commit: %w", err)
	}
	if d.Commit < 1 || d.First < 1 || d.Size < d.First || int64(len(d.Records)) != d.Size-d.First+1 || d.ID != key(d.Site, d.First) {
		return fmt.Errorf("%w: the document of commit %d of site %q does not fit itself", record.ErrInvalid, d.Commit, d.Site)
	}
	s.mu.Lock()
	l := s.logs[d.Site]
	s.mu.Unlock()
	if l != nil {
		l.given.put(d)
	}
	return nil
}
