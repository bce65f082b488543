package plant

import (
	"context"

	"linewarden/haccp"
	"linewarden/internal/plant/codec"
	"linewarden/internal/plant/facts"
)

// Gather reads from the log what a question wants beyond a state, and adds it to what was read for it before: needs is
// asked until it wants nothing more. Records after those of the state are not seen.
func (s *Site) Gather(ctx context.Context, state *haccp.State, had haccp.Facts, needs func(haccp.Facts) haccp.Need) (haccp.Facts, error) {
	return s.Gatherer(state).Gather(ctx, had, needs)
}

// Gatherer reads for several questions about one state; what they want alike is read once. It is of one goroutine.
type Gatherer struct{ library *facts.Library }

// Gatherer gives one for a state.
func (s *Site) Gatherer(state *haccp.State) Gatherer {
	return Gatherer{facts.New(s.opt.Log, codec.NewDecoder(), state.Size)}
}

// Gather answers one question, as Site.Gather does.
func (g Gatherer) Gather(ctx context.Context, had haccp.Facts, needs func(haccp.Facts) haccp.Need) (haccp.Facts, error) {
	return g.library.GatherOn(ctx, had, func(f haccp.Facts) (haccp.Need, error) { return needs(f), nil })
}

// MostRanges bounds the ranges of records that are read for one question.
const MostRanges = 20_000

// Bounded asks needs for no more once the facts would hold more than MostRanges; then much is true.
func Bounded(needs func(haccp.Facts) haccp.Need) (bounded func(haccp.Facts) haccp.Need, much *bool) {
	much = new(bool)
	return func(had haccp.Facts) haccp.Need {
		need := needs(had)
		if *much = len(had.Ranges)+len(need.Ranges) > MostRanges; *much {
			return haccp.Need{}
		}
		return need
	}, much
}
