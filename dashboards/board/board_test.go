package board_test

import (
	"bytes"
	"flag"
	"os"
	"path/filepath"
	"testing"

	"linewarden/dashboards/board"
)

var update = flag.Bool("update", false, "write the dashboards anew")

// The files are what the Go code makes; go test ./dashboards/board -update makes them anew.
func TestFiles(t *testing.T) {
	folder := filepath.Join("..", "grafana")
	want := map[string]bool{}
	for _, b := range board.All() {
		got, err := b.JSON()
		if err != nil {
			t.Fatal(err)
		}
		name := filepath.Join(folder, b.File)
		want[name] = true
		if *update {
			if err := os.WriteFile(name, got, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		have, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, have) {
			t.Errorf("%s is not what the code makes: go test ./dashboards/board -update", name)
		}
		if len(b.Panels) > 12 {
			t.Errorf("%s has %d panels: nobody looks at so many", b.Title, len(b.Panels))
		}
		for i := range b.Panels {
			if p := &b.Panels[i]; p.Title == "" || p.W == 0 || p.H == 0 || len(p.Queries) == 0 {
				t.Errorf("%s, panel %d: %+v", b.Title, i, p)
			}
		}
	}
	files, err := filepath.Glob(filepath.Join(folder, "*"))
	if err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		if !want[f] {
			t.Errorf("%s is made by nothing", f)
		}
	}
}
