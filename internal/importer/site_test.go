package importer_test

import (
	"context"
	"crypto/rand"
	"encoding/base64"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/importer"
	"linewarden/internal/memstore"
	"linewarden/internal/planfile"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/sqlitestore"
)

// today is the clock of the sites of these tests.
var today = time.Date(2026, 3, 10, 12, 0, 0, 0, time.UTC)

var console = haccp.Actor{ID: "console", Name: "console", Role: haccp.RoleConsole, Known: haccp.KnownConsole}

func repoFile(t testing.TB, path ...string) string {
	t.Helper()
	return filepath.Join(append([]string{"..", ".."}, path...)...)
}

// stationPlan reads the plan of one monitoring station.
func stationPlan(t testing.TB) (*plan.Plan, string) {
	t.Helper()
	src, err := os.ReadFile(repoFile(t, "testdata", "dev", "station.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	r := planfile.Check("station.yaml", src, plan.Options{})
	if r.Plan == nil {
		t.Fatal(r.Errors)
	}
	return r.Plan, string(src)
}

// newSite founds a demo site on a log and signs the station's plan for all of the past.
func newSite(t testing.TB, log record.Log, snapshots plant.Snapshots) *plant.Site {
	t.Helper()
	p, src := stationPlan(t)
	logID, err := record.NewLogID(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	secret, _, err := record.GenerateKey(rand.Reader, p.Site, logID)
	if err != nil {
		t.Fatal(err)
	}
	signer, err := record.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	o := plant.Options{Log: log, Snapshots: snapshots, Signer: signer, Zones: time.LoadLocation, Clock: func() time.Time { return today }}
	if err := plant.Found(t.Context(), o, plant.Founding{Site: p.Site, Name: p.Name, Demo: true}); err != nil {
		t.Fatal(err)
	}
	return signed(t, open(t, o), p, src)
}

func open(t testing.TB, o plant.Options) *plant.Site {
	t.Helper()
	s, err := plant.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(context.WithoutCancel(t.Context())); err != nil {
			t.Error(err)
		}
	})
	return s
}

func signed(t testing.TB, s *plant.Site, p *plan.Plan, src string) *plant.Site {
	t.Helper()
	root := s.Head().Root
	sig := haccp.Signature{Meaning: haccp.MeaningPlan, Statement: "I put this plan in force.", Language: "en", Head: haccp.Head{Size: s.Head().Size, Root: base64.StdEncoding.EncodeToString(root[:])}}
	_, err := s.Do(t.Context(), plant.Request{Command: &haccp.Command{ID: "0197b6c0-5c5e-7aa1-9f0e-3d2a7c1b4e55", Kind: haccp.AskSignPlan,
		At: today, AtKnown: haccp.AtServer, By: console,
		Ask: &haccp.SignPlan{From: time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC), Plan: p, Reason: "First plan", Source: src, Signature: sig}}})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// eachStore runs a test on a site in memory and on one in SQLite.
func eachStore(t *testing.T, test func(t *testing.T, s *plant.Site)) {
	t.Helper()
	t.Run("memory", func(t *testing.T) { test(t, newSite(t, memstore.New().Site("station-demo"), nil)) })
	t.Run("sqlite", func(t *testing.T) { test(t, sqliteSite(t)) })
}

func sqliteSite(t testing.TB) *plant.Site {
	t.Helper()
	store, err := sqlitestore.Open(t.Context(), t.TempDir(), sqlitestore.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := store.Close(); err != nil {
			t.Error(err)
		}
	})
	log, err := store.Site(t.Context(), "station-demo")
	if err != nil {
		t.Fatal(err)
	}
	return newSite(t, log, log)
}

// fromText gives the options to import a text as free chlorine of the station.
func fromText(s *plant.Site, text string) importer.Options {
	return importer.Options{
		Site: s, File: "test.csv", Check: "station-reading", Place: "station-b", TimeColumn: "Time", By: console,
		Open:    func() (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil },
		Columns: []importer.Column{{Quantity: "free_chlorine", Column: "Cl2", Unit: "mg/L"}},
		Clock:   func() time.Time { return today },
	}
}
