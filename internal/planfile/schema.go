package planfile

import (
	"bytes"
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"time"

	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// schemaID names the schema; nothing is fetched from there.
const schemaID = "urn:linewarden:plan:1"

// node is one object of the JSON Schema.
type node map[string]any

// Schema returns the JSON Schema (draft 2020-12) of a plan file, for editors. It describes the form: keys,
// kinds of values, patterns. That references exist and limits fit together is for Check to see. A key
// without a value, as in the template, is a gap to the schema.
func Schema() []byte {
	defs := node{}
	root := object(reflect.TypeFor[plan.Plan](), defs)
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["$id"] = schemaID
	root["title"] = "Plan of a plant"
	root["$defs"] = defs
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "  ")
	if err := enc.Encode(root); err != nil {
		panic(fmt.Sprintf("planfile: the schema is no JSON: %v", err)) // It is made of strings and lists only.
	}
	return b.Bytes()
}

// object describes a struct of the plan by the rows of its keys.
func object(t reflect.Type, defs node) node {
	properties := node{}
	var required []string
	for f := range t.Fields() {
		key := f.Tag.Get("yaml")
		if key == "" {
			continue
		}
		r := rows[t.Name()+"."+key]
		s := describe(f.Type, defs)
		if r.about != "" {
			s["description"] = r.about
		}
		for _, word := range []string{"enum", "pattern"} {
			narrow(s, word, r)
		}
		if r.must {
			required = append(required, key)
		}
		properties[key] = s
	}
	out := node{"type": "object", "additionalProperties": false, "properties": properties}
	if len(required) > 0 {
		out["required"] = required
	}
	return out
}

// narrow adds the enum or pattern of a row to a text, or to the entries of a list of texts.
func narrow(s node, word string, r row) {
	if items, ok := s["items"].(node); ok {
		s = items
	}
	switch {
	case word == "enum" && len(r.oneOf) > 0:
		s["enum"] = r.oneOf
	case word == "pattern" && r.pattern != "":
		s["pattern"] = r.pattern
	}
}

// describe gives the schema of a type; structs go into defs once.
func describe(t reflect.Type, defs node) node {
	switch t {
	case reflect.TypeFor[plan.Amount]():
		return node{"type": "string", "pattern": `^-?(0|[1-9][0-9]*)(\.[0-9]+)? \S.*$`}
	case reflect.TypeFor[plan.Duration]():
		return node{"type": "string", "pattern": `^[0-9]{1,7} (s|min|h|d)$`}
	case reflect.TypeFor[plan.Clock]():
		return node{"type": "string", "pattern": `^([01][0-9]|2[0-3]):[0-5][0-9]$`}
	case reflect.TypeFor[plan.Date]():
		return node{"type": "string", "format": "date", "pattern": `^[0-9]{4}-[0-9]{2}-[0-9]{2}$`}
	case reflect.TypeFor[time.Time]():
		return node{"type": "string", "format": "date-time"}
	case reflect.TypeFor[quantity.Decimal]():
		return node{"type": []string{"number", "string"}, "pattern": `^-?(0|[1-9][0-9]*)(\.[0-9]+)?$`}
	case reflect.TypeFor[plan.Cron]():
		return node{"type": "string", "pattern": `^\S+( +\S+){4}$`}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return describe(t.Elem(), defs)
	case reflect.Slice:
		return node{"type": "array", "items": describe(t.Elem(), defs)}
	case reflect.Struct:
		name := strings.ToLower(t.Name()[:1]) + t.Name()[1:]
		if _, done := defs[name]; !done {
			defs[name] = node{} // Holds the place while its own parts are described.
			defs[name] = object(t, defs)
		}
		return node{"$ref": "#/$defs/" + name}
	case reflect.Bool:
		return node{"type": "boolean"}
	case reflect.Int:
		return node{"type": "integer", "minimum": 0}
	case reflect.String:
		return node{"type": "string"}
	}
	panic("planfile: no schema for a " + t.String())
}
