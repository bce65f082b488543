package transfer

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"linewarden/internal/app"
	"linewarden/internal/plant"
)

// kept is a site in a data folder with a series of backups, and a clock.
type kept struct {
	*testing.T
	from *app.Folder
	dir  string
	now  time.Time
}

func newKept(t *testing.T) *kept {
	k := &kept{T: t, dir: t.TempDir(), now: time.Date(2026, 3, 1, 5, 0, 0, 250e6, time.UTC)}
	k.from = k.folder(filepath.Join(t.TempDir(), "data"))
	for _, site := range []string{"north", "south"} {
		k.check(k.from.Found(t.Context(), plant.Founding{Site: site, Name: site}, func() time.Time { return k.now.Add(-time.Hour) }))
	}
	return k
}

func (k *kept) folder(dir string) *app.Folder {
	f, err := app.OpenFolder(k.Context(), dir, nil)
	k.check(err)
	k.Cleanup(func() { k.check(f.Close()) })
	return f
}

func (k *kept) check(err error) {
	k.Helper()
	if err != nil {
		k.Fatal(err)
	}
}

func (k *kept) series(site string) app.BackupSeries {
	return app.BackupSeries{From: k.from, Site: site, Dir: k.dir, Keep: 2, Program: "test", Clock: func() time.Time { return k.now },
		Logger: slog.New(slog.DiscardHandler)}
}

func (k *kept) names() string {
	entries, err := os.ReadDir(k.dir)
	k.check(err)
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	slices.Sort(out)
	return strings.Join(out, " ")
}

func (k *kept) put(name string) {
	path := filepath.Join(k.dir, name)
	k.check(os.MkdirAll(filepath.Dir(path), 0o700))
	k.check(os.WriteFile(path, []byte("not ours"), 0o600))
}

// What the job writes can be put back elsewhere.
func TestSeriesRestores(t *testing.T) {
	k := newKept(t)
	job := Series(k.series("north"))
	if at, err := job.Last(t.Context()); err != nil || !at.IsZero() {
		t.Fatalf("before the first: %v, %v", at, err)
	}
	k.check(job.Make(t.Context()))
	if at, err := job.Last(t.Context()); err != nil || !at.Equal(k.now) {
		t.Fatalf("last %v, %v, want %v", at, err, k.now)
	}
	if at, err := Series(k.series("south")).Last(t.Context()); err != nil || !at.IsZero() {
		t.Fatalf("of the other site: %v, %v", at, err)
	}
	dir := filepath.Join(k.dir, "north-20260301T050000Z")
	if _, err := os.Stat(filepath.Join(dir, "north"+app.SecretSuffix)); !os.IsNotExist(err) {
		t.Errorf("the signing key is in it: %v", err)
	}
	key, _ := k.from.KeyFile("north")
	r, err := Restore(t.Context(), k.folder(filepath.Join(t.TempDir(), "again")), RestoreOptions{Dir: dir, SigningKey: key, Operator: "Ines Invented", Reason: "test",
		Clock:    func() time.Time { return k.now.Add(time.Hour) },
		Progress: func(string) func(done, total int64) { return nil }})
	if err != nil || r.Manifest.Size == 0 || r.Manifest.Site != "north" {
		t.Fatalf("%+v, %v", r, err)
	}
}

// The oldest go; what the job did not make, what somebody added to, and the other site's backups stay.
func TestSeriesRemovesOnlyItsOwn(t *testing.T) {
	k := newKept(t)
	k.put("holiday.jpg")
	k.put("north-20200101T000000Z/backup.json") // bears such a name, and is no backup
	k.put("north-2019/notes.txt")
	k.put("north-20260201T050000Z.unfinished-1/x") // cut short a month ago
	old := k.now.AddDate(0, -1, 0)
	k.check(os.Chtimes(filepath.Join(k.dir, "north-20260201T050000Z.unfinished-1"), old, old))
	k.check(Series(k.series("south")).Make(t.Context()))
	job := Series(k.series("north"))
	for day := range 5 {
		k.check(job.Make(t.Context()))
		if day == 1 {
			k.put("north-20260302T050000Z/why-we-keep-this.txt")
		}
		k.now = k.now.AddDate(0, 0, 1)
	}
	want := "holiday.jpg north-2019 north-20200101T000000Z north-20260302T050000Z north-20260304T050000Z north-20260305T050000Z south-20260301T050000Z"
	if got := k.names(); got != want {
		t.Errorf("there are\n%s, want\n%s", got, want)
	}
	for _, name := range []string{"north-20260304T050000Z", "north-20260305T050000Z", "south-20260301T050000Z"} {
		if _, err := ReadBackup(filepath.Join(k.dir, name)); err != nil {
			t.Error(err)
		}
	}
}

// A backup that cannot be made whole removes no older one, and leaves no name behind.
func TestSeriesThatFailsRemovesNothing(t *testing.T) {
	k := newKept(t)
	o := k.series("north")
	o.Keep = 1
	job := Series(o)
	k.check(job.Make(t.Context()))
	before := k.names()
	k.now = k.now.AddDate(0, 0, 1)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := job.Make(ctx); err == nil {
		t.Error("a backup that was cut short is called done")
	}
	if got := k.names(); got != before {
		t.Errorf("there are %s, before %s", got, before)
	}
	o.Dir = filepath.Join(k.dir, "no disk")
	if err := Series(o).Make(t.Context()); err == nil || !strings.Contains(err.Error(), "mount its disk") {
		t.Errorf("no folder: %v", err)
	}
	o.MakeDir = true
	k.check(Series(o).Make(t.Context()))
}
