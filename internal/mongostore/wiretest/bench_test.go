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
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
)

// benchRun is the run of the benchmarks: shorter than it is in use, so that the writing of runs falls into what is
// measured, and is dearer for a record.
const benchRun = 512

// BenchmarkAPI gives the commands a second that clients get through the whole API, and those of a bare insert of
// the same commit documents without what they name for look-ups, one after the other, into another collection of
// the same server, in the same run. It ends after one round for each number of clients and fails on nothing but a
// wrong answer.
func BenchmarkAPI(b *testing.B) {
	for _, clients := range []int{1, 8, 64} {
		b.Run(fmt.Sprintf("clients=%d", clients), func(b *testing.B) {
			s := serve(b, 1)
			commands := max(300, 40*clients)
			apiRate := s.load(b, clients, commands)
			behind := s.caughtUp(b)
			docs := s.commits(b)
			bare, inserted := s.bare(b, docs)
			bareRate := float64(inserted) / bare.Seconds()
			b.Logf("%d clients, %d commands in %d commits: API %.0f/s, bare insert of the same documents %.0f/s, ratio %.2f; a search answered %s after the last answer",
				clients, commands, len(docs), apiRate, bareRate, apiRate/bareRate, behind.Round(time.Millisecond))
			b.ReportMetric(apiRate, "api-commands/s")
			b.ReportMetric(bareRate, "bare-commands/s")
			b.ReportMetric(apiRate/bareRate, "ratio")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// instanceRounds are the short loads of BenchmarkInstances, each on a fresh database: the server of the tests reads a
// commit by its key only by going through the whole collection, which is what instances that follow each other do.
const instanceRounds = 6

// BenchmarkInstances gives the commands a second of one and of two instances on one site, each through its whole API,
// with the same clients shared by the two and with as many at each, and the conflicts for each commit. Instances,
// clients and server share the processors of one machine.
func BenchmarkInstances(b *testing.B) {
	one := 0.0
	for _, x := range []struct{ instances, clients int }{{1, 64}, {2, 64}, {2, 128}} {
		var seconds, commits, conflicts float64
		commands := 10 * x.clients
		for range instanceRounds {
			s := serve(b, x.instances)
			before := s.sum(b, "linewarden_plant_commits_total")
			seconds += float64(commands) / s.load(b, x.clients, commands)
			commits += s.sum(b, "linewarden_plant_commits_total") - before
			conflicts += s.sum(b, "linewarden_plant_store_errors_total")
			s.end()
		}
		rate := float64(instanceRounds*commands) / seconds
		if x.instances == 1 {
			one = rate
		}
		b.Logf("%d instances, %d clients in all: %.0f commands/s, %.2f of one instance; %.0f commits of %.0f commands, %.2f conflicts a commit",
			x.instances, x.clients, rate, rate/one, commits, float64(instanceRounds*commands)/commits, conflicts/commits)
		b.ReportMetric(rate, fmt.Sprintf("commands/s-%d-at-%d", x.clients, x.instances))
	}
	b.ReportMetric(0, "ns/op")
}

// service is the whole program on a fresh database, with somebody signed in at one instance, which holds at all.
type service struct {
	apps         []*app.App
	end          func() // stops the instances
	uri, site    string
	cookie, form string
	before       int64 // commits before the load
}

func ok(tb testing.TB, err error) {
	tb.Helper()
	if err != nil {
		tb.Fatal(err)
	}
}

func serve(b *testing.B, instances int) *service {
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
	open(b, mongostore.Options{URI: s.uri, Run: benchRun})
	file := filepath.Join(dir, "uri")
	ok(b, os.WriteFile(file, []byte(s.uri), 0o600))
	key, public := app.KeyFiles(filepath.Join(dir, "demo.signing-key"))
	_, err = app.MakeKey(p.Site, key, public)
	ok(b, err)
	place := app.Place{MongoDB: file, SigningKey: key}
	folder, err := place.Open(ctx, nil)
	ok(b, err)
	ok(b, folder.Found(ctx, plant.Founding{Site: p.Site, Name: p.Name, Demo: true}, time.Now))
	cfg := config.Default()
	cfg.MongoDB, cfg.SigningKey, cfg.Listen = file, key, "127.0.0.1:0"
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

func (s *service) signIn(b *testing.B) {
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

// commits gives the commit documents of the load.
func (s *service) commits(b *testing.B) []bson.Raw {
	found, err := s.raw(b).Collection("commits").Find(context.Background(), bson.D{{Key: "commit", Value: bson.D{{Key: "$gt", Value: s.before}}}},
		options.Find().SetProjection(bson.D{{Key: "names", Value: 0}}))
	ok(b, err)
	var docs []bson.Raw
	ok(b, found.All(context.Background(), &docs))
	return docs
}

// bare inserts the documents one after the other into a collection with the same unique index, and gives how many
// records that was.
func (s *service) bare(b *testing.B, docs []bson.Raw) (took time.Duration, records int) {
	c := s.raw(b).Collection("bare")
	_, err := c.Indexes().CreateOne(context.Background(), mongo.IndexModel{Keys: bson.D{{Key: "site", Value: 1}, {Key: "commit", Value: 1}},
		Options: options.Index().SetUnique(true)})
	ok(b, err)
	began := time.Now()
	for _, d := range docs {
		_, err := c.InsertOne(context.Background(), d)
		ok(b, err)
	}
	took = time.Since(began)
	for _, d := range docs {
		values, err := d.Lookup("records").Array().Values()
		ok(b, err)
		records += len(values)
	}
	return took, records
}

// BenchmarkSizes gives the bytes of a record of the invented plant and of what is stored for it, as BSON and before
// the server's own compression: the commit's document and the look-up entry.
func BenchmarkSizes(b *testing.B) {
	uri := database(b)
	log := site(b, open(b, mongostore.Options{URI: uri, Run: benchRun}), demo.Site)
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
