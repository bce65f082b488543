package calculator

import (
	_ "embed"
	"fmt"
	"strings"
)

// A Source is a published source, as people find it.
type Source struct {
	Key       string `json:"key"`
	Title     string `json:"title"`
	Edition   string `json:"edition"`
	Confirmed string `json:"confirmed"` // Confirmed says how far the figures were.
}

// sourceText is written from the list of sources by the test of this package
// (go test -update), which fails when the two differ.
//
//go:embed sources.tsv
var sourceText string

var sources = func() map[string]Source {
	m := map[string]Source{}
	for line := range strings.Lines(sourceText) {
		cells := strings.Split(strings.TrimSuffix(line, "\n"), "\t")
		if len(cells) == 4 {
			m[cells[0]] = Source{cells[0], cells[1], cells[2], cells[3]}
		}
	}
	return m
}()

// sourceOf finds a source by its key.
func sourceOf(key string) (Source, error) {
	s, ok := sources[key]
	if !ok {
		return Source{}, fmt.Errorf("source %q is not listed: this is a fault of the program", key)
	}
	return s, nil
}
