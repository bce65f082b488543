package planfile

import (
	"bytes"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"

	"linewarden/haccp/plan"
)

// The published schema stands beside the code; it changes only together with it.
func TestSchemaIsPublished(t *testing.T) {
	golden(t, "plan.schema.json", string(Schema()))
}

// compiled reads the schema with an independent implementation of JSON Schema 2020-12, which holds it
// against the meta-schema of that draft first.
func compiled(t *testing.T) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource(schemaID, doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile(schemaID)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// instance reads YAML as an editor does before it applies a schema.
func instance(t *testing.T, src []byte) any {
	t.Helper()
	var v any
	if err := yaml.Unmarshal(src, &v); err != nil {
		t.Fatal(err)
	}
	return v
}

func TestSchemaTakesTheExamples(t *testing.T) {
	s := compiled(t)
	for _, path := range examples {
		if err := s.Validate(instance(t, read(t, path))); err != nil {
			t.Errorf("%s: %v", path, err)
		}
	}
}

// The faults that a schema can see; that references exist and limits fit is beyond one.
func TestSchemaRefusesFaultsOfForm(t *testing.T) {
	s := compiled(t)
	for _, name := range []string{
		"unknown-key", "unknown-key-in-a-limit", "comma-decimal", "exponent", "nan", "infinity", "unit-missing",
		"quantity-unknown", "id-with-capitals", "id-missing", "hazard-undecided", "hazard-kind-unknown",
		"class-unknown", "ppm-of-something-else", "event-unknown", "cron-with-seconds", "duration-without-unit",
		"time-of-day-24", "date-that-does-not-exist", "moment-without-zone", "production-day-missing",
		"closing-part-unknown", "role-unknown", "text-where-a-list-is-wanted", "list-where-text-is-wanted",
		"number-where-text-is-wanted", "text-where-true-is-wanted", "not-a-plan",
		"site-id-with-spaces",
	} {
		err := s.Validate(instance(t, read(t, filepath.Join("testdata/bad", name+".yaml"))))
		if err == nil {
			t.Errorf("the schema takes %s", name)
		}
	}
	if err := s.Validate(instance(t, template(t, "leaf-gel"))); err == nil {
		t.Error("the schema takes the template, though it has gaps")
	}
}

// Every key of the plan types has its row, every row its key, and every key stands in the schema.
func TestSchemaIsComplete(t *testing.T) {
	seen := map[string]bool{}
	published := string(Schema())
	var walk func(reflect.Type)
	walk = func(rt reflect.Type) {
		for rt.Kind() == reflect.Pointer || rt.Kind() == reflect.Slice {
			rt = rt.Elem()
		}
		if rt.Kind() != reflect.Struct || rt.PkgPath() != reflect.TypeFor[plan.Plan]().PkgPath() || len(keys(rt)) == 0 || rt == reflect.TypeFor[plan.Cron]() {
			return
		}
		for f := range rt.Fields() {
			name := rt.Name() + "." + f.Tag.Get("yaml")
			if f.Tag.Get("yaml") == "" {
				t.Errorf("%s.%s has no yaml key", rt.Name(), f.Name)
			}
			if json, _, _ := strings.Cut(f.Tag.Get("json"), ","); json != f.Tag.Get("yaml") {
				t.Errorf("%s: the record calls it %q", name, json)
			}
			if seen[name] {
				return
			}
			seen[name] = true
			if rows[name].about == "" {
				t.Errorf("%s has no row", name)
			}
			if !strings.Contains(published, `"`+f.Tag.Get("yaml")+`": {`) {
				t.Errorf("%s is not in the schema", name)
			}
			walk(f.Type)
		}
	}
	walk(reflect.TypeFor[plan.Plan]())
	for name := range rows {
		if !seen[name] {
			t.Errorf("the row %s belongs to no key", name)
		}
	}
	if !slices.Contains(rows["Limit.quantity"].oneOf, "free_chlorine") {
		t.Error("the quantities are not in the schema")
	}
}
