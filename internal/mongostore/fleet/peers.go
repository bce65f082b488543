package fleet

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
)

// peerDoc shows where an instance is told of commits.
type peerDoc struct {
	Address string `bson:"_id"`
	Beat    int64  `bson:"beat"`
}

func (f *Fleet) peers() *mongo.Collection { return f.db.Collection(PeersName) }

// ShowPeer keeps the latest beat of the instance at an address.
func (f *Fleet) ShowPeer(ctx context.Context, address string, beat int64) error {
	if f.readOnly {
		return ErrReadOnly
	}
	_, err := f.peers().ReplaceOne(ctx, bson.D{{Key: "_id", Value: address}}, peerDoc{address, beat}, options.Replace().SetUpsert(true))
	if err != nil {
		return fmt.Errorf("instance at %s: %w", address, err)
	}
	return nil
}

// HidePeer takes an address away.
func (f *Fleet) HidePeer(ctx context.Context, address string) error {
	if f.readOnly {
		return ErrReadOnly
	}
	if _, err := f.peers().DeleteOne(ctx, bson.D{{Key: "_id", Value: address}}); err != nil {
		return fmt.Errorf("instance at %s: %w", address, err)
	}
	return nil
}

// Peers gives the latest beat at each address.
func (f *Fleet) Peers(ctx context.Context) (map[string]int64, error) {
	found, err := f.peers().Find(ctx, bson.D{})
	if err != nil {
		return nil, fmt.Errorf("instances at %s: %w", f.target, err)
	}
	var all []peerDoc
	if err := found.All(ctx, &all); err != nil {
		return nil, fmt.Errorf("instances at %s: %w", f.target, err)
	}
	out := map[string]int64{}
	for _, d := range all {
		out[d.Address] = d.Beat
	}
	return out, nil
}

// PeerKey gives the key that instances on this database tell each other of commits with. The first one draws it.
func (f *Fleet) PeerKey(ctx context.Context, size int) ([]byte, error) {
	var d struct {
		Key []byte `bson:"key"`
	}
	id := bson.D{{Key: "_id", Value: "peers"}}
	for range 2 {
		err := f.db.Collection(keysName).FindOne(ctx, id).Decode(&d)
		if err == nil && len(d.Key) != size {
			return nil, fmt.Errorf("the key of the instances has %d bytes, want %d", len(d.Key), size)
		}
		if err == nil {
			return d.Key, nil
		}
		if !errors.Is(err, mongo.ErrNoDocuments) {
			return nil, fmt.Errorf("key of the instances: %w", err)
		}
		if f.readOnly {
			return nil, ErrReadOnly
		}
		drawn := make([]byte, size)
		rand.Read(drawn)
		_, err = f.db.Collection(keysName).InsertOne(ctx, append(id, bson.E{Key: "key", Value: drawn}))
		if err != nil && !mongo.IsDuplicateKeyError(err) {
			return nil, fmt.Errorf("key of the instances: %w", err)
		}
	}
	return nil, fmt.Errorf("key of the instances: %w", mongo.ErrNoDocuments)
}
