package api

import (
	"linewarden/haccp"
	"linewarden/haccp/laboratory"
	"linewarden/internal/access"
)

// The reports on samples take the bodies of their records as they are.
type (
	sampledBody       struct{ laboratory.Sampled }
	passedBody        struct{ laboratory.Passed }
	sampleArrivedBody struct{ laboratory.Received }
	resultBody        struct{ laboratory.Reported }
)

func (b *sampledBody) report() any       { return &b.Sampled }
func (b *passedBody) report() any        { return &b.Passed }
func (b *sampleArrivedBody) report() any { return &b.Received }
func (b *resultBody) report() any        { return &b.Reported }

type (
	sampledIn struct {
		stamp
		sampledBody
	}
	passedIn struct {
		stamp
		passedBody
	}
	sampleArrivedIn struct {
		stamp
		sampleArrivedBody
	}
	resultIn struct {
		stamp
		resultBody
	}
)

// sampleKinds lists the reports on samples that can be amended or put in the place of a void one.
func sampleKinds() map[string]reportKind {
	return map[string]reportKind{
		haccp.KindLotSampled: kindOf[sampledBody](), haccp.KindSamplePassed: kindOf[passedBody](),
		haccp.KindSampleReceived: kindOf[sampleArrivedBody](), haccp.KindResult: kindOf[resultBody](),
	}
}

// SampleFile is what is known of a sample.
type SampleFile struct {
	Lot       string                `json:"lot"`
	Sample    string                `json:"sample"`
	State     string                `json:"state" enum:"waiting,done" doc:"waiting: results that it was taken for are not there, or decide nothing."`
	Taken     *laboratory.Act       `json:"taken,omitempty" doc:"Missing: nobody recorded that it was taken."`
	Custody   []laboratory.Act      `json:"custody" doc:"Handed over and received, in order."`
	Results   []laboratory.Act      `json:"results" doc:"As typed; all stand."`
	Decisions []laboratory.Decision `json:"decisions" doc:"What the results of each test say, by the specification."`
}

// SampleList lists samples.
type SampleList struct {
	Samples []SampleFile `json:"samples"`
}

// laboratoryRoutes lists what is reported and asked about samples and results.
func (a *API) laboratoryRoutes() []route {
	return []route{
		post("/lots/sampled", "Report that a sample was taken from a lot.",
			func(q *call, in *sampledIn) (Answer, error) {
				return q.say(haccp.KindLotSampled, &in.stamp, &in.sampledBody)
			}),
		post("/samples/passed", "Report that a sample was handed over.",
			func(q *call, in *passedIn) (Answer, error) {
				return q.say(haccp.KindSamplePassed, &in.stamp, &in.passedBody)
			}),
		post("/samples/received", "Report that a laboratory received a sample.",
			func(q *call, in *sampleArrivedIn) (Answer, error) {
				return q.say(haccp.KindSampleReceived, &in.stamp, &in.sampleArrivedBody)
			}),
		post("/results", "Report the results of one test of one sample. They are recorded before they are judged; what is outside opens a case and holds what it affects.",
			func(q *call, in *resultIn) (Answer, error) {
				return q.say(haccp.KindResult, &in.stamp, &in.resultBody)
			}),
		get("/samples", "Samples of the lots in the plant, and of those done with of late.", access.ReadRecords, (*call).listSamples,
			query{name: "state", enum: []string{"waiting", "done"}, doc: "Only samples in this state."}),
		get("/lots/:lot/certificate", "Certificate of analysis of a released lot. Refused for any other.", access.ReadRecords, (*call).certificate),
	}
}

func (q *call) listSamples() (SampleList, error) {
	s := q.api.Site.View()
	want := q.Query("state")
	out := SampleList{Samples: []SampleFile{}}
	for _, l := range s.Lots() {
		for _, x := range samplesOf(s, l) {
			if want == "" || x.State == want {
				out.Samples = append(out.Samples, x)
			}
		}
	}
	return out, nil
}

func samplesOf(s *haccp.State, l *haccp.LotState) []SampleFile {
	out := []SampleFile{}
	p := s.HeldTo(l)
	for _, x := range l.Laboratory.Samples() {
		f := SampleFile{Lot: l.Code, Sample: x.ID, State: "done", Taken: x.Taken, Custody: list(x.Custody), Results: list(x.Reports), Decisions: list(x.Decisions(p))}
		for i := range f.Decisions {
			if f.Decisions[i].Waits() {
				f.State = "waiting"
			}
		}
		out = append(out, f)
	}
	return out
}
