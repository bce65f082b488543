package api

import (
	"bytes"
	"context"
	"encoding"
	"encoding/json"
	"flag"
	"io"
	"maps"
	"net/http"
	"os"
	"path"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/getkin/kin-openapi/openapi3"
	"github.com/getkin/kin-openapi/openapi3filter"
	"github.com/getkin/kin-openapi/routers"
	"github.com/getkin/kin-openapi/routers/legacy"
	"github.com/gofiber/fiber/v2"

	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/api/intake"
	"linewarden/internal/gate"
)

var update = flag.Bool("update", false, "write openapi.json anew")

// maker makes the OpenAPI document from the routes and the types they read and write.
type maker struct {
	schemas obj
	names   map[reflect.Type]string
}

func makeDocument(routes []route) []byte {
	m := &maker{schemas: obj{}, names: map[reflect.Type]string{}}
	paths := map[string]obj{}
	for _, r := range routes {
		p := openPath(r.path)
		if paths[p] == nil {
			paths[p] = obj{}
		}
		paths[p][strings.ToLower(r.method)] = m.operation(r)
	}
	paths[documentPath] = obj{"get": obj{"operationId": "getDocument", "summary": "This document.", "security": []obj{},
		"responses": obj{"200": obj{"description": "OpenAPI 3.1", "content": obj{"application/json": obj{"schema": obj{"type": "object"}}}}}}}
	doc := obj{
		"openapi": "3.1.0",
		"info": obj{"title": "Linewarden", "version": "1", "license": obj{"name": "See LICENSE"}, "description": "The record of sanitation and process control of one site. " +
			"Times are RFC 3339 with zone. A measured value is an object with the digits as read in a string; a JSON number is refused. " +
			"Unknown and repeated members are refused. Every command has an id made by the client: sending it again is harmless. " +
			"What a record holds as command_hash is SHA-256 of the canonical JSON (RFC 8785) of the body as sent, without the member password, " +
			"with the member request added: the method, a space and the path. Errors are problem documents (RFC 9457) in the language of Accept-Language. " +
			"Answers carry " + gate.HeaderHead + ", the number of the log's last commit as the answer knows it; a client that sends back the highest it has seen is not shown less: " +
			"an instance of the service that has not seen it reads it first, or answers 503 with Retry-After."},
		"servers": []obj{{"url": Base}, {"url": Base + "/sites/{site}", "description": "One site of a group. Without /sites/{site} a service that serves a group speaks of the group's own log: its people and sites.",
			"variables": obj{"site": obj{"default": "north", "description": "Id of the site."}}}},
		"paths":      paths,
		"security":   []obj{{"session": []string{}}},
		"components": obj{"schemas": m.schemas, "responses": obj{"Problem": problemResponse(m)}, "securitySchemes": schemes()},
	}
	b, err := json.MarshalIndent(doc, "", " ")
	if err != nil {
		panic(err)
	}
	return append(b, '\n')
}

func schemes() obj {
	return obj{
		"session":  obj{"type": "apiKey", "in": "cookie", "name": "linewarden", "description": "Of POST /session; over TLS it is called __Host-linewarden. Requests that change something also want X-Form-Token."},
		"device":   obj{"type": "http", "scheme": "bearer", "description": "Token of an enrolled probe."},
		"delivery": obj{"type": "apiKey", "in": "header", "name": "Authorization", "description": "Delivery and the token of POST /session/grant: for a device that sends a report later."},
	}
}

func problemResponse(m *maker) obj {
	return obj{"description": "What is wrong, where, and what to do.", "content": obj{gate.ProblemType: obj{"schema": m.schema(reflect.TypeFor[gate.Problem](), "", true)}}}
}

// openPath turns fiber's parameters into those of OpenAPI.
func openPath(p string) string {
	parts := strings.Split(p, "/")
	for i, s := range parts {
		if strings.HasPrefix(s, ":") {
			parts[i] = "{" + s[1:] + "}"
		}
	}
	return strings.Join(parts, "/")
}

func operationID(r route) string {
	var b strings.Builder
	b.WriteString(strings.ToLower(r.method))
	for _, s := range strings.FieldsFunc(r.path, func(c rune) bool { return c == '/' || c == '-' || c == ':' }) {
		b.WriteString(strings.ToUpper(s[:1]) + s[1:])
	}
	return b.String()
}

func (m *maker) operation(r route) obj {
	op := obj{"operationId": operationID(r), "summary": r.summary, "responses": m.responses(r)}
	var params []obj
	for s := range strings.SplitSeq(r.path, "/") {
		if strings.HasPrefix(s, ":") {
			params = append(params, obj{"name": s[1:], "in": "path", "required": true, "schema": obj{"type": "string"}})
		}
	}
	for _, q := range r.query {
		schema := obj{"type": "string"}
		switch q.kind {
		case "integer":
			schema = obj{"type": "integer", "minimum": 1}
		case "time":
			schema["format"] = "date-time"
		}
		if q.enum != nil {
			schema["enum"] = q.enum
		}
		p := obj{"name": q.name, "in": "query", "required": q.required, "schema": schema}
		if q.doc != "" {
			p["description"] = q.doc
		}
		params = append(params, p)
	}
	if r.method != fiber.MethodGet && r.door != doorOpen {
		params = append(params, obj{"name": "X-Form-Token", "in": "header", "schema": obj{"type": "string"}, "description": "form_token of the session; a device token needs none."})
	}
	if params != nil {
		op["parameters"] = params
	}
	switch {
	case r.text != "":
		op["requestBody"] = obj{"required": true, "content": obj{r.text: obj{"schema": obj{"type": "string"}}}}
	case r.in != nil:
		op["requestBody"] = obj{"required": r.in != reflect.TypeFor[empty](), "content": obj{"application/json": obj{"schema": m.schema(r.in, "", false)}}}
	}
	switch r.door {
	case doorOpen:
		op["security"] = []obj{}
	case doorAny:
		op["security"] = []obj{{"session": []string{}}, {"device": []string{}}}
	}
	if r.delivered {
		ways := []obj{{"session": []string{}}}
		if r.door == doorAny {
			ways = append(ways, obj{"device": []string{}})
		}
		op["security"] = append(ways, obj{"delivery": []string{}})
	}
	return op
}

func (m *maker) responses(r route) obj {
	out := obj{}
	problems := []int{500, 503}
	if r.door != doorOpen {
		problems = append(problems, 401, 403, 429)
	} else {
		problems = append(problems, 401, 403, 404, 409, 429)
	}
	if strings.Contains(r.path, ":") {
		problems = append(problems, 404)
	}
	if r.path == "/plan" || r.path == "/trace" || r.path == "/recalls" || strings.HasPrefix(r.path, "/proofs") {
		problems = append(problems, 404)
	}
	if r.query != nil || strings.Contains(r.path, ":") || r.path == "/devices" {
		problems = append(problems, 422)
	}
	if strings.HasSuffix(r.path, "/certificate") {
		problems = append(problems, 409)
	}
	if r.path == "/corrective-actions" {
		problems = append(problems, 406)
	}
	if r.in != nil || r.text != "" {
		problems = append(problems, 400, 404, 409, 413, 415, 422)
	}
	for _, p := range problems {
		out[strconv.Itoa(p)] = obj{"$ref": "#/components/responses/Problem"}
	}
	if r.out == reflect.TypeFor[nothing]() && r.media == "" {
		out["204"] = obj{"description": "Done."}
		return out
	}
	content := obj{}
	if r.media != "" {
		content[r.media] = obj{"schema": obj{"type": "string"}}
	}
	if r.out != reflect.TypeFor[nothing]() {
		content["application/json"] = obj{"schema": m.schema(r.out, "", true)}
	}
	if first, ok := r.out.FieldByName("Done"); ok && first.Anonymous {
		out["201"] = obj{"description": "Recorded.", "content": content}
		out["200"] = obj{"description": "Recorded before: the first answer again.", "content": content}
		return out
	}
	code := "200"
	if r.created {
		code = "201"
	}
	out[code] = obj{"description": "The answer.", "content": content}
	return out
}

// schema describes a type; answer says that it is written and not read.
func (m *maker) schema(t reflect.Type, tag reflect.StructTag, answer bool) obj {
	switch t {
	case reflect.TypeFor[time.Time]():
		return obj{"type": "string", "format": "date-time"}
	case reflect.TypeFor[quantity.Value]():
		m.schemas["Value"] = valueSchema()
		return obj{"$ref": "#/components/schemas/Value"}
	case reflect.TypeFor[plan.Date]():
		return obj{"type": "string", "description": "YYYY-MM-DD"}
	case reflect.TypeFor[intake.Raw]():
		return obj{"type": "object"}
	case reflect.TypeFor[plan.Amount]():
		m.schemas["Amount"] = obj{"type": "object", "additionalProperties": false, "required": []string{"unit", "value"},
			"properties": obj{"unit": obj{"type": "string"}, "value": obj{"type": "string", "pattern": decimalPattern}}}
		return obj{"$ref": "#/components/schemas/Amount"}
	case reflect.TypeFor[quantity.Decimal]():
		return obj{"type": "string", "pattern": decimalPattern}
	}
	if t.Implements(reflect.TypeFor[encoding.TextMarshaler]()) {
		return obj{"type": "string"}
	}
	switch t.Kind() {
	case reflect.Pointer:
		return m.schema(t.Elem(), tag, answer)
	case reflect.Struct:
		return m.object(t, answer)
	case reflect.Slice:
		out := obj{"type": "array", "items": m.schema(t.Elem(), "", answer)}
		if !answer {
			out["maxItems"] = intake.MaxOf(tag, intake.MaxItems)
		}
		return out
	case reflect.Map:
		return obj{"type": "object", "additionalProperties": m.schema(t.Elem(), "", answer)}
	case reflect.Bool:
		return obj{"type": "boolean"}
	case reflect.Int, reflect.Int64:
		return obj{"type": "integer"}
	case reflect.Float64:
		return obj{"type": "number"}
	case reflect.Interface:
		return obj{}
	case reflect.String:
		out := obj{"type": "string"}
		if e := tag.Get("enum"); e != "" {
			out["enum"] = strings.Split(e, ",")
		} else if !answer {
			out["maxLength"] = intake.MaxOf(tag, intake.MaxText)
		}
		return out
	}
	panic("no schema for " + t.String())
}

const decimalPattern = `^-?(0|[1-9][0-9]*)(\.[0-9]+)?$`

func valueSchema() obj {
	digits := obj{"type": "string", "pattern": decimalPattern, "maxLength": 20}
	unit := obj{"type": "string", "maxLength": 32}
	return obj{"description": "A measured value: the digits as read with their unit, below (<) or over (>) the range, the band of a strip, or yes and no.", "oneOf": []obj{
		{"type": "object", "additionalProperties": false, "required": []string{"unit", "value"}, "properties": obj{"value": digits, "unit": unit, "sign": obj{"type": "string", "enum": []string{"<", ">"}}}},
		{"type": "object", "additionalProperties": false, "required": []string{"unit", "low", "high"}, "properties": obj{"low": digits, "high": digits, "unit": unit}},
		{"type": "boolean"},
	}}
}

// named gives a struct its name in the document: that of the type, with its package where it is not ours.
func (m *maker) named(t reflect.Type, answer bool) string {
	name := t.Name()
	if pkg := path.Base(t.PkgPath()); pkg != "api" && pkg != "gate" && pkg != "reply" {
		name = pkg + "." + name
	}
	name = strings.ToUpper(name[:1]) + name[1:]
	if !answer && !strings.HasSuffix(name, "In") {
		name += "In"
	}
	return name
}

func (m *maker) object(t reflect.Type, answer bool) obj {
	name := m.named(t, answer)
	ref := obj{"$ref": "#/components/schemas/" + name}
	if _, done := m.schemas[name]; done {
		if m.names[t] != name && answer {
			panic("two types are called " + name)
		}
		return ref
	}
	if answer {
		m.names[t] = name
	}
	m.schemas[name] = obj{}
	parts := intake.PartsOf(t)
	slices.SortStableFunc(parts, func(a, b intake.Part) int { return len(a.Index) - len(b.Index) })
	properties, required := obj{}, []string{}
	for _, p := range parts {
		if _, hidden := properties[p.Name]; hidden {
			continue // as encoding/json has it: the shallower member counts
		}
		s := m.schema(p.Type, p.Tag, answer)
		ours := strings.HasPrefix(t.PkgPath(), "linewarden/internal/")
		if k := p.Type.Kind(); answer && !p.Optional && (k == reflect.Pointer || k == reflect.Map || (k == reflect.Slice && !ours)) {
			s = obj{"anyOf": []obj{s, {"type": "null"}}}
		}
		if doc := p.Tag.Get("doc"); doc != "" {
			s = maps.Clone(s)
			s["description"] = doc
		}
		properties[p.Name] = s
		if !p.Optional {
			required = append(required, p.Name)
		}
	}
	slices.Sort(required)
	out := obj{"type": "object", "additionalProperties": false, "properties": properties}
	if len(required) > 0 {
		out["required"] = required
	}
	m.schemas[name] = out
	return ref
}

// made is the document as the types make it, with a router over it.
var made = sync.OnceValues(func() (routers.Router, error) {
	doc, err := openapi3.NewLoader().LoadFromData(makeDocument((&API{}).table()))
	if err != nil {
		return nil, err
	}
	if err := doc.Validate(context.Background()); err != nil {
		return nil, err
	}
	return legacy.NewRouter(doc)
})

// validate holds a request that was taken, and every answer, against the document.
func validate(r *response) {
	r.t.Helper()
	router, err := made()
	must(r.t, err)
	route, params, err := router.FindRoute(r.req)
	if err != nil {
		if r.status != 404 && r.status != 405 {
			r.t.Errorf("%s %s is not in the document: %v", r.req.Method, r.req.URL.Path, err)
		}
		return
	}
	options := &openapi3filter.Options{IncludeResponseStatus: true, AuthenticationFunc: openapi3filter.NoopAuthenticationFunc}
	in := &openapi3filter.RequestValidationInput{Request: r.req, PathParams: params, Route: route, Options: options}
	if r.status < 300 {
		r.req.Body = io.NopCloser(bytes.NewReader(r.sent))
		if err := openapi3filter.ValidateRequest(context.Background(), in); err != nil {
			r.t.Errorf("%s %s was taken, and the document does not allow it: %v", r.req.Method, r.req.URL, err)
		}
	}
	out := &openapi3filter.ResponseValidationInput{RequestValidationInput: in, Status: r.status, Header: r.header,
		Body: io.NopCloser(bytes.NewReader(r.body)), Options: options}
	if err := openapi3filter.ValidateResponse(context.Background(), out); err != nil {
		r.t.Errorf("%s %s answered %d, and the document does not allow it: %v\n%.2000s", r.req.Method, r.req.URL, r.status, err, r.body)
	}
}

func init() { //nolint:gochecknoinits // the validator keeps its decoders in a package variable
	for _, m := range []string{gate.ProblemType, "application/x-ndjson", "text/csv"} {
		openapi3filter.RegisterBodyDecoder(m, openapi3filter.PlainBodyDecoder)
	}
	openapi3filter.RegisterBodyDecoder(gate.ProblemType, openapi3filter.JSONBodyDecoder)
	openapi3filter.RegisterBodyDecoder("application/yaml", openapi3filter.PlainBodyDecoder)
}

func TestDocumentIsWhatTheTypesSay(t *testing.T) {
	want := makeDocument((&API{}).table())
	if *update {
		must(t, os.WriteFile("openapi.json", want, 0o644))
		return
	}
	if !bytes.Equal(document, want) {
		t.Error("openapi.json is not what the types say: go test ./internal/api -update, then read the diff")
	}
}

// TestEveryRouteIsInTheDocument holds the routes of the running app against the document, both ways.
func TestEveryRouteIsInTheDocument(t *testing.T) {
	w := newWorld(t)
	r := w.nobody().do(http.MethodGet, documentPath, nil).want(200)
	doc, err := openapi3.NewLoader().LoadFromData(r.body)
	must(t, err)
	must(t, doc.Validate(context.Background()))
	if !doc.IsOpenAPI31OrLater() {
		t.Errorf("the document says version %s", doc.OpenAPI)
	}
	written := map[string]bool{}
	for p, item := range doc.Paths.Map() {
		for method := range item.Operations() {
			written[method+" "+Base+p] = true
		}
	}
	served := map[string]bool{}
	for _, r := range w.app.GetRoutes(true) {
		if strings.HasPrefix(r.Path, Base) && r.Method != fiber.MethodHead {
			served[r.Method+" "+openPath(r.Path)] = true
		}
	}
	for k := range served {
		if !written[k] {
			t.Errorf("%s is served and not in the document", k)
		}
	}
	for k := range written {
		if !served[k] {
			t.Errorf("%s is in the document and not served", k)
		}
	}
	if len(served) < 50 {
		t.Errorf("only %d routes are served", len(served))
	}
}
