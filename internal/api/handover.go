package api

import (
	"linewarden/haccp"
	"linewarden/haccp/shift"
	"linewarden/internal/access"
)

// Handovers lists handovers at the change of shift, and what would be handed over now.
type Handovers struct {
	Open      shift.Open       `json:"open" doc:"What stands open now."`
	Handovers []shift.Handover `json:"handovers" doc:"The newest first. One without accepted_at was not accepted yet."`
}

type (
	shiftOverIn struct {
		stamp
		Line string `json:"line,omitempty" max:"80" doc:"Left out: of the whole site."`
		To   string `json:"to" max:"80" doc:"Id of the person who takes over."`
		Note string `json:"note,omitempty"`
	}
	shiftAcceptIn struct {
		stamp
		Note string `json:"note,omitempty"`
	}
)

func (q *call) listHandovers() (Handovers, error) {
	s := q.api.Site.View()
	out := Handovers{Open: s.OpenAt(q.Query("line"), q.now), Handovers: []shift.Handover{}}
	for _, h := range s.Handovers() {
		if line := q.Query("line"); line == "" || h.Line == "" || h.Line == line {
			out.Handovers = append([]shift.Handover{h}, out.Handovers...)
		}
	}
	return out, nil
}

func (q *call) overToAnother(in *shiftOverIn) (Answer, error) {
	return q.decideOn(haccp.AskShiftHandOver, &in.stamp, &shift.HandedOver{Line: in.Line, To: in.To, Note: in.Note})
}

func (q *call) acceptHandover(in *shiftAcceptIn) (Answer, error) {
	return q.decideOn(haccp.AskShiftAccept, &in.stamp, &shift.Accepted{Handover: q.param("handover"), Note: in.Note})
}

// handoverRoutes lists the handover at the change of shift.
func (a *API) handoverRoutes() []route {
	return []route{
		get("/handovers", "Handovers at the change of shift, and what stands open now.", access.ReadRecords, (*call).listHandovers,
			query{name: "line", doc: "Only of this line, and of the whole site."}),
		post("/handovers", "Hand what stands open over to somebody, by name. What that is, the server writes down.", (*call).overToAnother),
		post("/handovers/:handover/accept", "Accept what was handed over to you. Alerts that the other had taken on go over to you.", (*call).acceptHandover),
	}
}
