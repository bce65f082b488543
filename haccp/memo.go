package haccp

import (
	"fmt"
	"slices"
	"time"

	"linewarden/haccp/lot"
	"linewarden/haccp/plan"
)

// version is one plan version with its look-up tables.
type version struct {
	plan.Signed
	zone    *time.Location
	points  map[string]*plan.Point
	checks  map[string]*plan.Check
	places  map[string]*plan.Place
	lines   map[string]*plan.Line
	methods map[string]*plan.Method
	classes map[plan.Class]*plan.ClassRule
	limits  map[checkAt][]*plan.Limit // that a check touches at a place
}

// memo is derived from the plan versions and, but for forecasts, is not changed once made, so that forks may
// share it.
type memo struct {
	versions []*version
	way      *lot.Way // the flow of the newest version's steps
	// effective are the versions that judge anything, in the order in which they come into force: one that
	// a later one replaced before it began is left out.
	effective []*version
	// judged lists, for a point, its limits in any version that open cases.
	judged map[string][]string
	// feeds lists, for a "check@place", every "point@place" it has served in any version.
	feeds map[string][]string
	// checksOf lists, for a "point@place", every "check@place" that has served it in any version.
	checksOf map[string][]string
	// seriesAt lists every "point@place" of a place in any version.
	seriesAt map[string][]string
	// placesOf lists the places of a line in any version.
	placesOf map[string][]string
	// checksAt lists every "check@place" of a place in any version.
	checksAt map[string][]string
	// checkPlaces lists every "check@place" of any version.
	checkPlaces []string
	// forecasts holds what was found out about the next due of every check at a place; see forecast.
	forecasts map[checkAt]*forecast
}

func newMemo() *memo {
	return &memo{way: lot.NewWay(&plan.Plan{}), judged: map[string][]string{}, feeds: map[string][]string{}, checksOf: map[string][]string{}, seriesAt: map[string][]string{}, placesOf: map[string][]string{}, checksAt: map[string][]string{},
		forecasts: map[checkAt]*forecast{}}
}

// key joins an id and a place, as in "point@place".
func key(id, place string) string { return id + "@" + place }

func indexPlans(signed []plan.Signed, zones Zones) (*memo, error) {
	m := newMemo()
	if n := len(signed); n > 0 {
		m.way = lot.NewWay(signed[n-1].Plan)
	}
	for _, sp := range signed {
		v, err := indexPlan(sp, zones)
		if err != nil {
			return nil, err
		}
		m.versions = append(m.versions, v)
		m.add(v)
	}
	for _, list := range []map[string][]string{m.checksOf, m.seriesAt, m.placesOf, m.checksAt, m.judged, m.feeds} {
		for k := range list {
			slices.Sort(list[k])
			list[k] = slices.Compact(list[k])
		}
	}
	slices.Sort(m.checkPlaces)
	m.checkPlaces = slices.Compact(m.checkPlaces)
	m.indexForecasts()
	return m, nil
}

func indexPlan(sp plan.Signed, zones Zones) (*version, error) {
	p := sp.Plan
	zone, err := zones(p.Zone)
	if err != nil {
		return nil, fmt.Errorf("plan version %d: time zone %q: %w", sp.Version, p.Zone, err)
	}
	v := &version{Signed: sp, zone: zone,
		points:  byID(p.Points, func(x *plan.Point) string { return x.ID }),
		checks:  byID(p.Checks, func(x *plan.Check) string { return x.ID }),
		places:  byID(p.Places, func(x *plan.Place) string { return x.ID }),
		lines:   byID(p.Lines, func(x *plan.Line) string { return x.ID }),
		methods: byID(p.Methods, func(x *plan.Method) string { return x.ID }),
		classes: map[plan.Class]*plan.ClassRule{}}
	for i := range p.Classes {
		v.classes[p.Classes[i].Class] = &p.Classes[i]
	}
	v.indexLimits()
	return v, nil
}

func (v *version) indexLimits() {
	v.limits = map[checkAt][]*plan.Limit{}
	for _, c := range v.checks {
		for _, point := range c.Points {
			p := v.points[point]
			if p == nil {
				continue
			}
			for _, place := range p.Places {
				for i := range p.Limits {
					v.limits[checkAt{c.ID, place}] = append(v.limits[checkAt{c.ID, place}], &p.Limits[i])
				}
			}
		}
	}
}

func byID[T any](list []T, id func(*T) string) map[string]*T {
	m := make(map[string]*T, len(list))
	for i := range list {
		m[id(&list[i])] = &list[i]
	}
	return m
}

func (m *memo) add(v *version) {
	m.effective = append(slices.DeleteFunc(m.effective, func(x *version) bool { return !x.From.Before(v.From) }), v)
	for _, pt := range v.Plan.Points {
		for _, l := range pt.Limits {
			if l.Kind != plan.Operating {
				m.judged[pt.ID] = append(m.judged[pt.ID], l.ID)
			}
		}
	}
	for _, pl := range v.Plan.Places {
		if pl.Line != "" {
			m.placesOf[pl.Line] = append(m.placesOf[pl.Line], pl.ID)
		}
	}
	for _, c := range v.Plan.Checks {
		for _, place := range c.Places {
			m.checkPlaces = append(m.checkPlaces, key(c.ID, place))
			m.checksAt[place] = append(m.checksAt[place], key(c.ID, place))
			for _, point := range c.Points {
				if pt := v.points[point]; pt != nil && slices.Contains(pt.Places, place) {
					k := key(point, place)
					m.checksOf[k] = append(m.checksOf[k], key(c.ID, place))
					m.seriesAt[place] = append(m.seriesAt[place], k)
					m.feeds[key(c.ID, place)] = append(m.feeds[key(c.ID, place)], k)
				}
			}
		}
	}
}

// versionAt returns the version that judges what happened at a moment: the last signed of those in
// force by then; nil before the first.
func (s *State) versionAt(at time.Time) *version {
	for _, v := range slices.Backward(s.memo.versions) {
		if !v.From.After(at) {
			return v
		}
	}
	return nil
}

// numbered returns a plan version by its number, nil for none.
func (s *State) numbered(n int) *version {
	if n < 1 || n > len(s.memo.versions) {
		return nil
	}
	return s.memo.versions[n-1]
}

// everCheck returns the newest plan's idea of a check, nil where no version ever had it.
func (s *State) everCheck(id string) *plan.Check {
	return ever(s, func(v *version) *plan.Check { return v.checks[id] })
}

func (s *State) everPlace(id string) *plan.Place {
	return ever(s, func(v *version) *plan.Place { return v.places[id] })
}

func (s *State) everPoint(id string) *plan.Point {
	return ever(s, func(v *version) *plan.Point { return v.points[id] })
}

func (s *State) everLine(id string) *plan.Line {
	return ever(s, func(v *version) *plan.Line { return v.lines[id] })
}

func ever[T any](s *State, find func(*version) *T) *T {
	for _, v := range slices.Backward(s.memo.versions) {
		if t := find(v); t != nil {
			return t
		}
	}
	return nil
}

// PlanAt returns the plan version that judges what happens at a moment, false before the first.
func (s *State) PlanAt(at time.Time) (plan.Signed, bool) {
	if v := s.versionAt(at); v != nil {
		return v.Signed, true
	}
	return plan.Signed{}, false
}

// Zone returns the site's time zone as the newest plan states it; UTC before the first plan.
func (s *State) Zone() *time.Location {
	if n := len(s.memo.versions); n > 0 {
		return s.memo.versions[n-1].zone
	}
	return time.UTC
}
