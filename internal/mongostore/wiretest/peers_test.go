package wiretest

import (
	"bytes"
	"context"
	"errors"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"go.mongodb.org/mongo-driver/v2/bson"

	"linewarden/internal/app"
	"linewarden/internal/config"
	"linewarden/internal/mongostore"
	"linewarden/internal/peers"
	"linewarden/internal/plant"
	"linewarden/internal/record"
)

// pair is one plant that two instances have open; what the first one writes is kept.
type pair struct {
	writer, reader *plant.Site
	store          *mongostore.Store // of the reader
	faults         *Faults           // of its connections
	mu             sync.Mutex
	docs           [][]byte
	warnings       bytes.Buffer
}

func newPair(t *testing.T) *pair {
	t.Helper()
	p := &pair{faults: NewFaults()}
	uri := database(t)
	first := open(t, mongostore.Options{URI: uri})
	first.OnWritten(func(doc []byte) {
		p.mu.Lock()
		defer p.mu.Unlock()
		p.docs = append(p.docs, bytes.Clone(doc))
	})
	log := site(t, first, "north")
	o := plant.Options{Log: log, Checkpoints: log, Signer: signerOf(t, "north"), Zones: time.LoadLocation, Shared: true}
	if err := plant.Found(t.Context(), o, plant.Founding{Site: "north", Name: "Invented plant", Demo: true}); err != nil {
		t.Fatal(err)
	}
	at := func(o plant.Options) *plant.Site {
		s, err := plant.Open(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = s.Close(context.Background()) })
		return s
	}
	p.writer = at(o)
	p.store = open(t, mongostore.Options{URI: uri, Dialer: p.faults})
	o.Log, o.Checkpoints, o.Signer = site(t, p.store, "north"), nil, nil
	o.Logger = slog.New(slog.NewTextHandler(&p.warnings, nil))
	p.reader = at(o)
	if err := p.reader.Refresh(t.Context()); err != nil { // somebody looks at it
		t.Fatal(err)
	}
	p.docs = nil
	return p
}

// write has the writer add people, each in a commit of its own, and gives the documents of these.
func (p *pair) write(t *testing.T, from, to int) [][]byte {
	t.Helper()
	for n := from; n < to; n++ {
		if _, err := p.writer.Do(t.Context(), plant.Request{Command: addPerson(n)}); err != nil {
			t.Fatal(err)
		}
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	docs := p.docs
	p.docs = nil
	return docs
}

func (p *pair) reaches(t *testing.T, head record.Head) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); p.reader.Head() != head; time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("the reader is at %+v, want %+v", p.reader.Head(), head)
		}
	}
}

// What another instance tells is read without asking the database; what it does not tell is read from there; both states
// are the same, and both instances write on.
func TestToldOfCommits(t *testing.T) {
	p := newPair(t)
	asked := p.faults.Seen("find", "commits")
	for _, doc := range p.write(t, 1, 30) {
		if err := p.store.Deliver(doc); err != nil {
			t.Fatal(err)
		}
		if err := p.store.Deliver(doc); err != nil { // twice does no harm
			t.Fatal(err)
		}
	}
	p.reaches(t, p.writer.Head())
	if n := p.faults.Seen("find", "commits") - asked; n != 0 {
		t.Errorf("the database was asked %d times for commits that were told of", n)
	}
	docs := p.write(t, 30, 40)
	for i, doc := range docs {
		if i != 4 {
			if err := p.store.Deliver(doc); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := p.reader.CatchUp(t.Context(), p.writer.Head().Commit); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(stateOf(t, p.writer), stateOf(t, p.reader)) {
		t.Error("the two hold different states")
	}
	res, err := p.reader.Do(t.Context(), plant.Request{Command: addPerson(77)})
	if err != nil || res.Head.Commit != p.writer.Head().Commit+1 {
		t.Errorf("the reader wrote commit %d: %v", res.Head.Commit, err)
	}
	if _, err := p.reader.Do(t.Context(), plant.Request{Command: addPerson(33)}); err == nil {
		t.Error("a person is added twice")
	}
}

// A document that does not fit itself is refused, one of another site passed over; one whose records were altered is found
// out, and the database is read instead.
func TestToldWrong(t *testing.T) {
	p := newPair(t)
	docs := p.write(t, 1, 3)
	change := func(doc []byte, member string, value any) []byte {
		var d bson.D
		if err := bson.Unmarshal(doc, &d); err != nil {
			t.Fatal(err)
		}
		for i := range d {
			if d[i].Key == member {
				if d[i].Value = value; value == nil {
					d[i].Value = strings.Replace(bson.Raw(doc).Lookup(member).StringValue(), "person", "nobody", 1)
				}
			}
		}
		out, err := bson.Marshal(d)
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	for name, bad := range map[string][]byte{
		"no document": []byte("x"), "a number of none": change(docs[0], "commit", int64(0)), "records that are not there": change(docs[0], "size", int64(99)),
		"another place": change(docs[0], "_id", "north/000000000077"), "another site": change(docs[0], "site", "south"), "no text": change(docs[0], "records", int64(7)),
	} {
		if err := p.store.Deliver(bad); err == nil {
			t.Errorf("%s is taken", name)
		}
	}
	south := change(change(docs[0], "site", "south"), "_id", "south"+strings.TrimPrefix(bson.Raw(docs[0]).Lookup("_id").StringValue(), "north"))
	if err := p.store.Deliver(south); err != nil {
		t.Errorf("a site that is not open here: %v", err)
	}
	if err := errors.Join(p.store.Deliver(change(docs[0], "records", nil)), p.store.Deliver(docs[1])); err != nil {
		t.Fatal(err)
	}
	p.reaches(t, p.writer.Head())
	if !bytes.Equal(stateOf(t, p.writer), stateOf(t, p.reader)) || p.reader.Ready() != nil {
		t.Errorf("after an altered commit: %v", p.reader.Ready())
	}
	if !strings.Contains(p.warnings.String(), "another instance told of a commit that does not fit") {
		t.Errorf("nothing is said of it: %s", p.warnings.String())
	}
}

// An instance shows where it is told of commits, tells those whom it finds of what it writes, under the key that lies in the
// database, and takes its address away when it stops.
func TestInstanceTells(t *testing.T) {
	s := serve(t, 1) // the plant; its instance tells nobody
	store := open(t, mongostore.Options{URI: s.uri})
	ctx := t.Context()
	key, err := store.Fleet().PeerKey(ctx, peers.KeySize)
	ok(t, err)
	again, err := open(t, mongostore.Options{URI: s.uri}).Fleet().PeerKey(ctx, peers.KeySize)
	ok(t, err)
	if !bytes.Equal(key, again) {
		t.Fatal("two instances have two keys")
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	ok(t, err)
	ok(t, store.Fleet().ShowPeer(ctx, l.Addr().String(), 1))
	docs := make(chan []byte, 100)
	listening, stop := context.WithCancel(ctx)
	ended := make(chan error, 1)
	go func() {
		ended <- peers.Serve(listening, l, key, func(doc []byte) error { docs <- doc; return nil }, slog.New(slog.DiscardHandler))
	}()
	file := filepath.Join(t.TempDir(), "uri")
	ok(t, os.WriteFile(file, []byte(s.uri), 0o600))
	cfg := config.Default()
	cfg.MongoDB, cfg.SigningKey, cfg.Listen, cfg.Peers.Listen = file, s.key, "127.0.0.1:0", "127.0.0.1:0"
	a, err := app.New(ctx, cfg, app.Parts{})
	ok(t, err)
	ok(t, a.Start())
	ok(t, a.Wait(ctx))
	var told []byte
	for n := 0; told == nil; n++ {
		if n == 200 {
			t.Fatal("nobody tells anything")
		}
		_, err := a.Site().Do(ctx, plant.Request{Command: addPerson(500 + n)})
		ok(t, err)
		select {
		case told = <-docs:
		case <-time.After(50 * time.Millisecond):
		}
	}
	if got := bson.Raw(told).Lookup("site").StringValue(); got != s.site {
		t.Errorf("told of site %q", got)
	}
	list, err := store.Fleet().Peers(ctx)
	ok(t, err)
	if len(list) != 2 {
		t.Errorf("%d addresses, want that of the instance and ours: %v", len(list), list)
	}
	ok(t, a.Stop(ctx))
	list, err = store.Fleet().Peers(ctx)
	ok(t, err)
	if len(list) != 1 || list[l.Addr().String()] != 1 {
		t.Errorf("after its stop: %v", list)
	}
	stop()
	ok(t, <-ended)
}
