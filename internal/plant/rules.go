package plant

import (
	"time"

	"linewarden/haccp"
)

// rules decides and folds. Those of haccp are haccpRules; tests may use smaller ones.
type rules interface {
	Needs(s *haccp.State, c *haccp.Command, f haccp.Facts) (haccp.Need, error)
	Decide(s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error)
	DecideOn(s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error)
	NeedsApply(s *haccp.State, group []*haccp.Event, f haccp.Facts) (haccp.Need, error)
	Apply(s *haccp.State, group []*haccp.Event, f haccp.Facts) error
}

type haccpRules struct{}

func (haccpRules) Needs(s *haccp.State, c *haccp.Command, f haccp.Facts) (haccp.Need, error) {
	return s.Needs(c, f)
}

func (haccpRules) Decide(s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error) {
	return s.Decide(c, f, now)
}

func (haccpRules) DecideOn(s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error) {
	return s.DecideOn(c, f, now)
}

func (haccpRules) NeedsApply(s *haccp.State, group []*haccp.Event, f haccp.Facts) (haccp.Need, error) {
	return s.NeedsApply(group, f)
}

func (haccpRules) Apply(s *haccp.State, group []*haccp.Event, f haccp.Facts) error {
	return s.Apply(group, f)
}
