package api

import (
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/access"
)

// The reports on lots take the bodies of their records as they are; time and person come from the stamp.
type (
	receivedBody struct {
		haccp.LotReceived
	}
	movedBody struct {
		Lot         string              `json:"lot" max:"80"`
		Step        string              `json:"step" max:"80"`
		Place       string              `json:"place" max:"80"`
		Filling     string              `json:"filling,omitempty" max:"80" doc:"Of a bath."`
		Mass        *quantity.Value     `json:"mass,omitempty" doc:"In the place at once, or as weighed on leaving. It enters no balance."`
		Temperature *quantity.Value     `json:"temperature,omitempty" doc:"Of the product."`
		Crew        int64               `json:"crew,omitempty" doc:"How many people worked on it."`
		Instrument  string              `json:"instrument,omitempty" max:"80"`
		Materials   []haccp.MaterialUse `json:"materials,omitempty" max:"50"`
		Boxes       []haccp.BoxRange    `json:"boxes,omitempty" max:"50" doc:"Leaving: boxes filled."`
		Note        string              `json:"note,omitempty"`
	}
	fedBody     struct{ haccp.LotFed }
	removedBody struct{ haccp.LotRemoved }
	emptiedBody struct{ haccp.PlaceEmptied }
	shippedBody struct {
		Lot       string           `json:"lot,omitempty" max:"80" doc:"Left out where the address names it."`
		Boxes     []haccp.BoxRange `json:"boxes,omitempty" max:"50" doc:"Boxes or mass must be given."`
		Mass      *quantity.Value  `json:"mass,omitempty"`
		All       bool             `json:"all,omitempty" doc:"Nothing of the lot is left."`
		Consignee haccp.Party      `json:"consignee"`
		Document  *haccp.Document  `json:"document,omitempty"`
		Carrier   string           `json:"carrier,omitempty"`
		Note      string           `json:"note,omitempty"`
	}
)

func (b *receivedBody) report() any { return &b.LotReceived }
func (b *fedBody) report() any      { return &b.LotFed }
func (b *removedBody) report() any  { return &b.LotRemoved }
func (b *emptiedBody) report() any  { return &b.PlaceEmptied }

func (b *movedBody) report() any {
	return &haccp.LotMoved{Lot: b.Lot, Step: b.Step, Place: b.Place, Filling: b.Filling, Mass: b.Mass, Temperature: b.Temperature, Crew: b.Crew,
		Instrument: b.Instrument, Materials: b.Materials, Boxes: b.Boxes, Note: b.Note}
}

func (b *shippedBody) report() any {
	return &haccp.LotShipped{Lot: b.Lot, Boxes: b.Boxes, Mass: b.Mass, All: b.All, Consignee: b.Consignee, Document: b.Document, Carrier: b.Carrier, Note: b.Note}
}

// lasting says when the last part came or left.
type lasting struct {
	Until time.Time `json:"until,omitzero" doc:"When the last part came or left; at is that of the first. Left out: all at once."`
}

type (
	receivedIn struct {
		stamp
		receivedBody
	}
	movedIn struct {
		stamp
		lasting
		movedBody
	}
	fedIn struct {
		stamp
		lasting
		fedBody
	}
	removedIn struct {
		stamp
		removedBody
	}
	emptiedIn struct {
		stamp
		emptiedBody
	}
	shippedIn struct {
		stamp
		shippedBody
	}
	lotHoldIn struct {
		stamp
		Lots   []string `json:"lots" max:"50"`
		Reason string   `json:"reason"`
	}
	lotEvaluateIn struct {
		stamp
		signing
		Deviation   string    `json:"deviation,omitempty" max:"80" doc:"The case under which the lot is evaluated. Without it: a gap in the evidence, or what was odd about its reports."`
		Point       string    `json:"point,omitempty" max:"80"`
		Place       string    `json:"place,omitempty" max:"80"`
		From        time.Time `json:"from,omitzero"`
		To          time.Time `json:"to,omitzero"`
		Instrument  string    `json:"instrument,omitempty" max:"80" doc:"The instrument that was not in order."`
		Material    string    `json:"material,omitempty" max:"80" doc:"The material that was not in order, or of which no lot was named."`
		MaterialLot string    `json:"material_lot,omitempty" max:"80"`
		Facts       string    `json:"facts" doc:"What was looked at."`
		Decision    string    `json:"decision" enum:"no-effect,fit,not-fit"`
		Basis       string    `json:"basis"`
	}
	lotReviewIn struct {
		stamp
		signing
		Findings string `json:"findings,omitempty"`
	}
	lotDisposeIn struct {
		stamp
		signing
		Outcome   string          `json:"outcome" enum:"release,rework,divert,destroy"`
		Reason    string          `json:"reason"`
		Confirmed []string        `json:"confirmed,omitempty" max:"20" doc:"release: what the system does not check and the signer confirms, as not_checked of the lot's file names it."`
		Into      string          `json:"into,omitempty" max:"80" doc:"rework: the new lot."`
		Mass      *quantity.Value `json:"mass,omitempty" doc:"divert, destroy."`
		Where     string          `json:"where,omitempty" doc:"divert, destroy: where to, or where and how."`
	}
)

// saySpan reports a body of a kind that took from at to until.
func (q *call) saySpan(kind string, st *stamp, until time.Time, b body) (Answer, error) {
	c, err := q.command(kind, st, b.report())
	if err != nil {
		return Answer{}, err
	}
	c.Until = until
	return q.report(c)
}

// lotRoutes lists what is reported, decided and asked about lots.
func (a *API) lotRoutes() []route {
	return []route{
		post("/lots/received", "Report that a lot, or a part of one, was received.",
			func(q *call, in *receivedIn) (Answer, error) {
				return q.say(haccp.KindLotReceived, &in.stamp, &in.receivedBody)
			}),
		post("/lots/entered", "Report that a lot came to a step.",
			func(q *call, in *movedIn) (Answer, error) {
				return q.saySpan(haccp.KindLotEntered, &in.stamp, in.Until, &in.movedBody)
			}),
		post("/lots/enter", "Ask for leave to start a step with a lot. Refused with what stands against it, item by item.",
			func(q *call, in *movedIn) (Answer, error) { return q.say(haccp.AskLotEnter, &in.stamp, &in.movedBody) }),
		post("/lots/left", "Report that a lot left a step.",
			func(q *call, in *movedIn) (Answer, error) {
				return q.saySpan(haccp.KindLotLeft, &in.stamp, in.Until, &in.movedBody)
			}),
		post("/lots/fed", "Report product that went from lots into lots: split, merged, topped up, reworked. One side names one lot.",
			func(q *call, in *fedIn) (Answer, error) {
				return q.saySpan(haccp.KindLotFed, &in.stamp, in.Until, &in.fedBody)
			}),
		post("/lots/removed", "Report mass that left a lot for good, or its stock as counted.",
			func(q *call, in *removedIn) (Answer, error) {
				return q.say(haccp.KindLotRemoved, &in.stamp, &in.removedBody)
			}),
		post("/places/emptied", "Report that a place that carries product over was found empty.",
			func(q *call, in *emptiedIn) (Answer, error) {
				return q.say(haccp.KindPlaceEmptied, &in.stamp, &in.emptiedBody)
			}),
		post("/lots/shipped", "Report a shipment that has taken place. Without release it is recorded all the same, as a finding.",
			func(q *call, in *shippedIn) (Answer, error) {
				return q.say(haccp.KindLotShipped, &in.stamp, &in.shippedBody)
			}),
		post("/lots/holds", "Put lots on hold, with a reason.", (*call).holdLots),
		post("/lots/:lot/ship", "Ask for leave to ship. Only a released lot leaves.",
			func(q *call, in *shippedIn) (Answer, error) {
				in.Lot = q.param("lot")
				return q.say(haccp.AskLotShip, &in.stamp, &in.shippedBody)
			}),
		post("/lots/:lot/evaluations", "Sign the evaluation of a lot under a case, or of a gap in its evidence.", (*call).evaluateLot),
		post("/lots/:lot/reviews", "Sign the review of a lot's records.", (*call).reviewLot),
		post("/lots/:lot/dispositions", "Sign what becomes of a lot. A release is refused with what is missing, item by item.", (*call).disposeLot),
		get("/lots", "Lots in the plant, and those done with of late.", access.ReadRecords, (*call).listLots,
			query{name: "state", enum: []string{haccp.LotInProcess, haccp.LotOnHold, haccp.LotReleased, haccp.LotReworked, haccp.LotDiverted, haccp.LotDestroyed, haccp.LotShippedAs, haccp.LotUsedUp}, doc: "Only lots in this state."}),
		get("/lots/:lot", "The file of a lot.", access.ReadRecords, (*call).getLot),
		get("/lots/:lot/trace", "Where a lot came from and what became of it, with masses.", access.ReadRecords, (*call).traceLot,
			query{name: "direction", enum: []string{"backward", "forward"}, doc: "Default: backward."}),
		get("/lots/:lot/exposure", "Evidence of control over the time of a lot at each place: readings before, during and after, gaps, and Ct with its lower bound.",
			access.ReadRecords, (*call).lotExposure),
		get("/boxes/:number/trace", "Everything that touched a box: the lots it was filled from and all that went into them, with readings, people, instruments, places and materials.",
			access.ReadRecords, (*call).traceBox, query{name: "prefix", doc: "What stands before the number on the box."}),
	}
}

func (q *call) holdLots(in *lotHoldIn) (Answer, error) {
	b := &haccp.LotHeld{Reason: in.Reason}
	for _, code := range in.Lots {
		b.Lots = append(b.Lots, haccp.HeldLot{Lot: code})
	}
	c, err := q.command(haccp.AskLotHold, &in.stamp, b)
	if err != nil {
		return Answer{}, err
	}
	return q.report(c)
}

func (q *call) evaluateLot(in *lotEvaluateIn) (Answer, error) {
	sig, err := q.sign(in.Password, &in.Signature, haccp.MeaningLotEvaluated)
	if err != nil {
		return Answer{}, err
	}
	return q.decided(q.signed(haccp.AskLotEvaluate, &in.stamp, &haccp.LotEvaluated{Lot: q.param("lot"), Deviation: in.Deviation, Point: in.Point, Place: in.Place,
		Instrument: in.Instrument, Material: in.Material, MaterialLot: in.MaterialLot, From: in.From, To: in.To, Facts: in.Facts, Decision: in.Decision, Basis: in.Basis, Signature: sig}, haccp.RoleManager))
}

func (q *call) reviewLot(in *lotReviewIn) (Answer, error) {
	sig, err := q.sign(in.Password, &in.Signature, haccp.MeaningLotReviewed)
	if err != nil {
		return Answer{}, err
	}
	return q.decided(q.signed(haccp.AskLotReview, &in.stamp, &haccp.LotReviewed{Lot: q.param("lot"), Findings: in.Findings, Signature: sig}))
}

func (q *call) disposeLot(in *lotDisposeIn) (Answer, error) {
	sig, err := q.sign(in.Password, &in.Signature, haccp.MeaningLotPrefix+in.Outcome)
	if err != nil {
		return Answer{}, err
	}
	p := &plan.Plan{}
	if now, ok := q.api.Site.View().PlanAt(q.now); ok {
		p = now.Plan
	}
	return q.decided(q.signed(haccp.AskLotDispose, &in.stamp, &haccp.LotDisposed{Lot: q.param("lot"), Outcome: in.Outcome, Reason: in.Reason, Confirmed: in.Confirmed,
		Into: in.Into, Mass: in.Mass, Where: in.Where, Signature: sig}, p.Disposition(in.Outcome).Roles...))
}

// decided has a command decided that was made without an error.
func (q *call) decided(c *haccp.Command, err error) (Answer, error) {
	if err != nil {
		return Answer{}, err
	}
	return q.report(c)
}
