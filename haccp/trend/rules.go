package trend

import (
	"math/bits"
	"strings"
)

// Signals are the rules that fire at one point, charged to the last point of
// their pattern.
type Signals uint16

// The rules. Western Electric's are the four of the Statistical Quality Control
// Handbook (Western Electric, 1956); Nelson's the eight of L. S. Nelson, "The
// Shewhart Control Chart: Tests for Special Causes", Journal of Quality
// Technology 16(4), October 1984. Zone lines lie at 1, 2 and 3 sigma; a point on
// a line belongs to the inner zone, one on the centre line to neither side.
const (
	WesternElectric1 Signals = 1 << iota // one point beyond 3 sigma
	WesternElectric2                     // 2 of 3 beyond 2 sigma on one side
	WesternElectric3                     // 4 of 5 beyond 1 sigma on one side
	WesternElectric4                     // 8 in a row on one side of the centre
	Nelson1                              // one point beyond 3 sigma
	Nelson2                              // 9 in a row on one side of the centre
	Nelson3                              // 6 points in a row rising, or falling: 5 steps
	Nelson4                              // 14 points in a row alternating up and down: 13 steps
	Nelson5                              // 2 of 3 beyond 2 sigma on one side
	Nelson6                              // 4 of 5 beyond 1 sigma on one side
	Nelson7                              // 15 in a row within 1 sigma, either side
	Nelson8                              // 8 in a row beyond 1 sigma, both sides among them
)

// The sets of rules. With independent normal values, centre and sigma known and
// no shift, one point in 370 lies beyond 3 sigma by chance; all four Western
// Electric rules give a false alarm every 92 points, all eight of Nelson's every
// 73. More rules find a shift sooner and cry wolf more often.
const (
	WesternElectric = WesternElectric1 | WesternElectric2 | WesternElectric3 | WesternElectric4
	Nelson          = Nelson1 | Nelson2 | Nelson3 | Nelson4 | Nelson5 | Nelson6 | Nelson7 | Nelson8
)

var ruleNames = [...]string{
	"Western Electric 1", "Western Electric 2", "Western Electric 3", "Western Electric 4",
	"Nelson 1", "Nelson 2", "Nelson 3", "Nelson 4", "Nelson 5", "Nelson 6", "Nelson 7", "Nelson 8",
}

// String names the rules, "none" where there is none.
func (s Signals) String() string {
	var out []string
	for i, name := range ruleNames {
		if s&(1<<i) != 0 {
			out = append(out, name)
		}
	}
	if out == nil {
		return "none"
	}
	return strings.Join(out, ", ")
}

// A Window says whether a rule of k of n may fire before n points are there,
// such as two points beyond 2 sigma at the very start of a chart.
type Window string

// The windows.
const (
	FullWindow    Window = "full window"    // n points must be there
	PartialWindow Window = "partial window" // k points are enough
)

// Rules judges a series against the runs rules, point by point. Counters are
// not reset by a signal.
type Rules struct {
	sets             Signals
	lines            [7]float64 // centre -3 … +3 sigma
	window           Window
	n                int
	above2, below2   uint8 // one bit per point, the newest lowest
	above1, below1   uint8
	last             float64
	side, run        int // side of the centre and how many points on it
	direction, steps int // direction of the last step and how many steps in it
	alternating      int // steps in a row, each against the one before
	inner, outer     int // points in a row within, beyond 1 sigma
}

// NewRules returns empty rules of the sets given (a union of rules or of sets),
// for a process with centre and sigma, sigma above 0.
func NewRules(sets Signals, centre, sigma float64, window Window) (*Rules, error) {
	if err := number("centre", centre); err != nil {
		return nil, err
	}
	if err := positive("sigma", sigma); err != nil {
		return nil, err
	}
	if sets == 0 || sets&^(WesternElectric|Nelson) != 0 {
		return nil, bad("no known rule among %b", sets)
	}
	if window != FullWindow && window != PartialWindow {
		return nil, bad("window %q; %q or %q", window, FullWindow, PartialWindow)
	}
	r := &Rules{sets: sets, window: window}
	for i := range r.lines {
		r.lines[i] = centre + float64(i-3)*sigma
	}
	return r, nil
}

// Window returns how the rules treat the start of a chart.
func (r *Rules) Window() Window { return r.window }

// Add takes the next value, a finite number in the unit of the series, and
// returns the rules that fire at it.
func (r *Rules) Add(x float64) (Signals, error) {
	if err := number("value", x); err != nil {
		return 0, err
	}
	r.n++
	r.zones(x)
	r.trend(x)
	var s Signals
	if x > r.lines[6] || x < r.lines[0] {
		s |= WesternElectric1 | Nelson1
	}
	if r.nOf(r.above2, 2, 3) || r.nOf(r.below2, 2, 3) {
		s |= WesternElectric2 | Nelson5
	}
	if r.nOf(r.above1, 4, 5) || r.nOf(r.below1, 4, 5) {
		s |= WesternElectric3 | Nelson6
	}
	if r.run >= 8 {
		s |= WesternElectric4
	}
	if r.run >= 9 {
		s |= Nelson2
	}
	if r.steps >= 5 {
		s |= Nelson3
	}
	if r.alternating >= 13 {
		s |= Nelson4
	}
	if r.inner >= 15 {
		s |= Nelson7
	}
	if r.outer >= 8 && r.above1 != 0 && r.below1 != 0 {
		s |= Nelson8
	}
	return s & r.sets, nil
}

// zones notes in which zone x lies.
func (r *Rules) zones(x float64) {
	r.above2 = r.above2<<1 | bit(x > r.lines[5])
	r.below2 = r.below2<<1 | bit(x < r.lines[1])
	r.above1 = r.above1<<1 | bit(x > r.lines[4])
	r.below1 = r.below1<<1 | bit(x < r.lines[2])
	if (r.above1|r.below1)&1 == 0 {
		r.inner, r.outer = r.inner+1, 0
	} else {
		r.inner, r.outer = 0, r.outer+1
	}
	side := sign(x, r.lines[3])
	switch side {
	case 0:
		r.run = 0
	case r.side:
		r.run++
	default:
		r.run = 1
	}
	r.side = side
}

// trend notes the step from the value before to x.
func (r *Rules) trend(x float64) {
	if r.n > 1 {
		step := sign(x, r.last)
		switch step {
		case 0:
			r.steps, r.alternating = 0, 0
		case r.direction:
			r.steps, r.alternating = r.steps+1, 1
		default:
			r.steps, r.alternating = 1, r.alternating+1
		}
		r.direction = step
	}
	r.last = x
}

// nOf tells whether k of the newest n points are set, the newest among them.
func (r *Rules) nOf(set uint8, k, n int) bool {
	if r.window == FullWindow && r.n < n {
		return false
	}
	return set&1 == 1 && bits.OnesCount8(set&(1<<n-1)) >= k
}

func bit(b bool) uint8 {
	if b {
		return 1
	}
	return 0
}

func sign(x, y float64) int {
	switch {
	case x > y:
		return 1
	case x < y:
		return -1
	}
	return 0
}
