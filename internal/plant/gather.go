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
	return facts.New(s.opt.Log, codec.NewDecoder(), state.Size).GatherOn(ctx, had, func(f haccp.Facts) (haccp.Need, error) { return needs(f), nil })
}
