package api

import (
	"time"

	"linewarden/haccp"
	"linewarden/haccp/instrument"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/access"
)

type (
	materialBody struct {
		Lot         string          `json:"lot" max:"80" doc:"The plant's own code of this delivery, unique among materials."`
		Material    string          `json:"material" max:"80" doc:"As the plan names it."`
		Supplier    string          `json:"supplier" max:"200"`
		SupplierLot string          `json:"supplier_lot,omitempty" max:"200"`
		Quantity    *quantity.Value `json:"quantity,omitempty" doc:"Mass, volume, or a whole number with the unit pieces."`
		Expiry      plan.Date       `json:"expiry,omitempty" doc:"The last day on which it may be used, YYYY-MM-DD."`
		Certificate *certificateIn  `json:"certificate,omitempty"`
		Strength    *strengthIn     `json:"strength,omitempty" doc:"Of a chlorine product."`
		Note        string          `json:"note,omitempty"`
	}
	certificateIn struct {
		Name string `json:"name" max:"200" doc:"Name of the file, or number of the paper."`
		Hash string `json:"hash" max:"64" doc:"SHA-256 of the file, in hexadecimal."`
	}
	strengthIn struct {
		Value   quantity.Value  `json:"value" doc:"With the unit g Cl2/100 mL, % w/w as Cl2, % w/w as NaOCl or °Cl."`
		On      plan.Date       `json:"on" doc:"The day of its test, YYYY-MM-DD."`
		Gravity *quantity.Value `json:"gravity,omitempty" doc:"Of a liquid: specific gravity in kg/L."`
		Alkali  *quantity.Value `json:"alkali,omitempty" doc:"Free alkali as NaOH in g/L."`
		Solid   bool            `json:"solid,omitempty" doc:"Granules or tablets; their strength is given in % w/w as Cl2."`
	}
	countedBody struct {
		Lot      string         `json:"lot" max:"80"`
		Quantity quantity.Value `json:"quantity" doc:"As counted; 0 where nothing is left."`
		Reason   string         `json:"reason" doc:"Why it was counted, and why it differs."`
	}
	checkedBody struct {
		Instrument string    `json:"instrument" max:"80"`
		Result     string    `json:"result" enum:"pass,fail,adjusted" doc:"adjusted: found off, adjusted, and checked again as good."`
		Points     []pointIn `json:"points,omitempty" max:"20"`
		Standard   string    `json:"standard,omitempty" max:"200" doc:"What it was held against, with its lot or certificate."`
		NextDue    time.Time `json:"next_due,omitzero" doc:"Left out: after the interval of the plan."`
		Note       string    `json:"note,omitempty"`
	}
	pointIn struct {
		Quantity  string          `json:"quantity" max:"80"`
		Reference quantity.Value  `json:"reference"`
		Found     quantity.Value  `json:"found" doc:"Before anything was adjusted."`
		Left      *quantity.Value `json:"left,omitempty" doc:"After it was adjusted."`
	}
	toolServiceBody struct {
		Instrument string `json:"instrument" max:"80"`
		Reason     string `json:"reason,omitempty" doc:"Must be given where it goes out of service."`
		Note       string `json:"note,omitempty"`
	}
)

func (b *materialBody) report() any {
	out := &material.Received{Lot: b.Lot, Material: b.Material, Supplier: b.Supplier, SupplierLot: b.SupplierLot, Quantity: b.Quantity, Expiry: b.Expiry, Note: b.Note}
	if c := b.Certificate; c != nil {
		out.Certificate = &material.Certificate{Hash: c.Hash, Name: c.Name}
	}
	if x := b.Strength; x != nil {
		out.Strength = &material.Strength{Value: x.Value, On: x.On, Gravity: x.Gravity, Alkali: x.Alkali, Solid: x.Solid}
	}
	return out
}

func (b *countedBody) report() any {
	return &material.Counted{Lot: b.Lot, Quantity: b.Quantity, Reason: b.Reason}
}

func (b *checkedBody) report() any {
	out := &instrument.Checked{Instrument: b.Instrument, Result: b.Result, Standard: b.Standard, NextDue: b.NextDue, Note: b.Note}
	for _, p := range b.Points {
		out.Points = append(out.Points, instrument.Point{Quantity: p.Quantity, Reference: p.Reference, Found: p.Found, Left: p.Left})
	}
	return out
}

func (b *toolServiceBody) report() any {
	return &instrument.Service{Instrument: b.Instrument, Reason: b.Reason, Note: b.Note}
}

type (
	materialIn struct {
		stamp
		materialBody
	}
	countedIn struct {
		stamp
		countedBody
	}
	rulingIn struct {
		stamp
		signing
		Approved bool   `json:"approved" doc:"true: approved; false: rejected."`
		Reason   string `json:"reason" doc:"What was looked at, or what is wrong with it."`
	}
	checkedIn struct {
		stamp
		checkedBody
	}
	toolServiceIn struct {
		stamp
		In bool `json:"in" doc:"true: back into service; false: out of service."`
		toolServiceBody
	}
	askStepIn struct {
		Step        string              `json:"step" max:"80"`
		Place       string              `json:"place" max:"80"`
		Filling     string              `json:"filling,omitempty" max:"80"`
		Materials   []haccp.MaterialUse `json:"materials,omitempty" max:"50"`
		Instruments []string            `json:"instruments,omitempty" max:"50"`
	}
	askAdditionIn struct {
		additionBody
	}
)

// supplyKinds lists the reports about materials and instruments that can be amended or put in the place of a void one.
func supplyKinds() map[string]reportKind {
	return map[string]reportKind{
		haccp.KindMaterialReceived: kindOf[materialBody](), haccp.KindMaterialCounted: kindOf[countedBody](), haccp.KindInstrumentChecked: kindOf[checkedBody](),
		haccp.KindInstrumentOut: kindOf[toolServiceBody](), haccp.KindInstrumentBack: kindOf[toolServiceBody](),
	}
}

// supplyRoutes lists what is reported, decided and asked about materials and instruments.
func (a *API) supplyRoutes() []route {
	return []route{
		post("/materials/received", "Report a delivery of a material. It may be used once it was approved.",
			func(q *call, in *materialIn) (Answer, error) {
				return q.say(haccp.KindMaterialReceived, &in.stamp, &in.materialBody)
			}),
		post("/materials/counted", "Report what is left of a lot of a material, as counted.",
			func(q *call, in *countedIn) (Answer, error) {
				return q.say(haccp.KindMaterialCounted, &in.stamp, &in.countedBody)
			}),
		post("/materials/lots/:lot/rulings", "Sign the approval or rejection of a lot of a material.", (*call).ruleMaterial),
		get("/materials", "The materials of the plan with their lots, and how each stands.", access.ReadRecords, (*call).listMaterials),
		get("/materials/lots/:lot", "The file of a lot of a material: receipts, approvals, stock, uses.", access.ReadRecords, (*call).getMaterial),
		get("/materials/lots/:lot/trace", "What a lot of a material went into: lots of product, boxes, consignees.", access.ReadRecords, (*call).traceMaterial),
		post("/instruments/checked", "Report a check of an instrument.",
			func(q *call, in *checkedIn) (Answer, error) {
				return q.say(haccp.KindInstrumentChecked, &in.stamp, &in.checkedBody)
			}),
		post("/instruments/service", "Report that an instrument went out of service, or came back.",
			func(q *call, in *toolServiceIn) (Answer, error) {
				kind := haccp.KindInstrumentOut
				if in.In {
					kind = haccp.KindInstrumentBack
				}
				return q.say(kind, &in.stamp, &in.toolServiceBody)
			}),
		get("/instruments", "The instruments of the plan, and how each stands.", access.ReadRecords, (*call).listInstruments),
		post("/lots/:lot/ask", "Ask before a step, item by item, whether it may start. Nothing is recorded.", (*call).askStep),
		post("/additions/ask", "Ask before an addition to a bath, item by item, whether it may be made. Nothing is recorded.", (*call).askAddition),
	}
}

func (q *call) ruleMaterial(in *rulingIn) (Answer, error) {
	kind, meaning := haccp.AskMaterialReject, haccp.MeaningMaterialRejected
	if in.Approved {
		kind, meaning = haccp.AskMaterialApprove, haccp.MeaningMaterialApproved
	}
	sig, err := q.sign(in.Password, &in.Signature, meaning)
	if err != nil {
		return Answer{}, err
	}
	code := q.param("lot")
	var roles []string
	if m := materialOf(q.api.Site.View(), code, q.now); m != nil {
		roles = m.Approvers()
	}
	return q.decided(q.signed(kind, &in.stamp, &haccp.MaterialRuled{Ruling: material.Ruling{Lot: code, Reason: in.Reason}, Signature: sig}, roles...))
}

// materialOf is the material of a lot by the plan in force, nil where it has none.
func materialOf(s *haccp.State, code string, now time.Time) *plan.Material {
	l, ok := s.MaterialLot(code)
	if !ok {
		return nil
	}
	if in, ok := s.PlanAt(now); ok {
		return in.Plan.Material(l.Material())
	}
	return nil
}
