package app_test

import (
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/internal/app"
	"linewarden/internal/plant"
)

// A folder with several sites wants to be told which; a site that is not there is named.
func TestSeveralSites(t *testing.T) {
	f, err := app.OpenFolder(t.Context(), filepath.Join(t.TempDir(), "data"), nil)
	check(t, err)
	defer func() { check(t, f.Close()) }()
	if _, err := f.SiteID(t.Context(), "north"); !errors.Is(err, app.ErrNoSite) {
		t.Errorf("empty folder: %v", err)
	}
	for _, site := range []string{"north", "south"} {
		check(t, f.Found(t.Context(), plant.Founding{Site: site, Name: site}, time.Now))
	}
	if id, err := f.SiteID(t.Context(), "south"); id != "south" || err != nil {
		t.Errorf("%q %v", id, err)
	}
	if _, err := f.SiteID(t.Context(), ""); err == nil || !strings.Contains(err.Error(), "north, south") {
		t.Errorf("no wish: %v", err)
	}
	if _, err := f.SiteID(t.Context(), "west"); err == nil || !strings.Contains(err.Error(), `"west"`) {
		t.Errorf("unknown site: %v", err)
	}
	if err := f.Found(t.Context(), plant.Founding{Site: "north", Name: "again"}, time.Now); !errors.Is(err, haccp.ErrConflict) {
		t.Errorf("founded twice: %v", err)
	}
	if err := f.Found(t.Context(), plant.Founding{Site: "No Good", Name: "x"}, time.Now); err == nil {
		t.Error("an impossible site id was taken")
	}
}

// A founding that was cut short after its key was made goes on with that key; a key that cannot be read is
// named.
func TestFoundingCutShort(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	f, err := app.OpenFolder(t.Context(), dir, nil)
	check(t, err)
	defer func() { check(t, f.Close()) }()
	_, err = f.NewOptions(t.Context(), "north")
	check(t, err)
	secret, public := f.KeyFile("north")
	before, err := os.ReadFile(secret)
	check(t, err)
	check(t, f.Found(t.Context(), plant.Founding{Site: "north", Name: "North"}, time.Now))
	after, err := os.ReadFile(secret)
	check(t, err)
	if string(before) != string(after) {
		t.Error("the key was made anew")
	}
	founding, err := f.Founding(t.Context(), "north")
	check(t, err)
	key, err := os.ReadFile(public)
	check(t, err)
	if strings.TrimSpace(string(key)) != founding.Key {
		t.Errorf("key file %q, founding %q", key, founding.Key)
	}
	check(t, os.WriteFile(secret, []byte("PRIVATE+KEY+x"), 0o600))
	if _, err := f.Key("north"); err == nil || !strings.Contains(err.Error(), secret) || strings.Contains(err.Error(), "PRIVATE+KEY+x") {
		t.Errorf("broken key: %v", err)
	}
}

// Whoever only looks takes the folder where it is free, and reads beside the server where it is not.
func TestLookFolder(t *testing.T) {
	dir := founded(t)
	f, err := app.LookFolder(t.Context(), dir, nil)
	check(t, err)
	if f.ReadOnly {
		t.Error("a free folder was opened for reading only")
	}
	check(t, f.CheckFile(t.Context()))
	beside, err := app.LookFolder(t.Context(), dir, nil)
	check(t, err)
	if !beside.ReadOnly {
		t.Error("a folder that is taken was opened for writing")
	}
	site, err := beside.Open(t.Context(), "vallequince-demo", nil)
	check(t, err)
	if n := len(site.View().People()); n != len(staff) {
		t.Errorf("%d people", n)
	}
	check(t, site.Close(t.Context()))
	_, err = f.Accounts("vallequince-demo")
	check(t, err)
	accounts, err := beside.Accounts("vallequince-demo")
	check(t, err)
	if err := accounts.SetCredential(t.Context(), "password", "p", "x", time.Now()); err == nil {
		t.Error("the accounts of a folder opened for reading were changed")
	}
	check(t, beside.Close())
	check(t, f.Close())
	none := filepath.Join(t.TempDir(), "none")
	if _, err := app.LookFolder(t.Context(), none, nil); err == nil {
		t.Error("a folder that is not there was opened")
	}
	if _, err := os.Stat(none); err == nil {
		t.Error("looking made a folder")
	}
}

// What the service adds to the API: the log as CSV, the check of a plan, the cautions. Names are found
// however they are typed.
func TestWhatAppAddsToTheAPI(t *testing.T) {
	s := start(t, founded(t), nil)
	mara := newClient(t, s.URL()).signIn("  MARA ", s.passwords["mara"])
	day := time.Now().UTC()
	path := "/api/v1/corrective-actions?format=csv&from=" + day.Add(-time.Hour).Format(time.RFC3339) + "&to=" + day.Add(time.Hour).Format(time.RFC3339)
	status, out := mara.send("GET", path, nil)
	if status != 200 || !strings.HasPrefix(string(out), "row,production_day,") || !strings.Contains(string(out), "Invented plant") {
		t.Errorf("csv: %d %.300s", status, out)
	}
	site := mara.want("GET", "/api/v1/site", nil, 200)
	if c, _ := site["cautions"].([]any); len(c) < 5 || !strings.Contains(text(c[0]), "hypochlorite") {
		t.Errorf("cautions: %v", site["cautions"])
	}
	req, err := http.NewRequest("POST", s.URL()+"/api/v1/plans/check", strings.NewReader("site: x\n"))
	check(t, err)
	req.Header.Set("Content-Type", "application/yaml")
	req.Header.Set("X-Form-Token", mara.form)
	res, err := mara.http.Do(req)
	check(t, err)
	check(t, res.Body.Close())
	if res.StatusCode != 200 {
		t.Errorf("plan check: %s", res.Status)
	}
	for _, p := range []string{"/", "/sign-in", "/log", "/records", "/plan", "/places"} {
		if status, out := mara.send("GET", p, nil); status != 200 || !strings.Contains(string(out), "Invented plant") {
			t.Errorf("page %s: %d %.200s", p, status, out)
		}
	}
	id := uuid.NewString()
	if status, out := mara.send("POST", "/api/v1/notes", obj{"id": id, "text": "x", "nothing": 1}); status != 422 && status != 400 {
		t.Errorf("an unknown member: %d %s", status, out)
	}
}
