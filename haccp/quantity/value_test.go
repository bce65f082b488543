package quantity

import (
	"bytes"
	"encoding/json"
	"errors"
	"reflect"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func num(s string) Decimal { return MustDecimal(s) }

var valueForms = []struct {
	v           Value
	json, shown string
}{
	{Exact(num("1.50"), MgPerL), `{"unit":"mg/L","value":"1.50"}`, "1.50 mg/L"},
	{Below(num("0.02"), MgPerL), `{"sign":"<","unit":"mg/L","value":"0.02"}`, "< 0.02 mg/L"},
	{Above(num("10"), PPM), `{"sign":">","unit":"ppm","value":"10"}`, "> 10 ppm"},
	{Band(num("50"), num("100"), MgPerL), `{"high":"100","low":"50","unit":"mg/L"}`, "50–100 mg/L"},
	{Band(num("-2"), num("-1"), Celsius), `{"high":"-1","low":"-2","unit":"°C"}`, "-2 to -1 °C"},
	{Exact(num("7.0"), PHUnit), `{"unit":"pH","value":"7.0"}`, "pH 7.0"},
	{Exact(num("1413"), MicroSPerCm), `{"unit":"uS/cm","value":"1413"}`, "1413 µS/cm"},
	{Exact(num("1"), Unit(`a"b\`)), `{"unit":"a\"b\\","value":"1"}`, `1 a"b\`},
	{Answer(true), `true`, "yes"},
	{Answer(false), `false`, "no"},
}

func TestValueForms(t *testing.T) {
	for _, c := range valueForms {
		if got := string(c.v.AppendJSON(nil)); got != c.json {
			t.Errorf("%s: encoded %s", c.json, got)
		}
		got, err := ParseValue([]byte(c.json))
		if err != nil || got != c.v {
			t.Errorf("%s: decoded %+v, %v", c.json, got, err)
		}
		if c.v.String() != c.shown {
			t.Errorf("%s: shown as %q, wanted %q", c.json, c.v, c.shown)
		}
	}
}

func TestValueThroughEncodingJSON(t *testing.T) {
	type body struct {
		V Value `json:"v,omitzero"`
		W Value `json:"w,omitzero"`
	}
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetEscapeHTML(false)
	if err := enc.Encode(body{V: Below(num("0.02"), MgPerL)}); err != nil {
		t.Fatal(err)
	}
	if got := strings.TrimSpace(out.String()); got != `{"v":{"sign":"<","unit":"mg/L","value":"0.02"}}` {
		t.Errorf("encoded %s", got)
	}
	var in body
	if err := json.Unmarshal([]byte("{\"v\": { \"value\" :\"1.50\",\n \"unit\":\"mg\\/L\" } }"), &in); err != nil || in.V != Exact(num("1.50"), MgPerL) {
		t.Errorf("decoded %+v, %v", in, err)
	}
	if _, err := json.Marshal(Value{}); !errors.Is(err, ErrValue) {
		t.Errorf("a value never read was encoded: %v", err)
	}
}

func TestValueRefuses(t *testing.T) {
	for _, c := range []struct{ json, field, text string }{
		{`{"unit":"mg/L","value":1.50}`, "value", "as a string"},
		{`{"unit":"mg/L","value":null}`, "value", "as a string"},
		{`{"unit":"mg/L","value":"1,5"}`, "value", "use a point"},
		{`{"unit":"mg/L","value":"NaN"}`, "value", "not a number"},
		{`{"unit":"mg/L","value":"1e309"}`, "value", "power of ten"},
		{`{"unit":"mg/L","value":"-0.0"}`, "value", "minus zero"},
		{`{"unit":"mg/L"}`, "value", "missing"},
		{`{"value":"1"}`, "unit", "missing"},
		{`{"unit":"","value":"1"}`, "unit", "empty"},
		{`{"unit":7,"value":"1"}`, "unit", "as a string"},
		{`{"unit":"` + strings.Repeat("m", 33) + `","value":"1"}`, "unit", "longer"},
		{`{"unit":"a\u0000b","value":"1"}`, "unit", "U+0000"},
		{`{"unit":"\ud800","value":"1"}`, "unit", "U+FFFD"},
		{"{\"unit\":\"\xff\",\"value\":\"1\"}", "unit", "UTF-8"},
		{`{"sign":"<=","unit":"mg/L","value":"1"}`, "sign", "wanted"},
		{`{"low":"1","unit":"mg/L"}`, "high", "missing"},
		{`{"high":"1","unit":"mg/L"}`, "low", "missing"},
		{`{"high":"2","low":"1","unit":"mg/L","value":"1"}`, "value", "not beside"},
		{`{"high":"2","low":"1","sign":"<","unit":"mg/L"}`, "sign", "not beside"},
		{`{"unit":"mg/L","unit":"ppm","value":"1"}`, "unit", "twice"},
		{`{"unit":"mg/L","value":"1","note":"x"}`, "note", "unknown member"},
		{`{"unit":"mg/L","value":{"a":"b"}}`, "value", "as a string"},
		{`{"Unit":"mg/L","value":"1"}`, "Unit", "unknown member"},
		{`{}`, "unit", "missing"},
		{`null`, "", "leave the member out"},
		{`1.5`, "", "give an object"},
		{`"1.5"`, "", "give an object"},
		{`[]`, "", "give an object"},
		{``, "", "broken JSON"},
		{`{"unit":"mg/L","value":"1"`, "", "broken JSON"},
		{`{"unit":"mg/L","value":"1"} x`, "", "broken JSON"},
		{`NaN`, "", "broken JSON"},
	} {
		v, err := ParseValue([]byte(c.json))
		var at *FieldError
		if !errors.As(err, &at) || at.Field != c.field || !strings.Contains(err.Error(), c.text) {
			t.Errorf("%s: error %v, wanted %q at field %q", c.json, err, c.text, c.field)
		}
		if !errors.Is(err, ErrValue) && !errors.Is(err, ErrDecimal) {
			t.Errorf("%s: kind of %v", c.json, err)
		}
		if !v.IsZero() {
			t.Errorf("%s: refused, yet gives %v", c.json, v)
		}
	}
}

// samePlain wants the short way through a value to give what the long way gives.
func samePlain(t *testing.T, b []byte) {
	t.Helper()
	var short, long members
	if !short.plain(b) {
		return
	}
	if err := long.read(skipSpace(b)); !json.Valid(b) || err != nil || !reflect.DeepEqual(short, long) {
		t.Fatalf("%q is %v the short way, %v and %v the long way", b, short, long, err)
	}
}

func FuzzValue(f *testing.F) {
	for _, c := range valueForms {
		f.Add([]byte(c.json))
	}
	f.Add([]byte(`{"sign":"\u003c","unit":"m\u0067/L","value":"1"}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		before := bytes.Clone(b)
		v, err := ParseValue(b)
		samePlain(t, b)
		if !bytes.Equal(before, b) {
			t.Fatal("the input was written to")
		}
		if err != nil {
			if !errors.Is(err, ErrValue) && !errors.Is(err, ErrDecimal) {
				t.Fatalf("kind of %v", err)
			}
			return
		}
		again, err := ParseValue(v.AppendJSON(nil))
		if err != nil || again != v {
			t.Fatalf("%s encodes as %s, which gives %+v, %v", b, v.AppendJSON(nil), again, err)
		}
		for _, q := range table {
			_ = q.Check(v)
		}
	})
}

func TestCheck(t *testing.T) {
	for _, c := range []struct {
		id          ID
		v           Value
		kind        error
		field, text string
	}{
		{PH, Exact(num("7.00"), PHUnit), nil, "", ""},
		{PH, Exact(num("40"), PHUnit), ErrRange, "value", "0 to 14 pH"},
		{PH, Exact(num("14.01"), PHUnit), ErrRange, "value", "14"},
		{PH, Exact(num("-0.1"), PHUnit), ErrRange, "value", "0 to 14"},
		{FreeChlorine, Exact(num("20000"), MgPerL), nil, "", ""},
		{FreeChlorine, Exact(num("20000.1"), PPM), ErrRange, "value", "20000 mg/L"},
		{FreeChlorine, Exact(num("1"), "%"), ErrUnit, "unit", "allowed are mg/L, ppm"},
		{FreeChlorine, Exact(num("1"), "MG/L"), ErrUnit, "unit", `write it as "mg/L"`},
		{FreeChlorine, Exact(num("1"), ""), ErrUnit, "unit", "give one of"},
		{FreeChlorine, Below(num("0.02"), MgPerL), nil, "", ""},
		{FreeChlorine, Below(num("0.00"), MgPerL), ErrRange, "value", "lies there"},
		{FreeChlorine, Above(num("20000"), MgPerL), ErrRange, "value", "lies there"},
		{FreeChlorine, Above(num("20001"), MgPerL), ErrRange, "value", "cannot be"},
		{FreeChlorine, Band(num("50"), num("100"), PPM), nil, "", ""},
		{FreeChlorine, Band(num("100"), num("50"), PPM), ErrValue, "low", "change them round"},
		{FreeChlorine, Band(num("50"), num("50.0"), PPM), ErrValue, "high", "no width"},
		{FreeChlorine, Band(num("-1"), num("50"), PPM), ErrRange, "low", "cannot be"},
		{FreeChlorine, Band(num("0"), num("50000"), PPM), ErrRange, "high", "cannot be"},
		{FreeChlorine, Answer(true), ErrKind, "", "number with a unit"},
		{FreeChlorine, Value{}, ErrValue, "", "no value"},
		{YesNo, Answer(false), nil, "", ""},
		{YesNo, Exact(num("1"), MgPerL), ErrKind, "", "true or false"},
		{YesNo, Value{}, ErrValue, "", "no value"},
		{Temperature, Exact(num("392"), Fahrenheit), nil, "", ""},
		{Temperature, Exact(num("392.1"), Fahrenheit), ErrRange, "value", "-50 to 200 °C"},
		{Temperature, Exact(num("-58"), Fahrenheit), nil, "", ""},
		{Temperature, Exact(num("-58.01"), Fahrenheit), ErrRange, "value", "°F"},
		{TemperatureDifference, Exact(num("-5"), Fahrenheit), nil, "", ""},
		{Salt, Exact(num("30"), PercentMass), nil, "", ""},
		{Salt, Exact(num("101"), PercentMass), ErrRange, "value", "100 % w/w"},
		{ORP, Exact(num("-2001"), Millivolt), ErrRange, "value", "-2000 to 2000"},
		{UV254, Exact(num("-0.002"), PerCm), nil, "", ""},
		{ATP, Above(num("9999"), RLU), nil, "", ""},
	} {
		err := get(t, c.id).Check(c.v)
		if !errors.Is(err, c.kind) {
			t.Errorf("%s of %v: %v, wanted %v", c.id, c.v, err, c.kind)
			continue
		}
		var at *FieldError
		if c.kind != nil && (!errors.As(err, &at) || at.Field != c.field || !strings.Contains(err.Error(), c.text)) {
			t.Errorf("%s of %v: %v, wanted %q at field %q", c.id, c.v, err, c.text, c.field)
		}
	}
}

func TestValuesKeepTheirJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := drawValue(t, MgPerL)
		got, err := ParseValue(v.AppendJSON([]byte{})[0:])
		if err != nil || got != v {
			t.Fatalf("%s gives %+v, %v", v.AppendJSON(nil), got, err)
		}
	})
}

// drawValue draws a number of any kind in unit u, not below 0.
func drawValue(t *rapid.T, u Unit) Value {
	small := rapid.StringMatching(`(0|[1-9][0-9]?)(\.[0-9]{1,2})?`)
	a, b := num(small.Draw(t, "a")), num(small.Draw(t, "b"))
	switch rapid.IntRange(0, 3).Draw(t, "kind") {
	case 0:
		return Exact(a, u)
	case 1:
		return Below(a, u)
	case 2:
		return Above(a, u)
	}
	if a.Cmp(b) > 0 {
		a, b = b, a
	}
	return Band(a, b, u)
}
