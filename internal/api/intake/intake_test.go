package intake

import (
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/gate"
)

type inner struct {
	Name  string          `json:"name" max:"12"`
	Count int64           `json:"count,omitempty"`
	Read  *quantity.Value `json:"read,omitempty"`
}

// request has a member of every type that a request may have.
type request struct {
	inner
	At   time.Time      `json:"at,omitzero"`
	Day  plan.Date      `json:"day,omitempty"`
	Yes  *bool          `json:"yes,omitempty"`
	List []inner        `json:"list,omitempty" max:"3"`
	Word string         `json:"word,omitempty" enum:"one,two"`
	Raw  Raw            `json:"raw,omitempty"`
	V    quantity.Value `json:"v,omitzero"`
}

var seeds = []string{
	`{"name":"a"}`, `{"name":"a","count":-7,"list":[{"name":"b"},{"name":"\u00e9\ud83d\ude00\n"}],"yes":true}`,
	`{"name":"a","at":"2026-03-02T08:05:00.25-06:00","day":"2026-03-31","word":"two","raw":{"x":[1,2.5e3,null]}}`,
	`{"name":"a","v":{"value":"1.50","unit":"mg/L","sign":"<"},"read":true}`, `{"name":"a","v":{"low":"1","high":"2","unit":"mg/L"}}`,
	`{"name":1}`, `{}`, `{"name":"a",}`, `{"name":"a","name":"b"}`, `{"nam\u0065":"a"}`, `{"name":"a","count":1e2}`, `{"name":"a","count":01}`,
	`{"name":"a","raw":[[[[[[[[[[[[[[[[[[1]]]]]]]]]]]]]]]]]]}`, "{\"name\":\"\x7f\"}", ` { "name" : "a" } `, `{"name":"a"}{}`, `nul`, `"x"`, `{"name":"\ud800"}`,
}

// FuzzRead holds the reader against encoding/json of the Go standard library (RFC 8259): what is no JSON there
// is refused here, and what is taken here means the same there.
func FuzzRead(f *testing.F) {
	for _, s := range seeds {
		f.Add([]byte(s))
	}
	sh := For[request]()
	f.Fuzz(func(t *testing.T, body []byte) {
		var got, want request
		sent, err := sh.Read(body, &got)
		if err != nil {
			var r *haccp.Refusal
			var fault *gate.Fault
			if !errors.As(err, &r) && !errors.As(err, &fault) {
				t.Fatalf("%q: %T %v", body, err, err)
			}
			return
		}
		if !json.Valid(body) {
			t.Fatalf("taken, and it is no JSON: %q", body)
		}
		shown := got
		shown.Raw = ""
		var members map[string]json.RawMessage
		if err := json.Unmarshal(body, &members); err != nil || len(members) != len(sent) {
			t.Fatalf("%q: %d members, %v; sent %v", body, len(members), err, sent)
		}
		delete(members, "raw")
		rest, err := json.Marshal(members)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(rest, &want); err != nil {
			t.Fatalf("%q is not taken by encoding/json: %v", body, err)
		}
		want.At = want.At.UTC()
		if !reflect.DeepEqual(shown, want) {
			t.Fatalf("%q\nhere  %+v\nthere %+v", body, shown, want)
		}
	})
}

// TestRead says what a refusal names.
func TestRead(t *testing.T) {
	sh := For[request]()
	for body, want := range map[string]string{
		`{"name":"a"}`: "",
		`{"name":"a","list":[{"name":"b"},{"nam":"c"}]}`: "list[1].nam unknown-member",
		`{"name":"a","list":[{"name":"b"},{"count":1}]}`: "list[1].name missing",
		`{"name":"a","list":[{},{},{},{}]}`:              "list[0].name missing",
		`{"name":"0123456789abc"}`:                       "name too-long",
		`{"name":"ñandúñandúñ"}`:                         "",
		`{"name":"a","word":"three"}`:                    "word not-a-choice",
		`{"name":"a","day":"2026-02-30"}`:                "day bad-date",
		`{"name":"a","count":1.0}`:                       "count bad-integer",
		`{"name":"a","count":"1"}`:                       "count wrong-type",
		`{"name":"a","yes":"true"}`:                      "yes wrong-type",
		`{"name":"a","yes":tru}`:                         "yes broken-json",
		`{"name":"a","v":12}`:                            "v number-not-string",
		`{"name":"a","v":{"value":"1,5","unit":"mg/L"}}`: "v.value bad-number",
		`{"name":"a","v":"1.5"}`:                         "v bad-value",
	} {
		_, err := sh.Read([]byte(body), new(request))
		if got := named(err); got != want {
			t.Errorf("%s: %q, want %q (%v)", body, got, want, err)
		}
	}
}

// named gives field and code of a refusal.
func named(err error) string {
	var r *haccp.Refusal
	var f *gate.Fault
	switch {
	case errors.As(err, &r):
		return r.Field + " " + r.Code
	case errors.As(err, &f):
		return f.Field + " " + f.Code
	}
	return ""
}

// TestKeepsNothingOfTheBody: what was read does not hold on to the whole body, with the password in it.
func TestKeepsNothingOfTheBody(t *testing.T) {
	body := []byte(`{"name":"a","word":"one"}`)
	var r request
	if _, err := For[request]().Read(body, &r); err != nil {
		t.Fatal(err)
	}
	copy(body, strings.Repeat("x", len(body)))
	if r.Name != "a" || r.Word != "one" {
		t.Errorf("%+v", r)
	}
}
