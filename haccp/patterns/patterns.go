// Package patterns finds what is worth a look in readings typed by people: the same value again and again, a line flatter
// than the rest, last digits that are not spread as those of a measurement are, values that crowd just inside a limit, and
// entries made long after, or in one go.
//
// Nothing it finds is a proof of anything, and it changes nothing: a flat line may be a well-kept bath, a crowd inside a limit
// a good operator who doses late, entries made in one go a sheet of paper from a day without network. Each finding that rests
// on chance says how often as much would come by chance alone ([Finding.Chance]), and each test its false-alarm rate. Where
// many series are looked at, that many more come by chance.
package patterns

import (
	"cmp"
	"math"
	"slices"
	"time"

	"gonum.org/v1/gonum/mathext"
)

// Kind is what was found.
type Kind string

// The kinds.
const (
	Same       Kind = "identical"   // a run of one value
	Flat       Kind = "flat"        // a stretch that moves less than the rest
	LastDigits Kind = "last-digits" // last digits that are not spread evenly
	JustInside Kind = "just-inside" // more values next to a limit, inside, than a little further inside
	InOneGo    Kind = "in-one-go"   // times that lie hours apart, entered within minutes
	Afterwards Kind = "afterwards"  // entered long after the time that they say
)

// Alarm is the chance at which a test calls something worth a look: at most so many series of a process that does nothing
// of the kind are listed.
const Alarm = 0.001

// Point is one value of a reading.
type Point struct {
	ID       string
	By       string
	At       time.Time
	Recorded time.Time
	Typed    bool    // the time was typed by a person
	Text     string  // the value as typed, for its last digit
	Value    float64 // the same as a number
}

// Finding is something worth a look.
type Finding struct {
	Kind   Kind
	IDs    []string // of the readings it is about, in order of time
	Of     int      // how many were looked at
	Value  string   // identical: the value
	Chance float64  // how often as much comes by chance; 0: it is no question of chance
}

// Identical looks for the longest run of one value. In n independent values of which a share p is this one, the expected
// number of places where a run of at least k begins, and so the chance that there is one, is at most (n-k+1)·p^k. The shares
// are those of the series itself, run included, so that a value that is common anyway is not found. It wants 20 values.
// False alarms: at most [Alarm] a series for independent values; values that follow one another give more.
func Identical(points []Point) (Finding, bool) {
	n := len(points)
	if n < 20 {
		return Finding{}, false
	}
	points = inOrder(points)
	share := map[float64]int{}
	for _, p := range points {
		share[p.Value]++
	}
	from, length := 0, 0
	for i := 0; i < n; {
		j := i
		for j < n && points[j].Value == points[i].Value {
			j++
		}
		if j-i > length {
			from, length = i, j-i
		}
		i = j
	}
	all := 0.0 // over every value, since any could have had the run
	for _, k := range share {
		all += RunBound(n, length, float64(k)/float64(n))
	}
	if all > Alarm {
		return Finding{}, false
	}
	return Finding{Kind: Same, IDs: ids(points[from : from+length]), Of: n, Value: points[from].Text, Chance: all}, true
}

// RunBound is an upper bound of the chance that n independent trials of probability p hold a run of at least k successes.
func RunBound(n, k int, p float64) float64 {
	if k < 1 || k > n {
		return 0
	}
	return min(1, float64(n-k+1)*math.Pow(p, float64(k)))
}

// window is how many values a stretch has that is compared with the rest.
const window = 12

// Flatness looks for a stretch of 12 values that varies less than the rest: for independent normal values with the variance of
// the rest, (12-1)·s²/σ² has the chi-square distribution with 11 degrees of freedom (NIST/SEMATECH e-Handbook 1.3.5.8). The
// smallest of all stretches is taken, and its chance multiplied by their number. It wants 40 values and a rest that moves. False
// alarms: at most [Alarm] a series for independent normal values.
func Flatness(points []Point) (Finding, bool) {
	n := len(points)
	if n < 40 {
		return Finding{}, false
	}
	points = inOrder(points)
	least, at := math.Inf(1), 0
	for i := 0; i+window <= n; i++ {
		if v := variance(points[i : i+window]); v < least {
			least, at = v, i
		}
	}
	rest := variance(slices.Concat(points[:at], points[at+window:]))
	if rest == 0 {
		return Finding{}, false // it never moves: Identical says so
	}
	chance := min(1, float64(n-window+1)*ChiSquareLower(float64(window-1)*least/rest, window-1))
	if chance > Alarm {
		return Finding{}, false
	}
	return Finding{Kind: Flat, IDs: ids(points[at : at+window]), Of: n, Chance: chance}, true
}

// Digits holds the last digits against an even spread by the chi-square test of goodness of fit with 9 degrees of freedom
// (NIST/SEMATECH e-Handbook 1.3.5.15). It wants 50 values, so that five are expected of each digit, and values that spread over
// more than twenty units of their last digit (standard deviation at least 6), since only then are the last digits of measurements
// nearly even. Instruments that show only even digits or fives are found too. False alarms: [Alarm] a series.
func Digits(points []Point) (Finding, bool) {
	n := len(points)
	if n < 50 {
		return Finding{}, false
	}
	var counts [10]int
	unit := 0.0
	for _, p := range points {
		d, u, ok := lastDigit(p.Text)
		if !ok || unit != 0 && u != unit {
			return Finding{}, false // values of different resolution have no last digit in common
		}
		unit = u
		counts[d]++
	}
	if math.Sqrt(variance(points)) < 6*unit {
		return Finding{}, false
	}
	chance := ChiSquareUpper(ChiSquareEven(counts[:]), 9)
	if chance > Alarm {
		return Finding{}, false
	}
	return Finding{Kind: LastDigits, IDs: ids(inOrder(points)), Of: n, Chance: chance}, true
}

// Crowd looks whether values crowd just inside a limit. The strip next to the limit is a fifth of the way from the median to
// it, and is compared with the strip of the same width behind it: where values become rarer towards the limit, or stay as many, a
// value of the two strips lies in the outer one with a chance of one half at most, so that the binomial tail is an upper bound. It
// wants 10 values in the strips. upper says that the limit is a maximum. False alarms: at most [Alarm] a limit.
func Crowd(points []Point, limit float64, upper bool) (Finding, bool) {
	inside := slices.DeleteFunc(slices.Clone(points), func(p Point) bool {
		return upper && p.Value > limit || !upper && p.Value < limit
	})
	if len(inside) < 10 {
		return Finding{}, false
	}
	slices.SortFunc(inside, func(a, b Point) int { return cmp.Compare(a.Value, b.Value) })
	width := math.Abs(limit-inside[len(inside)/2].Value) / 5
	if width == 0 {
		return Finding{}, false
	}
	var outer []Point
	behind := 0
	for _, p := range inside {
		switch d := math.Abs(limit - p.Value); {
		case d < width:
			outer = append(outer, p)
		case d < 2*width:
			behind++
		}
	}
	if len(outer)+behind < 10 {
		return Finding{}, false
	}
	chance := BinomialUpper(len(outer), len(outer)+behind, 0.5)
	if chance > Alarm {
		return Finding{}, false
	}
	return Finding{Kind: JustInside, IDs: ids(inOrder(outer)), Of: len(points), Chance: chance}, true
}

// How entries made in one go are known.
const (
	goFewest = 4               // entries
	goPause  = 3 * time.Minute // at most, between two entries
	goSpan   = time.Hour       // at least, between the times that they say
)

// OneGo looks for entries that follow one another within minutes while the times typed with them lie at least an hour apart.
// Times that a device stamped are left out: what waited on a tablet without network comes in one go too. It is no question of
// chance; a sheet of paper typed up looks the same.
func OneGo(points []Point) []Finding {
	typed := slices.DeleteFunc(slices.Clone(points), func(p Point) bool { return !p.Typed })
	slices.SortStableFunc(typed, func(a, b Point) int {
		return cmp.Or(cmp.Compare(a.By, b.By), a.Recorded.Compare(b.Recorded), a.At.Compare(b.At))
	})
	var out []Finding
	for i := 0; i < len(typed); {
		j := i + 1
		first, last := typed[i].At, typed[i].At
		for j < len(typed) && typed[j].By == typed[i].By && typed[j].Recorded.Sub(typed[j-1].Recorded) <= goPause {
			if typed[j].At.Before(first) {
				first = typed[j].At
			}
			if typed[j].At.After(last) {
				last = typed[j].At
			}
			j++
		}
		if j-i >= goFewest && last.Sub(first) >= goSpan {
			out = append(out, Finding{Kind: InOneGo, IDs: ids(inOrder(typed[i:j])), Of: len(points)})
		}
		i = j
	}
	return out
}

// Late lists entries with a typed time that were made later after it than the plan's tolerance, where they are at least three
// and a tenth of all. It is no question of chance.
func Late(points []Point, tolerance time.Duration) (Finding, bool) {
	var late []Point
	for _, p := range points {
		if p.Typed && p.Recorded.Sub(p.At) > tolerance {
			late = append(late, p)
		}
	}
	if len(late) < 3 || 10*len(late) < len(points) {
		return Finding{}, false
	}
	return Finding{Kind: Afterwards, IDs: ids(inOrder(late)), Of: len(points)}, true
}

// ChiSquareEven is the statistic of the chi-square test of counts against all being alike.
func ChiSquareEven(counts []int) float64 {
	n := 0
	for _, k := range counts {
		n += k
	}
	if n == 0 {
		return 0
	}
	e, x := float64(n)/float64(len(counts)), 0.0
	for _, k := range counts {
		x += (float64(k) - e) * (float64(k) - e) / e
	}
	return x
}

// ChiSquareUpper is the chance that a chi-square variable with df degrees of freedom is at least x.
func ChiSquareUpper(x float64, df int) float64 { return mathext.GammaIncRegComp(float64(df)/2, x/2) }

// ChiSquareLower is the chance that it is at most x.
func ChiSquareLower(x float64, df int) float64 { return mathext.GammaIncReg(float64(df)/2, x/2) }

// BinomialUpper is the chance of at least k successes in n trials of probability p, for 0 < p < 1.
func BinomialUpper(k, n int, p float64) float64 {
	if k <= 0 {
		return 1
	}
	if k > n {
		return 0
	}
	return mathext.RegIncBeta(float64(k), float64(n-k+1), p)
}

func variance(points []Point) float64 {
	mean, m2 := 0.0, 0.0
	for i, p := range points {
		d := p.Value - mean
		mean += d / float64(i+1)
		m2 += d * (p.Value - mean)
	}
	if len(points) < 2 {
		return 0
	}
	return m2 / float64(len(points)-1)
}

// lastDigit gives the last digit of a decimal as typed, and the worth of one unit of it.
func lastDigit(text string) (digit int, unit float64, ok bool) {
	decimals, point := 0, false
	for _, r := range text {
		switch {
		case r >= '0' && r <= '9':
			digit, ok = int(r-'0'), true
			if point {
				decimals++
			}
		case r == '.' && !point:
			point = true
		case r == '-' && !ok:
		default:
			return 0, 0, false
		}
	}
	return digit, math.Pow10(-decimals), ok
}

func inOrder(points []Point) []Point {
	out := slices.Clone(points)
	slices.SortStableFunc(out, func(a, b Point) int { return a.At.Compare(b.At) })
	return out
}

func ids(points []Point) []string {
	out := make([]string, len(points))
	for i, p := range points {
		out[i] = p.ID
	}
	return out
}
