package plant

import (
	"context"

	"linewarden/haccp"
	"linewarden/internal/plant/codec"
	"linewarden/internal/plant/facts"
)

// Gather reads from the log what a question wants beyond a state: needs is asked until it wants nothing more. Records
// after those of the state are not seen.
func (s *Site) Gather(ctx context.Context, state *haccp.State, needs func(haccp.Facts) haccp.Need) (haccp.Facts, error) {
	return facts.New(s.opt.Log, codec.NewDecoder(), state.Size).Gather(ctx, func(f haccp.Facts) (haccp.Need, error) { return needs(f), nil })
}
