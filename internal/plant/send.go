package plant

import (
	"context"
	"fmt"
)

// Pending is a command that was handed in and is not answered yet.
type Pending struct {
	site *Site
	job  *job
}

// Send hands in a command and does not wait for the answer. Commands of one goroutine are decided in the
// order in which it sent them, so that long work can have several on their way. An error says that the
// command was not taken; see Do.
func (s *Site) Send(ctx context.Context, r Request) (*Pending, error) {
	j, err := s.newJob(ctx, r)
	if err == nil {
		err = s.enqueue(j)
	}
	if err != nil {
		s.metrics.refused(err)
		return nil, err
	}
	return &Pending{s, j}, nil
}

// Wait waits for the answer of a command that was sent; it is called once. Results and errors are those
// of Do.
func (p *Pending) Wait(ctx context.Context) (Result, error) {
	select {
	case a := <-p.job.done:
		p.site.metrics.refused(a.err)
		return a.result, a.err
	case <-ctx.Done():
		return Result{}, fmt.Errorf("command %s: %w", p.job.command.ID, ctx.Err())
	}
}
