package housetest

import (
	"os"
	"path/filepath"
	"testing"
)

// TestHouse holds the repository itself against every rule.
func TestHouse(t *testing.T) {
	house, err := load(os.DirFS(root(t)))
	if err != nil {
		t.Fatal(err)
	}
	if len(house.code()) == 0 {
		t.Fatal("no Go file found: the rules would hold of nothing")
	}
	for _, r := range rules() {
		t.Run(r.name, func(t *testing.T) {
			for _, finding := range r.check(house) {
				t.Error(finding)
			}
		})
	}
}

// root returns the folder of go.mod above the working directory.
func root(t *testing.T) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return dir
		}
		up := filepath.Dir(dir)
		if up == dir {
			t.Fatal("no go.mod above the working directory")
		}
		dir = up
	}
}
