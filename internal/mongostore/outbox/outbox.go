// Package outbox keeps the messages about alerts that are to be sent, in two collections of a MongoDB database, for
// any number of sites and instances at once. A message is inserted once, under an _id that follows from its site and
// id. What becomes of it is a row of outcomes, each of the next version: inserting that version is how two instances
// find out which of them noted first, so nothing needs a transaction, and no update can be lost that matters.
//
// A message says besides whether it is over and whether it is done, as far as that was noted; these two only narrow
// what is read. They are set after the outcome that says so stands, and where one is not set the outcome still counts.
package outbox

import (
	"cmp"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
)

// The collections, both in order of site and message.
const (
	MessagesName = "messages" // _id site/hash of id
	OutcomesName = "outcomes" // _id site/hash of id/version
)

// tries is how often an outcome is noted again where others note one of the same message meanwhile.
const tries = 20

// keep is how many outcomes before the newest stay. Whoever is slow between reading the newest and inserting the next
// meets one that is there; attempts of a message wait ever longer, so nobody makes as many within the time of one call.
const keep = 10

// Box is the outbox of all sites of a database. Package alerts declares what it does. Times are kept to the millisecond.
type Box struct{ messages, outcomes *mongo.Collection }

// New gives the outbox in a database.
func New(db *mongo.Database) *Box {
	return &Box{messages: db.Collection(MessagesName), outcomes: db.Collection(OutcomesName)}
}

// messageDoc is a message as it was put. Over and Done follow its outcomes, and may lag behind them.
type messageDoc struct {
	Key     string `bson:"_id"`
	Site    string `bson:"site"`
	ID      string `bson:"id"`
	Channel string `bson:"channel"`
	Queued  int64  `bson:"queued"`
	Over    bool   `bson:"over"`
	Done    bool   `bson:"done"`
	Body    []byte `bson:"body"`
}

// outcomeDoc is what stands of a message from a version on. Times are milliseconds since 1970, 0 for none.
type outcomeDoc struct {
	Key      string `bson:"_id"`
	Site     string `bson:"site"`
	Message  string `bson:"message"`
	Version  int64  `bson:"version"`
	Attempts int    `bson:"attempts"`
	Next     int64  `bson:"next"`
	Failure  string `bson:"failure"`
	Sent     int64  `bson:"sent"`
	GaveUp   bool   `bson:"gave_up"`
	Done     bool   `bson:"done"`
}

// letter is a message with its newest outcome.
type letter struct {
	messageDoc
	now outcomeDoc
}

func keyOf(site, id string) string { return fmt.Sprintf("%s/%x", site, sha256.Sum256([]byte(id))) }

func equal(name string, value any) bson.E { return bson.E{Key: name, Value: value} }

func compared(name, how string, value any) bson.E {
	return bson.E{Key: name, Value: bson.D{{Key: how, Value: value}}}
}

func millis(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMilli()
}

func timeOf(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}

// Put keeps a message; false where the site has one with that id.
func (b *Box) Put(ctx context.Context, site, id, channel string, queued time.Time, body []byte) (bool, error) {
	_, err := b.messages.InsertOne(ctx, messageDoc{Key: keyOf(site, id), Site: site, ID: id, Channel: channel, Queued: millis(queued), Body: body})
	if mongo.IsDuplicateKeyError(err) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("outbox of site %s: put: %w", site, err)
	}
	return true, nil
}

// Each calls fn for every message that is not done and for those queued at or after since, the oldest first.
func (b *Box) Each(ctx context.Context, site string, since time.Time,
	fn func(id, channel string, queued time.Time, attempts int, sent time.Time, gaveUp, done bool, body []byte) error,
) error {
	from := millis(since)
	all, err := b.letters(ctx, bson.D{equal("site", site), equal("$or", bson.A{bson.D{equal("done", false)}, bson.D{compared("queued", "$gte", from)}})}, true)
	if err != nil {
		return fmt.Errorf("outbox of site %s: read: %w", site, err)
	}
	for i := range all {
		l := &all[i]
		if l.now.Done && l.Queued < from {
			continue
		}
		if err := fn(l.ID, l.Channel, timeOf(l.Queued), l.now.Attempts, timeOf(l.now.Sent), l.now.GaveUp, l.now.Done, l.Body); err != nil {
			return err
		}
	}
	return nil
}

// Next gives the message of a channel to send next, and when.
func (b *Box) Next(ctx context.Context, site, channel string) (id string, due, queued time.Time, attempts int, body []byte, err error) {
	l, err := b.next(ctx, site, channel)
	if err != nil {
		return "", due, queued, 0, nil, fmt.Errorf("outbox of site %s: next: %w", site, err)
	}
	if l == nil {
		return "", due, queued, 0, nil, nil
	}
	return l.ID, timeOf(l.now.Next), timeOf(l.Queued), l.now.Attempts, l.Body, nil
}

func (b *Box) next(ctx context.Context, site, channel string) (*letter, error) {
	all, err := b.letters(ctx, bson.D{equal("site", site), equal("channel", channel), equal("over", false)}, false)
	if err != nil {
		return nil, err
	}
	slices.SortStableFunc(all, func(x, y letter) int { return cmp.Compare(x.now.Next, y.now.Next) })
	for i := range all {
		l := &all[i]
		if l.now.Sent != 0 {
			continue
		}
		// A message that was forgotten meanwhile, and its outcomes with it, is not there any more.
		err := b.messages.FindOne(ctx, bson.D{equal("_id", l.Key)}).Decode(&l.messageDoc)
		if !errors.Is(err, mongo.ErrNoDocuments) {
			return l, err
		}
	}
	return nil, nil //nolint:nilnil // none waits: an answer, not an error
}

// letters reads the messages that fit with their newest outcomes, the oldest first; their bodies only where asked for.
func (b *Box) letters(ctx context.Context, filter bson.D, bodies bool) ([]letter, error) {
	o := options.Find()
	if !bodies {
		o.SetProjection(bson.D{equal("body", 0)})
	}
	var docs []messageDoc
	if err := all(ctx, b.messages, filter, &docs, o); err != nil || len(docs) == 0 {
		return nil, err
	}
	slices.SortFunc(docs, func(x, y messageDoc) int {
		return cmp.Or(cmp.Compare(x.Queued, y.Queued), cmp.Compare(x.ID, y.ID))
	})
	out := make([]letter, len(docs))
	keys := make([]string, len(docs))
	for i := range docs {
		out[i] = letter{docs[i], outcomeDoc{Next: docs[i].Queued}}
		keys[i] = docs[i].Key
	}
	newest := map[string]outcomeDoc{}
	for part := range slices.Chunk(keys, 500) {
		var outcomes []outcomeDoc
		if err := all(ctx, b.outcomes, bson.D{compared("message", "$in", part)}, &outcomes); err != nil {
			return nil, err
		}
		for _, d := range outcomes {
			if d.Version > newest[d.Message].Version {
				newest[d.Message] = d
			}
		}
	}
	for i := range out {
		if d, noted := newest[out[i].Key]; noted {
			out[i].now = d
		}
	}
	return out, nil
}

func all[T any](ctx context.Context, in *mongo.Collection, filter bson.D, docs *[]T, o ...options.Lister[options.FindOptions]) error {
	found, err := in.Find(ctx, filter, o...)
	if err != nil {
		return err
	}
	return found.All(ctx, docs)
}

// Channels calls fn for every channel that has a message.
func (b *Box) Channels(ctx context.Context, site string,
	fn func(channel string, delivered time.Time, waiting int, since time.Time, failure string) error,
) error {
	all, err := b.letters(ctx, bson.D{equal("site", site)}, false)
	if err != nil {
		return fmt.Errorf("outbox of site %s: channels: %w", site, err)
	}
	slices.SortStableFunc(all, func(x, y letter) int { return cmp.Compare(x.Channel, y.Channel) })
	for len(all) > 0 {
		n := slices.IndexFunc(all, func(l letter) bool { return l.Channel != all[0].Channel })
		if n < 0 {
			n = len(all)
		}
		var delivered, since, last int64
		waiting, failure := 0, ""
		for i := range all[:n] {
			l := &all[i]
			switch {
			case l.now.Sent != 0 && !l.now.GaveUp:
				delivered = max(delivered, l.now.Sent)
			case l.now.Sent == 0:
				if waiting++; waiting == 1 { // the oldest comes first
					since = l.Queued
				}
				if l.now.Failure != "" && l.now.Next >= last {
					failure, last = l.now.Failure, l.now.Next
				}
			}
		}
		if err := fn(all[0].Channel, timeOf(delivered), waiting, timeOf(since), failure); err != nil {
			return err
		}
		all = all[n:]
	}
	return nil
}
