package record_test

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"testing/quick"

	"linewarden/internal/record"
)

// The strings, literals and sorting examples of RFC 8785 sections 3.2.2 and
// 3.2.3 (from memory), without their numbers that have fractions, which our
// number rule refuses.
var canonicalVectors = []struct{ name, in, want string }{
	{
		"RFC 8785 3.2.3 sorting by UTF-16",
		`{"\u20ac":"Euro Sign","\r":"Carriage Return","\ufb33":"Hebrew Letter Dalet With Dagesh","1":"One","\ud83d\ude00":"Emoji: Grinning Face","\u0080":"Control","\u00f6":"Latin Small Letter O With Diaeresis"}`,
		"{\"\\r\":\"Carriage Return\",\"1\":\"One\",\"\u0080\":\"Control\",\"ö\":\"Latin Small Letter O With Diaeresis\",\"€\":\"Euro Sign\",\"😀\":\"Emoji: Grinning Face\",\"\ufb33\":\"Hebrew Letter Dalet With Dagesh\"}",
	},
	{
		"RFC 8785 3.2.2 string and literals",
		`{"string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/", "literals": [null, true, false]}`,
		`{"literals":[null,true,false],"string":"€$\u000f\nA'B\"\\\\\"/"}`,
	},
	{"short escapes", `"\u0008\u0009\u000A\u000c\u000D\u001f\u007f"`, "\"\\b\\t\\n\\f\\r\\u001f\x7f\""},
	{"line separators stay", `"\u2028\u2029"`, "\"\u2028\u2029\""},
	{"space", " \t\r\n{ \"b\" : [ 1 , -2 ] , \"a\" : { } , \"c\":[ ] } ", `{"a":{},"b":[1,-2],"c":[]}`},
	{"largest numbers", `[9007199254740991,-9007199254740991,0]`, `[9007199254740991,-9007199254740991,0]`},
	{"prefix before longer", `{"ab":1,"a":2,"":3}`, `{"":3,"a":2,"ab":1}`},
}

func TestCanonicalVectors(t *testing.T) {
	for _, v := range canonicalVectors {
		t.Run(v.name, func(t *testing.T) {
			got, err := record.Canonical([]byte(v.in))
			if err != nil || string(got) != v.want {
				t.Errorf("got %s, %v; want %s", got, err, v.want)
			}
			if !record.IsCanonical([]byte(v.want)) || v.in != v.want && record.IsCanonical([]byte(v.in)) {
				t.Error("IsCanonical does not tell input and canonical form apart")
			}
		})
	}
}

func TestCanonicalRefuses(t *testing.T) {
	for name, in := range map[string]string{
		"nothing": ``, "space only": `  `, "two values": `1 2`, "text behind": `{} x`, "NaN": `NaN`, "Infinity": `[Infinity]`,
		"fraction": `1.0`, "exponent": `1e2`, "huge exponent": `1e309`, "minus zero": `-0`, "2^53": `9007199254740992`,
		"-2^53": `-9007199254740992`, "many digits": `123456789012345678901234567890`, "leading zero": `01`, "plus": `+1`, "bare minus": `-`,
		"doubled name": `{"a":1,"a":2}`, "doubled by escape": `{"a":1,"\u0061":2}`, "doubled deep": `[{"x":{"b":1,"b":1}}]`,
		"lone high surrogate": `"\ud83d"`, "lone low surrogate": `"\ude00"`, "high then other": `"\ud83d\u0041"`, "bad escape": `"\x"`, "short escape": `"\u12"`,
		"bad UTF-8": "\"\xff\"", "UTF-8 surrogate": "\"\xed\xa0\x80\"", "overlong": "\"\xc0\x80\"", "raw control": "\"a\nb\"", "open string": `"abc`,
		"trailing comma": `[1,]`, "trailing comma in object": `{"a":1,}`, "no colon": `{"a" 1}`, "unquoted name": `{a:1}`, "single quotes": `{'a':1}`,
		"comment": `[1/*x*/]`, "open list": `[1`, "open object": `{"a":1`, "comma decimal": `[0,5`, "byte order mark": "\ufeff{}",
		"too deep": strings.Repeat("[", record.MaxDepth+1) + strings.Repeat("]", record.MaxDepth+1),
		"bomb":     strings.Repeat("[", 1<<20), "too long": `"` + strings.Repeat("a", record.MaxJSONBytes) + `"`,
	} {
		if got, err := record.Canonical([]byte(in)); !errors.Is(err, record.ErrInvalid) {
			t.Errorf("%s: got %.60s, %v", name, got, err)
		}
		if record.IsCanonical([]byte(in)) {
			t.Errorf("%s: IsCanonical says yes", name)
		}
	}
	deep := strings.Repeat("[", record.MaxDepth) + strings.Repeat("]", record.MaxDepth)
	if _, err := record.Canonical([]byte(" " + deep)); err != nil {
		t.Errorf("nesting of MaxDepth: %v", err)
	}
}

// sameMeaning compares two JSON texts by means of encoding/json.
func sameMeaning(t *testing.T, a, b []byte) bool {
	t.Helper()
	var x, y any
	for text, into := range map[*[]byte]*any{&a: &x, &b: &y} {
		d := json.NewDecoder(bytes.NewReader(*text))
		d.UseNumber()
		if err := d.Decode(into); err != nil {
			t.Errorf("encoding/json refuses %s: %v", *text, err)
			return false
		}
	}
	p, err1 := json.Marshal(x)
	q, err2 := json.Marshal(y)
	return err1 == nil && err2 == nil && bytes.Equal(p, q)
}

func TestCanonicalKeepsMeaning(t *testing.T) {
	check := func(m map[string][]string, n int32, b bool) bool {
		in, err := json.MarshalIndent(map[string]any{"m": m, "n": n, "b": b, "😀": nil, "\ufb33": 1}, " ", "\t")
		if err != nil {
			return false
		}
		out, err := record.Canonical(in)
		return err == nil && record.IsCanonical(out) && sameMeaning(t, in, out)
	}
	if err := quick.Check(check, nil); err != nil {
		t.Error(err)
	}
}

func FuzzCanonical(f *testing.F) {
	for _, v := range canonicalVectors {
		f.Add([]byte(v.in))
		f.Add([]byte(v.want))
	}
	f.Add([]byte(`{"a":[{"b":"\u0000"}]}`))
	f.Fuzz(func(t *testing.T, in []byte) {
		out, err := record.Canonical(in)
		if err != nil {
			if record.IsCanonical(in) {
				t.Errorf("refused and canonical: %q", in)
			}
			return
		}
		if !record.IsCanonical(out) {
			t.Errorf("not canonical: %q from %q", out, in)
		}
		again, err := record.Canonical(out)
		if err != nil || !bytes.Equal(again, out) {
			t.Errorf("not a fixed point: %q, %v", again, err)
		}
		if record.IsCanonical(in) != bytes.Equal(in, out) {
			t.Errorf("IsCanonical is wrong for %q", in)
		}
		if !sameMeaning(t, in, out) {
			t.Errorf("%q became %q", in, out)
		}
	})
}
