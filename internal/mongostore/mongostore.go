// Package mongostore keeps record logs in a MongoDB database, for any number of sites and instances at once.
//
// A commit is one document, written by one insert whose _id is site and first record, and follows from the commit
// before it: that insert is the compare-and-set by which instances agree, so nothing needs a transaction across
// documents. Everything of the log is inserted and never changed. Writes wait for the majority and its journal,
// reads see only what the majority holds. The text of a record is kept as the string that was hashed; the server
// never re-encodes it. A commit names the ids and commands of its records, by which they are found. What searches
// need is derived from the commits: in memory for the newest records, and written behind in runs of some thousand
// records, each as few documents that are the same however often and by whomever they are written.
//
// The collections, their indexes and their shard keys stand in schema.go. The server can refuse to change or
// delete nothing by itself: whoever may write to the database can change it, and that is what the tree and
// its checkpoints show.
package mongostore

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/event"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
	"go.mongodb.org/mongo-driver/v2/mongo/readconcern"
	"go.mongodb.org/mongo-driver/v2/mongo/readpref"
	"go.mongodb.org/mongo-driver/v2/mongo/writeconcern"

	"linewarden/internal/mongostore/fleet"
	"linewarden/internal/record"
)

// How long one call may take, unless its context or the URI (timeoutMS, serverSelectionTimeoutMS) says otherwise.
// Waiting for a primary outlasts most elections; the writer gives a commit 10 s in all.
const (
	callTimeout      = 15 * time.Second
	selectionTimeout = 8 * time.Second
)

// Options say how a database is opened.
type Options struct {
	// URI names servers, database and everything about the connection: TLS, authentication, certificates,
	// timeouts. What it says of read and write concern and of read preference is not followed.
	URI string
	// Database is the name of the database; empty: that of the URI, else linewarden.
	Database string
	// ReadOnly refuses every write.
	ReadOnly bool
	// Run is how many records share their entries for searches, in a database that is set up now; 0: 4096. One that
	// is there already keeps what it was set up with.
	Run int
	// Dialer, where given, opens the connections; tests cut them.
	Dialer options.ContextDialer
}

// Store is one open database.
type Store struct {
	client   *mongo.Client
	db       *mongo.Database
	target   string
	readOnly bool
	run      int64 // records in a run
	written  func(doc []byte)

	mu     sync.Mutex
	logs   map[string]*Log
	closed bool
}

// ErrReadOnly says that the database was opened for reading only.
var ErrReadOnly = fleet.ErrReadOnly

// Open connects to a database and makes its collections and indexes if need be. No error holds the URI's
// password.
func Open(ctx context.Context, o Options) (*Store, error) {
	where, err := parseURI(o.URI, o.Database)
	if err != nil {
		return nil, err
	}
	client, err := mongo.Connect(clientOptions(o))
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", where.target, where.clean(err))
	}
	s := &Store{client: client, target: where.target, readOnly: o.ReadOnly, logs: map[string]*Log{}}
	s.db = client.Database(where.database)
	if err := s.prepare(ctx, o.Run); err != nil {
		err = fmt.Errorf("open %s: %w", where.target, where.clean(err))
		return nil, errors.Join(err, client.Disconnect(context.WithoutCancel(ctx)))
	}
	return s, nil
}

// clientOptions takes the URI as it is and sets what the log rests on over it.
func clientOptions(o Options) *options.ClientOptions {
	journal := true
	c := options.Client().ApplyURI(o.URI).
		SetWriteConcern(&writeconcern.WriteConcern{W: "majority", Journal: &journal}).
		SetReadConcern(readconcern.Majority()).
		SetReadPreference(readpref.Primary()).
		SetMonitor(&event.CommandMonitor{Started: noteSent})
	if c.AppName == nil {
		c.SetAppName("linewarden")
	}
	if c.ServerSelectionTimeout == nil {
		c.SetServerSelectionTimeout(selectionTimeout)
	}
	if c.Timeout == nil {
		c.SetTimeout(callTimeout)
	}
	if o.Dialer != nil {
		c.SetDialer(o.Dialer)
	}
	return c
}

// Target names the servers and the database, without user and password.
func (s *Store) Target() string { return s.target }

// Ping asks whether the server answers.
func (s *Store) Ping(ctx context.Context) error {
	if err := s.client.Ping(ctx, readpref.Primary()); err != nil {
		return fmt.Errorf("%s: %w", s.target, err)
	}
	return nil
}

// Close writes the look-up entries that wait and ends all connections. It may be called twice.
func (s *Store) Close(ctx context.Context) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.closed {
		return nil
	}
	s.closed = true
	for _, l := range s.logs {
		l.index.stop(ctx) // what it cannot write is caught up by whoever opens the log next
	}
	return s.client.Disconnect(ctx)
}

// Site gives the log of a site, which is empty until something is appended. An impossible site id is
// record.ErrInvalid.
func (s *Store) Site(ctx context.Context, site string) (*Log, error) {
	if !record.ValidSite(site) {
		return nil, fmt.Errorf("%w: site %q", record.ErrInvalid, site)
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if l := s.logs[site]; l != nil {
		return l, nil
	}
	l := &Log{store: s, site: site, given: newGiven()}
	l.index = newIndex(l)
	if err := l.index.begin(ctx); err != nil {
		return nil, err
	}
	s.logs[site] = l
	return l, nil
}

// Sites gives the ids of the sites that have records, sorted.
func (s *Store) Sites(ctx context.Context) ([]string, error) {
	var names []string
	for last := ""; ; last = names[len(names)-1] { // from each site to the next, along the index
		var d commitDoc
		err := s.commits().FindOne(ctx, bson.D{{Key: "site", Value: bson.D{{Key: "$gt", Value: last}}}},
			options.FindOne().SetSort(bson.D{{Key: "site", Value: 1}, {Key: "commit", Value: 1}}).SetProjection(bson.D{{Key: "site", Value: 1}})).Decode(&d)
		if isMissing(err) {
			return names, nil
		}
		if err != nil {
			return nil, fmt.Errorf("sites of %s: %w", s.target, err)
		}
		names = append(names, d.Site)
	}
}

// News implements record.News by one query for all sites whose newest commit is not known here already.
func (s *Store) News(ctx context.Context, known map[string]int64) (map[string]int64, error) {
	news := map[string]int64{}
	var each bson.A
	for site, commit := range known {
		s.mu.Lock()
		l := s.logs[site]
		s.mu.Unlock()
		var last *record.Head
		if l != nil {
			last = l.last.Load()
		}
		switch {
		case last != nil && last.Commit > commit:
			news[site] = last.Commit
		case last != nil && last.Commit == commit: // what would be next is one document, by its key
			each = append(each, bson.D{{Key: "_id", Value: key(site, last.Size+1)}})
		default:
			each = append(each, bson.D{{Key: "site", Value: site}, {Key: "commit", Value: bson.D{{Key: "$gt", Value: commit}}}})
		}
	}
	if len(each) == 0 {
		return news, nil
	}
	filter := each[0]
	if len(each) > 1 {
		filter = bson.D{{Key: "$or", Value: each}}
	}
	found, err := s.commits().Find(ctx, filter, options.Find().SetProjection(bson.D{{Key: "site", Value: 1}, {Key: "commit", Value: 1}}))
	if err != nil {
		return nil, fmt.Errorf("news of %s: %w", s.target, err)
	}
	var docs []commitDoc
	if err := found.All(ctx, &docs); err != nil {
		return nil, fmt.Errorf("news of %s: %w", s.target, err)
	}
	for _, d := range docs {
		news[d.Site] = max(news[d.Site], d.Commit)
	}
	return news, nil
}

// place is what a URI names, with what must not be shown.
type place struct {
	target, database string
	secrets          []string
}

// clean takes user, password and the URI itself out of an error's text. What is behind the error stays.
func (p *place) clean(err error) error {
	text := err.Error()
	shown := text
	for _, secret := range p.secrets { // the longest first
		if secret != "" {
			shown = strings.ReplaceAll(shown, secret, "(hidden)")
		}
	}
	if shown == text {
		return err
	}
	return hidden{shown, err}
}

// hidden is an error whose text had a secret in it.
type hidden struct {
	shown string
	error
}

// Error gives the text without the secret.
func (h hidden) Error() string { return h.shown }

// Unwrap gives the error as it was, to be asked what kind it is.
func (h hidden) Unwrap() error { return h.error }
