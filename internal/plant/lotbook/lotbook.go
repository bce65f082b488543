// Package lotbook reads from the log what was recorded about lots, one lot at a time, for whoever writes it out: a year of
// lots costs the memory of their codes and of one lot's records.
package lotbook

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/internal/plant"
)

// Asked says which lots, and which of their records. What is empty has no bound.
type Asked struct {
	From, To     time.Time // From <= at < To
	Lot          string    // this one only
	First, Until string    // lots from this code up to and with that one, as texts compare
}

// Most bounds the lots of one export.
const Most = 200_000

// errTooMany says that an export would hold more lots than Most.
var errTooMany = &haccp.Refusal{Kind: haccp.ErrInvalid, Field: "to", Code: "too-much", Message: "the export takes in too many lots: ask for a shorter period or fewer lots"}

// kinds that lots appear with in an export.
var kinds = []string{haccp.KindLotReceived, haccp.KindLotFed, haccp.KindLotLeft, haccp.KindLotShipped}

// Codes lists the lots with records of the kinds of an export, sorted.
func Codes(ctx context.Context, f plant.Finder, a Asked) ([]string, error) {
	if a.Lot != "" {
		events, err := Of(ctx, f, a, a.Lot)
		if err != nil || len(events) == 0 {
			return nil, err
		}
		return []string{a.Lot}, nil
	}
	seen := map[string]bool{}
	for _, kind := range kinds {
		for e, err := range plant.Each(ctx, f, plant.Query{Kind: kind, From: a.From, To: a.To}) {
			if err != nil {
				return nil, fmt.Errorf("read lots: %w", err)
			}
			for _, key := range e.About {
				code, is := strings.CutPrefix(key, "lot:")
				if !is || a.First != "" && code < a.First || a.Until != "" && code > a.Until {
					continue
				}
				if seen[code] = true; len(seen) > Most {
					return nil, errTooMany
				}
			}
		}
	}
	out := make([]string, 0, len(seen))
	for code := range seen {
		out = append(out, code)
	}
	slices.Sort(out)
	return out, nil
}

// Of gives the records about a lot in the period, and those that changed them, whenever.
func Of(ctx context.Context, f plant.Finder, a Asked, code string) ([]*haccp.Event, error) {
	out, err := plant.All(ctx, f, plant.Query{About: "lot:" + code, From: a.From, To: a.To})
	if err != nil {
		return nil, fmt.Errorf("read lots: %w", err)
	}
	return out, nil
}

// Products tells what lots are called: as they were received, else as what they were made of. It keeps what it found.
type Products struct {
	ctx   context.Context //nolint:containedctx // one Products serves one export
	find  plant.Finder
	known map[string]string
}

// NewProducts begins with nothing known.
func NewProducts(ctx context.Context, f plant.Finder) *Products {
	return &Products{ctx: ctx, find: f, known: map[string]string{}}
}

// Of tells what a lot is called, nothing where no record says.
func (p *Products) Of(code string) (string, error) {
	if name, ok := p.known[code]; ok {
		return name, nil
	}
	p.known[code] = "" // a lot that was made of itself has no name by that
	events, err := Of(p.ctx, p.find, Asked{}, code)
	if err != nil {
		return "", err
	}
	name := ""
	var from []string
	for _, e := range events {
		switch b := e.Body.(type) {
		case *haccp.LotReceived:
			if b.Product != "" {
				name = b.Product
			}
		case *haccp.LotFed:
			if slices.ContainsFunc(b.To, func(x haccp.LotPart) bool { return x.Lot == code }) {
				for _, x := range b.From {
					from = append(from, x.Lot)
				}
			}
		}
	}
	for _, x := range from {
		if name != "" {
			break
		}
		if name, err = p.Of(x); err != nil {
			return "", err
		}
	}
	p.known[code] = name
	return name, nil
}
