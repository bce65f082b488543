package haccp

import (
	"slices"
	"time"
)

// PointAt returns one control point at one place as it stands; false where the plan in force has none.
func (s *State) PointAt(point, place string, now time.Time) (PointState, bool) {
	v := s.versionAt(now)
	if v == nil || v.points[point] == nil || !slices.Contains(v.points[point].Places, place) {
		return PointState{}, false
	}
	return s.pointState(v, v.points[point], place, now), true
}

// DueAt returns a check at a place as DueList has it; false where nothing is due.
func (s *State) DueAt(check, place string, now time.Time) (DueItem, bool) {
	v := s.versionAt(now)
	if v == nil || v.checks[check] == nil || !slices.Contains(v.checks[check].Places, place) {
		return DueItem{}, false
	}
	items := s.dueItems(v, v.checks[check], place, now)
	if len(items) == 0 {
		return DueItem{}, false
	}
	return items[0], true
}

// InUse reports whether a place is in service, filled where it is a bath, and its line running or holding product.
func (s *State) InUse(place string, now time.Time) bool {
	v := s.versionAt(now)
	return v != nil && s.placeInUse(v, place, now)
}

// LiveFrom returns the moment from which alerts are raised: the plan's live_from, but never before the first
// plan was signed. False before there is a plan.
func (s *State) LiveFrom(now time.Time) (time.Time, bool) {
	v := s.versionAt(now)
	if v == nil {
		return time.Time{}, false
	}
	if s.Planned.After(v.Plan.LiveFrom) {
		return s.Planned, true
	}
	return v.Plan.LiveFrom, true
}
