package mongostore

import (
	"context"
	"crypto/rand"
	"fmt"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
)

// snapshotPart is the most bytes of a snapshot in one document; the server takes 16 MB.
const snapshotPart = 8 << 20

// manifestDoc names the parts of the newest snapshot under a name.
type manifestDoc struct {
	ID    string `bson:"_id"`
	Site  string `bson:"site"`
	Seq   int64  `bson:"seq"`
	Root  []byte `bson:"root"`
	Token string `bson:"token"` // of its parts
	Parts int    `bson:"parts"`
	Bytes int    `bson:"bytes"`
}

type partDoc struct {
	ID   string `bson:"_id"`
	Site string `bson:"site"`
	Name string `bson:"name"`
	Seq  int64  `bson:"seq"`
	Data []byte `bson:"data"`
}

func (l *Log) manifestKey(name string) string { return l.site + "/" + name }

func (l *Log) partKey(name, token string, i int) string {
	return fmt.Sprintf("%s/%s/%s/%06d", l.site, name, token, i)
}

// SaveSnapshot keeps the state at a seq under a name, in place of the one before: the parts first, then the
// manifest that names them. It is a cache: whoever loads it must compare seq and root.
func (l *Log) SaveSnapshot(ctx context.Context, name string, seq int64, root [32]byte, data []byte) error {
	if l.store.readOnly {
		return ErrReadOnly
	}
	if err := l.saveSnapshot(ctx, name, seq, root, data); err != nil {
		return fmt.Errorf("save snapshot %s of site %s: %w", name, l.site, err)
	}
	return nil
}

func (l *Log) saveSnapshot(ctx context.Context, name string, seq int64, root [32]byte, data []byte) error {
	m := manifestDoc{ID: l.manifestKey(name), Site: l.site, Seq: seq, Root: root[:], Token: rand.Text(), Bytes: len(data)}
	for ; len(data) > 0; m.Parts++ {
		n := min(len(data), snapshotPart)
		_, err := l.store.snapshots().InsertOne(ctx, partDoc{l.partKey(name, m.Token, m.Parts), l.site, name, seq, data[:n]})
		if err != nil {
			return err
		}
		data = data[n:]
	}
	before, err := l.manifest(ctx, name)
	if err != nil {
		return err
	}
	_, err = l.store.snapshots().ReplaceOne(ctx, bson.D{{Key: "_id", Value: m.ID}, {Key: "site", Value: l.site}}, &m, options.Replace().SetUpsert(true))
	if err != nil || before == nil {
		return err
	}
	// Parts that a save cut short left behind go with a later one. Where two instances save at a time one may
	// take the other's parts: the snapshot then does not load, and the log is replayed.
	_, err = l.store.snapshots().DeleteMany(ctx, bson.D{{Key: "site", Value: l.site}, {Key: "name", Value: name}, {Key: "$or", Value: bson.A{
		bson.D{{Key: "_id", Value: bson.D{{Key: "$gte", Value: l.partKey(name, before.Token, 0)}, {Key: "$lte", Value: l.partKey(name, before.Token, before.Parts)}}}},
		bson.D{{Key: "seq", Value: bson.D{{Key: "$lt", Value: min(seq, before.Seq)}}}},
	}}})
	return err
}

// manifest reads the manifest of a name; nil where there is none.
func (l *Log) manifest(ctx context.Context, name string) (*manifestDoc, error) {
	var m manifestDoc
	err := l.store.snapshots().FindOne(ctx, bson.D{{Key: "_id", Value: l.manifestKey(name)}, {Key: "site", Value: l.site}}).Decode(&m)
	if isMissing(err) {
		return nil, nil //nolint:nilnil // none is an answer, not an error
	}
	return &m, err
}

// LoadSnapshot gives what SaveSnapshot kept; seq is 0 where there is none, or not all of it.
func (l *Log) LoadSnapshot(ctx context.Context, name string) (seq int64, root [32]byte, data []byte, err error) {
	m, err := l.manifest(ctx, name)
	if err == nil && m != nil && len(m.Root) == len(root) {
		data, err = l.parts(ctx, name, m)
	}
	if err != nil {
		return 0, root, nil, fmt.Errorf("load snapshot %s of site %s: %w", name, l.site, err)
	}
	if m == nil || len(m.Root) != len(root) || len(data) != m.Bytes {
		return 0, root, nil, nil
	}
	copy(root[:], m.Root)
	return m.Seq, root, data, nil
}

func (l *Log) parts(ctx context.Context, name string, m *manifestDoc) ([]byte, error) {
	found, err := l.store.snapshots().Find(ctx, bson.D{{Key: "site", Value: l.site},
		{Key: "_id", Value: bson.D{{Key: "$gte", Value: l.partKey(name, m.Token, 0)}, {Key: "$lt", Value: l.partKey(name, m.Token, m.Parts)}}}},
		options.Find().SetSort(bson.D{{Key: "_id", Value: 1}}))
	if err != nil {
		return nil, err
	}
	defer found.Close(context.WithoutCancel(ctx))
	data := make([]byte, 0, m.Bytes)
	for found.Next(ctx) {
		var d partDoc
		if err := found.Decode(&d); err != nil {
			return nil, err
		}
		data = append(data, d.Data...)
	}
	return data, found.Err()
}
