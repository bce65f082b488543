package api

import (
	"time"

	"linewarden/haccp"
	"linewarden/haccp/quantity"
	"linewarden/internal/api/intake"
)

type fillingBody struct {
	Place  string          `json:"place" max:"80"`
	Water  string          `json:"water" max:"200" doc:"The source of the water."`
	Level  *quantity.Value `json:"level,omitempty" doc:"Measured water level. Level or volume must be given."`
	Volume *quantity.Value `json:"volume,omitempty"`
	First  []doseIn        `json:"first,omitempty" max:"24" doc:"Salt and first chemicals."`
	Note   string          `json:"note,omitempty"`
}

type doseIn struct {
	Chemical    string         `json:"chemical" max:"80"`
	Amount      quantity.Value `json:"amount"`
	MaterialLot string         `json:"material_lot,omitempty" max:"80"`
}

func (b *fillingBody) report() any {
	out := &haccp.Bath{Place: b.Place, Water: b.Water, Level: b.Level, Volume: b.Volume, Note: b.Note}
	for _, d := range b.First {
		out.First = append(out.First, haccp.BathDose{Amount: d.Amount, Chemical: d.Chemical, MaterialLot: d.MaterialLot})
	}
	return out
}

type additionBody struct {
	Place       string         `json:"place" max:"80"`
	Chemical    string         `json:"chemical" max:"80" doc:"The product, as the plan names it."`
	Amount      quantity.Value `json:"amount" doc:"Actually added."`
	Measure     string         `json:"measure,omitempty" max:"200" doc:"By which measure the amount was taken."`
	MaterialLot string         `json:"material_lot,omitempty" max:"80"`
	Filling     string         `json:"filling,omitempty" max:"80"`
	Reason      string         `json:"reason,omitempty"`
	Note        string         `json:"note,omitempty"`
}

func (b *additionBody) report() any {
	amount := b.Amount
	return &haccp.Bath{Place: b.Place, Chemical: b.Chemical, Amount: &amount, Measure: b.Measure, MaterialLot: b.MaterialLot,
		Filling: b.Filling, Reason: b.Reason, Note: b.Note}
}

type replacementBody struct {
	Place  string          `json:"place" max:"80"`
	Water  string          `json:"water" max:"200" doc:"The source of the water."`
	Level  *quantity.Value `json:"level,omitempty" doc:"Measured afterwards. Level or volume must be given."`
	Volume *quantity.Value `json:"volume,omitempty" doc:"Replaced."`
	Reason string          `json:"reason,omitempty"`
	Note   string          `json:"note,omitempty"`
}

func (b *replacementBody) report() any {
	return &haccp.Bath{Place: b.Place, Water: b.Water, Level: b.Level, Volume: b.Volume, Reason: b.Reason, Note: b.Note}
}

// careBody is a draining or a cleaning.
type careBody struct {
	Place  string `json:"place" max:"80"`
	Reason string `json:"reason,omitempty"`
	Note   string `json:"note,omitempty"`
}

func (b *careBody) report() any { return &haccp.Bath{Place: b.Place, Reason: b.Reason, Note: b.Note} }

type serviceBody struct {
	Place  string `json:"place" max:"80"`
	Reason string `json:"reason,omitempty" doc:"Must be given where the place goes out of service."`
	Note   string `json:"note,omitempty"`
}

func (b *serviceBody) report() any {
	return &haccp.Bath{Place: b.Place, Reason: b.Reason, Note: b.Note}
}

type breakBody struct {
	Line   string   `json:"line" max:"80"`
	Places []string `json:"places" max:"50" doc:"Baths and machines that were cleaned, sanitised and inspected with the line."`
	Note   string   `json:"note,omitempty"`
}

func (b *breakBody) report() any {
	return &haccp.CleanBreak{Line: b.Line, Places: b.Places, Note: b.Note}
}

type preOpIn struct {
	Item string    `json:"item" max:"80"`
	OK   bool      `json:"ok"`
	At   time.Time `json:"at"`
	By   string    `json:"by,omitempty" max:"80" doc:"Who inspected, where it was somebody else."`
	Note string    `json:"note,omitempty"`
}

type startedBody struct {
	Line  string    `json:"line,omitempty" max:"80" doc:"Left out where the address names it."`
	PreOp []preOpIn `json:"pre_op,omitempty" doc:"Pre-operational items in the order they were inspected; a first failure stays beside its re-inspection."`
	Note  string    `json:"note,omitempty"`
}

func (b *startedBody) report() any {
	out := &haccp.LineStarted{Line: b.Line, Note: b.Note}
	for _, p := range b.PreOp {
		out.PreOp = append(out.PreOp, haccp.PreOp{At: p.At, By: p.By, Item: p.Item, Note: p.Note, OK: p.OK})
	}
	return out
}

type stoppedBody struct {
	Line           string   `json:"line,omitempty" max:"80" doc:"Left out where the address names it."`
	Reason         string   `json:"reason"`
	ProductInBaths []string `json:"product_in_baths" max:"50" doc:"Places that still hold product; empty: none."`
}

func (b *stoppedBody) report() any {
	return &haccp.LineStopped{Line: b.Line, Reason: b.Reason, ProductInBaths: b.ProductInBaths}
}

type fixBody struct {
	Point     string `json:"point" max:"80"`
	Place     string `json:"place" max:"80"`
	Fix       string `json:"fix" max:"80" doc:"As the plan names it, or other, with a note."`
	Deviation string `json:"deviation,omitempty" max:"80"`
	Note      string `json:"note,omitempty"`
}

func (b *fixBody) report() any {
	return &haccp.FixDone{Point: b.Point, Place: b.Place, Fix: b.Fix, Deviation: b.Deviation, Note: b.Note}
}

type noteBody struct {
	Text  string `json:"text"`
	Place string `json:"place,omitempty" max:"80"`
}

func (b *noteBody) report() any { return &haccp.Note{Text: b.Text, Place: b.Place} }

// in is a report of one kind: the stamp and what it says.
type (
	fillingIn struct {
		stamp
		fillingBody
	}
	additionIn struct {
		stamp
		additionBody
	}
	replacementIn struct {
		stamp
		replacementBody
	}
	careIn struct {
		stamp
		careBody
	}
	serviceIn struct {
		stamp
		In bool `json:"in" doc:"true: into service; false: out of service."`
		serviceBody
	}
	breakIn struct {
		stamp
		breakBody
	}
	fixIn struct {
		stamp
		fixBody
	}
	noteIn struct {
		stamp
		noteBody
	}
	startIn struct {
		stamp
		startedBody
		WithoutProof bool `json:"without_proof,omitempty" doc:"Start although conditions are lacking; it opens a deviation."`
	}
	startedIn struct {
		stamp
		startedBody
	}
	stoppedIn struct {
		stamp
		stoppedBody
	}
)

// say reports a body of a kind.
func (q *call) say(kind string, st *stamp, b body) (Answer, error) {
	c, err := q.command(kind, st, b.report())
	if err != nil {
		return Answer{}, err
	}
	return q.report(c)
}

// reportRoutes lists the reports on baths, places, fixes and notes.
func (a *API) reportRoutes() []route {
	return []route{
		post("/readings", "Log a reading. It is recorded first; the answer says what it means.", (*call).postReading).at(doorAny),
		post("/fillings", "Report that a bath was filled.",
			func(q *call, in *fillingIn) (Answer, error) {
				return q.say(haccp.KindFilled, &in.stamp, &in.fillingBody)
			}),
		post("/additions", "Report that a product was added to a bath.",
			func(q *call, in *additionIn) (Answer, error) {
				return q.say(haccp.KindAdded, &in.stamp, &in.additionBody)
			}),
		post("/part-replacements", "Report that part of the water of a bath was replaced.",
			func(q *call, in *replacementIn) (Answer, error) {
				return q.say(haccp.KindPartReplaced, &in.stamp, &in.replacementBody)
			}),
		post("/drains", "Report that a bath was drained.",
			func(q *call, in *careIn) (Answer, error) { return q.say(haccp.KindDrained, &in.stamp, &in.careBody) }),
		post("/cleanings", "Report that a bath was cleaned.",
			func(q *call, in *careIn) (Answer, error) { return q.say(haccp.KindCleaned, &in.stamp, &in.careBody) }),
		post("/service", "Report that a place went into or out of service.",
			func(q *call, in *serviceIn) (Answer, error) {
				kind := haccp.KindOutOfService
				if in.In {
					kind = haccp.KindInService
				}
				return q.say(kind, &in.stamp, &in.serviceBody)
			}),
		post("/clean-breaks", "Report a clean break: line and baths cleaned, sanitised and inspected.",
			func(q *call, in *breakIn) (Answer, error) {
				return q.say(haccp.KindCleanBreak, &in.stamp, &in.breakBody)
			}),
		post("/fixes", "Report an immediate fix at a control point.",
			func(q *call, in *fixIn) (Answer, error) { return q.say(haccp.KindFixDone, &in.stamp, &in.fixBody) }),
		post("/notes", "Write a note.",
			func(q *call, in *noteIn) (Answer, error) { return q.say(haccp.KindNote, &in.stamp, &in.noteBody) }),
		post("/lines/:id/start", "Ask for leave to start a line. Refused with what is lacking, item by item.", (*call).start),
		post("/lines/:id/started", "Report that a line was started.",
			func(q *call, in *startedIn) (Answer, error) {
				if err := q.line(&in.Line); err != nil {
					return Answer{}, err
				}
				return q.say(haccp.KindLineStarted, &in.stamp, &in.startedBody)
			}),
		post("/lines/:id/stop", "Report that a line was stopped.",
			func(q *call, in *stoppedIn) (Answer, error) {
				if err := q.line(&in.Line); err != nil {
					return Answer{}, err
				}
				return q.say(haccp.KindLineStopped, &in.stamp, &in.stoppedBody)
			}),
	}
}

// line puts the line of the address into a body, and refuses a body that names another.
func (q *call) line(line *string) error {
	id := q.Params("id")
	if *line != "" && *line != id {
		return q.refused("line", "wrong-line", "the body names another line than the address: leave it out")
	}
	*line = id
	return nil
}

func (q *call) start(in *startIn) (Answer, error) {
	if err := q.line(&in.Line); err != nil {
		return Answer{}, err
	}
	ask, ok := in.startedBody.report().(*haccp.LineStarted)
	if !ok {
		return Answer{}, intake.Missing("line", "the line")
	}
	ask.WithoutProof = in.WithoutProof
	c, err := q.command(haccp.AskStart, &in.stamp, ask)
	if err != nil {
		return Answer{}, err
	}
	return q.report(c)
}
