// Package schematest holds the dashboards against the schema that Grafana publishes as Go types
// (github.com/grafana/grafana-foundation-sdk/go).
//
// It is a module of its own, so that the schema is no part of the product. Decoding is strict: a member that the schema of a
// dashboard, or of a panel's options and fields, does not know is an error.
package schematest

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/grafana/grafana-foundation-sdk/go/cog"
	"github.com/grafana/grafana-foundation-sdk/go/cog/plugins"
	"github.com/grafana/grafana-foundation-sdk/go/dashboard"
)

func decode(raw []byte) (dashboard.Dashboard, error) {
	var d dashboard.Dashboard
	if err := wrong(d.UnmarshalJSONStrict(raw)); err != nil {
		return d, err
	}
	return d, wrong(d.Validate())
}

// wrong tells an error from the empty list of errors that some types of the schema give where nothing is wrong.
func wrong(err error) error {
	if all, ok := errors.AsType[cog.BuildErrors](err); ok && len(all) == 0 {
		return nil
	}
	return err
}

func files(t *testing.T) map[string][]byte {
	t.Helper()
	plugins.RegisterDefaultPlugins()
	names, err := filepath.Glob(filepath.Join("..", "grafana", "*.json"))
	if err != nil || len(names) < 4 {
		t.Fatalf("%d dashboards: %v", len(names), err)
	}
	out := map[string][]byte{}
	for _, name := range names {
		if out[filepath.Base(name)], err = os.ReadFile(name); err != nil {
			t.Fatal(err)
		}
	}
	return out
}

// faults lists what is wrong, a line each.
func faults(err error) string {
	if all, ok := errors.AsType[cog.BuildErrors](err); ok {
		var lines []string
		for _, e := range all {
			lines = append(lines, e.Error())
		}
		return strings.Join(lines, "\n")
	}
	return err.Error()
}

func TestSchema(t *testing.T) {
	for name, raw := range files(t) {
		t.Run(name, func(t *testing.T) {
			d, err := decode(raw)
			if err != nil {
				t.Fatal(faults(err))
			}
			if d.Title == nil || len(d.Panels) == 0 || d.SchemaVersion == 0 {
				t.Error("the dashboard is empty")
			}
		})
	}
}

// The check can fail: a member that no schema knows, in the dashboard or in the options of a panel, is found.
func TestSchemaFinds(t *testing.T) {
	for name, raw := range files(t) {
		for _, change := range [][2]string{{`"editable": true`, `"editible": true`}, {`"gridPos"`, `"gridPosition"`}, {`"graphTooltip": 1`, `"graphTooltip": "one"`}} {
			broken := strings.Replace(string(raw), change[0], change[1], 1)
			if broken == string(raw) {
				t.Fatalf("%s has no %s", name, change[0])
			}
			if _, err := decode([]byte(broken)); err == nil {
				t.Errorf("%s: %s passes", name, change[1])
			}
		}
	}
}
