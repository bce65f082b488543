package mongostore

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
)

// grantDoc is a delivery grant.
type grantDoc struct {
	ID      string `bson:"_id"`
	Scope   string `bson:"scope"`
	Session string `bson:"session"`
	Person  string `bson:"person"`
	Device  string `bson:"device"`
	Known   string `bson:"known"`
	From    int64  `bson:"from"`
	To      int64  `bson:"to"`
}

// AddGrant keeps a new grant.
func (a *Accounts) AddGrant(ctx context.Context, hash, session, person, device, known string, from, to time.Time) error {
	if a.store.readOnly {
		return ErrReadOnly
	}
	d := grantDoc{a.hashed(hash), a.scope, session, person, device, known, accountsMillis(from), accountsMillis(to)}
	if _, err := a.in(grantsName).InsertOne(ctx, d); err != nil {
		return fmt.Errorf("add grant: %w", err)
	}
	return nil
}

// Grant finds a grant.
func (a *Accounts) Grant(ctx context.Context, hash string) (person, device, known string, from, to time.Time, found bool, err error) {
	var d grantDoc
	err = a.in(grantsName).FindOne(ctx, bson.D{{Key: "_id", Value: a.hashed(hash)}}).Decode(&d)
	if isMissing(err) {
		err = nil
		return
	}
	if err != nil {
		err = fmt.Errorf("read grant: %w", err)
		return
	}
	return d.Person, d.Device, d.Known, accountsTime(d.From), accountsTime(d.To), true, nil
}

// LastGrant finds whose grant on a device began last.
func (a *Accounts) LastGrant(ctx context.Context, device string, at time.Time) (string, bool, error) {
	var d grantDoc
	err := a.in(grantsName).FindOne(ctx, bson.D{{Key: "scope", Value: a.scope}, {Key: "device", Value: device},
		{Key: "from", Value: bson.D{{Key: "$lte", Value: accountsMillis(at)}}}},
		options.FindOne().SetSort(bson.D{{Key: "from", Value: -1}, {Key: "person", Value: -1}})).Decode(&d)
	if isMissing(err) {
		return "", false, nil
	}
	if err != nil {
		return "", false, fmt.Errorf("read grant: %w", err)
	}
	return d.Person, true, nil
}

// EndGrants moves the end of grants back. A grant that would end before it began covers its first moment only.
func (a *Accounts) EndGrants(ctx context.Context, session, person, device string, to time.Time) (int, error) {
	filter := bson.D{{Key: "scope", Value: a.scope}}
	for name, value := range map[string]string{"session": session, "person": person, "device": device} {
		if value != "" {
			filter = append(filter, bson.E{Key: name, Value: value})
		}
	}
	if len(filter) == 1 {
		return 0, errors.New("end grants: neither session nor person nor device given")
	}
	if a.store.readOnly {
		return 0, ErrReadOnly
	}
	end := accountsMillis(to)
	filter = append(filter, bson.E{Key: "to", Value: bson.D{{Key: "$gt", Value: end}}})
	begun := append(bson.D{{Key: "from", Value: bson.D{{Key: "$lte", Value: end}}}}, filter...)
	r, err := a.in(grantsName).UpdateMany(ctx, begun, bson.D{{Key: "$min", Value: bson.D{{Key: "to", Value: end}}}})
	if err != nil {
		return 0, fmt.Errorf("end grants: %w", err)
	}
	n := int(r.MatchedCount)
	found, err := a.in(grantsName).Find(ctx, filter)
	var later []grantDoc
	if err == nil {
		err = found.All(ctx, &later)
	}
	for _, d := range later { // begun after that moment: the clocks of two instances may differ a little
		if err != nil || d.To == d.From {
			continue
		}
		_, err = a.in(grantsName).UpdateOne(ctx, bson.D{{Key: "_id", Value: d.ID}}, bson.D{{Key: "$min", Value: bson.D{{Key: "to", Value: d.From}}}})
		n++
	}
	if err != nil {
		return n, fmt.Errorf("end grants: %w", err)
	}
	return n, nil
}
