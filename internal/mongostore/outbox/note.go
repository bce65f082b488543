package outbox

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
)

// Failed notes an attempt that failed and when the next is due.
func (b *Box) Failed(ctx context.Context, site, id string, next time.Time, failure string) error {
	return b.note(ctx, site, id, "note a failure", func(d *outcomeDoc) bool {
		if d.Sent != 0 {
			return false
		}
		d.Attempts, d.Next, d.Failure = d.Attempts+1, millis(next), failure
		return true
	})
}

// Sent notes that the last attempt was taken, or that no more are made.
func (b *Box) Sent(ctx context.Context, site, id string, at time.Time, gaveUp bool) error {
	return b.note(ctx, site, id, "note what was sent", func(d *outcomeDoc) bool {
		if d.Sent != 0 {
			return false
		}
		d.Sent, d.GaveUp = millis(at), gaveUp
		if !gaveUp {
			d.Attempts++
		}
		return true
	})
}

// Done notes that the outcome stands in the log where it belongs there.
func (b *Box) Done(ctx context.Context, site, id string) error {
	return b.note(ctx, site, id, "note what is done", func(d *outcomeDoc) bool {
		was := d.Done
		d.Done = true
		return !was
	})
}

// note adds the outcome that change makes of the newest one, and again where somebody else was faster. A message that
// is not there has none.
func (b *Box) note(ctx context.Context, site, id, what string, change func(*outcomeDoc) bool) error {
	for range tries {
		ok, err := b.follow(ctx, keyOf(site, id), change)
		if err != nil {
			return fmt.Errorf("outbox of site %s: %s: %w", site, what, err)
		}
		if ok {
			return nil
		}
	}
	return fmt.Errorf("outbox of site %s: %s: others note something of the message all the time", site, what)
}

// follow adds one outcome; ok is false where somebody was faster.
func (b *Box) follow(ctx context.Context, key string, change func(*outcomeDoc) bool) (ok bool, err error) {
	var m messageDoc
	err = b.messages.FindOne(ctx, bson.D{equal("_id", key)}, options.FindOne().SetProjection(bson.D{equal("body", 0)})).Decode(&m)
	if errors.Is(err, mongo.ErrNoDocuments) {
		return true, nil
	}
	if err != nil {
		return false, err
	}
	d := outcomeDoc{Site: m.Site, Message: key, Next: m.Queued}
	err = b.outcomes.FindOne(ctx, bson.D{equal("message", key)}, options.FindOne().SetSort(bson.D{equal("version", -1)})).Decode(&d)
	if err != nil && !errors.Is(err, mongo.ErrNoDocuments) {
		return false, err
	}
	if change(&d) {
		d.Version++
		d.Key = fmt.Sprintf("%s/%012d", key, d.Version)
		_, err = b.outcomes.InsertOne(ctx, d)
		if mongo.IsDuplicateKeyError(err) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		if _, err := b.outcomes.DeleteMany(ctx, bson.D{equal("message", key), compared("version", "$lt", d.Version-keep)}); err != nil {
			return false, err
		}
	}
	if over := d.Sent != 0; over != m.Over || d.Done != m.Done {
		_, err = b.messages.UpdateOne(ctx, bson.D{equal("_id", key)}, bson.D{equal("$set", bson.D{equal("over", over), equal("done", d.Done)})})
	}
	return err == nil, err
}

// Forget drops what was done before a moment, but never the last message that a channel took.
func (b *Box) Forget(ctx context.Context, site string, before time.Time) error {
	if err := b.forget(ctx, site, millis(before)); err != nil {
		return fmt.Errorf("outbox of site %s: forget: %w", site, err)
	}
	return nil
}

// forget drops messages before their outcomes: a message without them would be sent again. Outcomes whose message
// went while the program died are dropped the next time.
func (b *Box) forget(ctx context.Context, site string, before int64) error {
	var outcomes []outcomeDoc // read before the messages, so that one without its message was forgotten
	if err := all(ctx, b.outcomes, bson.D{equal("site", site)}, &outcomes, options.Find().SetProjection(bson.D{equal("message", 1)})); err != nil {
		return err
	}
	letters, err := b.letters(ctx, bson.D{equal("site", site)}, false)
	if err != nil {
		return err
	}
	last := map[string]int64{}
	for i := range letters {
		if l := &letters[i]; !l.now.GaveUp {
			last[l.Channel] = max(last[l.Channel], l.now.Sent)
		}
	}
	there := map[string]bool{}
	var gone []string
	for i := range letters {
		l := &letters[i]
		there[l.Key] = true
		if l.now.Done && l.Queued < before && (l.now.GaveUp || l.now.Sent != last[l.Channel]) {
			gone = append(gone, l.Key)
		}
	}
	for part := range slices.Chunk(gone, 500) {
		if _, err := b.messages.DeleteMany(ctx, bson.D{compared("_id", "$in", part)}); err != nil {
			return err
		}
	}
	for _, d := range outcomes {
		if !there[d.Message] {
			gone = append(gone, d.Message)
		}
	}
	for part := range slices.Chunk(gone, 500) {
		if _, err := b.outcomes.DeleteMany(ctx, bson.D{compared("message", "$in", part)}); err != nil {
			return err
		}
	}
	return nil
}
