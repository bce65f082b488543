package reply

import (
	"bytes"
	"encoding/json"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp"
	"linewarden/haccp/chemistry"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// TestAnswerLikeEncodingJSON compares what an answer writes with what encoding/json makes of the same struct.
func TestAnswerLikeEncodingJSON(t *testing.T) {
	type plain Answer // has no method of its own
	rapid.Check(t, func(r *rapid.T) {
		a := drawAnswer(r)
		var want bytes.Buffer
		e := json.NewEncoder(&want)
		e.SetEscapeHTML(false)
		if err := e.Encode(plain(a)); err != nil {
			t.Fatal(err)
		}
		got, err := a.AppendJSON([]byte("before: "))
		if err != nil {
			t.Fatal(err)
		}
		if string(got)+"\n" != "before: "+want.String() {
			t.Fatalf("got  %s\nwant %s", got, want.String())
		}
	})
}

// TestAnswerRefusesWhatJSONCannotHold has both refuse a year that RFC 3339 cannot write.
func TestAnswerRefusesWhatJSONCannotHold(t *testing.T) {
	a := Answer{Done: Done{At: time.Date(20000, 1, 1, 0, 0, 0, 0, time.UTC)}}
	if _, err := a.AppendJSON(nil); err == nil {
		t.Error("a year of five digits was written")
	}
}

var (
	someText = rapid.OneOf(rapid.StringMatching(`[a-z0-9 -]{0,12}`), rapid.String(), rapid.SampledFrom([]string{"\u2028", "<a&b>", "\x7f", "\xff", "°C", `"\`, "{", "\t\n\b\x01"}))
	someTime = rapid.Custom(func(r *rapid.T) time.Time {
		if rapid.Bool().Draw(r, "zero") {
			return time.Time{}
		}
		zone := time.FixedZone("", 60*rapid.IntRange(-800, 800).Draw(r, "zone"))
		return time.UnixMicro(rapid.Int64Range(-1e15, 1e17).Draw(r, "us")).In(zone)
	})
)

func drawAnswer(r *rapid.T) Answer {
	texts := func(label string) []string { return rapid.SliceOfN(someText, 0, 2).Draw(r, label) }
	text := func(label string) string { return someText.Draw(r, label) }
	a := Answer{Done: Done{ID: text("id"), Seq: rapid.Int64().Draw(r, "seq"), Kind: text("kind"), At: someTime.Draw(r, "at"), RecordedAt: someTime.Draw(r, "recorded")},
		Verdict: text("verdict"), PlanVersion: rapid.IntRange(-1, 3).Draw(r, "version"), Instructions: texts("instructions"), AskAgain: texts("again"),
		Now: Standing{Head: haccp.Head{Root: text("root"), Size: rapid.Int64().Draw(r, "size")}, NextDue: someTime.Draw(r, "due"), RetestBy: someTime.Draw(r, "retest")}}
	for range rapid.IntRange(0, 3).Draw(r, "verdicts") {
		a.Verdicts = append(a.Verdicts, drawJudged(r))
	}
	if rapid.Bool().Draw(r, "forecast") {
		a.Cautions = texts("cautions")
		a.Forecast = &chemistry.Forecast{Formula: text("formula"), N: 4, Reason: text("why"), Since: someTime.Draw(r, "since"), Test: someTime.Draw(r, "test")}
	}
	if rapid.Bool().Draw(r, "more") {
		a.Fixes = []plan.Fix{{ID: text("fix"), Name: text("fix name")}}
		a.Findings = []haccp.Finding{{Code: text("code")}, {Code: text("code"), Data: map[string]string{text("k"): text("v")}}}
		a.Opened = []*haccp.DeviationOpened{{Begin: someTime.Draw(r, "begin"), Point: text("point")}}
	}
	return a
}

func drawJudged(r *rapid.T) Judged {
	text := func(label string) string { return someText.Draw(r, label) }
	j := Judged{Verdict: control.Verdict{Kind: plan.LimitKind(text("kind")), Limit: text("limit"), Point: text("point"), Reason: text("reason"),
		Value: text("value"), Verdict: text("verdict")}, Name: text("name"), Quantity: text("quantity"), PlanVersion: rapid.IntRange(0, 3).Draw(r, "version")}
	amount := func(label string) *plan.Amount {
		if !rapid.Bool().Draw(r, label) {
			return nil
		}
		d := quantity.MustDecimal(rapid.StringMatching(`-?[1-9][0-9]{0,5}(\.[0-9]{1,4})?`).Draw(r, "decimal"))
		return &plan.Amount{Value: d, Unit: rapid.SampledFrom([]string{"", "mg/L", "°C", "µS/cm", `"own" unit`}).Draw(r, "unit")}
	}
	j.Min, j.Max = amount("min"), amount("max")
	if rapid.Bool().Draw(r, "yes or no") {
		yes := rapid.Bool().Draw(r, "yes")
		j.YesNo = &yes
	}
	return j
}
