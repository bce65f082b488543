package api

import (
	"cmp"
	"slices"
	"strconv"
	"time"

	"linewarden/haccp"
	"linewarden/internal/api/tracing"
	"linewarden/internal/plant"
)

// LotTrace is where lots came from, or what became of them.
type LotTrace struct {
	Lot       string               `json:"lot,omitempty"`
	Direction string               `json:"direction" enum:"backward,forward"`
	Lots      []LotRef             `json:"lots"`
	Links     []LotLink            `json:"links"`
	Received  []tracing.LotReceipt `json:"received" doc:"What came in from outside, with its source."`
	Materials []haccp.UsedAt       `json:"materials"`
	// BathMaterials went into the water of a bath that one of the lots was in.
	BathMaterials []haccp.DosedAt     `json:"bath_materials" doc:"Lots of materials in the water of the baths they passed."`
	Instruments   []string            `json:"instruments" doc:"That measured on them, or at their places while they were there."`
	People        []string            `json:"people"`
	Places        []string            `json:"places" doc:"Where any of the lots was, recorded or on its way."`
	Boxes         []tracing.LotBoxes  `json:"boxes"`
	Shipments     []haccp.Shipment    `json:"shipments"`
	Consigned     []tracing.Consigned `json:"consigned" doc:"Shipments added up by consignee."`
	Unknown       []string            `json:"unknown" doc:"Lots that are named and not recorded."`
	Total         LotTotal            `json:"total" doc:"Of all these lots together."`
	TookMS        int64               `json:"took_ms"`
}

// BoxTrace is all that touched a box.
type BoxTrace struct {
	Prefix      string           `json:"prefix,omitempty"`
	Number      int64            `json:"number"`
	Lots        []string         `json:"lots" doc:"Filled from. More than one: the number was given twice."`
	Trace       LotTrace         `json:"trace"`
	Evidence    []haccp.Exposure `json:"evidence" doc:"Readings over and around the time of each lot at each place."`
	People      []string         `json:"people" doc:"Who reported on the lots, and the printed names of who took the readings."`
	Instruments []string         `json:"instruments" doc:"Read in the readings."`
	Shipped     []haccp.Shipment `json:"shipped" doc:"Shipments that name the box."`
}

// LotExposure is the evidence over the time of a lot at each place.
type LotExposure struct {
	Lot      string           `json:"lot"`
	Exposure []haccp.Exposure `json:"exposure"`
}

// gather reads what is needed beyond a state, until nothing is.
func (q *call) gather(s *haccp.State, f *haccp.Facts, needs func(haccp.Facts) haccp.Need) error {
	needs, much := plant.Bounded(needs)
	got, err := q.api.Site.Gather(q.UserContext(), s, *f, needs)
	if *much {
		return q.refused("", "too-much", "the answer takes in too many lots: ask about fewer")
	}
	*f = got
	return err
}

// withLots is a state that holds lots and their relatives, whatever it had forgotten.
func (q *call) withLots(codes []string) (*haccp.State, haccp.Facts, error) {
	s := q.api.Site.View()
	var f haccp.Facts
	if err := q.gather(s, &f, func(f haccp.Facts) haccp.Need { return s.LotNeeds(codes, f) }); err != nil {
		return nil, f, err
	}
	return s.WithLots(codes, f), f, nil
}

func (q *call) traceLot() (LotTrace, error) {
	began := time.Now()
	direction, err := q.choice("direction", "backward", "forward")
	if err != nil {
		return LotTrace{}, err
	}
	s, f, l, err := q.gathered(q.param("lot"))
	if err != nil {
		return LotTrace{}, err
	}
	if err := q.around(s, l.Code, &f); err != nil {
		return LotTrace{}, err
	}
	out := q.trace(s, f, []string{l.Code}, direction)
	out.Lot = l.Code
	out.TookMS = time.Since(began).Milliseconds()
	return out, nil
}

// trace traces lots together.
func (q *call) trace(s *haccp.State, f haccp.Facts, codes []string, direction string) LotTrace {
	book := s.LotBook()
	t := book.Backward(codes...)
	if direction == "forward" {
		t = book.Forward(codes...)
	}
	out := LotTrace{Direction: direction, Lots: []LotRef{}, Links: []LotLink{}, Received: []tracing.LotReceipt{}, Materials: []haccp.UsedAt{}, BathMaterials: []haccp.DosedAt{}, Instruments: []string{}, People: []string{},
		Places: []string{}, Boxes: []tracing.LotBoxes{}, Shipments: []haccp.Shipment{}, Unknown: list(t.Unknown), Total: totalOf(book.Total(t.Lots))}
	var lots []*haccp.LotState
	for _, code := range t.Lots {
		x, ok := s.Lot(code)
		if !ok {
			continue
		}
		lots = append(lots, x)
		out.Lots = append(out.Lots, q.lotRef(s, book, x, nil))
		out.Materials = append(out.Materials, x.Materials...)
		out.People = append(out.People, x.People...)
		out.BathMaterials = append(out.BathMaterials, s.BathMaterials(x, f, q.now)...)
		out.Instruments = append(out.Instruments, s.Instruments(x, f, q.now)...)
		out.Shipments = append(out.Shipments, x.Shipments...)
		for i := range x.Stays() {
			if !x.Stays()[i].Limbo {
				out.Places = append(out.Places, x.Stays()[i].Place)
			}
		}
		for _, b := range x.Boxes() {
			out.Boxes = append(out.Boxes, tracing.LotBoxes{Lot: code, Boxes: b})
		}
		for _, r := range x.Received {
			rec := tracing.LotReceipt{Lot: code, At: r.At, Place: r.Place, Product: x.Product, Source: x.Source, Harvested: x.Harvested, Record: r.ID}
			if r.Mass != nil {
				rec.Mass = r.Mass.Decimal()
			}
			out.Received = append(out.Received, rec)
		}
	}
	out.People, out.Places, out.Instruments = distinct(out.People), distinct(out.Places), distinct(out.Instruments)
	slices.SortFunc(out.Materials, func(a, b haccp.UsedAt) int { return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.ID, b.ID)) })
	for _, k := range t.Links {
		x := LotLink{From: k.From, To: k.To, At: k.At, How: k.How, Feed: k.Feed}
		if k.Mass != nil {
			x.Mass = k.Mass.Decimal()
		}
		out.Links = append(out.Links, x)
	}
	out.Consigned = tracing.ConsignedOf(lots)
	return out
}

func distinct(list []string) []string {
	slices.Sort(list)
	return slices.Compact(list)
}

func (q *call) traceBox() (BoxTrace, error) {
	began := time.Now()
	n, err := strconv.ParseInt(q.param("number"), 10, 64)
	if err != nil {
		return BoxTrace{}, q.refused("number", "bad-number", "the number of a box is a whole number; what stands before it goes into prefix")
	}
	prefix := q.Query("prefix")
	codes := q.api.Site.View().LotsOfBox(prefix, n)
	if len(codes) == 0 {
		return BoxTrace{}, &haccp.Refusal{Kind: haccp.ErrNotFound, Field: "number", Code: "unknown-box", Message: "no lot is recorded to have been filled into such a box"}
	}
	s, f, err := q.withLots(codes)
	if err != nil {
		return BoxTrace{}, err
	}
	for _, code := range codes {
		if err := q.around(s, code, &f); err != nil {
			return BoxTrace{}, err
		}
	}
	out := BoxTrace{Prefix: prefix, Number: n, Lots: codes, Trace: q.trace(s, f, codes, "backward"), Evidence: []haccp.Exposure{}, Instruments: []string{}, Shipped: []haccp.Shipment{}}
	var all []string
	for _, l := range out.Trace.Lots {
		all = append(all, l.Lot)
	}
	if err := q.gather(s, &f, func(f haccp.Facts) haccp.Need { return s.ExposureNeeds(all, f, q.now) }); err != nil {
		return BoxTrace{}, err
	}
	out.People, out.Instruments = slices.Clone(out.Trace.People), slices.Clone(out.Trace.Instruments)
	for _, code := range all {
		for _, e := range s.Exposures(code, f, q.now) {
			out.Evidence = append(out.Evidence, e)
			for _, r := range e.During {
				out.People, out.Instruments = append(out.People, r.By), append(out.Instruments, r.Instruments...)
			}
		}
	}
	out.People, out.Instruments = distinct(out.People), distinct(out.Instruments)
	for _, x := range out.Trace.Shipments {
		if slices.ContainsFunc(x.Body.Boxes, func(b haccp.BoxRange) bool { return b.Prefix == prefix && n >= b.From && n <= b.To }) {
			out.Shipped = append(out.Shipped, x)
		}
	}
	out.Trace.TookMS = time.Since(began).Milliseconds()
	return out, nil
}

func (q *call) lotExposure() (LotExposure, error) {
	s, f, l, err := q.gathered(q.param("lot"))
	if err != nil {
		return LotExposure{}, err
	}
	codes := []string{l.Code}
	if err := q.gather(s, &f, func(f haccp.Facts) haccp.Need { return s.ExposureNeeds(codes, f, q.now) }); err != nil {
		return LotExposure{}, err
	}
	return LotExposure{Lot: l.Code, Exposure: list(s.Exposures(l.Code, f, q.now))}, nil
}
