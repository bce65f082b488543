package control

import "time"

// The five states of a point at a place, the same everywhere (RULES 1.4).
const (
	StateInside   = "inside"
	StateAct      = "act"
	StateOutside  = "outside"
	StateNotKnown = "not-known" // never shown as in control
	StateNotInUse = "not-in-use"
)

// StateOf returns the state of a point at a place. last holds the verdicts of the latest usable reading
// (or the latest verdict of each limit), age is how long ago that was taken, frequency how often the
// plan wants one (0: no frequency, never too old). Without a verdict, past the frequency, and where a
// limit was not evaluated and none was left, the state is not known.
func StateOf(last []Verdict, age, frequency time.Duration, inUse bool) string {
	switch {
	case !inUse:
		return StateNotInUse
	case len(last) == 0, frequency > 0 && age > frequency:
		return StateNotKnown
	}
	switch Worst(last) {
	case Outside:
		return StateOutside
	case Act:
		return StateAct
	case Inside:
		return StateInside
	}
	return StateNotKnown
}
