package wiretest

import (
	"bytes"
	"compress/flate"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
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
	"linewarden/internal/gate"
	"linewarden/internal/mongostore"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/record/recordtest"
)

// BenchmarkAPI gives the commands a second that clients get through the whole API, and those of a bare insert of
// the very same commit documents, one after the other, into another collection of the same server, in the same
// run. It ends after one round for each number of clients and fails on nothing but a wrong answer.
func BenchmarkAPI(b *testing.B) {
	for _, clients := range []int{1, 8, 64} {
		b.Run(fmt.Sprintf("clients=%d", clients), func(b *testing.B) {
			s := serve(b)
			commands := max(300, 40*clients)
			began := time.Now()
			s.load(b, clients, commands)
			api := time.Since(began)
			behind := s.caughtUp(b)
			docs := s.commits(b)
			bare, inserted := s.bare(b, docs)
			apiRate, bareRate := float64(commands)/api.Seconds(), float64(inserted)/bare.Seconds()
			b.Logf("%d clients, %d commands in %d commits: API %.0f/s, bare insert of the same documents %.0f/s, ratio %.2f; look-up entries written %s after the last answer",
				clients, commands, len(docs), apiRate, bareRate, apiRate/bareRate, behind.Round(time.Millisecond))
			b.ReportMetric(apiRate, "api-commands/s")
			b.ReportMetric(bareRate, "bare-commands/s")
			b.ReportMetric(apiRate/bareRate, "ratio")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// service is the whole program on a fresh database, with somebody signed in.
type service struct {
	app          *app.App
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

func serve(b *testing.B) *service {
	b.Helper()
	memory.Tune()
	ctx := context.Background()
	p, text, err := demo.Plan()
	ok(b, err)
	dir := b.TempDir()
	s := &service{uri: database(b), site: p.Site}
	file := filepath.Join(dir, "uri")
	ok(b, os.WriteFile(file, []byte(s.uri), 0o600))
	key, public := app.KeyFiles(filepath.Join(dir, "demo.signing-key"))
	_, err = app.MakeKey(p.Site, key, public)
	ok(b, err)
	folder, err := app.Place{MongoDB: file, SigningKey: key}.Open(ctx, nil)
	ok(b, err)
	ok(b, folder.Found(ctx, plant.Founding{Site: p.Site, Name: p.Name, Demo: true}, time.Now))
	cfg := config.Default()
	cfg.MongoDB, cfg.SigningKey, cfg.Listen = file, key, "127.0.0.1:0"
	set := access.Defaults()
	set.Params, set.WeakHashes = access.Params{Memory: 8, Time: 1, Threads: 1}, true // signing in is not measured
	s.app, err = app.New(ctx, cfg, app.Parts{Home: folder, Access: &set})
	ok(b, err)
	b.Cleanup(func() {
		if err := s.app.Stop(ctx); err != nil {
			b.Error(err)
		}
	})
	ok(b, s.app.Start())
	ok(b, s.app.Wait(ctx))
	_, _, err = app.SignPlan(ctx, s.app.Site(), app.PlanSigning{Plan: p, Source: []byte(text), By: app.Console(), Reason: "first plan",
		From: time.Now().AddDate(0, 0, -1), Now: time.Now()})
	ok(b, err)
	s.signIn(b)
	s.before = s.app.Site().Head().Commit
	return s
}

func (s *service) signIn(b *testing.B) {
	for _, c := range []haccp.PersonChange{
		{Change: "added", PersonBody: haccp.PersonBody{Person: "ines", Name: "Ines Invented", SignIn: "ines"}},
		{Change: "role-given", PersonBody: haccp.PersonBody{Person: "ines", Role: haccp.RoleTechnician}},
	} {
		_, err := s.app.Site().Do(context.Background(), plant.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskPerson,
			At: time.Now(), AtKnown: haccp.AtServer, By: app.Console(), Ask: &c}})
		ok(b, err)
	}
	passwords, err := s.app.Door().DemoPasswords(context.Background(), []string{"ines"}, time.Now())
	ok(b, err)
	body, err := json.Marshal(map[string]string{"name": "ines", "password": passwords["ines"]})
	ok(b, err)
	res, err := http.Post(s.app.URL()+"/api/v1/session", "application/json", bytes.NewReader(body))
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

// load has clients send readings, one at a time each.
func (s *service) load(b *testing.B, clients, commands int) {
	var sent atomic.Int64
	var wg sync.WaitGroup
	for range clients {
		wg.Go(func() {
			client := &http.Client{Transport: &http.Transport{MaxIdleConnsPerHost: 1}}
			for n := sent.Add(1); n <= int64(commands); n = sent.Add(1) {
				if err := s.reading(client, int(n)); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	wg.Wait()
}

func (s *service) reading(client *http.Client, n int) error {
	at := time.Now().UTC().Format("2006-01-02T15:04:05.000Z")
	body := fmt.Sprintf(`{"id":"%s","at":"%s","at_known":"device","device":{"id":"tablet-1","clock":"%s","offset_ms":40},`+
		`"check":"bath-test","place":"bath-1","sample_point":"outlet","entries":[`+
		`{"quantity":"free_chlorine","method":"chlorine-titration","read":{"value":"%d","unit":"mg/L"}},`+
		`{"quantity":"ph","method":"ph-meter","read":{"value":"6.%02d","unit":"pH"}},`+
		`{"quantity":"temperature","method":"thermometer","read":{"value":"12.%d","unit":"°C"}},`+
		`{"quantity":"salt","method":"salt-meter","read":{"value":"30","unit":"g/L"}}]}`,
		uuid.Must(uuid.NewV7()), at, at, 112+n%20, 62+n%20, n%10)
	req, err := http.NewRequest(http.MethodPost, s.app.URL()+"/api/v1/readings", bytes.NewReader([]byte(body)))
	if err != nil {
		return err
	}
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Cookie", s.cookie)
	req.Header.Set(gate.FormHeader, s.form)
	req.Header.Set("Origin", s.app.URL())
	res, err := client.Do(req)
	if err != nil {
		return err
	}
	answer, err := io.ReadAll(res.Body)
	if err = errors.Join(err, res.Body.Close()); err == nil && res.StatusCode != http.StatusCreated {
		err = fmt.Errorf("status %s: %s", res.Status, answer)
	}
	return err
}

// caughtUp waits until all look-up entries are written.
func (s *service) caughtUp(b *testing.B) time.Duration {
	began := time.Now()
	_, _, err := s.app.Site().Find(context.Background(), plant.Query{Kind: haccp.KindReading, Limit: 1})
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
	found, err := s.raw(b).Collection("commits").Find(context.Background(), bson.D{{Key: "commit", Value: bson.D{{Key: "$gt", Value: s.before}}}})
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
	log := site(b, open(b, mongostore.Options{URI: uri}), demo.Site)
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
