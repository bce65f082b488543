// Package reply words what the API answers to a report or a decision: what was recorded, how it was judged, and
// what to do next. The answer writes its own JSON, since nearly every request of a plant is answered with one.
package reply

import (
	"time"

	"linewarden/haccp"
	"linewarden/haccp/chemistry"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/internal/wording"
)

// Answer is what a report or a decision brought about, and what to do next.
type Answer struct {
	Done
	Verdict      string                   `json:"verdict,omitempty" enum:"inside,act,outside,not-evaluated" doc:"The worst of the verdicts."`
	Verdicts     []Judged                 `json:"verdicts,omitempty"`
	PlanVersion  int                      `json:"plan_version,omitempty" doc:"The plan version that judged."`
	Instructions []string                 `json:"instructions,omitempty" doc:"What to do, in the words of the plan."`
	Fixes        []plan.Fix               `json:"fixes,omitempty" doc:"Immediate fixes the plan offers."`
	AskAgain     []string                 `json:"ask_again,omitempty" doc:"Quantities outside the plan's plausible range: test again, and name this reading in repeats."`
	Cautions     []string                 `json:"cautions,omitempty" doc:"What to beware of now, in the language asked for: below the plan's pH floor chlorine gas may come off."`
	Forecast     *chemistry.Forecast      `json:"forecast,omitempty" doc:"When the free chlorine is expected to fall below its limits, from the readings since the last addition, or why that cannot be said. It is no evidence of control. Where it wants a test before the scheduled one, test says when."`
	Findings     []haccp.Finding          `json:"findings,omitempty"`
	Opened       []*haccp.DeviationOpened `json:"opened,omitempty" doc:"Deviations and nonconformities this opened."`
	Now          Standing                 `json:"now" doc:"What holds at the moment of this answer; in a repeated answer this part may differ from the first."`
}

// Done names the first record of a command.
type Done struct {
	ID         string    `json:"id" doc:"Of the record."`
	Seq        int64     `json:"seq"`
	Kind       string    `json:"kind"`
	At         time.Time `json:"at"`
	RecordedAt time.Time `json:"recorded_at"`
}

// Standing is what holds now.
type Standing struct {
	Head     haccp.Head `json:"head" doc:"Size and root of the log that holds the records."`
	NextDue  time.Time  `json:"next_due,omitzero"`
	RetestBy time.Time  `json:"retest_by,omitzero"`
}

// Judged is a verdict with the limit it is about.
type Judged struct {
	control.Verdict
	Name        string       `json:"name,omitempty" doc:"Of the control point."`
	Quantity    string       `json:"quantity,omitempty"`
	Min         *plan.Amount `json:"min,omitempty"`
	Max         *plan.Amount `json:"max,omitempty"`
	YesNo       *bool        `json:"yes_no,omitempty" doc:"The answer that is inside."`
	PlanVersion int          `json:"plan_version"`
}

// Of makes the answer to the records of a command: s is the state with them, head that of the log.
func Of(s *haccp.State, events []*haccp.Event, head haccp.Head, now time.Time, lang wording.Language) Answer {
	adv := s.Advise(events, now)
	a := Answer{Verdict: adv.Worst, PlanVersion: adv.PlanVersion, Instructions: adv.Instructions, Fixes: adv.Fixes, AskAgain: adv.AskAgain,
		Forecast: adv.Forecast, Opened: adv.Opened, Verdicts: judged(s, adv.Verdicts, adv.PlanVersion),
		Now: Standing{Head: head, NextDue: adv.NextDue, RetestBy: adv.RetestBy}}
	if adv.LowPH {
		a.Cautions = []string{lang.Text("caution.low-ph")}
	}
	if len(events) > 0 {
		a.Done = DoneOf(events[0])
		a.Findings = events[0].Findings
	}
	return a
}

// DoneOf names a record.
func DoneOf(e *haccp.Event) Done {
	return Done{ID: e.ID, Seq: e.Seq, Kind: e.Kind, At: e.At, RecordedAt: e.RecordedAt}
}

// judged adds the limits to verdicts.
func judged(s *haccp.State, vs []control.Verdict, version int) []Judged {
	if len(vs) == 0 {
		return nil
	}
	out := make([]Judged, len(vs))
	for i, v := range vs {
		out[i] = Judged{Verdict: v, PlanVersion: version}
		if l, name := limitOf(s, version, v.Point, v.Limit); l != nil {
			out[i].Name, out[i].Quantity, out[i].Min, out[i].Max, out[i].YesNo = name, l.Quantity, l.Min, l.Max, l.YesNo
		}
	}
	return out
}

func limitOf(s *haccp.State, version int, point, limit string) (*plan.Limit, string) {
	if version < 1 || version > len(s.Plans) {
		return nil, ""
	}
	points := s.Plans[version-1].Plan.Points
	for i := range points {
		if points[i].ID != point {
			continue
		}
		for j := range points[i].Limits {
			if points[i].Limits[j].ID == limit {
				return &points[i].Limits[j], points[i].Name
			}
		}
	}
	return nil, ""
}
