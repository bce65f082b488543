package laboratory_test

import (
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp/laboratory"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

var monday = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func amount(s string) *plan.Amount {
	a := &plan.Amount{}
	if err := a.UnmarshalText([]byte(s)); err != nil {
		panic(err)
	}
	return a
}

// rule reads "n=5 c=2 m=100 M=1000".
func rule(text string) *plan.ProductTest {
	t := &plan.ProductTest{ID: "t", Quantity: "count"}
	for word := range strings.FieldsSeq(text) {
		name, v, _ := strings.Cut(word, "=")
		switch name {
		case "n":
			t.N, _ = strconv.Atoi(v)
		case "c":
			t.C, _ = strconv.Atoi(v)
		case "m":
			t.Limit = amount(v + " CFU/g")
		case "M":
			t.Most = amount(v + " CFU/g")
		case "absent":
			t.AbsentIn, t.Quantity = amount(v+" g"), ""
		case "min":
			t.Min, t.Quantity = amount(v+" pH"), "ph"
		case "max":
			t.Max, t.Quantity = amount(v+" pH"), "ph"
		}
	}
	return t
}

// unit reads "2=<10".
func unit(text string, u quantity.Unit) laboratory.Unit {
	n, v, _ := strings.Cut(text, "=")
	i, _ := strconv.Atoi(n)
	out := laboratory.Unit{Unit: int64(i)}
	d := quantity.MustDecimal
	switch {
	case v == "found":
		out.Value = quantity.Answer(true)
	case strings.HasPrefix(v, "none/"):
		in := quantity.Exact(d(v[5:]), quantity.Gram)
		out.Value, out.In = quantity.Answer(false), &in
	case strings.HasSuffix(v, "MPN"):
		out.Value = quantity.Exact(d(strings.TrimSuffix(v, "MPN")), quantity.MPNPerG)
	case strings.Contains(v, ".."):
		low, high, _ := strings.Cut(v, "..")
		out.Value = quantity.Band(d(low), d(high), u)
	case v[0] == '<':
		out.Value = quantity.Below(d(v[1:]), u)
	case v[0] == '>':
		out.Value = quantity.Above(d(v[1:]), u)
	default:
		out.Value = quantity.Exact(d(v), u)
	}
	return out
}

func taken(tests ...string) laboratory.File {
	return laboratory.File{}.Put(laboratory.Act{ID: "s", At: monday}, &laboratory.Sampled{Lot: "L", Sample: "S", Units: 5, Tests: tests})
}

// reported adds a report of units.
func reported(f laboratory.File, id string, units ...laboratory.Unit) laboratory.File {
	return f.Put(laboratory.Act{ID: id, At: monday.Add(time.Hour)}, &laboratory.Reported{Lot: "L", Sample: "S", Test: "t", Units: units})
}

func judge(t *plan.ProductTest, f laboratory.File) laboratory.Decision {
	s, _ := f.Sample("S")
	return laboratory.Judge(t, "t", &s)
}

// Every case of the worked example, each computed by hand in its comment.
func TestWorked(t *testing.T) {
	src, err := os.ReadFile("testdata/worked.txt")
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for block := range strings.SplitSeq(string(src), "\ncase ") {
		name, lines, _ := strings.Cut(block, "\n")
		if strings.HasPrefix(block, "#") {
			continue
		}
		n++
		t.Run(name, func(t *testing.T) {
			f, x, want := taken(), &plan.ProductTest{}, ""
			for i, line := range strings.Split(lines, "\n") {
				word, rest, _ := strings.Cut(strings.TrimSpace(line), " ")
				switch word {
				case "rule":
					x = rule(rest)
				case "report", "again":
					u := quantity.CFUPerG
					if x.Quantity == "ph" {
						u = quantity.PHUnit
					}
					var units []laboratory.Unit
					for w := range strings.FieldsSeq(rest) {
						units = append(units, unit(w, u))
					}
					f = reported(f, fmt.Sprint("r", i), units...)
				case "verdict":
					want = rest
				}
			}
			d := judge(x, f)
			verdict := map[string]string{laboratory.Conforms: "conforms", laboratory.DoesNot: "does-not", laboratory.NotEvaluated: "not-evaluated"}[d.Verdict]
			why := strings.ReplaceAll(d.Why, " ", "-")
			if why == "" {
				why = "-"
			}
			if got := fmt.Sprintf("%s %s %d %d %d %d %d", verdict, why, d.Results, d.Missing, d.Marginal, d.Bad, d.Open); got != want {
				t.Errorf("got %s, want %s", got, want)
			}
		})
	}
	if n < 20 {
		t.Fatalf("read only %d cases", n)
	}
}

// Whatever results come in, in whatever order: the decision is the same, a further one never makes a test conform that
// did not, and what is outside stands.
func TestFurtherResultsMakeNothingBetter(t *testing.T) {
	rules := []string{"n=5 c=2 m=100 M=1000", "n=5 c=0 m=100", "n=3 c=1 m=100", "n=5 c=0 absent=25", "n=2 c=0 min=4.0 max=4.5"}
	values := map[string][]string{"count": {"50", "100", "101", "1000", "1001", "<10", "<1000", "<5000", ">50", ">300", ">3000", "90..110", "3MPN"},
		"": {"found", "none/25", "none/10"}, "ph": {"3.9", "4.0", "4.5", "4.6", "4.4..4.6", "<3.0", ">5"}}
	rapid.Check(t, func(rt *rapid.T) {
		x := rule(rapid.SampledFrom(rules).Draw(rt, "rule"))
		u := map[string]quantity.Unit{"count": quantity.CFUPerG, "ph": quantity.PHUnit, "": ""}[x.Quantity]
		var reports [][]laboratory.Unit
		for range rapid.IntRange(1, 5).Draw(rt, "reports") {
			var units []laboratory.Unit
			for _, n := range rapid.SliceOfNDistinct(rapid.IntRange(1, 6), 1, 6, rapid.ID[int]).Draw(rt, "units") {
				units = append(units, unit(fmt.Sprintf("%d=%s", n, rapid.SampledFrom(values[x.Quantity]).Draw(rt, "value")), u))
			}
			reports = append(reports, units)
		}
		one := taken()
		was := laboratory.Decision{Verdict: laboratory.NotEvaluated}
		for i, r := range reports {
			one = reported(one, fmt.Sprint("r", i), r...)
			d := judge(x, one)
			if was.Verdict == laboratory.DoesNot && d.Verdict != laboratory.DoesNot || was.Positive && !d.Positive {
				rt.Fatalf("a further result made it better: %+v, then %+v", was, d)
			}
			was = d
		}
		other := taken()
		for _, i := range rapid.Permutation([]int{0, 1, 2, 3, 4}[:len(reports)]).Draw(rt, "order") {
			other = reported(other, fmt.Sprint("r", i), reports[i]...)
		}
		if d := judge(x, other); fmt.Sprint(d) != fmt.Sprint(was) {
			rt.Fatalf("%+v, in another order %+v", was, d)
		}
		// It conforms only where the worst that each unit may be is allowed by the plan.
		if was.Verdict == laboratory.Conforms && (was.Results < x.Units() || was.Bad > 0 || was.Marginal > x.C) {
			rt.Fatalf("%+v under %s", was, x)
		}
		// Voided again, nothing is left of them.
		for i := range reports {
			other = other.Drop(fmt.Sprint("r", i))
		}
		if d := judge(x, other); d.Why != laboratory.WhyNone {
			rt.Fatalf("%+v", d)
		}
	})
}

// A test of a lot: one sample that does not conform makes it fail, one that waits makes it wait, whatever others say.
func TestStatus(t *testing.T) {
	p := &plan.Product{Tests: []plan.ProductTest{*rule("m=100"), {ID: "p", AbsentIn: amount("25 g"), Pathogen: true}}}
	status := func(f laboratory.File) string {
		var out []string
		for _, s := range f.Statuses(p) {
			out = append(out, s.Status)
		}
		return strings.Join(out, " ")
	}
	f := laboratory.File{}
	step := func(want string, a laboratory.Act, b laboratory.Body) {
		t.Helper()
		f = f.Put(a, b)
		if got := status(f); got != want {
			t.Errorf("%s, want %s", got, want)
		}
	}
	if got := status(f); got != "missing missing" {
		t.Error(got)
	}
	step("pending missing", laboratory.Act{ID: "1", At: monday}, &laboratory.Sampled{Sample: "A", Units: 1, Tests: []string{"t"}})
	step("conforming missing", laboratory.Act{ID: "2", At: monday}, &laboratory.Reported{Sample: "A", Test: "t", Units: []laboratory.Unit{unit("1=10", quantity.CFUPerG)}})
	step("pending pending", laboratory.Act{ID: "3", At: monday}, &laboratory.Sampled{Sample: "B", Units: 1})
	step("failing pending", laboratory.Act{ID: "4", At: monday}, &laboratory.Reported{Sample: "B", Test: "t", Units: []laboratory.Unit{unit("1=200", quantity.CFUPerG)}})
	step("failing conforming", laboratory.Act{ID: "5", At: monday}, &laboratory.Reported{Sample: "B", Test: "p", Units: []laboratory.Unit{unit("1=none/25", "")}})
	// A sample that was not fit shows nothing good, and what is bad in it stands.
	step("failing pending", laboratory.Act{ID: "6", At: monday}, &laboratory.Received{Sample: "B", Laboratory: "x", Unfit: "warm"})
	if got := f.Statuses(p)[1].Decisions[0]; got.Why != laboratory.WhyUnfit {
		t.Errorf("%+v", got)
	}
	// Results of a sample whose taking is not recorded count as well.
	step("failing failing", laboratory.Act{ID: "7", At: monday}, &laboratory.Reported{Sample: "C", Test: "p", Presumptive: true, Units: []laboratory.Unit{unit("1=found", "")}})
	alarms := f.Alarms(p)
	if len(alarms) != 2 || alarms[0].Sample != "B" || alarms[0].Pathogen || !alarms[1].Pathogen || !alarms[1].Presumptive || !slices.Equal(alarms[1].Outside, []string{"7"}) {
		t.Errorf("%+v", alarms)
	}
	if d := laboratory.Judge(nil, "gone", &laboratory.Sample{}); d.Verdict != laboratory.NotEvaluated || d.Why != laboratory.WhyNoTest {
		t.Errorf("%+v", d)
	}
}

// What an amendment makes better wants a manager's signature.
func TestBetter(t *testing.T) {
	x := rule("n=5 c=2 m=100 M=1000")
	tests := func(string) *plan.ProductTest { return x }
	rep := func(presumptive bool, words ...string) *laboratory.Reported {
		b := &laboratory.Reported{Test: "t", Presumptive: presumptive}
		for _, w := range words {
			b.Units = append(b.Units, unit(w, quantity.CFUPerG))
		}
		return b
	}
	for _, c := range []struct {
		name     string
		old, now laboratory.Body
		want     bool
	}{
		{"inside stays inside", rep(false, "1=10"), rep(false, "1=12"), false},
		{"worse", rep(false, "1=10"), rep(false, "1=120"), false},
		{"outside becomes inside", rep(false, "1=120"), rep(false, "1=12"), true},
		{"above M becomes marginal", rep(false, "1=1200"), rep(false, "1=120"), true},
		{"undecided becomes inside", rep(false, "1=<1000"), rep(false, "1=12"), true},
		{"a unit is gone", rep(false, "1=120", "2=10"), rep(false, "2=10"), true},
		{"another unit", rep(false, "1=120"), rep(false, "2=120"), true},
		{"confirmed becomes presumptive", rep(false, "1=120"), rep(true, "1=120"), true},
		{"fit again", &laboratory.Received{Unfit: "warm"}, &laboratory.Received{}, true},
		{"unfit", &laboratory.Received{}, &laboratory.Received{Unfit: "warm"}, false},
		{"fewer tests", &laboratory.Sampled{}, &laboratory.Sampled{Tests: []string{"t"}}, true},
		{"a note", &laboratory.Sampled{}, &laboratory.Sampled{Note: "x"}, false},
		{"another condition", &laboratory.Passed{}, &laboratory.Passed{Condition: "x"}, false},
	} {
		if got := laboratory.Better(c.old, c.now, tests); got != c.want {
			t.Errorf("%s: %v", c.name, got)
		}
	}
}
