package haccp

import (
	"slices"
	"strings"
	"time"

	"linewarden/haccp/chemistry"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// FindingBelowFloor says that the pH lies below the plan's floor for the place: chlorine gas may come off.
const FindingBelowFloor = "below-ph-floor"

// withHOCl adds to the values of a reading the hypochlorous acid of its sample where a limit is on it, and to the
// reading the entry that records it; where it cannot be had, a value that says why not.
func withHOCl(r *Reading, v *version, values []control.Measured) []control.Measured {
	places := -1
	for _, l := range v.limitsAt(r.Check, r.Place) {
		for _, a := range []*plan.Amount{l.Min, l.Max} {
			if l.Computed() && a != nil {
				places = max(places, a.Value.Scale())
			}
		}
	}
	if places < 0 {
		return values
	}
	m := control.Measured{Quantity: string(quantity.HOCl)}
	m.Value, m.Reason = chemistry.HOCl(v.Plan, r.Place, values, places+1)
	if m.Reason == "" {
		value := m.Value
		r.Entries = append(r.Entries, Entry{Quantity: m.Quantity, Value: &value, Formula: chemistry.HOClFormula()})
	}
	return append(values, m)
}

// floorFinding notes a pH below the plan's floor.
func floorFinding(r *Reading, v *version, values []control.Measured) []Finding {
	if !chemistry.BelowFloor(v.Plan, r.Place, values) {
		return nil
	}
	return []Finding{{FindingBelowFloor, map[string]string{"floor": v.places[r.Place].PHFloor.String()}}}
}

// LevelAt is a reading of the free chlorine of a bath in mg/L as Cl2, of a check that asks for forecasts.
type LevelAt struct {
	ID   string    `json:"id"`
	At   time.Time `json:"at"`
	Free float64   `json:"free"`
	Lots string    `json:"lots,omitempty"`
}

// AheadAt is a test that a forecast wants, by the reading that it was recorded with.
type AheadAt struct {
	ID    string    `json:"id"`
	At    time.Time `json:"at"`
	Check string    `json:"check"`
	Test  time.Time `json:"test"`
}

// maxLevels bounds the levels kept of a bath: those of more than a day at one a minute.
const maxLevels = 2000

// maxFitted is how many of the newest levels a forecast rests on: the fit runs while others wait for the writer,
// and takes some 0.6 ms for so many.
const maxFitted = 100

// levelOf gives the free chlorine of a reading as a level; false where it is none: imported, at a typed time,
// not a plain number, or by another instrument than that of record.
func levelOf(e *Event, r *Reading, v *version) (LevelAt, bool) {
	if e.AtKnown != AtDevice && e.AtKnown != AtServer || v == nil || v.checks[r.Check] == nil || !chemistry.Forecasts(v.checks[r.Check]) {
		return LevelAt{}, false
	}
	i := slices.IndexFunc(r.Entries, func(x Entry) bool { return x.Quantity == string(quantity.FreeChlorine) })
	if i < 0 || r.Entries[i].Result().Kind() != quantity.KindExact {
		return LevelAt{}, false
	}
	for _, l := range v.limitsAt(r.Check, r.Place) {
		if l.Quantity == string(quantity.FreeChlorine) && l.Instrument != "" && l.Instrument != r.Entries[i].Instrument {
			return LevelAt{}, false
		}
	}
	d, _ := r.Entries[i].Result().Number()
	return LevelAt{ID: e.ID, At: e.At, Free: d.Float64(), Lots: strings.Join(r.Lots, ",")}, true
}

// foldLevel keeps the level of a reading, and the test that its forecast wants.
func (s *State) foldLevel(e *Event, r *Reading) {
	level, ok := levelOf(e, r, s.numbered(r.PlanVersion))
	wants := r.Forecast != nil && !r.Forecast.Test.IsZero()
	if !ok && !wants && r.Forecast == nil {
		return
	}
	p := PlaceState{ID: r.Place}
	if old, had := s.places.get(r.Place); had {
		p = *old
	}
	if ok {
		p.Levels = p.Levels.insert(level, func(a, b *LevelAt) int { return byTime(a.At, b.At, a.ID, b.ID) }).trim(slack, func(l *LevelAt) time.Time { return l.At })
		p.Levels = p.Levels.drop(max(0, p.Levels.len()-maxLevels))
	}
	if r.Forecast != nil && (p.Forecast == nil || !e.At.Before(p.Forecast.At)) {
		p.Forecast = &ForecastAt{ID: e.ID, At: e.At, Check: r.Check, Crossings: r.Forecast.Crossings}
	}
	if wants {
		p.Ahead = keep(insert(p.Ahead, AheadAt{ID: e.ID, At: e.At, Check: r.Check, Test: r.Forecast.Test},
			func(a, b *AheadAt) int { return byTime(a.At, b.At, a.ID, b.ID) }), slack, func(a *AheadAt) time.Time { return a.At })
	}
	s.setPlace(&p)
}

// dropLevel forgets what a reading said that was voided or amended.
func (s *State) dropLevel(place, id string) {
	p, ok := s.places.get(place)
	if !ok || !p.Levels.contains(func(l *LevelAt) bool { return l.ID == id }) && !slices.ContainsFunc(p.Ahead, func(a AheadAt) bool { return a.ID == id }) && !p.Forecast.of(id) {
		return
	}
	next := *p
	if p.Forecast.of(id) {
		next.Forecast = nil // the next reading forecasts anew
	}
	next.Levels = p.Levels.change(func(l LevelAt) (LevelAt, bool) { return l, l.ID != id })
	next.Ahead = without(p.Ahead, []string{id}, func(a *AheadAt) string { return a.ID })
	s.setPlace(&next)
}

// forecast says what the readings of the bath since its last addition, filling or start say about the time to
// come (RULES 4.4); nil where the plan asks for none, the time was typed, or a newer reading is known already.
func (d *deciding) forecast(r *Reading) *chemistry.Forecast {
	v := d.versionAt(d.cmd.At)
	if v == nil || v.checks[r.Check] == nil || !chemistry.Forecasts(v.checks[r.Check]) || v.places[r.Place] == nil || d.cmd.AtKnown == AtTyped {
		return nil
	}
	p, _ := d.places.get(r.Place)
	if p == nil {
		return nil
	}
	if last := p.Levels.last(); last != nil && last.At.After(d.cmd.At) {
		return nil
	}
	at := d.cmd.At.UTC().Truncate(time.Millisecond)
	since, mixed := stretchSince(p.Log, at, v.places[r.Place].Mixing.Std())
	if line := v.places[r.Place].Line; line != "" {
		l, _ := d.lines.get(line)
		start := runningSince(l, at)
		if start.IsZero() {
			return chemistry.None(chemistry.ReasonLineStopped, since, 0)
		}
		if start.After(since) {
			since = start
		}
		mixed = latest(mixed, since)
	}
	now, ok := levelOf(&Event{At: at, AtKnown: d.cmd.AtKnown}, r, v)
	if !ok {
		return chemistry.None(chemistry.ReasonNoNumber, since, 0)
	}
	levels := []chemistry.Level{{At: at, Free: now.Free}}
	for x := range p.Levels.backward() {
		if x.At.Before(mixed) || x.Lots != now.Lots || len(levels) == maxFitted {
			break // until lots are recorded, other lot codes count as another type
		}
		levels = append(levels, chemistry.Level{At: x.At, Free: x.Free})
	}
	slices.Reverse(levels)
	c := d.dueContext(r.Check, r.Place)
	c.Forecasts = nil
	due, _ := control.Next(c, at)
	return chemistry.Predict(since, levels, v.limitsAt(r.Check, r.Place), stepOf(v.Plan, r), due.At)
}

// stretchSince gives the last change of the water of a bath by a moment, and from when it was mixed; zero where
// there was none.
func stretchSince(log []BathAct, at time.Time, mixing time.Duration) (since, mixed time.Time) {
	for i := range log {
		if a := &log[i]; !a.At.After(at) && (happening[a.Kind] != "" || a.Kind == KindDrained) {
			since, mixed = a.At, a.At.Add(mixing)
		}
	}
	return since, mixed
}

// runningSince gives the start of the run in which a line was at a moment, zero where it stood.
func runningSince(l *LineState, at time.Time) time.Time {
	if l == nil {
		return time.Time{}
	}
	for _, r := range runsOf(l.Acts) {
		if !r.From.After(at) && (r.To.IsZero() || at.Before(r.To)) {
			return r.From
		}
	}
	return time.Time{}
}

// stepOf gives the smallest step, in mg/L, of the method that free chlorine was read with; 0 where not known.
func stepOf(p *plan.Plan, r *Reading) float64 {
	for i := range r.Entries {
		for _, m := range p.Methods {
			if e := &r.Entries[i]; e.Quantity == string(quantity.FreeChlorine) && m.ID == e.Method && m.Step != nil {
				return m.Step.Float64()
			}
		}
	}
	return 0
}
