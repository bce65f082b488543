package recall

import (
	"errors"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp/lot"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// The share is cut off, never rounded up: all of it is the only thing that reads 100.0. Worked by hand.
func TestShare(t *testing.T) {
	for _, x := range []struct {
		part, all lot.Mass
		want      string
	}{{1, 1, "100.0"}, {999_999, 1_000_000, "99.9"}, {2, 3, "66.6"}, {0, 5, "0.0"}, {-4, 5, "0.0"}, {5, 0, ""}, {1, 1001, "0.0"},
		{8_999_999_999_999_999, 9_000_000_000_000_000, "99.9"}, {1 << 62, 1<<63 - 1, "50.0"}} {
		if got := share(x.part, x.all); got != x.want {
			t.Errorf("%d of %d: %q, want %q", x.part, x.all, got, x.want)
		}
	}
}

// Whatever was received, given on, removed and counted: the members add up exactly, what is astray is at least what is unexplained,
// and a balance with another figure in it is refused.
func TestBalanceAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
		mass := func(name string) *lot.Mass {
			if rapid.IntRange(0, 5).Draw(t, name+" weighed") == 0 {
				return nil
			}
			m := lot.Mass(rapid.Int64Range(0, 500_000_000_000).Draw(t, name))
			return &m
		}
		f := lot.Feed{ID: "f", At: at, From: []lot.Part{{Lot: "A", Mass: mass("given"), All: rapid.Bool().Draw(t, "all")}}, To: []lot.Part{{Lot: "B", Mass: mass("b")}, {Lot: "C", Mass: mass("c")}}}
		var lots []*lot.Lot
		for _, code := range []string{"A", "B", "C"} {
			l := &lot.Lot{Code: code}
			if code == "A" {
				l.AddReceipt(lot.Receipt{ID: "r", At: at, Mass: mass("received")})
			}
			l.AddFeed(f)
			for i, what := range []string{"trim", "shipped", lot.Stock} {
				if rapid.Bool().Draw(t, code+what) {
					l.AddRemoval(lot.Removal{ID: code + what, At: at.Add(time.Duration(i) * time.Minute), What: what, Mass: mass(code + what)})
				}
			}
			if rapid.Bool().Draw(t, code+" gone") {
				l.Ended = at.Add(time.Hour)
			}
			l.Settle(lot.NewWay(&plan.Plan{}))
			lots = append(lots, l)
		}
		total := lot.NewBook(lot.NewWay(&plan.Plan{}), lots, lot.Facts{}).Total([]string{"A", "B", "C"})
		b := Weigh(&total)
		if err := b.Check(); err != nil {
			t.Fatalf("%v: %+v", err, b)
		}
		if total.Astray < max(total.Unexplained(), -total.Unexplained()) {
			t.Fatalf("astray %s, unexplained %s", total.Astray, total.Unexplained())
		}
		b.Counted = Kilograms(total.Counted + 1)
		if err := b.Check(); !errors.Is(err, ErrSum) {
			t.Fatalf("a figure was changed: %v", err)
		}
	})
}

// Another unit, or a censored value, is no balance.
func TestBalanceWantsKilograms(t *testing.T) {
	b := Weigh(&lot.Total{Received: lot.Kilogram, Left: lot.Kilogram, Uncounted: lot.Kilogram})
	if err := b.Check(); err != nil || b.Share != "0.0" {
		t.Fatalf("%v %+v", err, b)
	}
	for _, v := range []quantity.Value{quantity.Exact(quantity.MustDecimal("1"), quantity.Gram), quantity.Below(quantity.MustDecimal("1"), quantity.Kilogram)} {
		x := b
		x.In = v
		if err := x.Check(); !errors.Is(err, ErrSum) {
			t.Errorf("%s: %v", v, err)
		}
	}
}

func TestExerciseFades(t *testing.T) {
	at := time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)
	x := &Exercise{Started: at}
	if x.Faded(at.Add(2*Keep)) || x.Took(at.Add(time.Hour)) != time.Hour {
		t.Error("an open exercise fades, or does not run")
	}
	x.End = &End{At: at.Add(time.Hour), TookMS: 3_600_000}
	if x.Faded(at.Add(Keep)) || !x.Faded(at.Add(Keep+2*time.Hour)) || x.Took(at.Add(9*time.Hour)) != time.Hour {
		t.Error("a finished exercise")
	}
	if s := (Subject{Kind: FromBox, Code: "BX", Number: 7}).Name(); s != "BX7" {
		t.Error(s)
	}
}
