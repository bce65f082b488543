package control

import "linewarden/haccp/plan"

// The verdicts of a value against a limit.
const (
	Inside       = "inside"
	Act          = "act"           // outside an operating limit
	Outside      = "outside"       // outside a critical limit or an action criterion
	NotEvaluated = "not-evaluated" // neither in nor out; proves nothing
)

// Verdict is what one limit says about one reading. It is recorded with the reading.
type Verdict struct {
	Kind    plan.LimitKind `json:"kind"`
	Limit   string         `json:"limit"`
	Point   string         `json:"point"`
	Reason  string         `json:"reason,omitempty"` // why it was not evaluated: a code
	Value   string         `json:"value,omitempty"`  // the value judged, as people read it
	Verdict string         `json:"verdict"`
}

// Worst returns the most serious verdict: outside, then act, then not evaluated, then inside.
// Without verdicts it is not evaluated.
func Worst(vs []Verdict) string {
	worst, n := NotEvaluated, 0
	for _, v := range vs {
		if r := rank(v.Verdict); r > n {
			worst, n = v.Verdict, r
		}
	}
	return worst
}

func rank(verdict string) int {
	switch verdict {
	case Inside:
		return 1
	case NotEvaluated:
		return 2
	case Act:
		return 3
	case Outside:
		return 4
	}
	return 0
}
