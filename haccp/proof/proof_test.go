package proof_test

import (
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp/proof"
)

var six = time.Date(2026, 11, 23, 6, 0, 0, 0, time.UTC)

func at(minutes int) time.Time { return six.Add(time.Duration(minutes) * time.Minute) }

func span(from, to int) proof.Span { return proof.Span{From: at(from), To: at(to)} }

func shown(limit string, minutes ...int) []proof.Shown {
	var out []proof.Shown
	for _, m := range minutes {
		out = append(out, proof.Shown{Limit: limit, At: at(m), Water: "w1"})
	}
	return out
}

func minutes(n int) time.Duration { return time.Duration(n) * time.Minute }

// Worked by hand from rule 1.4: a reading stands for the frequency, of its own water, for its own limit.
func TestDivide(t *testing.T) {
	use := []proof.Use{{Span: span(0, 120), Water: "w1"}}
	cases := []struct {
		name                      string
		facts                     proof.Facts
		inUse, proved, out, blank int
	}{
		{"nothing read", proof.Facts{Limits: []string{"cl"}, Stands: minutes(40), InUse: use}, 120, 0, 0, 120},
		{"tests in time", proof.Facts{Limits: []string{"cl"}, Stands: minutes(40), InUse: use, Inside: shown("cl", -10, 30, 60, 90)}, 120, 120, 0, 0},
		{"a test missed", proof.Facts{Limits: []string{"cl"}, Stands: minutes(40), InUse: use, Inside: shown("cl", 0, 90)}, 120, 70, 0, 50},
		{"one limit of two", proof.Facts{Limits: []string{"cl", "ph"}, Stands: minutes(40), InUse: use, Inside: shown("cl", 0, 30, 60, 90)}, 120, 0, 0, 120},
		{"two limits", proof.Facts{Limits: []string{"cl", "ph"}, Stands: minutes(40), InUse: use,
			Inside: slices.Concat(shown("cl", 0, 30, 60, 90), shown("ph", 60))}, 120, 40, 0, 80},
		{"an excursion takes what lay before it", proof.Facts{Limits: []string{"cl"}, Stands: minutes(40), InUse: use,
			Inside: shown("cl", 0, 30, 75, 100), Outside: []proof.Span{span(30, 75)}}, 120, 75, 45, 0},
		{"an open excursion", proof.Facts{Limits: []string{"cl"}, Stands: minutes(40), InUse: use,
			Inside: shown("cl", 0, 30), Outside: []proof.Span{span(30, 600)}}, 120, 30, 90, 0},
		{"other water", proof.Facts{Limits: []string{"cl"}, Stands: minutes(40), Inside: shown("cl", 50),
			InUse: []proof.Use{{Span: span(0, 60), Water: "w1"}, {Span: span(60, 120), Water: "w2"}}}, 120, 10, 0, 110},
		{"a probe's reading of a span", proof.Facts{Limits: []string{"cl"}, Stands: minutes(10), InUse: use,
			Inside: []proof.Shown{{Limit: "cl", Water: "w1", At: at(20), Until: at(80)}}}, 120, 70, 0, 50},
		{"no frequency", proof.Facts{Limits: []string{"cl"}, InUse: use, Inside: shown("cl", 20)}, 120, 100, 0, 20},
		{"not in use", proof.Facts{Limits: []string{"cl"}, Stands: minutes(40), Inside: shown("cl", 20), Outside: []proof.Span{span(0, 10)}}, 0, 0, 0, 0},
		{"no limit", proof.Facts{InUse: use, Inside: shown("cl", 20)}, 120, 0, 0, 120},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			want := proof.Times{InUse: minutes(c.inUse), Proved: minutes(c.proved), Outside: minutes(c.out), NotKnown: minutes(c.blank)}
			if got := proof.Divide(c.facts, at(0), at(120)); got != want {
				t.Errorf("got %+v, want %+v", got, want)
			}
		})
	}
}

func anyFacts(t *rapid.T) proof.Facts {
	minute := rapid.IntRange(-120, 600)
	f := proof.Facts{Limits: []string{"cl", "ph"}[:rapid.IntRange(0, 2).Draw(t, "limits")], Stands: minutes(rapid.IntRange(0, 90).Draw(t, "stands"))}
	for range rapid.IntRange(0, 12).Draw(t, "readings") {
		s := proof.Shown{Limit: rapid.SampledFrom([]string{"cl", "ph"}).Draw(t, "limit"), At: at(minute.Draw(t, "at")), Water: rapid.SampledFrom([]string{"w1", "w2"}).Draw(t, "water")}
		if rapid.Bool().Draw(t, "covers") {
			s.Until = s.At.Add(minutes(rapid.IntRange(0, 60).Draw(t, "for")))
		}
		f.Inside = append(f.Inside, s)
	}
	for range rapid.IntRange(0, 4).Draw(t, "excursions") {
		from := minute.Draw(t, "from")
		f.Outside = append(f.Outside, span(from, from+rapid.IntRange(0, 200).Draw(t, "length")))
	}
	for range rapid.IntRange(0, 4).Draw(t, "uses") {
		from := minute.Draw(t, "from")
		f.InUse = append(f.InUse, proof.Use{Span: span(from, from+rapid.IntRange(0, 300).Draw(t, "length")), Water: rapid.SampledFrom([]string{"w1", "w2"}).Draw(t, "water")})
	}
	return f
}

// What holds for any facts: the parts make up the whole and none is negative, the order in which the facts came says
// nothing, two halves make the whole, an inside reading never takes proof away, and an excursion never gives any.
func TestDivideAlways(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := anyFacts(t)
		got := proof.Divide(f, at(0), at(480))
		if got.Proved < 0 || got.Outside < 0 || got.NotKnown < 0 || got.Proved+got.Outside+got.NotKnown != got.InUse || got.InUse > 8*time.Hour {
			t.Fatalf("%+v", got)
		}
		middle := at(rapid.IntRange(0, 480).Draw(t, "middle"))
		if sum := proof.Divide(f, at(0), middle).Add(proof.Divide(f, middle, at(480))); sum.InUse != got.InUse || sum.Outside != got.Outside || len(f.InUse) < 2 && sum != got {
			t.Fatalf("halves give %+v, the whole %+v", sum, got)
		}
		mixed := f
		mixed.Inside, mixed.Outside = slices.Clone(f.Inside), slices.Clone(f.Outside)
		slices.Reverse(mixed.Inside)
		slices.Reverse(mixed.Outside)
		if other := proof.Divide(mixed, at(0), at(480)); other != got {
			t.Fatalf("in another order %+v, before %+v", other, got)
		}
		more := f
		more.Inside = append(slices.Clone(f.Inside), proof.Shown{Limit: "cl", At: at(rapid.IntRange(0, 480).Draw(t, "more")), Water: "w1"})
		if proof.Divide(more, at(0), at(480)).Proved < got.Proved {
			t.Fatal("a reading inside took proof away")
		}
		worse := f
		begin := rapid.IntRange(0, 400).Draw(t, "worse")
		worse.Outside = append(slices.Clone(f.Outside), span(begin, begin+30))
		if proof.Divide(worse, at(0), at(480)).Proved > got.Proved {
			t.Fatal("an excursion gave proof")
		}
	})
}
