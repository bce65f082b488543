package mongostore

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
)

// Accounts keeps credentials, sessions and counters of one scope: a site, or a group of sites. Package access
// declares what it does. A credential is a row of documents, each of the next version: inserting that version
// is how two callers find out which of them changed it. A version stays for ever, without its secret once another
// follows: were it deleted, a caller that was held up before its insert could make it again and be told that it won.
type Accounts struct {
	store *Store
	scope string
}

// Accounts gives the accounts of a scope.
func (s *Store) Accounts(scope string) *Accounts { return &Accounts{store: s, scope: scope} }

func (a *Accounts) in(name string) *mongo.Collection { return a.store.db.Collection(name) }

func accountsMillis(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixMilli()
}

func accountsTime(ms int64) time.Time {
	if ms == 0 {
		return time.Time{}
	}
	return time.UnixMilli(ms).UTC()
}

// hashed makes an _id of texts that may hold anything.
func (a *Accounts) hashed(parts ...string) string {
	h := sha256.New()
	for _, p := range parts {
		fmt.Fprintf(h, "%d %s", len(p), p)
	}
	return fmt.Sprintf("%s/%x", a.scope, h.Sum(nil))
}

// credentialDoc is one version of a credential; a newest version without a secret says that it was dropped.
type credentialDoc struct {
	ID      string `bson:"_id"`
	Scope   string `bson:"scope"`
	Kind    string `bson:"kind"`
	Owner   string `bson:"owner"`
	Version int64  `bson:"version"`
	Secret  string `bson:"secret"`
	At      int64  `bson:"at"`
}

func (a *Accounts) credentialKey(kind, owner string, version int64) string {
	return fmt.Sprintf("%s/%012d", a.hashed(kind, owner), version)
}

// newest gives the last version of a credential; version 0 where there never was one.
func (a *Accounts) newest(ctx context.Context, kind, owner string) (credentialDoc, error) {
	var d credentialDoc
	err := a.in(credentialsName).FindOne(ctx, bson.D{{Key: "_id", Value: bson.D{
		{Key: "$gt", Value: a.credentialKey(kind, owner, 0)}, {Key: "$lte", Value: a.credentialKey(kind, owner, maxNumber)}}}},
		options.FindOne().SetSort(bson.D{{Key: "_id", Value: -1}})).Decode(&d)
	if isMissing(err) {
		return credentialDoc{}, nil
	}
	return d, err
}

// follow adds the version after another and forgets the secrets before it; ok is false where somebody was faster.
func (a *Accounts) follow(ctx context.Context, kind, owner string, before int64, secret string, at time.Time) (ok bool, err error) {
	if a.store.readOnly {
		return false, ErrReadOnly
	}
	id := a.credentialKey(kind, owner, before+1)
	_, err = a.in(credentialsName).InsertOne(ctx, credentialDoc{id, a.scope, kind, owner, before + 1, secret, accountsMillis(at)})
	if mongo.IsDuplicateKeyError(err) {
		return false, nil
	}
	if err != nil {
		return false, err
	}
	_, err = a.in(credentialsName).UpdateMany(ctx, bson.D{{Key: "_id", Value: bson.D{{Key: "$gt", Value: a.credentialKey(kind, owner, 0)}, {Key: "$lt", Value: id}}},
		{Key: "secret", Value: bson.D{{Key: "$ne", Value: ""}}}}, bson.D{{Key: "$set", Value: bson.D{{Key: "secret", Value: ""}}}})
	return true, err
}

// Credential finds a secret.
func (a *Accounts) Credential(ctx context.Context, kind, owner string) (string, time.Time, bool, error) {
	d, err := a.newest(ctx, kind, owner)
	if err != nil {
		return "", time.Time{}, false, fmt.Errorf("read credential: %w", err)
	}
	if d.Secret == "" {
		return "", time.Time{}, false, nil
	}
	return d.Secret, accountsTime(d.At), true, nil
}

// setTries is how often a credential is set again that others set meanwhile.
const setTries = 20

// SetCredential sets a secret.
func (a *Accounts) SetCredential(ctx context.Context, kind, owner, secret string, at time.Time) error {
	for range setTries {
		d, err := a.newest(ctx, kind, owner)
		if err != nil {
			return fmt.Errorf("set credential: %w", err)
		}
		ok, err := a.follow(ctx, kind, owner, d.Version, secret, at)
		if err != nil {
			return fmt.Errorf("set credential: %w", err)
		}
		if ok {
			return nil
		}
	}
	return errors.New("set credential: others change it all the time")
}

// ReplaceCredential sets a secret where the present one is was.
func (a *Accounts) ReplaceCredential(ctx context.Context, kind, owner, was, secret string, at time.Time) (bool, error) {
	d, err := a.newest(ctx, kind, owner)
	if err == nil && (d.Secret == "" || d.Secret != was) {
		return false, nil
	}
	ok := false
	if err == nil {
		ok, err = a.follow(ctx, kind, owner, d.Version, secret, at)
	}
	if err != nil {
		return false, fmt.Errorf("replace credential: %w", err)
	}
	return ok, nil
}

// DropCredential forgets a secret where it is was, or any where was is empty.
func (a *Accounts) DropCredential(ctx context.Context, kind, owner, was string) (bool, error) {
	d, err := a.newest(ctx, kind, owner)
	if err == nil && (d.Secret == "" || was != "" && d.Secret != was) {
		return false, nil
	}
	ok := false
	if err == nil {
		ok, err = a.follow(ctx, kind, owner, d.Version, "", time.Time{})
	}
	if err != nil {
		return false, fmt.Errorf("drop credential: %w", err)
	}
	return ok, nil
}

// EachCredential calls fn with every credential, in any order; an error of fn ends it and is returned.
func (a *Accounts) EachCredential(ctx context.Context, fn func(kind, owner, secret string, at time.Time) error) error {
	found, err := a.in(credentialsName).Find(ctx, bson.D{{Key: "_id", Value: bson.D{{Key: "$gte", Value: a.scope + "/"}, {Key: "$lt", Value: a.scope + "0"}}}},
		options.Find().SetSort(bson.D{{Key: "_id", Value: 1}})) // 0 follows the slash
	if err != nil {
		return fmt.Errorf("read credentials: %w", err)
	}
	var all []credentialDoc
	if err := found.All(ctx, &all); err != nil {
		return fmt.Errorf("read credentials: %w", err)
	}
	for i, d := range all {
		older := i+1 < len(all) && all[i+1].Kind == d.Kind && all[i+1].Owner == d.Owner
		if older || d.Secret == "" {
			continue
		}
		if err := fn(d.Kind, d.Owner, d.Secret, accountsTime(d.At)); err != nil {
			return err
		}
	}
	return nil
}

type sessionDoc struct {
	ID     string `bson:"_id"`
	Scope  string `bson:"scope"`
	Person string `bson:"person"`
	Device string `bson:"device"`
	Known  string `bson:"known"`
	Began  int64  `bson:"began"`
	Used   int64  `bson:"used"`
	Ends   int64  `bson:"ends"`
}

func (a *Accounts) session(hash string) bson.D {
	return bson.D{{Key: "_id", Value: a.hashed(hash)}}
}

// AddSession keeps a new session.
func (a *Accounts) AddSession(ctx context.Context, hash, person, device, known string, began, ends time.Time) error {
	if a.store.readOnly {
		return ErrReadOnly
	}
	d := sessionDoc{a.hashed(hash), a.scope, person, device, known, accountsMillis(began), accountsMillis(began), accountsMillis(ends)}
	if _, err := a.in(sessionsName).InsertOne(ctx, d); err != nil {
		return fmt.Errorf("add session: %w", err)
	}
	return nil
}

// Session finds a session.
func (a *Accounts) Session(ctx context.Context, hash string) (person, device, known string, began, used, ends time.Time, found bool, err error) {
	var d sessionDoc
	err = a.in(sessionsName).FindOne(ctx, a.session(hash)).Decode(&d)
	if isMissing(err) {
		err = nil
		return
	}
	if err != nil {
		err = fmt.Errorf("read session: %w", err)
		return
	}
	return d.Person, d.Device, d.Known, accountsTime(d.Began), accountsTime(d.Used), accountsTime(d.Ends), true, nil
}

// TouchSession moves the time of last use forward.
func (a *Accounts) TouchSession(ctx context.Context, hash string, used time.Time) (bool, error) {
	r, err := a.in(sessionsName).UpdateOne(ctx, a.session(hash), bson.D{{Key: "$max", Value: bson.D{{Key: "used", Value: accountsMillis(used)}}}})
	if err != nil {
		return false, fmt.Errorf("touch session: %w", err)
	}
	return r.MatchedCount > 0, nil
}

// EndSession forgets a session.
func (a *Accounts) EndSession(ctx context.Context, hash string) error {
	if _, err := a.in(sessionsName).DeleteOne(ctx, a.session(hash)); err != nil {
		return fmt.Errorf("end session: %w", err)
	}
	return nil
}

// forget deletes what fits in the scope.
func (a *Accounts) forget(ctx context.Context, name string, filter ...bson.E) (int, error) {
	r, err := a.in(name).DeleteMany(ctx, append(bson.D{{Key: "scope", Value: a.scope}}, filter...))
	if err != nil {
		return 0, err
	}
	return int(r.DeletedCount), nil
}

// EndSessions forgets the sessions of a person, a device, or both together.
func (a *Accounts) EndSessions(ctx context.Context, person, device string) (int, error) {
	var filter []bson.E
	if person != "" {
		filter = append(filter, bson.E{Key: "person", Value: person})
	}
	if device != "" {
		filter = append(filter, bson.E{Key: "device", Value: device})
	}
	if len(filter) == 0 {
		return 0, errors.New("end sessions: neither person nor device given")
	}
	n, err := a.forget(ctx, sessionsName, filter...)
	if err != nil {
		return 0, fmt.Errorf("end sessions: %w", err)
	}
	return n, nil
}

// SweepSessions forgets the sessions that are past their end.
func (a *Accounts) SweepSessions(ctx context.Context, at time.Time) (int, error) {
	n, err := a.forget(ctx, sessionsName, bson.E{Key: "ends", Value: bson.D{{Key: "$lte", Value: accountsMillis(at)}}})
	if err != nil {
		return 0, fmt.Errorf("sweep sessions: %w", err)
	}
	return n, nil
}

type counterDoc struct {
	ID      string `bson:"_id"`
	Scope   string `bson:"scope"`
	Subject string `bson:"subject"`
	Recent  int    `bson:"recent"`
	Total   int    `bson:"total"`
	First   int64  `bson:"first"`
	Last    int64  `bson:"last"`
	Until   int64  `bson:"until"`
}

// Counter gives the counts of a subject from a place.
func (a *Accounts) Counter(ctx context.Context, subject, where string) (recent, total int, first, last, until time.Time, err error) {
	var d counterDoc
	err = a.in(countersName).FindOne(ctx, bson.D{{Key: "_id", Value: a.hashed(subject, where)}}).Decode(&d)
	if isMissing(err) {
		err = nil
		return
	}
	if err != nil {
		err = fmt.Errorf("read counter: %w", err)
		return
	}
	return d.Recent, d.Total, accountsTime(d.First), accountsTime(d.Last), accountsTime(d.Until), nil
}

// SetCounter keeps the counts of a subject from a place.
func (a *Accounts) SetCounter(ctx context.Context, subject, where string, recent, total int, first, last, until time.Time) error {
	if a.store.readOnly {
		return ErrReadOnly
	}
	d := counterDoc{a.hashed(subject, where), a.scope, subject, recent, total, accountsMillis(first), accountsMillis(last), accountsMillis(until)}
	_, err := a.in(countersName).ReplaceOne(ctx, bson.D{{Key: "_id", Value: d.ID}}, d, options.Replace().SetUpsert(true))
	if err != nil {
		return fmt.Errorf("set counter: %w", err)
	}
	return nil
}

// DropCounters forgets the counts of a subject.
func (a *Accounts) DropCounters(ctx context.Context, subject string) error {
	if _, err := a.forget(ctx, countersName, bson.E{Key: "subject", Value: subject}); err != nil {
		return fmt.Errorf("drop counters: %w", err)
	}
	return nil
}

// SweepCounters forgets the counts that are long past.
func (a *Accounts) SweepCounters(ctx context.Context, before time.Time) error {
	past := bson.D{{Key: "$lt", Value: accountsMillis(before)}}
	if _, err := a.forget(ctx, countersName, bson.E{Key: "last", Value: past}, bson.E{Key: "until", Value: past}); err != nil {
		return fmt.Errorf("sweep counters: %w", err)
	}
	return nil
}
