package haccp

import (
	"errors"
	"slices"
	"time"

	"linewarden/haccp/control"
	"linewarden/haccp/disinfection"
	"linewarden/haccp/lot"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// Exposure is what the readings of a control point show over the time of a lot at a place.
type Exposure struct {
	Lot     string        `json:"lot"`
	Step    string        `json:"step"`
	Place   string        `json:"place"`
	Point   string        `json:"point"`
	Name    string        `json:"name"`
	From    time.Time     `json:"from"`
	To      time.Time     `json:"to,omitzero"`        // zero: still there
	Assumed bool          `json:"assumed,omitempty"`  // a time is not recorded and as far out as the steps around it allow
	Wanted  bool          `json:"wanted,omitempty"`   // a release needs proof over the whole of it
	Longest time.Duration `json:"longest,omitempty"`  // most time between two readings: interval and grace; 0: the plan has none
	Before  *Shown        `json:"before,omitempty"`   // the last usable reading at or before From
	During  []Shown       `json:"during"`             // all readings between, usable or not
	After   *Shown        `json:"after,omitempty"`    // the first usable reading at or after To
	Gaps    []lot.Gap     `json:"gaps"`               // stretches without proof; none where the plan has no interval
	Ct      *CtShown      `json:"ct,omitempty"`       // of a bath with free chlorine
	CtLacks string        `json:"ct_lacks,omitempty"` // why there is none
}

// Shown is a reading as the evidence of a lot names it.
type Shown struct {
	ID          string            `json:"id"`
	At          time.Time         `json:"at"`
	By          string            `json:"by"` // printed name
	Values      []ShownValue      `json:"values"`
	Verdict     string            `json:"verdict"` // the worst
	Usable      bool              `json:"usable"`  // it may show control
	Instruments []string          `json:"instruments,omitempty"`
	Verdicts    []control.Verdict `json:"-"`
}

// ShownValue is one value of a reading, as typed or computed.
type ShownValue struct {
	Quantity string         `json:"quantity"`
	As       string         `json:"as,omitempty"` // chlorine: Cl2 or NaOCl
	Value    quantity.Value `json:"value"`
}

// CtShown is concentration times time of the shortest contact there was, from the last part in to the first out. It
// is shown as evidence; it is no ground for a release unless the plan names a validation of this process.
type CtShown struct {
	Lowest    float64       `json:"lowest"`    // mg min/L: between two readings the lower of the two
	Trapezoid float64       `json:"trapezoid"` // mg min/L: straight from reading to reading
	Contact   time.Duration `json:"contact"`
	Readings  int           `json:"readings"`
}

// Why there is no Ct.
const (
	CtNoTimes    = "times-not-recorded"
	CtNotBetween = "not-between-readings"
	CtNoValue    = "no-single-value"
)

// exposed is a control point at a stay of a lot.
type exposed struct {
	stay  *lot.Stay
	point *plan.Point
	v     *version
	every time.Duration
}

// exposures lists the points that a lot passed; places it may have come to and nothing shows that it did are left out.
func (s *State) exposures(l *LotState) []exposed {
	var out []exposed
	for i := range l.Stays() {
		st := &l.Stays()[i]
		v := s.versionAt(st.From)
		if st.Limbo || v == nil {
			continue
		}
		for j := range v.Plan.Points {
			pt := &v.Plan.Points[j]
			if pt.Clock == nil && slices.Contains(pt.Places, st.Place) {
				out = append(out, exposed{st, pt, v, s.frequency(v, pt.ID, st.Place, st.From)})
			}
		}
	}
	return out
}

// around is how far beside a stay readings are looked for.
func (x *exposed) around() time.Duration {
	if x.every == 0 {
		return 24 * time.Hour
	}
	return 2*x.every + time.Hour
}

// ranges names the records that the evidence of a stay is in.
func (s *State) ranges(x *exposed, now time.Time) []Range {
	to := x.stay.To
	if to.IsZero() || to.After(now) {
		to = now
	}
	var out []Range
	for _, about := range s.aboutSeries(key(x.point.ID, x.stay.Place)) {
		out = append(out, Range{about, x.stay.From.Add(-x.around()).Truncate(time.Minute), to.Add(x.around()).Truncate(time.Minute)})
	}
	return out
}

// ExposureNeeds asks for the readings over the stays of lots and around them.
func (s *State) ExposureNeeds(codes []string, f Facts, now time.Time) Need {
	var need Need
	seen := map[Range]bool{}
	for _, code := range codes {
		l, ok := s.lots.get(code)
		if !ok {
			continue
		}
		for _, x := range s.exposures(l) {
			for _, r := range s.ranges(&x, now) {
				if _, have := f.Ranges[r]; !have && !seen[r] {
					seen[r] = true
					need.Ranges = append(need.Ranges, r)
				}
			}
		}
	}
	return need
}

// Exposures gives the evidence of a lot, point by point in the order of its way. Facts hold what ExposureNeeds asked for.
func (s *State) Exposures(code string, f Facts, now time.Time) []Exposure {
	l, ok := s.lots.get(code)
	if !ok {
		return nil
	}
	var out []Exposure
	for _, x := range s.exposures(l) {
		st := x.stay
		e := Exposure{Lot: code, Step: st.Step, Place: st.Place, Point: x.point.ID, Name: x.point.Name, From: st.From, To: st.To,
			Assumed: st.NoFrom || st.NoTo && !st.To.IsZero(), Wanted: s.wantsProof(x.v, x.point, st.Place), Longest: x.every, During: []Shown{}, Gaps: []lot.Gap{}}
		var events []*Event
		for _, r := range s.ranges(&x, now) {
			events = append(events, f.Ranges[r]...)
		}
		slices.SortFunc(events, func(a, b *Event) int { return int(a.Seq - b.Seq) })
		readings := s.shownOf(events, x.point.ID, st.Place)
		var usable []time.Time
		for i := range readings {
			r := &readings[i]
			if r.Usable {
				usable = append(usable, r.At)
			}
			e.place(r)
		}
		if x.every > 0 {
			e.Gaps = append(e.Gaps, lot.Gaps(st.From, st.To, usable, x.every, now)...)
		}
		e.contact(st, readings)
		out = append(out, e)
	}
	return out
}

// place sorts a reading before, into or after the stay; readings come in their order.
func (e *Exposure) place(r *Shown) {
	switch {
	case !r.At.After(e.From):
		if r.Usable {
			e.Before = r
		}
		if r.At.Equal(e.From) {
			e.During = append(e.During, *r)
		}
	case e.To.IsZero() || !r.At.After(e.To):
		e.During = append(e.During, *r)
		if e.After == nil && r.Usable && r.At.Equal(e.To) {
			e.After = r
		}
	case e.After == nil && r.Usable:
		e.After = r
	}
}

// shownOf gives the readings of a point at a place as they stand, in their order.
func (s *State) shownOf(events []*Event, point, place string) []Shown {
	events = slices.CompactFunc(events, func(a, b *Event) bool { return a.Seq == b.Seq })
	by, standing := map[string]*Event{}, map[string]*Reading{}
	for _, e := range events {
		switch b := e.Body.(type) {
		case *Reading:
			by[e.ID], standing[e.ID] = e, b
		case *Amended:
			if r, ok := b.New.(*Reading); ok {
				standing[b.Target] = r
			}
		default:
		}
	}
	var out []Shown
	for _, x := range s.samplesOf(events, point, place) {
		r := standing[x.ID]
		sh := Shown{ID: x.ID, At: x.At, By: by[x.ID].By.Name, Verdicts: verdictsOf(r.Verdicts, point)}
		sh.Verdict = control.Worst(sh.Verdicts)
		sh.Usable = !slices.ContainsFunc(x.Marks, func(m control.Mark) bool { return !m.Usable })
		for i := range r.Entries {
			n := &r.Entries[i]
			sh.Values = append(sh.Values, ShownValue{n.Quantity, n.As, n.Result()})
			if n.Instrument != "" {
				sh.Instruments = with(sh.Instruments, n.Instrument)
			}
		}
		out = append(out, sh)
	}
	return out
}

// contact works out the Ct of a stay in a bath whose point judges free chlorine.
func (e *Exposure) contact(st *lot.Stay, readings []Shown) {
	var levels []disinfection.Reading
	chlorine, single := false, true
	for i := range readings {
		if !readings[i].Usable && readings[i].Verdict != control.Outside {
			continue
		}
		for _, v := range readings[i].Values {
			if v.Quantity != string(quantity.FreeChlorine) {
				continue
			}
			chlorine = true
			level, ok := v.countedOn()
			single = single && ok
			levels = append(levels, disinfection.Reading{At: readings[i].At, MgPerL: level})
		}
	}
	if !chlorine {
		return
	}
	from, to := st.LastIn, st.FirstOut
	switch {
	case !single:
		e.CtLacks = CtNoValue
		return
	case st.NoFrom || st.NoTo || from.IsZero() || to.IsZero():
		e.CtLacks = CtNoTimes
		return
	case to.Before(from): // parts left before the last had come: no contact is proved
		to = from
	}
	x, err := disinfection.Ct(levels, from, to)
	switch {
	case errors.Is(err, disinfection.ErrNotBracketed):
		e.CtLacks = CtNotBetween
	case err != nil:
		e.CtLacks = CtNoValue
	default:
		e.Ct = &CtShown{Lowest: x.Lowest.Value, Trapezoid: x.Trapezoid.Value, Contact: to.Sub(from), Readings: x.Readings}
	}
}

// countedOn gives the free chlorine, mg/L as Cl2, that may be counted on: nothing for below, the bound for above, the
// lower end of a band. A value on another basis is none.
func (v *ShownValue) countedOn() (float64, bool) {
	n, ok := v.Value.Number()
	switch v.Value.Kind() {
	case quantity.KindBelow:
		return 0, true
	case quantity.KindBand:
		n, _ = v.Value.Ends()
		ok = true
	}
	q, err := quantity.Get(quantity.FreeChlorine)
	if err != nil || !ok || v.As != "" && v.As != "Cl2" {
		return 0, false
	}
	mg, err := q.Convert(n, v.Value.Unit(), quantity.MgPerL, 6)
	if err != nil {
		return 0, false
	}
	return mg.Float64(), true
}
