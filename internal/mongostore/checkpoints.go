package mongostore

import (
	"context"
	"crypto/sha256"
	"fmt"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"

	"linewarden/internal/record"
)

// checkpointDoc is a signed checkpoint as it is stored. The hash of the note in its _id makes adding it twice
// the same as adding it once.
type checkpointDoc struct {
	ID   string `bson:"_id"`
	Site string `bson:"site"`
	Size int64  `bson:"size"`
	Note string `bson:"note"`
}

// AddCheckpoint implements record.Checkpoints.
func (l *Log) AddCheckpoint(ctx context.Context, size int64, note string) error {
	if l.store.readOnly {
		return ErrReadOnly
	}
	sum := sha256.Sum256([]byte(note))
	_, err := l.store.checkpoints().InsertOne(ctx, checkpointDoc{fmt.Sprintf("%s/%x", key(l.site, size), sum[:8]), l.site, size, note})
	if err != nil && !mongo.IsDuplicateKeyError(err) {
		return fmt.Errorf("checkpoint of site %s: %w", l.site, err)
	}
	return nil
}

// EachCheckpoint implements record.Checkpoints.
func (l *Log) EachCheckpoint(ctx context.Context, after int64, fn func(size int64, note string) error) error {
	found, err := l.store.checkpoints().Find(ctx, bson.D{{Key: "site", Value: l.site}, {Key: "size", Value: bson.D{{Key: "$gt", Value: after}}}},
		options.Find().SetSort(bson.D{{Key: "_id", Value: 1}}))
	if err != nil {
		return fmt.Errorf("checkpoints of site %s: %w", l.site, err)
	}
	defer found.Close(context.WithoutCancel(ctx))
	for found.Next(ctx) {
		var d checkpointDoc
		if err := found.Decode(&d); err != nil {
			return fmt.Errorf("checkpoints of site %s: %w", l.site, err)
		}
		if err := fn(d.Size, d.Note); err != nil {
			return err
		}
	}
	return found.Err()
}

// LastCheckpoint implements record.Checkpoints.
func (l *Log) LastCheckpoint(ctx context.Context) (string, error) {
	var d checkpointDoc
	err := l.store.checkpoints().FindOne(ctx, bson.D{{Key: "site", Value: l.site}},
		options.FindOne().SetSort(bson.D{{Key: "_id", Value: -1}})).Decode(&d)
	if isMissing(err) {
		return "", fmt.Errorf("checkpoint of site %s: %w", l.site, record.ErrNotFound)
	}
	if err != nil {
		return "", fmt.Errorf("checkpoint of site %s: %w", l.site, err)
	}
	return d.Note, nil
}
