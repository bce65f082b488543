package codec

import (
	"reflect"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp"
	"linewarden/haccp/chemistry"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/record"
)

func drawForecast(t *rapid.T) *chemistry.Forecast {
	moment := func(name string) time.Time {
		if rapid.Bool().Draw(t, "has "+name) {
			return time.Time{}
		}
		return time.UnixMilli(rapid.Int64Range(0, 4102444800000).Draw(t, name)).UTC()
	}
	f := &chemistry.Forecast{Formula: "chlorine-depletion/1", N: rapid.IntRange(0, 40).Draw(t, "n"), Since: moment("since"), Test: moment("test"),
		Reason: rapid.SampledFrom([]string{"", chemistry.ReasonTooFew}).Draw(t, "reason")}
	for range rapid.IntRange(0, 2).Draw(t, "crossings") {
		f.Crossings = append(f.Crossings, chemistry.Crossing{Bound: plan.Amount{Value: quantity.MustDecimal(rapid.SampledFrom([]string{"100", "110.50"}).Draw(t, "bound")), Unit: "mg/L"},
			Earliest: moment("earliest"), Expected: moment("expected"), Latest: moment("latest"), Kind: plan.Critical, State: "ahead"})
	}
	return f
}

// A bath test with a forecast, as most are, is read by the fast decoder; what one byte of it may become is read alike by the
// strict one, or by that alone.
func TestForecastIsReadFast(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawBody(t, shape{haccp.KindReading, 1}).(*haccp.Reading)
		r.Forecast, r.Span, r.Repeats = drawForecast(t), nil, ""
		raw, err := AppendBody(nil, r)
		if err != nil {
			t.Fatal(err)
		}
		slow, err := decodeBody(shape{haccp.KindReading, 1}, raw)
		if err != nil {
			t.Fatal(err)
		}
		if fast, ok := NewDecoder().reading(raw); ok && !reflect.DeepEqual(any(fast), slow) {
			t.Fatalf("%s\nfast %+v\nslow %+v", raw, fast, slow)
		}
		alone, err := AppendBody(nil, &haccp.Reading{Check: "c", Entries: []haccp.Entry{{Quantity: "ph", Read: quantity.Answer(true)}}, Mode: "hand", Place: "p", Forecast: r.Forecast})
		if err != nil {
			t.Fatal(err)
		}
		if fast, ok := NewDecoder().reading(alone); !ok || fast.Forecast == nil {
			t.Fatalf("the fast decoder gave up on %s", alone)
		}
		i := rapid.IntRange(0, len(alone)-1).Draw(t, "place")
		alone[i] = rapid.SampledFrom([]byte(`0a-."{}[]:,e <ZT+`)).Draw(t, "byte")
		if !record.IsCanonical(alone) {
			return
		}
		fast, ok := NewDecoder().reading(alone)
		if !ok {
			return
		}
		slow, err = decodeBody(shape{haccp.KindReading, 1}, alone)
		if err != nil || !reflect.DeepEqual(any(fast), slow) {
			t.Fatalf("%s\nfast %+v\nslow %+v\n%v", alone, fast, slow, err)
		}
	})
}
