package demo

import (
	"context"
	"encoding/base64"
	"fmt"
	"time"

	"linewarden/haccp"
	"linewarden/internal/plant"
)

// step is one thing that is recorded when the stepped clock shows a moment.
type step struct {
	clock   time.Time
	command *haccp.Command
	// then makes the command from what is recorded by then; all before it is waited for. A nil command
	// is left out.
	then func(p *player) (*haccp.Command, error)
}

// inFlight is how many commands are on their way at once, so that many share one write to the disk.
const inFlight = 48

// player gives the steps to the site, in their order.
type player struct {
	site     *plant.Site
	now      time.Time // the end
	waiting  []sent
	progress func(done, total int)
}

type sent struct {
	command *haccp.Command
	pending *plant.Pending
}

func (p *player) play(ctx context.Context, steps []step) error {
	for i, s := range steps {
		if s.clock.After(p.now) {
			break
		}
		if p.progress != nil && i%100 == 0 {
			p.progress(i, len(steps))
		}
		if err := p.one(ctx, s); err != nil {
			return err
		}
	}
	if p.progress != nil {
		p.progress(len(steps), len(steps))
	}
	return p.wait(ctx, 0)
}

func (p *player) one(ctx context.Context, s step) error {
	c := s.command
	if s.then != nil {
		if err := p.wait(ctx, 0); err != nil {
			return err
		}
		var err error
		if c, err = s.then(p); err != nil || c == nil {
			return err
		}
	}
	pending, err := p.site.Send(ctx, plant.Request{Command: c, Stepped: s.clock})
	if err != nil {
		return told(c, err)
	}
	p.waiting = append(p.waiting, sent{c, pending})
	return p.wait(ctx, inFlight)
}

// wait waits until no more than so many commands are on their way.
func (p *player) wait(ctx context.Context, most int) error {
	for len(p.waiting) > most {
		s := p.waiting[0]
		p.waiting = p.waiting[1:]
		if _, err := s.pending.Wait(ctx); err != nil {
			return told(s.command, err)
		}
	}
	return nil
}

func told(c *haccp.Command, err error) error {
	return fmt.Errorf("%s of %s at %s: %w", c.Kind, c.By.ID, c.At.Format(time.RFC3339), err)
}

// sign gives a signature for the log as it stands.
func (p *player) sign(meaning, statement string) haccp.Signature {
	head := p.site.Head()
	return haccp.Signature{Meaning: meaning, Statement: statement, Language: "en",
		Head: haccp.Head{Size: head.Size, Root: base64.StdEncoding.EncodeToString(head.Root[:])}}
}

// caseOf finds the open case that a record opened, or for a miss the open one at a place.
func (p *player) caseOf(ground, place, openedBy string) (*haccp.Deviation, error) {
	for _, c := range p.site.View().Cases() {
		if c.Ground == ground && c.Place == place && (openedBy == "" || c.OpenedBy == openedBy) {
			return c, nil
		}
	}
	return nil, fmt.Errorf("there is no open case of %s by %s", place, ground)
}
