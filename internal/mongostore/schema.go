package mongostore

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"linewarden/internal/mongostore/fleet"
	"linewarden/internal/mongostore/outbox"
	"linewarden/internal/mongostore/runs"
)

// schemaVersion is the version of the collections that this program reads and writes. A document of the
// collection schema says that a version has been set up; none is ever changed. Version 1 had a look-up document a
// record, version 2 an array of records in a commit; no release wrote them.
const schemaVersion = 3

// The collections. Every document has the member site (accounts: scope); a cluster is sharded by it, and commits by
// their _id, which begins with it and is what must be unique among them:
//
//	sh.shardCollection("linewarden.commits", {_id: 1})
//	sh.shardCollection("linewarden.lookups", {site: 1, key: 1})
//	sh.shardCollection("linewarden.checkpoints", {site: 1})
//	sh.shardCollection("linewarden.snapshots", {site: 1})
//
// A site's commits stay together as long as they fit into one chunk; every query of the log names the site.
// The rest is small and needs no sharding. _id is made of the site and a number of fixed length, so that one
// index serves both finding and ordering:
//
//	commits      _id site/first seq     (site, commit) (site, names)
//	lookups      _id site/run/key       (site, key, first, last) (site, key, last, first)
//	checkpoints  _id site/size/hash
//	snapshots    _id site/name and site/name/token/part
//	credentials  _id scope/kind/owner/version
//	sessions     _id scope/hash         (scope)
//	counters     _id scope/hash         (scope)
//	grants       _id scope/hash         (scope, device, from)
//	leases       _id site/epoch
//	beats        _id holder
//	peers        _id address
//	keys         _id name
//	messages     _id site/hash           (site, channel, over) (site, done, queued)
//	outcomes     _id site/hash/version   (message, version) (site)
const (
	commitsName     = "commits"
	lookupsName     = "lookups"
	checkpointsName = "checkpoints"
	snapshotsName   = "snapshots"
	credentialsName = "credentials"
	sessionsName    = "sessions"
	countersName    = "counters"
	grantsName      = "grants"
	schemaName      = "schema"
)

func (s *Store) commits() *mongo.Collection     { return s.db.Collection(commitsName) }
func (s *Store) lookups() *mongo.Collection     { return s.db.Collection(lookupsName) }
func (s *Store) checkpoints() *mongo.Collection { return s.db.Collection(checkpointsName) }
func (s *Store) snapshots() *mongo.Collection   { return s.db.Collection(snapshotsName) }

// Fleet gives what instances on the database know of each other.
func (s *Store) Fleet() *fleet.Fleet { return fleet.New(s.db, s.target, s.readOnly) }

// Outbox gives the messages about alerts that wait, of all sites of the database.
func (s *Store) Outbox() (*outbox.Box, error) {
	if s.readOnly {
		return nil, ErrReadOnly
	}
	return outbox.New(s.db), nil
}

// prepare checks the version of the collections and sets up what is missing.
func (s *Store) prepare(ctx context.Context, run int) error {
	var newest struct {
		Version int   `bson:"version"`
		Run     int64 `bson:"run"`
	}
	err := s.db.Collection(schemaName).FindOne(ctx, bson.D{}, options.FindOne().SetSort(bson.D{{Key: "version", Value: -1}})).Decode(&newest)
	if err != nil && !isMissing(err) {
		return err
	}
	switch {
	case newest.Version > schemaVersion:
		return fmt.Errorf("the collections have version %d, this program knows %d: use the newer program", newest.Version, schemaVersion)
	case newest.Version == schemaVersion && newest.Run > 0 && newest.Run <= runs.MaxSize:
		s.run = newest.Run
		return s.makeIndexes(ctx)
	case newest.Version > 0:
		return fmt.Errorf("the collections have the layout of version %d, which this program does not read: export the records with the program "+
			"that wrote them and restore them into an empty database", newest.Version)
	case s.readOnly:
		return fmt.Errorf("there is no record log in %s", s.target)
	}
	if err := s.makeIndexes(ctx); err != nil {
		return err
	}
	if run == 0 {
		run = runs.DefaultSize
	}
	if run < 1 || run > runs.MaxSize {
		return fmt.Errorf("a run of %d records: 1 to %d are possible", run, runs.MaxSize)
	}
	id := fmt.Sprint("version ", schemaVersion)
	_, err = s.db.Collection(schemaName).InsertOne(ctx, bson.D{{Key: "_id", Value: id}, {Key: "version", Value: schemaVersion}, {Key: "run", Value: int64(run)}})
	if mongo.IsDuplicateKeyError(err) { // another instance was as fast, and says how long a run is
		return s.prepare(ctx, run)
	}
	s.run = int64(run)
	return err
}

// makeIndexes makes the indexes that are not there. It looks for them at every start, since a collection may be younger
// than the database.
func (s *Store) makeIndexes(ctx context.Context) error {
	if s.readOnly {
		return nil
	}
	for name, wanted := range indexes() {
		view := s.db.Collection(name).Indexes()
		there, err := view.ListSpecifications(ctx)
		if err != nil {
			return fmt.Errorf("indexes of %s: %w", name, err)
		}
		var missing []mongo.IndexModel
		for _, members := range wanted {
			keys, index := bson.D{}, strings.Join(members, "_1_")+"_1"
			for _, m := range members {
				keys = append(keys, bson.E{Key: m, Value: 1})
			}
			if !slices.ContainsFunc(there, func(x mongo.IndexSpecification) bool { return x.Name == index }) {
				missing = append(missing, mongo.IndexModel{Keys: keys, Options: options.Index().SetName(index)})
			}
		}
		if len(missing) == 0 {
			continue
		}
		if _, err := view.CreateMany(ctx, missing); err != nil {
			return fmt.Errorf("indexes of %s: %w", name, err)
		}
	}
	return nil
}

// indexes gives the members of the indexes of each collection, beside that of _id.
func indexes() map[string][][]string {
	return map[string][][]string{
		commitsName:  {{"site", "commit"}, {"site", "names"}},
		lookupsName:  {{"site", "key", "first", "last"}, {"site", "key", "last", "first"}},
		sessionsName: {{"scope"}},
		countersName: {{"scope"}},
		grantsName:   {{"scope", "device", "from"}},

		outbox.MessagesName: {{"site", "channel", "over"}, {"site", "done", "queued"}},
		outbox.OutcomesName: {{"message", "version"}, {"site"}},
	}
}

// movedDoc notes where a site is kept by now. It stands beside the version of the schema.
type movedDoc struct {
	ID   string `bson:"_id"`
	Text string `bson:"text"`
}

// Moved gives where a site went; empty: nowhere.
func (s *Store) Moved(ctx context.Context, site string) (string, error) {
	var d movedDoc
	err := s.db.Collection(schemaName).FindOne(ctx, bson.D{{Key: "_id", Value: "moved/" + site}}).Decode(&d)
	if err != nil && !isMissing(err) {
		return "", fmt.Errorf("site %s: %w", site, err)
	}
	return d.Text, nil
}

// SetMoved notes where a site went; empty: it is here.
func (s *Store) SetMoved(ctx context.Context, site, text string) error {
	if s.readOnly {
		return ErrReadOnly
	}
	d := movedDoc{"moved/" + site, text}
	_, err := s.db.Collection(schemaName).ReplaceOne(ctx, bson.D{{Key: "_id", Value: d.ID}}, d, options.Replace().SetUpsert(true))
	if err != nil {
		return fmt.Errorf("site %s: %w", site, err)
	}
	return nil
}
