package wiretest

import (
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"

	"linewarden/internal/mongostore"
)

// Somebody whose change is held up on its way to the server, while others change the same credential several times,
// is told that it did not win, and what the others set stands. Of secrets that no longer hold none is kept.
func TestCredentialOfOneHeldUp(t *testing.T) {
	uri, at := database(t), time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	f := NewFaults()
	slow := open(t, mongostore.Options{URI: uri, Dialer: f}).Accounts("north")
	fast := open(t, mongostore.Options{URI: uri}).Accounts("north")
	ctx := t.Context()
	if err := fast.SetCredential(ctx, "password", "ines", "first", at); err != nil {
		t.Fatal(err)
	}
	held := make(chan struct{})
	f.Plan(Fault{Command: "insert", Collection: "credentials", Hold: held})
	type outcome struct {
		won bool
		err error
	}
	done := make(chan outcome)
	go func() {
		won, err := slow.ReplaceCredential(ctx, "password", "ines", "first", "of the one held up", at)
		done <- outcome{won, err}
	}()
	for f.Seen("insert", "credentials") == 0 {
		select {
		case o := <-done:
			t.Fatalf("was not held up: %+v", o)
		case <-time.After(time.Millisecond):
		}
	}
	for _, secret := range []string{"second", "third"} {
		if err := fast.SetCredential(ctx, "password", "ines", secret, at); err != nil {
			t.Fatal(err)
		}
	}
	close(held)
	if o := <-done; o.won || o.err != nil {
		t.Errorf("the one held up was told %v, %v", o.won, o.err)
	}
	if secret, _, found, err := slow.Credential(ctx, "password", "ines"); err != nil || !found || secret != "third" {
		t.Errorf("what stands is %q, %v, %v", secret, found, err)
	}
	err := with(ctx, server.URI, databaseOf(uri), func(db *mongo.Database) error {
		n, err := db.Collection("credentials").CountDocuments(ctx, bson.D{{Key: "secret", Value: bson.D{{Key: "$ne", Value: ""}}}})
		if err == nil && n != 1 {
			t.Errorf("%d secrets are kept", n)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
}
