package wiretest

import (
	"bytes"
	"compress/flate"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/uuid"
	"go.mongodb.org/mongo-driver/v2/bson"
	"go.mongodb.org/mongo-driver/v2/mongo"
	"go.mongodb.org/mongo-driver/v2/mongo/options"
	"go.mongodb.org/mongo-driver/v2/mongo/readconcern"
	"go.mongodb.org/mongo-driver/v2/mongo/writeconcern"

	"linewarden/haccp"
	"linewarden/internal/access"
	"linewarden/internal/app"
	"linewarden/internal/app/memory"
	"linewarden/internal/config"
	"linewarden/internal/demo"
	"linewarden/internal/mongostore"
	"linewarden/internal/mongostore/runs"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
)

// BenchmarkAPI gives the commands a second that clients get through the whole API, each sending its next reading once
// the one before is acknowledged, and those of a bare insert of the very commit documents that this made, in the same
// run: read back byte for byte, inserted one after the other, as a log has to be, over one connection, into an empty
// collection of the same database with the same write concern (majority, journaled), whose indexes are _id and (site,
// commit), unique. Both rates are commands a second; the documents of the bare insert carry as many commands each as
// the clients' load brought into one commit. A second bare insert goes into a collection that also has the other indexes
// of commits: the one by the names of a commit, and that by _id which the tests add (Server.IndexIDs). What the API does beside the log (sessions, look-up entries in runs of
// the usual size, of which at least one is written while the clock runs) is in its time; reading the documents back
// is in neither. Clients, instance and server share the processors. It fails on nothing but a wrong answer.
func BenchmarkAPI(b *testing.B) {
	for _, clients := range []int{1, 8, 64} {
		b.Run(fmt.Sprintf("clients=%d", clients), func(b *testing.B) {
			s := serve(b, 1)
			commands := max(runs.DefaultSize+200, 500*clients)
			w := watch()
			apiRate := s.load(b, clients, commands)
			used := w.used(commands)
			behind := s.caughtUp(b)
			docs, carried := s.commits(b)
			w = watch()
			bareRate := float64(carried) / s.bare(b, docs, false).Seconds()
			bareUsed := w.used(carried)
			indexedRate := float64(carried) / s.bare(b, docs, true).Seconds()
			b.Logf("%d clients, %d commands in %d commits: API %.0f/s (%s), bare insert of the same documents %.0f/s (%s), ratio %.2f; "+
				"with the indexes of commits %.0f/s, ratio %.2f; a search answered %s after the last answer", clients, carried, len(docs), apiRate, used,
				bareRate, bareUsed, apiRate/bareRate, indexedRate, apiRate/indexedRate, behind.Round(time.Millisecond))
			b.ReportMetric(apiRate, "api-commands/s")
			b.ReportMetric(bareRate, "bare-commands/s")
			b.ReportMetric(apiRate/bareRate, "ratio")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// instanceRounds is how often each number of instances is measured, by turns, each time on a fresh database.
const instanceRounds = 3

// BenchmarkInstances gives the commands a second of one and of two instances on one site, each through its whole API,
// with the same clients shared by the two and with as many at each, and the conflicts for each commit. Instances,
// clients and server share the processors of one machine.
func BenchmarkInstances(b *testing.B) {
	cases := []*instanceLoad{{instances: 1, clients: 64}, {instances: 2, clients: 64}, {instances: 2, clients: 128}}
	for range instanceRounds {
		for _, x := range cases {
			s := serve(b, x.instances)
			commands := 80 * x.clients
			before, troubles := s.sum(b, "linewarden_plant_commits_total"), s.sum(b, "linewarden_plant_store_errors_total")
			w := watch()
			x.seconds += float64(commands) / s.load(b, x.clients, commands)
			x.used = w.used(commands)
			x.commands += float64(commands)
			x.commits += s.sum(b, "linewarden_plant_commits_total") - before
			x.conflicts += s.sum(b, "linewarden_plant_store_errors_total") - troubles
			s.end()
		}
	}
	one := cases[0].rate()
	for _, x := range cases {
		b.Logf("%d instances, %d clients in all: %.0f commands/s (%s in the last round), %.2f of one instance; %.0f commits of %.0f commands, %.2f conflicts a commit",
			x.instances, x.clients, x.rate(), x.used, x.rate()/one, x.commits, x.commands/x.commits, x.conflicts/x.commits)
		b.ReportMetric(x.rate(), fmt.Sprintf("commands/s-%d-at-%d", x.clients, x.instances))
	}
	b.ReportMetric(0, "ns/op")
}

// instanceLoad is a load of BenchmarkInstances and what was seen of it.
type instanceLoad struct {
	instances, clients                    int
	seconds, commands, commits, conflicts float64
	used                                  string
}

func (x *instanceLoad) rate() float64 { return x.commands / x.seconds }

// service is the whole program on a fresh database, with somebody signed in at one instance, which holds at all.
type service struct {
	apps         []*app.App
	end          func() // stops the instances
	uri, site    string
	key          string // file of the signing key
	cookie, form string
	before       int64 // commits before the load
}

func ok(tb testing.TB, err error) {
	tb.Helper()
	if err != nil {
		tb.Fatal(err)
	}
}

func serve(b testing.TB, instances int) *service {
	b.Helper()
	memory.Tune()
	ctx := context.Background()
	p, text, err := demo.Plan()
	ok(b, err)
	dir := b.TempDir()
	s := &service{uri: database(b), site: p.Site}
	s.end = sync.OnceFunc(func() {
		for _, a := range s.apps {
			if err := a.Stop(ctx); err != nil {
				b.Error(err)
			}
		}
	})
	b.Cleanup(s.end)
	open(b, mongostore.Options{URI: s.uri})
	ok(b, server.IndexIDs(ctx, databaseOf(s.uri)))
	file := filepath.Join(dir, "uri")
	ok(b, os.WriteFile(file, []byte(s.uri), 0o600))
	key, public := app.KeyFiles(filepath.Join(dir, "demo.signing-key"))
	s.key = key
	_, err = app.MakeKey(p.Site, key, public)
	ok(b, err)
	place := app.Place{MongoDB: file, SigningKey: key}
	folder, err := place.Open(ctx, nil)
	ok(b, err)
	ok(b, folder.Found(ctx, plant.Founding{Site: p.Site, Name: p.Name, Demo: true}, time.Now))
	cfg := config.Default()
	cfg.MongoDB, cfg.SigningKey, cfg.Listen = file, key, "127.0.0.1:0"
	if instances > 1 {
		cfg.Peers.Listen = "127.0.0.1:0"
	}
	set := access.Defaults()
	set.Params, set.WeakHashes = access.Params{Memory: 8, Time: 1, Threads: 1}, true // signing in is not measured
	for i := range instances {
		if i > 0 {
			folder, err = place.Open(ctx, nil)
			ok(b, err)
		}
		a, err := app.New(ctx, cfg, app.Parts{Home: folder, Access: &set})
		ok(b, err)
		s.apps = append(s.apps, a)
		ok(b, a.Start())
		ok(b, a.Wait(ctx))
		if i > 0 {
			continue
		}
		_, _, err = app.SignPlan(ctx, a.Site(), app.PlanSigning{Plan: p, Source: []byte(text), By: app.Console(), Reason: "first plan",
			From: time.Now().AddDate(0, 0, -1), Now: time.Now()})
		ok(b, err)
		s.signIn(b)
		s.before = a.Site().Head().Commit
	}
	if instances > 1 {
		time.Sleep(6 * time.Second) // until they have found each other
	}
	return s
}

// sum adds up a counter of all instances, with all its labels.
func (s *service) sum(b *testing.B, name string) (total float64) {
	for _, a := range s.apps {
		families, err := a.Registry().Gather()
		ok(b, err)
		for _, f := range families {
			if f.GetName() != name {
				continue
			}
			for _, m := range f.GetMetric() {
				total += m.GetCounter().GetValue()
			}
		}
	}
	return total
}

func (s *service) signIn(b testing.TB) {
	for _, c := range []haccp.PersonChange{
		{Change: "added", PersonBody: haccp.PersonBody{Person: "ines", Name: "Ines Invented", SignIn: "ines"}},
		{Change: "role-given", PersonBody: haccp.PersonBody{Person: "ines", Role: haccp.RoleTechnician}},
	} {
		_, err := s.apps[0].Site().Do(context.Background(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskPerson,
			At: time.Now(), AtKnown: haccp.AtServer, By: app.Console(), Ask: &c}})
		ok(b, err)
	}
	passwords, err := s.apps[0].Door().DemoPasswords(context.Background(), []string{"ines"}, time.Now())
	ok(b, err)
	body, err := json.Marshal(map[string]string{"name": "ines", "password": passwords["ines"]})
	ok(b, err)
	res, err := http.Post(s.apps[0].URL()+"/api/v1/session", "application/json", bytes.NewReader(body))
	ok(b, err)
	var in struct {
		FormToken string `json:"form_token"`
	}
	ok(b, errors.Join(json.NewDecoder(res.Body).Decode(&in), res.Body.Close()))
	if res.StatusCode != http.StatusOK || len(res.Cookies()) != 1 {
		b.Fatalf("sign in: %s", res.Status)
	}
	s.cookie, s.form = res.Cookies()[0].Name+"="+res.Cookies()[0].Value, in.FormToken
}

// load has clients send readings, one at a time each, to the instances by turns, and gives how many a second were
// answered.
func (s *service) load(b *testing.B, clients, commands int) float64 {
	var sent atomic.Int64
	var wg sync.WaitGroup
	var tablets []*tablet
	for i := range clients {
		t, err := s.dial(s.apps[i%len(s.apps)].URL())
		ok(b, err)
		tablets = append(tablets, t)
		if i < len(s.apps) {
			ok(b, t.reading(i)) // each instance knows the session before the time counts
		}
	}
	began := time.Now()
	for _, t := range tablets {
		wg.Go(func() {
			for n := sent.Add(1); n <= int64(commands); n = sent.Add(1) {
				if err := t.reading(int(n)); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
	took := time.Since(began)
	for _, t := range tablets {
		ok(b, t.conn.Close())
	}
	return float64(commands) / took.Seconds()
}

// caughtUp asks for what was written.
func (s *service) caughtUp(b *testing.B) time.Duration {
	began := time.Now()
	_, _, err := s.apps[0].Site().Find(context.Background(), plant.Query{Kind: haccp.KindReading, Limit: 1})
	ok(b, err)
	return time.Since(began)
}

// raw opens the database as the store does, without the store.
func (s *service) raw(b *testing.B) *mongo.Database {
	journal := true
	client, err := mongo.Connect(options.Client().ApplyURI(s.uri).SetReadConcern(readconcern.Majority()).
		SetWriteConcern(&writeconcern.WriteConcern{W: "majority", Journal: &journal}))
	ok(b, err)
	b.Cleanup(func() { client.Disconnect(context.Background()) })
	return client.Database(databaseOf(s.uri))
}

// commits gives the commit documents of the load, and the number of commands in them.
func (s *service) commits(b *testing.B) (docs []bson.Raw, commands int) {
	found, err := s.raw(b).Collection("commits").Find(context.Background(), bson.D{{Key: "commit", Value: bson.D{{Key: "$gt", Value: s.before}}}})
	ok(b, err)
	ok(b, found.All(context.Background(), &docs))
	for _, d := range docs {
		var last record.UUID
		for rec := range strings.SplitSeq(d.Lookup("records").StringValue(), "\n") {
			e, err := record.DecodeString(rec)
			ok(b, err)
			if e.Command != last {
				commands++
			}
			last = e.Command
		}
	}
	return docs, commands
}

// bare inserts the documents one after the other, into a collection with or without the indexes of commits beyond what
// makes a commit the only one of its number.
func (s *service) bare(b *testing.B, docs []bson.Raw, indexed bool) time.Duration {
	ctx := context.Background()
	c := s.raw(b).Collection(fmt.Sprint("bare_", indexed))
	indexes := []mongo.IndexModel{{Keys: bson.D{{Key: "site", Value: 1}, {Key: "commit", Value: 1}}, Options: options.Index().SetUnique(true)}}
	if indexed {
		indexes = append(indexes, mongo.IndexModel{Keys: bson.D{{Key: "site", Value: 1}, {Key: "names", Value: 1}}})
	}
	_, err := c.Indexes().CreateMany(ctx, indexes)
	ok(b, err)
	if indexed {
		ok(b, server.IndexIDs(ctx, databaseOf(s.uri)))
	}
	began := time.Now()
	for _, d := range docs {
		_, err := c.InsertOne(ctx, d)
		ok(b, err)
	}
	return time.Since(began)
}

// BenchmarkSizes gives the bytes of a record of the invented plant and of what is stored for it, as BSON and before
// the server's own compression: the commit's document and the look-up entry, in runs short enough to be written.
func BenchmarkSizes(b *testing.B) {
	uri := database(b)
	log := site(b, open(b, mongostore.Options{URI: uri, Run: 512}), demo.Site)
	keys, err := recordtest.NewKeys(demo.Site, "sizes", 1)
	ok(b, err)
	o := plant.Options{Log: log, Snapshots: log, Checkpoints: log, Signer: keys.Signer, Zones: time.LoadLocation}
	h, err := demo.Write(b.Context(), demo.Options{Plant: o, Now: time.Date(2026, 3, 5, 18, 0, 0, 0, time.UTC), Days: demo.MinDays})
	ok(b, err)
	canonical, readings, bytesOfReadings := 0, 0, 0
	ok(b, log.Scan(b.Context(), 1, h.Records, func(_ int64, rec string) error {
		canonical += len(rec)
		if e, err := record.DecodeString(rec); err == nil && e.Kind == haccp.KindReading {
			readings++
			bytesOfReadings += len(rec)
		}
		return nil
	}))
	s := &service{uri: uri}
	per := func(n int) float64 { return float64(n) / float64(h.Records) }
	b.ReportMetric(per(canonical), "record-B")
	b.ReportMetric(float64(bytesOfReadings)/float64(readings), "reading-B")
	for _, name := range []string{"commits", "lookups"} {
		found, err := s.raw(b).Collection(name).Find(b.Context(), bson.D{})
		ok(b, err)
		var docs []bson.Raw
		ok(b, found.All(b.Context(), &docs))
		total, packed := 0, 0
		for _, d := range docs {
			total += len(d)
		}
		var out bytes.Buffer
		z, err := flate.NewWriter(&out, flate.BestSpeed)
		ok(b, err)
		for _, d := range docs {
			_, err := z.Write(d)
			ok(b, err)
		}
		ok(b, z.Close())
		packed = out.Len()
		b.ReportMetric(per(total), name+"-B/record")
		b.ReportMetric(per(packed), name+"-deflated-B/record")
		b.ReportMetric(float64(h.Records)/float64(len(docs)), "records/"+name+"-doc")
	}
	b.ReportMetric(0, "ns/op")
}
