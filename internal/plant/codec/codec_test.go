package codec

import (
	"encoding/json"
	"fmt"
	"reflect"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/record"
)

var (
	aText = rapid.OneOf(rapid.StringMatching(`[a-zA-Z0-9 <>&".\\/:-]{1,12}`), rapid.SampledFrom([]string{"ñandú", "“q”\n\t", "\u2028x", "𝄞", "\x01"}))
	aTime = rapid.Custom(func(t *rapid.T) time.Time {
		return time.UnixMilli(rapid.Int64Range(0, 4e12).Draw(t, "ms")).UTC()
	})
	aDecimal = rapid.Custom(func(t *rapid.T) quantity.Decimal {
		return quantity.MustDecimal(rapid.StringMatching(`(0|[1-9][0-9]{0,5})(\.[0-9]{1,4})?`).Draw(t, "decimal"))
	})
	aUnit  = rapid.SampledFrom([]quantity.Unit{"mg/L", "degC", "pH", "% w/w", "µS/cm", "own unit"})
	aValue = rapid.Custom(func(t *rapid.T) quantity.Value {
		d, u := aDecimal.Draw(t, "d"), aUnit.Draw(t, "u")
		switch rapid.IntRange(0, 5).Draw(t, "kind") {
		case 0:
			return quantity.Below(d, u)
		case 1:
			return quantity.Above(d, u)
		case 2:
			return quantity.Band(d, aDecimal.Draw(t, "high"), u)
		case 3:
			return quantity.Answer(rapid.Bool().Draw(t, "yes"))
		}
		return quantity.Exact(d, u)
	})
)

// fill puts drawn values into every exported field; some optional ones stay empty.
func fill(t *rapid.T, v reflect.Value, depth int) {
	switch v.Interface().(type) {
	case time.Time:
		v.Set(reflect.ValueOf(aTime.Draw(t, "time")))
		return
	case quantity.Value:
		v.Set(reflect.ValueOf(aValue.Draw(t, "value")))
		return
	case quantity.Decimal:
		v.Set(reflect.ValueOf(aDecimal.Draw(t, "decimal")))
		return
	case plan.Duration:
		v.Set(reflect.ValueOf(plan.Of(rapid.Int64Range(1, 90).Draw(t, "n"), rapid.SampledFrom([]string{"s", "min", "h", "d"}).Draw(t, "unit"))))
		return
	case plan.Clock:
		v.Set(reflect.ValueOf(plan.At(rapid.IntRange(0, 23).Draw(t, "h"), rapid.IntRange(0, 59).Draw(t, "m"))))
		return
	case plan.Date:
		v.SetString(aTime.Draw(t, "date").Format(time.DateOnly))
		return
	}
	switch v.Kind() {
	case reflect.String:
		v.SetString(aText.Draw(t, "text"))
	case reflect.Bool:
		v.SetBool(rapid.Bool().Draw(t, "bool"))
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		limit := int64(maxInteger)
		if v.Type().Bits() < 54 {
			limit = 1<<(v.Type().Bits()-1) - 1
		}
		v.SetInt(rapid.Int64Range(-limit, limit).Draw(t, "int"))
	case reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64, reflect.Uint:
		v.SetUint(uint64(rapid.IntRange(0, 200).Draw(t, "uint")))
	case reflect.Pointer:
		if rapid.Bool().Draw(t, "there") {
			v.Set(reflect.New(v.Type().Elem()))
			fill(t, v.Elem(), depth+1)
		}
	case reflect.Slice:
		n := rapid.IntRange(0, 2).Draw(t, "n")
		if n == 0 || depth > 8 {
			return
		}
		v.Set(reflect.MakeSlice(v.Type(), n, n))
		for i := range n {
			fill(t, v.Index(i), depth+1)
		}
	case reflect.Map:
		n := rapid.IntRange(0, 2).Draw(t, "n")
		if n == 0 {
			return
		}
		v.Set(reflect.MakeMap(v.Type()))
		for range n {
			k, e := reflect.New(v.Type().Key()).Elem(), reflect.New(v.Type().Elem()).Elem()
			fill(t, k, depth+1)
			fill(t, e, depth+1)
			v.SetMapIndex(k, e)
		}
	case reflect.Struct:
		for i := range v.NumField() {
			if v.Type().Field(i).IsExported() {
				fill(t, v.Field(i), depth+1)
			}
		}
	case reflect.Interface: // the new body of an amendment; see drawBody
	default:
		t.Fatalf("no values are drawn for a %s", v.Type())
	}
}

// drawBody draws a body; the new body of an amendment is that of the kind it amends.
func drawBody(t *rapid.T, s shape) any {
	body := reflect.New(bodies[s])
	fill(t, body.Elem(), 0)
	if a, ok := reflect.TypeAssert[*haccp.Amended](body); ok {
		a.TargetKind = rapid.SampledFrom([]string{haccp.KindReading, haccp.KindFilled, haccp.KindNote, haccp.KindLineStopped}).Draw(t, "target kind")
		a.New = drawBody(t, shape{a.TargetKind, 1})
	}
	return body.Interface()
}

// TestEveryBodyComesBack encodes and decodes bodies of every kind, as decided and as stored.
func TestEveryBodyComesBack(t *testing.T) {
	for s := range bodies {
		t.Run(fmt.Sprintf("%s-%d", s.kind, s.v), rapid.MakeCheck(func(t *rapid.T) {
			e := drawEvent(t, s)
			body, err := AppendBody(nil, e.Body)
			if err != nil {
				t.Fatal(err)
			}
			if again, err := record.Canonical(body); err != nil || string(again) != string(body) {
				t.Fatalf("not canonical: %s\n%v", body, err)
			}
			env, err := Envelope(e, [32]byte{1}, body)
			if err != nil {
				t.Fatal(err)
			}
			env.Site = "plant"
			if err := env.Check(); err != nil {
				t.Fatal(err)
			}
			for _, d := range []*Decoder{nil, NewDecoder()} {
				stored, err := record.Decode(env.AppendCanonical(nil))
				if err != nil {
					t.Fatal(err)
				}
				got, err := d.Event(&stored)
				if err != nil {
					t.Fatalf("%s: %v", body, err)
				}
				if !reflect.DeepEqual(got, e) {
					t.Fatalf("came back as\n%+v\n%s\nwas\n%+v\n%s", got, asJSON(got.Body), e, body)
				}
			}
		}))
	}
}

func commandID(n int) string {
	return record.RecordID(record.SiteNamespace("commands"), n).String()
}

func asJSON(v any) string {
	b, err := AppendBody(nil, v)
	return fmt.Sprint(string(b), err)
}

func drawEvent(t *rapid.T, s shape) *haccp.Event {
	e := &haccp.Event{}
	body := drawBody(t, s)
	fill(t, reflect.ValueOf(e).Elem(), 0)
	e.Kind, e.V, e.Body = s.kind, s.v, body
	e.Seq = rapid.Int64Range(1, 1e9).Draw(t, "seq")
	id := rapid.IntRange(0, 1e6)
	e.ID, e.Command = commandID(id.Draw(t, "id")), commandID(id.Draw(t, "command"))
	if e.Amends != "" {
		e.Amends = commandID(id.Draw(t, "amends"))
	}
	e.About = record.SortAbout(e.About)
	return e
}

// TestHotEncodings compares the hand-written form of a reading with encoding/json (RFC 8259) in the
// canonical form of RFC 8785.
func TestHotEncodings(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawBody(t, shape{haccp.KindReading, 1}).(*haccp.Reading)
		if r.Entries == nil {
			r.Entries = []haccp.Entry{}
		}
		hot, err := appendReading(nil, r)
		if err != nil {
			t.Fatal(err)
		}
		if cold, err := appendStruct(nil, reflect.ValueOf(*r)); err != nil || string(hot) != string(cold) {
			t.Fatalf("got  %s\nwant %s\n%v", hot, cold, err)
		}
		r.Forecast = nil // its times have three decimals in a record, which encoding/json does not write
		plain, err := json.Marshal(r)
		if err != nil {
			t.Fatal(err)
		}
		want, err := record.Canonical(plain)
		if err != nil {
			t.Fatal(err)
		}
		got, err := appendReading(nil, r)
		if err != nil || string(got) != string(want) {
			t.Fatalf("got  %s\nwant %s\n%v", got, want, err)
		}
		if len(r.Entries) == 0 || strings.Contains(string(got), `\`) || r.Span != nil || r.Repeats != "" || strings.Contains(string(got), `"high"`) {
			return
		}
		fast, ok := NewDecoder().reading(got)
		if !ok || !reflect.DeepEqual(fast, r) {
			t.Fatalf("the fast decoder gave up or is wrong: %v\n%s\n%+v", ok, got, fast)
		}
	})
}

// TestFastDecoderIsStrict changes single bytes of a body: the fast decoder must never read what the
// strict one refuses, nor read it differently.
func TestFastDecoderIsStrict(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		raw, err := AppendBody(nil, drawBody(t, shape{haccp.KindReading, 1}))
		if err != nil {
			t.Fatal(err)
		}
		i := rapid.IntRange(0, len(raw)-1).Draw(t, "place")
		raw[i] = rapid.SampledFrom([]byte(`0a-."{}[]:,e <`)).Draw(t, "byte")
		if !record.IsCanonical(raw) {
			return // never reaches the decoder
		}
		fast, ok := NewDecoder().reading(raw)
		if !ok {
			return
		}
		slow, err := decodeBody(shape{haccp.KindReading, 1}, raw)
		if err != nil || !reflect.DeepEqual(any(fast), slow) {
			t.Fatalf("%s\nfast %+v\nslow %+v\n%v", raw, fast, slow, err)
		}
	})
}

func TestEncoderRefuses(t *testing.T) {
	for name, body := range map[string]any{
		"nothing":             nil,
		"time too fine":       &haccp.PlanSigned{From: time.Date(2026, 1, 1, 0, 0, 0, 1, time.UTC)},
		"nothing read":        &haccp.Reading{Entries: []haccp.Entry{{Quantity: "ph"}}},
		"number too large":    &haccp.Reviewed{From: 1 << 53},
		"nothing read, slow":  &haccp.Bath{First: []haccp.BathDose{{}}},
		"row number too high": &haccp.Reading{Entries: []haccp.Entry{}, From: &haccp.ImportedFrom{Row: 1 << 60}},
		"a fraction":          &struct{ A float64 }{0.5},
	} {
		if b, err := AppendBody(nil, body); err == nil {
			t.Errorf("%s: written as %s", name, b)
		}
	}
}

func TestDecoderRefuses(t *testing.T) {
	for _, c := range []struct{ kind, body string }{
		{haccp.KindNote, `{"text":"a","other":1}`},
		{haccp.KindNote, `{"text":1}`},
		{haccp.KindNote, `[]`},
		{haccp.KindReading, `{"check":"c","more":1}`},
		{haccp.KindAmended, `{"new":{"text":1},"reason":"r","target":"t","target_kind":"note"}`},
		{haccp.KindAmended, `{"new":{},"reason":"r","target":"t","target_kind":"unknown"}`},
	} {
		if b, err := decodeBody(shape{c.kind, 1}, []byte(c.body)); err == nil {
			t.Errorf("%s %s was read as %+v", c.kind, c.body, b)
		}
	}
}

// TestTimesHaveThreeDecimals: a time inside a body has the one form of times in records.
func TestTimesHaveThreeDecimals(t *testing.T) {
	zone := time.FixedZone("", 7200)
	got := asJSON(&haccp.Missed{Due: time.Date(2026, 3, 2, 10, 0, 0, 0, zone), From: time.UnixMilli(1500), Until: time.UnixMilli(0)})
	for _, want := range []string{`"due":"2026-03-02T08:00:00.000Z"`, `"from":"1970-01-01T00:00:01.500Z"`} {
		if !strings.Contains(got, want) {
			t.Errorf("%s is not in %s", want, got)
		}
	}
}
