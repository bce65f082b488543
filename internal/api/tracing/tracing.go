// Package tracing holds what the API answers about traces, traceability exercises and recall lists, and what it takes for
// them. It judges nothing: package genealogy follows the product, package recall weighs it, package haccp decides.
package tracing

import (
	"time"

	"linewarden/haccp"
	"linewarden/haccp/genealogy"
	"linewarden/haccp/lot/recall"
)

// Start is what an exercise begins with.
type Start struct {
	Reason string `json:"reason" doc:"Why the exercise is held: planned, asked for by a customer or an authority, after a change."`
	Kind   string `json:"kind" enum:"lot,box,material" doc:"What it begins with; a field lot is a lot."`
	Code   string `json:"code,omitempty" max:"80" doc:"Of the lot or of the lot of a material; of a box what stands before its number."`
	Number int64  `json:"number,omitempty" doc:"Of a box."`
}

// Subject is what the exercise begins with.
func (s *Start) Subject() recall.Subject {
	return recall.Subject{Kind: s.Kind, Code: s.Code, Number: s.Number}
}

// Exercise is a traceability exercise as it stands.
type Exercise struct {
	ID      string         `json:"id"`
	Seq     int64          `json:"seq" doc:"Of the record of its start."`
	Status  string         `json:"status" enum:"open,finished"`
	Subject recall.Subject `json:"subject"`
	Reason  string         `json:"reason"`
	Started time.Time      `json:"started"`
	By      string         `json:"by"`
	TookMS  int64          `json:"took_ms" doc:"From the start to the signed end; open: until now."`
	Within  string         `json:"within,omitempty" doc:"How long the plan allows."`
	InTime  *bool          `json:"in_time,omitempty" doc:"Whether it took, or has taken so far, no longer than the plan allows."`
	End     *recall.End    `json:"end,omitempty"`
	// Now is what an open exercise would record.
	Now     *recall.Result `json:"now,omitempty" doc:"Open: what the records say now. It is worked out anew when the end is signed."`
	Signers []string       `json:"signers" doc:"Roles that may sign its end."`
	Head    haccp.Head     `json:"head" doc:"To be given back with the signature."`
}

// ExerciseList lists exercises, the latest first.
type ExerciseList struct {
	Exercises []Exercise `json:"exercises"`
	Due       time.Time  `json:"due,omitzero" doc:"When the plan asks for the next one."`
	Overdue   bool       `json:"overdue"`
}

// ExerciseOf shows an exercise.
func ExerciseOf(s *haccp.State, x *recall.Exercise, head haccp.Head, now time.Time) Exercise {
	out := Exercise{ID: x.ID, Seq: x.Seq, Status: "finished", Subject: x.Subject, Reason: x.Reason, Started: x.Started, By: x.By,
		TookMS: x.Took(now).Milliseconds(), End: x.End, Head: head, Signers: []string{haccp.RoleManager}}
	if x.Open() {
		out.Status = "open"
	}
	if v, ok := s.PlanAt(now); ok {
		r := &v.Plan.Recall
		out.Signers = r.Signers()
		if !r.Within.IsZero() {
			in := x.Took(now) <= r.Within.Std()
			out.Within, out.InTime = r.Within.String(), &in
		}
	}
	return out
}

// Trace is product followed from something.
type Trace struct {
	Subject recall.Subject   `json:"subject"`
	Way     string           `json:"way" enum:"both,backward,forward"`
	Lots    []string         `json:"lots" doc:"That it begins with."`
	Nodes   []genealogy.Node `json:"nodes"`
	Links   []genealogy.Link `json:"links"`
	Unknown []string         `json:"unknown" doc:"Lots that are named and not recorded."`
	Result  recall.Result    `json:"result" doc:"Both ways in numbers, with the balance of mass."`
	TookMS  int64            `json:"took_ms"`
}

// TraceOf shows a trace that began at a moment.
func TraceOf(t *genealogy.Trace, began time.Time) Trace {
	return Trace{Subject: t.Subject, Way: t.Way, Lots: some(t.Begin), Nodes: some(t.Nodes), Links: some(t.Links), Unknown: some(t.Unknown),
		Result: t.Result(), TookMS: time.Since(began).Milliseconds()}
}

// some is a list that is never null in JSON.
func some[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

// RecallList lists released and shipped product that cases affect.
type RecallList struct {
	Recalls      []genealogy.Recall `json:"recalls" doc:"By case, the latest first."`
	Instructions string             `json:"instructions" doc:"What the plan says to do."`
	Caution      string             `json:"caution"`
}

// Gather reads what a question wants beyond a state.
type Gather func(s *haccp.State, f *haccp.Facts, needs func(haccp.Facts) haccp.Need) error

// Recalls puts the recall list together; of one case, or of all.
func Recalls(gather Gather, s *haccp.State, only string) ([]genealogy.Recall, error) {
	ids := []string{only}
	if only == "" {
		ids = genealogy.RecallCases(s)
	}
	out := []genealogy.Recall{}
	for _, id := range ids {
		var f haccp.Facts
		if err := gather(s, &f, func(f haccp.Facts) haccp.Need { return s.AtLargeNeeds(id, f) }); err != nil {
			return nil, err
		}
		if r, ok := genealogy.RecallOf(s, id, f); ok {
			out = append(out, r)
		}
	}
	return out, nil
}
