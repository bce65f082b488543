package api

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/formula"
	"linewarden/haccp/instrument"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
	"linewarden/haccp/wash"
	"linewarden/internal/gate"
)

// MaterialList is what goes into or around the product.
type MaterialList struct {
	Materials []MaterialRef `json:"materials"`
}

// MaterialRef is a material of the plan with its lots.
type MaterialRef struct {
	ID        string           `json:"id"`
	Name      string           `json:"name"`
	Kind      string           `json:"kind"`
	Unit      string           `json:"unit"`
	Approvers []string         `json:"approvers" doc:"Roles that approve and reject its lots."`
	Cautions  []string         `json:"cautions"`
	Lots      []MaterialLotRef `json:"lots"`
}

// MaterialLotRef is how a lot of a material stands.
type MaterialLotRef struct {
	Lot      string         `json:"lot"`
	Material string         `json:"material"`
	State    string         `json:"state" enum:"received,approved,rejected,expired,used up"`
	Supplier string         `json:"supplier"`
	Expiry   plan.Date      `json:"expiry,omitempty"`
	Stock    MaterialStock  `json:"stock"`
	Strength *StrengthToday `json:"strength,omitempty" doc:"Of a chlorine product, today."`
}

// MaterialStock is what is left of a lot: received - used + adjusted = left.
type MaterialStock struct {
	Unit       string   `json:"unit"`
	Received   string   `json:"received"`
	Used       string   `json:"used"`
	Adjusted   string   `json:"adjusted" doc:"Sum of the differences found at counts."`
	Left       string   `json:"left"`
	Known      bool     `json:"known" doc:"false: an amount since the last count was not stated, or nothing was counted or received with an amount."`
	Unmeasured []string `json:"unmeasured" doc:"Ids of records whose amount is in none of the sums."`
}

// StrengthToday is an estimate of the strength of a chlorine product after storage.
type StrengthToday struct {
	Value    string   `json:"value"`
	Unit     string   `json:"unit"`
	Formula  string   `json:"formula"`
	Source   string   `json:"source"`
	Stated   string   `json:"stated" doc:"As it was stated, with its day."`
	Why      string   `json:"why,omitempty" doc:"Why nothing is worked out for today; value is empty then."`
	Cautions []string `json:"cautions"`
}

// MaterialFile is all that is known of a lot of a material.
type MaterialFile struct {
	MaterialLotRef
	Receipts []material.Receipt `json:"receipts"`
	Rulings  []material.Ruled   `json:"rulings"`
	Counts   []CountView        `json:"counts"`
	Uses     []UseView          `json:"uses"`
	Head     haccp.Head         `json:"head" doc:"To be given back with a signature."`
}

// CountView is a count with what the records said before it.
type CountView struct {
	ID     string    `json:"id"`
	At     time.Time `json:"at"`
	By     string    `json:"by"`
	Book   string    `json:"book"`
	Found  string    `json:"found"`
	Off    string    `json:"off"`
	Reason string    `json:"reason"`
}

// UseView is a use of a lot of a material.
type UseView struct {
	ID     string    `json:"id"`
	At     time.Time `json:"at"`
	Amount string    `json:"amount,omitempty"`
	Lot    string    `json:"lot,omitempty"`
	Step   string    `json:"step,omitempty"`
	Place  string    `json:"place,omitempty"`
}

// MaterialTrace is what a lot of a material went into.
type MaterialTrace struct {
	Lot       string           `json:"lot"`
	Used      string           `json:"used"`
	Uses      []UseView        `json:"uses"`
	Lots      []string         `json:"lots" doc:"Lots of product that it went into or that passed a bath with it, and what was made of them."`
	Shipments []haccp.Shipment `json:"shipments"`
	Boxes     []BoxesOf        `json:"boxes"`
	TookMS    int64            `json:"took_ms"`
}

// BoxesOf is a run of boxes of a lot.
type BoxesOf struct {
	Lot    string `json:"lot"`
	Prefix string `json:"prefix,omitempty"`
	From   int64  `json:"from"`
	To     int64  `json:"to"`
}

// InstrumentList lists the instruments of the plan.
type InstrumentList struct {
	Instruments []InstrumentRef `json:"instruments"`
}

// InstrumentRef is how an instrument stands.
type InstrumentRef struct {
	ID         string            `json:"id"`
	Name       string            `json:"name"`
	Kind       string            `json:"kind,omitempty"`
	Measures   []string          `json:"measures" doc:"Quantities, by its methods."`
	CheckEvery string            `json:"check_every,omitempty"`
	Standing   string            `json:"standing" enum:"in date,overdue,failed,never checked,out of service,no check planned"`
	NextDue    time.Time         `json:"next_due,omitzero"`
	Last       *instrument.Check `json:"last,omitempty"`
	Out        string            `json:"out,omitempty" doc:"Why it is out of service."`
}

// Asking is the answer to a question before a step or an addition.
type Asking struct {
	Allowed  bool        `json:"allowed"`
	Items    []AskedItem `json:"items"`
	Cautions []string    `json:"cautions"`
	// Strength is that of the chlorine product asked about.
	Strength *StrengthToday `json:"strength,omitempty"`
}

// AskedItem is one item of the answer, with its words in the language asked for.
type AskedItem struct {
	haccp.Asked
	Text string `json:"text,omitempty"`
}

func (q *call) listMaterials() (MaterialList, error) {
	s := q.api.Site.View()
	out := MaterialList{Materials: []MaterialRef{}}
	now, ok := s.PlanAt(q.now)
	if !ok {
		return out, nil
	}
	for i := range now.Plan.Materials {
		m := &now.Plan.Materials[i]
		ref := MaterialRef{ID: m.ID, Name: m.Name, Kind: m.Kind, Unit: cmp.Or(m.Unit, plan.Pieces), Approvers: m.Approvers(), Cautions: q.cautionsOf(m), Lots: []MaterialLotRef{}}
		for _, l := range s.MaterialLots() {
			if l.Material() == m.ID {
				ref.Lots = append(ref.Lots, q.materialRef(s, l))
			}
		}
		out.Materials = append(out.Materials, ref)
	}
	return out, nil
}

// cautionsOf words what must be heeded with a material: what the plan says, and the usual cautions of a chlorine product
// or an acid.
func (q *call) cautionsOf(m *plan.Material) []string {
	out := []string{}
	if m == nil {
		return out
	}
	if m.Cautions != "" {
		out = append(out, m.Cautions)
	}
	return append(out, q.worded(material.Cautions(m.Kind))...)
}

func (q *call) worded(list []formula.Caution) []string {
	out := []string{}
	for _, c := range list {
		out = append(out, gate.Language(q.Ctx).Word("caution", string(c.Code)))
	}
	return out
}

func (q *call) materialRef(s *haccp.State, l *material.Lot) MaterialLotRef {
	day := s.DayOf(q.now)
	out := MaterialLotRef{Lot: l.Code, Material: l.Material(), State: l.State(q.now, day), Expiry: l.Expiry(), Stock: stockOf(l.Stock()), Strength: q.strengthOf(s, l)}
	if len(l.Receipts) > 0 {
		out.Supplier = l.Receipts[0].Body.Supplier
	}
	return out
}

func stockOf(s material.Stock) MaterialStock {
	return MaterialStock{Unit: string(s.Left.Unit), Received: s.Received.Decimal(), Used: s.Used.Decimal(), Adjusted: s.Adjusted.Decimal(), Left: s.Left.Decimal(),
		Known: s.Known, Unmeasured: list(s.Unmeasured)}
}

// strengthOf works out the strength of a chlorine product today; nil where none was stated.
func (q *call) strengthOf(s *haccp.State, l *material.Lot) *StrengthToday {
	x := l.Strength()
	if x == nil {
		return nil
	}
	out := &StrengthToday{Stated: x.Value.String() + " (" + string(x.On) + ")", Cautions: []string{}}
	var store *plan.Amount
	if m := materialOf(s, l.Code, q.now); m != nil {
		store = m.StoredAt
	}
	r, err := x.AtDay(s.DayOf(q.now), store)
	if err != nil {
		out.Why = err.Error()
		return out
	}
	out.Value, out.Unit = strconv.FormatFloat(r.Value, 'f', 2, 64), string(r.Unit)
	out.Formula, out.Source = string(r.Formula)+"/"+strconv.Itoa(r.Version), r.Source
	out.Cautions = append(out.Cautions, q.worded(r.Cautions)...)
	return out
}

// materialLot finds the lot of a material that the address names.
func (q *call) materialLot() (*haccp.State, *material.Lot, error) {
	s := q.api.Site.View()
	l, ok := s.MaterialLot(q.param("lot"))
	if !ok {
		return nil, nil, &haccp.Refusal{Kind: haccp.ErrNotFound, Code: "unknown-material-lot", Message: "there is no such lot of a material"}
	}
	return s, l, nil
}

func (q *call) getMaterial() (MaterialFile, error) {
	s, l, err := q.materialLot()
	if err != nil {
		return MaterialFile{}, err
	}
	out := MaterialFile{MaterialLotRef: q.materialRef(s, l), Receipts: list(l.Receipts), Rulings: list(l.Rulings), Counts: []CountView{}, Uses: usesOf(l),
		Head: headOf(q.api.Site.Head())}
	stock := l.Stock()
	for _, c := range stock.Counts {
		out.Counts = append(out.Counts, CountView{c.ID, c.At, c.By, c.Book.String(), c.Found.String(), c.Off.String(), c.Reason})
	}
	return out, nil
}

func usesOf(l *material.Lot) []UseView {
	out := []UseView{}
	for i := range l.Uses {
		u := &l.Uses[i]
		v := UseView{ID: u.ID, At: u.At, Lot: u.Lot, Step: u.Step, Place: u.Place}
		if u.Amount != nil {
			v.Amount = u.Amount.String()
		}
		out = append(out, v)
	}
	return out
}

// traceMaterial follows a lot of a material to what it went into. Lots of product that the state has forgotten are read
// from the log.
func (q *call) traceMaterial() (MaterialTrace, error) {
	began := time.Now()
	s, l, err := q.materialLot()
	if err != nil {
		return MaterialTrace{}, err
	}
	f, err := q.lotsOf(s, l)
	if err != nil {
		return MaterialTrace{}, err
	}
	codes := []string{}
	for i := range l.Uses {
		if c := l.Uses[i].Lot; c != "" {
			codes = append(codes, c)
		}
	}
	s = s.WithLots(codes, f)
	codes = s.TouchedBy(l, f, q.now)
	book := s.LotBook()
	for _, c := range slices.Clone(codes) {
		codes = append(codes, book.Forward(c).Lots...)
	}
	slices.Sort(codes)
	codes = slices.Compact(codes)
	out := MaterialTrace{Lot: l.Code, Used: l.Stock().Used.String(), Uses: usesOf(l), Lots: list(codes), Shipments: []haccp.Shipment{}, Boxes: []BoxesOf{}}
	for _, c := range codes {
		x, ok := s.Lot(c)
		if !ok {
			continue
		}
		out.Shipments = append(out.Shipments, x.Shipments...)
		for _, b := range x.Boxes() {
			out.Boxes = append(out.Boxes, BoxesOf{Lot: c, Prefix: b.Prefix, From: b.From, To: b.To})
		}
	}
	out.TookMS = time.Since(began).Milliseconds()
	return out, nil
}

// lotsOf reads the lots of product that a lot of a material was named with and that the state does not hold.
func (q *call) lotsOf(s *haccp.State, l *material.Lot) (haccp.Facts, error) {
	var f haccp.Facts
	var codes []string
	for i := range l.Uses {
		if c := l.Uses[i].Lot; c != "" {
			codes = append(codes, c)
		}
	}
	err := q.gather(s, &f, func(f haccp.Facts) haccp.Need { return s.LotNeeds(codes, f) })
	return f, err
}

func (q *call) listInstruments() (InstrumentList, error) {
	s := q.api.Site.View()
	out := InstrumentList{Instruments: []InstrumentRef{}}
	now, ok := s.PlanAt(q.now)
	if !ok {
		return out, nil
	}
	for i := range now.Plan.Instruments {
		in := &now.Plan.Instruments[i]
		t := s.Tool(in.ID)
		ref := InstrumentRef{ID: in.ID, Name: in.Name, Kind: in.Kind, Measures: []string{}, CheckEvery: in.CheckEvery.String(), Standing: s.ToolStanding(in.ID, q.now),
			NextDue: t.Due(in.CheckEvery.Std(), q.now), Last: t.Last(q.now)}
		if c := t.Out(q.now); c != nil {
			ref.Out = c.Reason
		}
		for _, m := range now.Plan.Methods {
			if slices.Contains(in.Methods, m.ID) && !slices.Contains(ref.Measures, m.Quantity) {
				ref.Measures = append(ref.Measures, m.Quantity)
			}
		}
		out.Instruments = append(out.Instruments, ref)
	}
	return out, nil
}

func (q *call) askStep(in *askStepIn) (Asking, error) {
	code := q.param("lot")
	s := q.api.Site.View()
	var f haccp.Facts
	if err := q.gather(s, &f, func(f haccp.Facts) haccp.Need { return s.LotNeeds([]string{code}, f) }); err != nil {
		return Asking{}, err
	}
	items, err := s.AskStep(&haccp.LotMoved{Lot: code, Step: in.Step, Place: in.Place, Filling: in.Filling, Materials: in.Materials}, in.Instruments, f, q.now)
	if err != nil {
		return Asking{}, err
	}
	out := q.askingOf(items)
	if now, ok := s.PlanAt(q.now); ok {
		for i := range in.Materials {
			out.Cautions = append(out.Cautions, q.cautionsOf(now.Plan.Material(in.Materials[i].Material))...)
		}
	}
	return out, nil
}

func (q *call) askAddition(in *askAdditionIn) (Asking, error) {
	s := q.api.Site.View()
	b, _ := in.report().(*haccp.Bath)
	items, err := s.AskAddition(b, q.now)
	if err != nil {
		return Asking{}, err
	}
	out := q.askingOf(items)
	if now, ok := s.PlanAt(q.now); ok {
		out.Cautions = q.cautionsOf(now.Plan.MaterialOf(in.Chemical))
	}
	if l, ok := s.MaterialLot(in.MaterialLot); ok {
		out.Strength = q.strengthOf(s, l)
	}
	if len(out.Cautions) == 0 {
		out.Cautions = q.worded([]formula.Caution{{Code: wash.AidOnly}})
	}
	return out, nil
}

func (q *call) askingOf(items []haccp.Asked) Asking {
	out := Asking{Allowed: haccp.Allowed(items), Items: []AskedItem{}, Cautions: []string{}}
	for _, a := range items {
		x := AskedItem{Asked: a}
		if a.Code != "" {
			x.Text = gate.Language(q.Ctx).Finding(haccp.Finding{Code: a.Code, Data: a.Data})
		}
		out.Items = append(out.Items, x)
	}
	return out
}
