package plant

import (
	"time"

	"linewarden/haccp"
)

// rules decides and folds. Those of haccp are haccpRules; tests may use smaller ones.
type rules interface {
	Needs(s *haccp.State, c *haccp.Command, f haccp.Facts) (haccp.Need, error)
	Decide(s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error)
	NeedsApply(s *haccp.State, group []*haccp.Event, f haccp.Facts) (haccp.Need, error)
	Apply(s *haccp.State, group []*haccp.Event, f haccp.Facts) error
}

// haccpRules are the rules of haccp.
type haccpRules struct{}

func (haccpRules) Needs(s *haccp.State, c *haccp.Command, f haccp.Facts) (haccp.Need, error) {
	return any(s).(interface {
		Needs(*haccp.Command, haccp.Facts) (haccp.Need, error)
	}).Needs(c, f)
}

func (haccpRules) Decide(s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error) {
	return any(s).(interface {
		Decide(*haccp.Command, haccp.Facts, time.Time) (*haccp.Outcome, error)
	}).Decide(c, f, now)
}

func (haccpRules) NeedsApply(s *haccp.State, group []*haccp.Event, f haccp.Facts) (haccp.Need, error) {
	return any(s).(interface {
		NeedsApply([]*haccp.Event, haccp.Facts) (haccp.Need, error)
	}).NeedsApply(group, f)
}

func (haccpRules) Apply(s *haccp.State, group []*haccp.Event, f haccp.Facts) error {
	return any(s).(interface {
		Apply([]*haccp.Event, haccp.Facts) error
	}).Apply(group, f)
}
