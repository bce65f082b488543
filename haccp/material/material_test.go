package material

import (
	"math"
	"slices"
	"strconv"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/haccp/wash"
)

var monday = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func hours(n int) time.Time { return monday.Add(time.Duration(n) * time.Hour) }

func typed(n string, u quantity.Unit) *quantity.Value {
	v := quantity.Exact(quantity.MustDecimal(n), u)
	return &v
}

// The pound is 0.45359237 kg and the US gallon 3.785411784 L by definition (NIST SP 811, 2008, appendix B.8).
func TestAmounts(t *testing.T) {
	for _, x := range []struct {
		n    string
		unit quantity.Unit
		want string
	}{
		{"12.5", "kg", "12.5 kg"}, {"0", "kg", "0 kg"}, {"400", "g", "0.4 kg"}, {"1", "lb", "0.45359237 kg"}, {"250", "mL", "0.25 L"},
		{"1", "US gal", "3.785411784 L"}, {"0.000000001", "kg", "0.000000001 kg"}, {"600", Pieces, "600 pieces"}, {"6.0", Pieces, "6 pieces"}, {"0", Pieces, "0 pieces"},
	} {
		if a, err := AmountOf(*typed(x.n, x.unit)); err != nil || a.String() != x.want {
			t.Errorf("%s %s: %v, %v, want %s", x.n, x.unit, a, err, x.want)
		}
	}
	for _, v := range []quantity.Value{*typed("1.5", Pieces), *typed("-1", "kg"), *typed("5", "pH"), *typed("1", "sacks"), *typed("1000000001", Pieces),
		quantity.Below(quantity.MustDecimal("5"), "kg"), quantity.Answer(true)} {
		if a, err := AmountOf(v); err == nil {
			t.Errorf("%v was taken as %v", v, a)
		}
	}
	if got := (Amount{N: -1_500_000_000, Unit: "kg"}).String(); got != "-1.5 kg" {
		t.Error(got)
	}
}

// A drum by hand: 60 L received, 2 L and 3.5 L used, counted 54 L (0.5 L are missing), 4 L used, 1 L used that nobody
// measured, counted 48 L: 54 - 4 = 50 by the records, 2 L less were found.
func TestStockByHand(t *testing.T) {
	l := &Lot{Code: "HYP-1"}
	use := func(id string, at int, n string) {
		u := Use{ID: id, At: hours(at)}
		if n != "" {
			a, _ := AmountOf(*typed(n, "L"))
			u.Amount = &a
		}
		l.Take(u)
	}
	count := func(id string, at int, n string) {
		a, _ := AmountOf(*typed(n, "L"))
		l.Recount(Count{ID: id, At: hours(at), Amount: &a, Reason: "counted"})
	}
	use("c", 5, "4")
	count("k1", 4, "54")
	use("a", 2, "2")
	l.Receive(Receipt{ID: "r", At: hours(1), Body: &Received{Lot: "HYP-1", Material: "hypochlorite", Quantity: typed("60", "L")}})
	use("b", 3, "3.5")
	s := l.Stock()
	if s.Received.String() != "60 L" || s.Used.String() != "9.5 L" || s.Adjusted.String() != "-0.5 L" || s.Left.String() != "50 L" || !s.Known {
		t.Errorf("%+v", s)
	}
	use("d", 6, "")
	if s = l.Stock(); s.Known || !slices.Equal(s.Unmeasured, []string{"d"}) || s.Left.String() != "50 L" {
		t.Errorf("%+v", s)
	}
	count("k2", 7, "48")
	if s = l.Stock(); !s.Known || s.Adjusted.String() != "-2.5 L" || s.Left.String() != "48 L" || len(s.Counts) != 2 || s.Counts[1].Book.String() != "50 L" || s.Counts[1].Off.String() != "-2 L" {
		t.Errorf("%+v", s)
	}
	l.Take(Use{ID: "n", At: hours(8), Lot: "A", Named: true})
	if s = l.Stock(); !s.Known || len(s.Unmeasured) != 1 {
		t.Errorf("naming a lot when a step begins uses nothing: %+v", s)
	}
	l.Drop("c")
	if s = l.Stock(); s.Used.String() != "5.5 L" || s.Left.String() != "48 L" || s.Adjusted.String() != "-6.5 L" {
		t.Errorf("%+v", s)
	}
}

// Received less used, corrected by the differences of the counts, is what is left; order of telling changes nothing.
func TestStockIsConserved(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		type thing struct {
			what, at int
			n        int64
		}
		var all []thing
		for range rapid.IntRange(1, 20).Draw(r, "things") {
			all = append(all, thing{rapid.IntRange(0, 2).Draw(r, "what"), rapid.IntRange(0, 9).Draw(r, "at"), rapid.Int64Range(0, 90_000_000_000).Draw(r, "n")})
		}
		order := make([]int, len(all))
		for i := range order {
			order[i] = i
		}
		build := func(order []int) Stock {
			l := &Lot{}
			for _, i := range order {
				x, id := all[i], strconv.Itoa(i)
				a := Amount{x.n, "kg"}
				switch x.what {
				case 0:
					kg := quantity.Exact(quantity.MustDecimal(a.Decimal()), "kg")
					l.Receive(Receipt{ID: id, At: hours(x.at), Body: &Received{Quantity: &kg}})
				case 1:
					l.Take(Use{ID: id, At: hours(x.at), Amount: &a})
				default:
					l.Recount(Count{ID: id, At: hours(x.at), Amount: &a})
				}
			}
			return l.Stock()
		}
		s, again := build(order), build(rapid.Permutation(order).Draw(r, "order"))
		if s.Received.N-s.Used.N+s.Adjusted.N != s.Left.N || len(s.Unmeasured) > 0 {
			r.Fatalf("%+v", s)
		}
		if s.Left != again.Left || s.Adjusted != again.Adjusted || s.Known != again.Known {
			r.Fatalf("%+v\n%+v", s, again)
		}
	})
}

func TestStanding(t *testing.T) {
	p := &plan.Plan{Materials: []plan.Material{{ID: "salt"}, {ID: "acid"}}}
	l := &Lot{}
	l.Receive(Receipt{ID: "r", At: hours(2), Body: &Received{Material: "salt", Expiry: "2026-03-03"}})
	l.Rule(Ruled{At: hours(4), Approved: true})
	l.Rule(Ruled{At: hours(50)})
	for _, x := range []struct {
		lot  *Lot
		name string
		at   int
		day  plan.Date
		want []string
	}{
		{nil, "salt", 5, "2026-03-02", []string{Unknown}},
		{l, "pepper", 5, "2026-03-02", []string{NotOfPlan}},
		{l, "salt", 1, "2026-03-02", []string{Unknown}},
		{l, "salt", 3, "2026-03-02", []string{NotApproved}},
		{l, "salt", 4, "2026-03-02", nil},
		{l, "acid", 5, "2026-03-02", []string{OtherMaterial}},
		{l, "salt", 30, "2026-03-03", nil}, // its last day
		{l, "salt", 40, "2026-03-04", []string{Expired}},
		{l, "salt", 60, "2026-03-04", []string{Rejected, Expired}},
	} {
		if got := Against(x.lot, p, x.name, hours(x.at), x.day); !slices.Equal(got, x.want) {
			t.Errorf("%s at %d: %v, want %v", x.name, x.at, got, x.want)
		}
	}
	if got := Since(l, hours(5)); !slices.Equal(got, []string{RejectedSince}) {
		t.Error(got)
	}
	if got := Since(l, hours(51)); len(got) != 0 {
		t.Error(got)
	}
	for at, want := range map[int]string{3: StateReceived, 5: StateApproved, 60: StateRejected} {
		if got := l.State(hours(at), "2026-03-02"); got != want {
			t.Errorf("at %d: %s, want %s", at, got, want)
		}
	}
	if got := l.State(hours(5), "2026-03-04"); got != StateExpired {
		t.Error(got)
	}
}

// What is left after storage, against the independent table of package wash: a product of 12.5 trade percent.
func TestStrengthAgainstTheTable(t *testing.T) {
	gravity := typed("1.2", KilogramPerL)
	store := &plan.Amount{Value: quantity.MustDecimal("80"), Unit: "°F"}
	for _, days := range []int{0, 7, 14, 30} {
		on := monday.AddDate(0, 0, -days).Format(time.DateOnly)
		got, err := (&Strength{Value: *typed("12.5", wash.TradeUnit), Gravity: gravity, On: plan.Date(on)}).AtDay("2026-03-02", store)
		if err != nil {
			t.Fatal(err)
		}
		want, err := wash.StoredTable((80.0-32)*5/9, float64(days))
		if err != nil {
			t.Fatal(err)
		}
		if off := math.Abs(got.Value/want.Value - 1); off > 0.07 || got.Source != "adam-gordon-1999" || !got.Has(wash.CleanProduct) {
			t.Errorf("%d days: %.2f, the table says %.2f (off %.1f %%)", days, got.Value, want.Value, 100*off)
		}
	}
	// 125 g/L of Cl2 is 12.5 trade percent, and at 1.25 kg/L 10 % by weight.
	got, err := (&Strength{Value: *typed("10", wash.AvailableUnit), Gravity: typed("1.25", KilogramPerL), On: "2026-03-02"}).AtDay("2026-03-02", store)
	if err != nil || math.Abs(got.Value-12.5) > 1e-9 {
		t.Errorf("%v, %v", got, err)
	}
	weak, err := (&Strength{Value: *typed("2", wash.TradeUnit), Gravity: typed("1.03", KilogramPerL), On: "2026-02-02"}).AtDay("2026-03-02", store)
	if err != nil || !weak.Has(formula.Extrapolated) {
		t.Errorf("%v, %v", weak, err)
	}
	solid, err := (&Strength{Value: *typed("68", wash.AvailableUnit), Solid: true, On: "2025-03-02"}).AtDay("2026-03-02", nil)
	if err != nil || solid.Value != 68 {
		t.Errorf("%v, %v", solid, err)
	}
	for name, s := range map[string]Strength{
		"no gravity":     {Value: *typed("12.5", wash.TradeUnit), On: "2026-03-02"},
		"other unit":     {Value: *typed("12.5", "%"), Gravity: gravity, On: "2026-03-02"},
		"solid as trade": {Value: *typed("68", wash.TradeUnit), Solid: true, On: "2026-03-02"},
		"no day":         {Value: *typed("12.5", wash.TradeUnit), Gravity: gravity},
		"band":           {Value: quantity.Band(quantity.MustDecimal("10"), quantity.MustDecimal("12"), wash.TradeUnit), Gravity: gravity, On: "2026-03-02"},
	} {
		if got, err := s.AtDay("2026-03-02", store); err == nil {
			t.Errorf("%s: %v", name, got)
		}
	}
	if _, err := (&Strength{Value: *typed("12.5", wash.TradeUnit), Gravity: gravity, On: "2026-03-02"}).AtDay("2026-03-02", nil); err == nil {
		t.Error("worked out without the temperature of the store")
	}
}
