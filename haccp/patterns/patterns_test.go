package patterns_test

import (
	"fmt"
	"math"
	"math/big"
	"math/rand/v2"
	"strconv"
	"strings"
	"testing"
	"time"

	"linewarden/haccp/patterns"
	"linewarden/internal/checktable"
)

var start = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

func num(t *testing.T, text string) float64 {
	t.Helper()
	x, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// series gives a value every half hour.
func series(values ...string) []patterns.Point {
	var out []patterns.Point
	for i, text := range values {
		v, err := strconv.ParseFloat(text, 64)
		if err != nil {
			panic(err)
		}
		at := start.Add(time.Duration(i) * 30 * time.Minute)
		out = append(out, patterns.Point{ID: fmt.Sprint("r", i), By: "ana", At: at, Recorded: at.Add(time.Minute), Text: text, Value: v})
	}
	return out
}

// The chi-square distribution against the table of the e-Handbook.
func TestChiSquareTable(t *testing.T) {
	for _, row := range checktable.Load(t, "nist-ehandbook/chisquare.csv").Rows {
		df, err := strconv.Atoi(row.Get(t, "df"))
		if err != nil {
			t.Fatal(err)
		}
		x, want := row.Get(t, "x"), num(t, row.Get(t, "probability"))
		t.Run(row.Get(t, "df")+" "+row.Get(t, "tail")+" "+row.Get(t, "probability"), func(t *testing.T) {
			p := patterns.ChiSquareUpper
			if row.Get(t, "tail") == "lower" {
				p = patterns.ChiSquareLower
			}
			a, b := p(num(t, x)-0.00051, df), p(num(t, x)+0.00051, df)
			if want < min(a, b) || want > max(a, b) {
				t.Errorf("%s: from %g to %g, published %g", x, a, b, want)
			}
		})
	}
}

// decimals of pi, by Machin's formula: pi/4 = 4 arctan(1/5) - arctan(1/239).
func decimals(n int) string {
	one := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(n+20)), nil)
	arctan := func(x int64) *big.Int {
		term := new(big.Int).Quo(one, big.NewInt(x))
		sum := new(big.Int).Set(term)
		for k := int64(1); term.Sign() != 0; k++ {
			term.Quo(term, big.NewInt(x*x))
			part := new(big.Int).Quo(term, big.NewInt(2*k+1))
			if k%2 == 1 {
				part.Neg(part)
			}
			sum.Add(sum, part)
		}
		return sum
	}
	pi := new(big.Int).Mul(big.NewInt(16), arctan(5))
	pi.Sub(pi, new(big.Int).Mul(big.NewInt(4), arctan(239)))
	return pi.String()[1 : n+1]
}

// The digits of pi are spread evenly: counts as published, and no finding.
func TestDigitsOfPi(t *testing.T) {
	digits := decimals(1000)
	if !strings.HasPrefix(digits, "14159265358979323846") {
		t.Fatalf("no pi: %.20s", digits)
	}
	counts := make([]int, 10)
	for _, r := range digits {
		counts[r-'0']++
	}
	for _, row := range checktable.Load(t, "pi-digits/first1000.csv").Rows {
		t.Run(row.Get(t, "digit"), func(t *testing.T) {
			d, err := strconv.Atoi(row.Get(t, "digit"))
			if err != nil || strconv.Itoa(counts[d]) != row.Get(t, "count") {
				t.Errorf("digit %d: %d, published %s (%v)", d, counts[d], row.Get(t, "count"), err)
			}
		})
	}
	// From these counts: sum of (k-100)²/100.
	if x := patterns.ChiSquareEven(counts); math.Abs(x-4.74) > 1e-12 {
		t.Errorf("chi-square %g, want 4.74", x)
	}
	var values []string
	for i := range 500 {
		values = append(values, "1"+digits[2*i:2*i+2])
	}
	if f, found := patterns.Digits(series(values...)); found {
		t.Errorf("pi is worth a look: %g", f.Chance)
	}
}

// Exact chances of fair coins: 2^-n counted by hand, and Feller's run of five heads among ten (112 of 1,024 rows).
func TestCoins(t *testing.T) {
	for _, x := range []struct {
		k, n int
		want float64
	}{{10, 10, 1.0 / 1024}, {9, 10, 11.0 / 1024}, {0, 10, 1}, {11, 10, 0}, {5, 10, 638.0 / 1024}, {15, 20, 21700.0 / 1048576}} {
		if got := patterns.BinomialUpper(x.k, x.n, 0.5); math.Abs(got-x.want) > 1e-12 {
			t.Errorf("%d of %d: %g, want %g", x.k, x.n, got, x.want)
		}
	}
	rows := 0
	for b := range 1024 {
		if strings.Contains(fmt.Sprintf("%010b", b), "11111") {
			rows++
		}
	}
	if bound := patterns.RunBound(10, 5, 0.5); rows != 112 || bound < 112.0/1024 {
		t.Errorf("%d rows, bound %g", rows, bound)
	}
}

func TestFindings(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	normal := func(n int, mean, sd float64) []string {
		out := make([]string, n)
		for i := range out {
			out[i] = strconv.FormatFloat(mean+sd*r.NormFloat64(), 'f', 1, 64)
		}
		return out
	}
	same := append(normal(40, 120, 6), "121.0", "121.0", "121.0", "121.0", "121.0", "121.0", "121.0")
	if f, found := patterns.Identical(series(same...)); !found || f.Value != "121.0" || len(f.IDs) != 7 || f.IDs[0] != "r40" {
		t.Errorf("a run: %t %+v", found, f)
	}
	flat := append(normal(60, 120, 6), normal(12, 120, 0.3)...)
	if f, found := patterns.Flatness(series(flat...)); !found || f.IDs[0] < "r55" {
		t.Errorf("a flat line: %t %+v", found, f)
	}
	rounded := normal(100, 120, 6)
	for i := range rounded {
		if i%2 == 0 {
			rounded[i] = rounded[i][:len(rounded[i])-1] + "0"
		}
	}
	if f, found := patterns.Digits(series(rounded...)); !found || f.Of != 100 {
		t.Errorf("digits: %t %+v", found, f)
	}
	crowd := append(normal(30, 120, 6), "100.1", "100.2", "100.4", "100.1", "100.3", "100.2", "100.6", "101.0", "100.5", "100.1", "100.9", "100.2", "100.3", "100.2")
	if f, found := patterns.Crowd(series(crowd...), 100, false); !found || len(f.IDs) < 14 {
		t.Errorf("a crowd: %t %+v", found, f)
	}
	if _, found := patterns.Crowd(series(crowd...), 150, true); found {
		t.Error("a crowd at the other limit")
	}
}

func TestTimes(t *testing.T) {
	points := series("120", "121", "122", "123", "124", "125")
	if got := patterns.OneGo(points); len(got) != 0 {
		t.Errorf("as they came: %+v", got)
	}
	for i := range points {
		points[i].Recorded = start.Add(8*time.Hour + time.Duration(i)*time.Minute)
	}
	if got := patterns.OneGo(points); len(got) != 0 {
		t.Errorf("stamped by a device, sent at once: %+v", got)
	}
	if _, found := patterns.Late(points, 15*time.Minute); found {
		t.Error("stamped by a device and late is no pattern")
	}
	for i := range points {
		points[i].Typed = true
	}
	if got := patterns.OneGo(points); len(got) != 1 || len(got[0].IDs) != 6 {
		t.Errorf("typed in one go: %+v", got)
	}
	if f, found := patterns.Late(points, 15*time.Minute); !found || len(f.IDs) != 6 {
		t.Errorf("typed long after: %t %+v", found, f)
	}
	points[3].By = "bo" // somebody else's entry between
	if got := patterns.OneGo(points); len(got) != 1 || len(got[0].IDs) != 5 {
		t.Errorf("two people: %+v", got)
	}
}

// What the tests say of their false alarms, counted over series that do nothing of the kind. At one in a thousand, 3,000 series
// give 3 on average and more than 11 with a chance of 0.0001 (Poisson).
func TestFalseAlarms(t *testing.T) {
	const rounds, most = 3000, 11
	r := rand.New(rand.NewPCG(7, 9))
	alarms := map[patterns.Kind]int{}
	for range rounds {
		values := make([]string, 80)
		for i := range values {
			values[i] = strconv.FormatFloat(125+8*r.NormFloat64(), 'f', 1, 64)
		}
		points := series(values...)
		count := func(f patterns.Finding, found bool) {
			if found {
				alarms[f.Kind]++
			}
		}
		count(patterns.Identical(points))
		count(patterns.Flatness(points))
		count(patterns.Digits(points))
		count(patterns.Crowd(points, 110, false))
	}
	for kind, n := range alarms {
		if n > most {
			t.Errorf("%s: %d of %d series", kind, n, rounds)
		}
	}
	t.Logf("of %d series: %v", rounds, alarms)
}

// Too few values, and values that cannot be compared, give nothing.
func TestTooFew(t *testing.T) {
	few := series("1.0", "1.0", "1.0", "1.0", "1.0")
	mixed := make([]string, 60)
	for i := range mixed {
		mixed[i] = []string{"120", "121.5", "1e2"}[i%2]
	}
	for name, found := range map[string]bool{
		"identical": second(patterns.Identical(few)), "flat": second(patterns.Flatness(few)), "digits": second(patterns.Digits(few)),
		"crowd": second(patterns.Crowd(few, 1, true)), "mixed digits": second(patterns.Digits(series(mixed...))), "none": second(patterns.Identical(nil)),
		"late": second(patterns.Late(nil, time.Minute)), "one value for ever": second(patterns.Flatness(series(strings.Fields(strings.Repeat("7 ", 60))...))),
	} {
		if found {
			t.Errorf("%s: found", name)
		}
	}
}

func second(_ patterns.Finding, found bool) bool { return found }
