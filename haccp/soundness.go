package haccp

import (
	"fmt"
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/instrument"
	"linewarden/haccp/lot"
	"linewarden/haccp/material"
)

// What may be missing for a release about materials and instruments.
const (
	MissingMaterial   = "material"
	MissingInstrument = "instrument"
)

// Findings about instruments.
const (
	FindingToolOverdue = "instrument-overdue"
	FindingToolFailed  = "instrument-failed"
	FindingToolNever   = "instrument-never-checked"
	FindingToolOut     = "instrument-out-of-service"
)

// againstTool gives the finding of an instrument's standing; those that are good have none.
var againstTool = map[string]string{instrument.Overdue: FindingToolOverdue, instrument.Failed: FindingToolFailed,
	instrument.NeverChecked: FindingToolNever, instrument.OutOfService: FindingToolOut}

// Supplied names the material or instrument that something is missing of.
type Supplied struct {
	Instrument  string `json:"instrument,omitempty"`
	Material    string `json:"material,omitempty"`
	MaterialLot string `json:"material_lot,omitempty"`
}

var plainly = map[string]string{
	material.Unknown: "was not received by then", material.NotOfPlan: "is no material of the plan", material.OtherMaterial: "was received as another material",
	material.NotApproved: "was not approved", material.Rejected: "was rejected", material.Expired: "had expired", material.RejectedSince: "was rejected after it was used",
	FindingToolOverdue: "was overdue for its check", FindingToolFailed: "had failed its check", FindingToolNever: "was never checked", FindingToolOut: "was out of service",
}

// plainly says in plain English what is missing of a material or an instrument.
func (m *Missing) plainly() string {
	switch {
	case m.Instrument != "":
		return fmt.Sprintf("lot %s: instrument %s %s on %s", m.Lot, m.Instrument, plainly[m.Code], m.From.Format(time.RFC3339))
	case m.Code == material.NotNamed:
		return fmt.Sprintf("lot %s: no lot of the material %s is named at %s%s", m.Lot, m.Material, m.Step, m.Place)
	}
	return fmt.Sprintf("lot %s: lot %s of the material %s %s", m.Lot, m.MaterialLot, m.Material, plainly[m.Code])
}

// ToolStanding says how an instrument stands at a moment, by the plan in force then.
func (s *State) ToolStanding(id string, at time.Time) string {
	var every time.Duration
	if v := s.versionAt(at); v != nil {
		if in := v.Plan.Instrument(id); in != nil {
			every = in.CheckEvery.Std()
		}
	}
	return s.Tool(id).Standing(every, at)
}

// toolFindings notes that an instrument named in a report was not in order.
func (d *deciding) toolFindings(v *version, id string) []Finding {
	if id == "" || v.Plan.Instrument(id) == nil {
		return nil
	}
	if code := againstTool[d.ToolStanding(id, d.cmd.At)]; code != "" {
		return []Finding{{code, map[string]string{"instrument": id}}}
	}
	return nil
}

// materialAgainst lists what stands against using a lot of a material at a moment, as the state knows it.
func (s *State) materialAgainst(v *version, code, name string, at time.Time) []string {
	l, _ := s.materials.get(code)
	return material.Against(l, v.Plan, name, at, s.DayOf(at))
}

// materialFindings notes what stood against using a lot of a material.
func (d *deciding) materialFindings(v *version, code, name string) []Finding {
	var out []Finding
	for _, x := range d.materialAgainst(v, code, name, d.cmd.At) {
		out = append(out, Finding{x, map[string]string{"material_lot": code, "material": name}})
	}
	return out
}

// suppliesFor notes what is wrong with the materials and the instrument of a step, and which material it wants and does
// not name. A plan without materials asks for none.
func (d *deciding) suppliesFor(v *version, b *LotMoved) []Finding {
	out := d.toolFindings(v, b.Instrument)
	if len(v.Plan.Materials) == 0 {
		return out
	}
	for i := range b.Materials {
		out = append(out, d.materialFindings(v, b.Materials[i].Lot, b.Materials[i].Material)...)
	}
	if d.cmd.Kind == KindLotEntered {
		return out // it may be named when the lot leaves
	}
	for i := range v.Plan.Materials {
		m := &v.Plan.Materials[i]
		named := func(name string) bool { return name == m.ID }
		if !slices.Contains(m.Steps, b.Step) || slices.ContainsFunc(b.Materials, func(u MaterialUse) bool { return named(u.Material) }) {
			continue
		}
		if l := d.knownLot(b.Lot, d.facts); l == nil || !slices.ContainsFunc(l.Materials, func(u UsedAt) bool { return u.Step == b.Step && named(u.Material) }) {
			out = append(out, Finding{material.NotNamed, map[string]string{"material": m.ID}})
		}
	}
	return out
}

// dosesAgainst notes what is wrong with the materials that went into a bath.
func (d *deciding) dosesAgainst(v *version, b *Bath) []Finding {
	var out []Finding
	for _, x := range dosesOf(b) {
		m := v.Plan.MaterialOf(x.Chemical)
		switch {
		case m == nil:
		case x.MaterialLot == "":
			out = append(out, Finding{material.NotNamed, map[string]string{"material": m.ID}})
		default:
			out = append(out, d.materialFindings(v, x.MaterialLot, m.ID)...)
		}
	}
	return out
}

// dosesOf lists what a report put into a bath.
func dosesOf(b *Bath) []BathDose {
	out := slices.Clip(b.First)
	if b.Chemical != "" {
		out = append(out, BathDose{Chemical: b.Chemical, MaterialLot: b.MaterialLot})
	}
	return out
}

// unsound lists what was not in order of the materials and instruments of x and that no evaluation of l covers.
func (s *State) unsound(x, l *LotState, f Facts, now time.Time) []Missing {
	var out []Missing
	add := func(m Missing) {
		m.Lot = x.Code
		same := func(o Missing) bool { return o.Supplied == m.Supplied && o.Code == m.Code }
		if i := slices.IndexFunc(out, same); i >= 0 {
			out[i].From = earliest(out[i].From, m.From)
			out[i].To = latest(out[i].To, m.To)
			return
		}
		if !s.suppliedEvaluated(l, m.Supplied) {
			out = append(out, m)
		}
	}
	s.materialsOf(x, f, now, add)
	s.toolsOf(x, f, now, add)
	return out
}

func earliest(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}

// suppliedEvaluated reports whether a signed evaluation of the lot covers a material or instrument as it stands now.
func (s *State) suppliedEvaluated(l *LotState, x Supplied) bool {
	var changed int64
	if m, ok := s.materials.get(x.MaterialLot); ok {
		changed = m.Judged
	}
	if t := s.Tool(x.Instrument); t != nil {
		changed = t.Touched
	}
	return slices.ContainsFunc(l.Evaluations, func(e Evaluation) bool {
		b := e.Body
		return b.Decision != EvaluatedUnfit && e.Head >= changed &&
			b.Instrument == x.Instrument && b.MaterialLot == x.MaterialLot && (b.Material == x.Material || x.MaterialLot != "")
	})
}

// materialsOf tells of every material that touched a lot and was not in order, and of those that are not named.
func (s *State) materialsOf(x *LotState, f Facts, now time.Time, add func(Missing)) {
	touched := func(v *version, code, name string, at time.Time) {
		l, _ := s.materials.get(code)
		for _, c := range append(s.materialAgainst(v, code, name, at), material.Since(l, at)...) {
			add(Missing{What: MissingMaterial, Code: c, Supplied: Supplied{Material: name, MaterialLot: code}, From: at, To: at})
		}
	}
	for i := range x.Materials {
		m := &x.Materials[i]
		if v := s.versionAt(m.At); v != nil && len(v.Plan.Materials) > 0 {
			touched(v, m.Lot, m.Material, m.At)
		}
	}
	for i := range x.Stays() {
		st := &x.Stays()[i]
		v := s.versionAt(st.From)
		if v == nil || st.Limbo {
			continue
		}
		for _, m := range v.Plan.Materials {
			named := func(u UsedAt) bool { return u.Step == st.Step && u.Material == m.ID }
			if slices.Contains(m.Steps, st.Step) && !slices.ContainsFunc(x.Materials, named) {
				add(Missing{What: MissingMaterial, Code: material.NotNamed, Step: st.Step, Supplied: Supplied{Material: m.ID}, From: st.From, To: st.To})
			}
		}
		to := st.To
		if to.IsZero() {
			to = now
		}
		for _, a := range s.dosed(st.Place, st.From, to, f) {
			for _, dose := range dosesOf(a.Body) {
				switch m := v.Plan.MaterialOf(dose.Chemical); {
				case m == nil:
				case dose.MaterialLot == "":
					add(Missing{What: MissingMaterial, Code: material.NotNamed, Place: st.Place, Supplied: Supplied{Material: m.ID}, From: a.At, To: a.At})
				default:
					touched(v, dose.MaterialLot, m.ID, a.At)
				}
			}
		}
	}
}

// dosed lists what was put into the water that was in a bath during a span: since its filling.
func (s *State) dosed(place string, from, to time.Time, f Facts) []BathAct {
	p, ok := s.places.get(place)
	if !ok {
		return nil
	}
	log := p.Log
	if events := f.Ranges[doseRange(place, from, p.From)]; len(events) > 0 {
		log = withForgotten(log, events)
	}
	since := from
	if w, in := fillingAt(fillingsOf(log), from); in {
		since = w.From
	}
	var out []BathAct
	for _, a := range log {
		if !a.At.Before(since) && !a.At.After(to) && a.Body != nil && (a.Kind == KindFilled || a.Kind == KindAdded) {
			out = append(out, a)
		}
	}
	return out
}

// withForgotten adds to the log of a bath what the state has forgotten of it, as it stands after its amendments.
func withForgotten(log []BathAct, events []*Event) []BathAct {
	id := func(a *BathAct) string { return a.ID }
	log = mergeActs(log, events, bathAct, orderBath, id)
	var gone []string
	for _, e := range events {
		switch b := e.Body.(type) {
		case *Voided:
			gone = append(gone, b.Target)
		case *Amended:
			i := slices.IndexFunc(log, func(a BathAct) bool { return a.ID == b.Target })
			if n, ok := b.New.(*Bath); ok && i >= 0 {
				log = slices.Clone(log)
				log[i].Body = n
			}
		}
	}
	return without(log, gone, id)
}

// doseRange names the records about a bath that a stay may rest on and that the state has forgotten.
func doseRange(place string, from, known time.Time) Range {
	return Range{About: "bath:" + place, From: from.Add(-actHorizon), To: known.Add(slack)}
}

// doseNeeds asks for what was put into the water of a bath before what the state remembers.
func (s *State) doseNeeds(st *lot.Stay, f Facts) Need {
	p, ok := s.places.get(st.Place)
	if !ok || p.From.IsZero() || st.From.Add(-actHorizon).After(p.From) {
		return Need{}
	}
	r := doseRange(st.Place, st.From, p.From)
	if _, have := f.Ranges[r]; have {
		return Need{}
	}
	return Need{Ranges: []Range{r}}
}

// toolsOf tells of every instrument that measured on or around a lot and was not in order.
func (s *State) toolsOf(x *LotState, f Facts, now time.Time, add func(Missing)) {
	s.measuredOn(x, f, now, func(id string, at time.Time) {
		v := s.versionAt(at)
		if v == nil || v.Plan.Instrument(id) == nil {
			return
		}
		if code := againstTool[s.ToolStanding(id, at)]; code != "" {
			add(Missing{What: MissingInstrument, Code: code, Supplied: Supplied{Instrument: id}, From: at, To: at})
		}
	})
}

// measuredOn calls fn with every instrument that a report on a lot names, and with those of the readings that show
// control over its stays.
func (s *State) measuredOn(x *LotState, f Facts, now time.Time, fn func(id string, at time.Time)) {
	for _, t := range x.Tools {
		fn(t.Instrument, t.At)
	}
	for i := range x.Stays() {
		st := &x.Stays()[i]
		v := s.versionAt(st.From)
		if v == nil || st.Limbo {
			continue
		}
		to := st.To
		if to.IsZero() {
			to = now
		}
		for j := range v.Plan.Points {
			pt := &v.Plan.Points[j]
			if !s.wantsProof(v, pt, st.Place) {
				continue
			}
			around := s.frequency(v, pt.ID, st.Place, st.From)
			s.eachSample(pt.ID, st.Place, f, func(m *control.Sample) {
				if m.At.Before(st.From.Add(-around)) || m.At.After(to.Add(around)) {
					return
				}
				for k := range m.Marks {
					for _, id := range m.Marks[k].Tools() {
						fn(id, m.At)
					}
				}
			})
		}
	}
}

// Instruments lists the instruments that measured on a lot, or showed control at its places while it was there.
func (s *State) Instruments(x *LotState, f Facts, now time.Time) []string {
	var out []string
	s.measuredOn(x, f, now, func(id string, _ time.Time) { out = with(out, id) })
	return out
}

// DosedAt is a lot of a material that went into the water of a bath.
type DosedAt struct {
	ID       string    `json:"id"` // of the record
	At       time.Time `json:"at"`
	Place    string    `json:"place"`
	Chemical string    `json:"chemical"`
	Lot      string    `json:"lot"`
}

// BathMaterials lists the lots of materials in the water of the baths that a lot was in.
func (s *State) BathMaterials(x *LotState, f Facts, now time.Time) []DosedAt {
	var out []DosedAt
	for i := range x.Stays() {
		st := &x.Stays()[i]
		to := st.To
		if to.IsZero() {
			to = now
		}
		for _, a := range s.dosed(st.Place, st.From, to, f) {
			for _, d := range dosesOf(a.Body) {
				if d.MaterialLot != "" {
					out = append(out, DosedAt{a.ID, a.At, st.Place, d.Chemical, d.MaterialLot})
				}
			}
		}
	}
	return out
}

// NotChecked lists what a release rests on and the system does not check by the plan in force at a moment: who signs
// confirms each.
func (s *State) NotChecked(at time.Time) []string {
	out := []string{"results"}
	v := s.versionAt(at)
	if v == nil || len(v.Plan.Materials) == 0 {
		out = append(out, "materials")
	}
	if v == nil || !v.Plan.ChecksInstruments() {
		out = append(out, "instruments")
	}
	return out
}

// TouchedBy lists the lots of product that a lot of a material went into, or that passed a bath whose water it had gone
// into, as far as the state and the facts hold them.
func (s *State) TouchedBy(l *material.Lot, f Facts, now time.Time) []string {
	var out []string
	for i := range l.Uses {
		if c := l.Uses[i].Lot; c != "" {
			out = with(out, c)
		}
	}
	for code, x := range s.lots.all() {
		for i := range x.Stays() {
			st := &x.Stays()[i]
			to := st.To
			if to.IsZero() {
				to = now
			}
			for _, a := range s.dosed(st.Place, st.From, to, f) {
				if slices.ContainsFunc(dosesOf(a.Body), func(d BathDose) bool { return d.MaterialLot == l.Code }) {
					out = with(out, code)
				}
			}
		}
	}
	return out
}
