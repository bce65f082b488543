package lot

import (
	"cmp"
	"fmt"
	"slices"
	"time"
)

// Edges writes down what a book finds into and out of a lot, sorted.
func (b *Book) Edges(code string) (in, out []string) {
	return edgesOf(b.into(code)), edgesOf(b.outOf(code))
}

// Meeting lists the stays that a book finds at a place in [from, to].
func (b *Book) Meeting(place string, from, to time.Time) []string {
	var out []string
	for h := range b.at.meeting(place, from, to) {
		out = append(out, fmt.Sprintf("%s %+v", h.lot, *h.stay))
	}
	slices.Sort(out)
	return out
}

func edgesOf(edges []edge) []string {
	var out []string
	for _, e := range edges {
		how, kg := Heel, ""
		if e.feed != nil {
			how = e.feed.ID
		}
		if e.mass != nil {
			kg = e.mass.String()
		}
		out = append(out, fmt.Sprintf("%s > %s %s %s %s %s", e.from, e.to, e.at.Format(time.RFC3339), e.end.Format(time.RFC3339), how, kg))
	}
	slices.Sort(out)
	return out
}

// Plain holds the edges of all lots and the stays at all places, found by going through everything in order of time:
// what the book must find by looking only where it has to.
type Plain struct {
	ins, outs map[string][]edge
	at        map[string][]*run
}

// PlainOf goes through all lots of a book.
func PlainOf(b *Book) *Plain {
	p := &Plain{ins: map[string][]edge{}, outs: map[string][]edge{}, at: map[string][]*run{}}
	for _, code := range b.Codes() {
		l := b.Lot(code)
		for i := range l.stays {
			p.at[l.stays[i].Place] = append(p.at[l.stays[i].Place], runOf(code, &l.stays[i]))
		}
	}
	for place, list := range p.at {
		slices.SortFunc(list, func(x, y *run) int {
			return cmp.Or(x.stay.From.Compare(y.stay.From), cmp.Compare(x.lot, y.lot), x.inTime(y))
		})
		if b.way.Carries(place) {
			p.heels(b, list)
		}
	}
	for _, code := range b.Codes() {
		l := b.Lot(code)
		for i := range l.Fed {
			f := &l.Fed[i]
			took, ok := f.takes(code)
			if !ok {
				continue
			}
			for _, gave := range f.From {
				if gave.Lot != code {
					p.link(b.feedEdge(f, gave, took))
				}
			}
		}
	}
	return p
}

func (p *Plain) link(e edge) {
	p.outs[e.from] = append(p.outs[e.from], e)
	p.ins[e.to] = append(p.ins[e.to], e)
}

// heels carries what each stay left from one to the next.
func (p *Plain) heels(b *Book, list []*run) {
	var before []*run
	for _, h := range list {
		if h.stay.Limbo {
			continue
		}
		var still []*run
		for _, x := range before {
			if x.lot != h.lot && b.emptied(x, h.stay.From) {
				continue
			}
			still = append(still, x)
			if x.lot == h.lot {
				continue
			}
			p.link(edge{from: x.lot, to: h.lot, at: h.stay.From, end: h.stay.To})
			if x.stay.To.IsZero() || x.stay.To.After(h.stay.From) {
				p.link(edge{from: h.lot, to: x.lot, at: h.stay.From, end: x.stay.To})
			}
		}
		before = slices.DeleteFunc(still, func(x *run) bool {
			return x.lot == h.lot || !x.stay.To.IsZero() && !x.stay.To.After(h.stay.From)
		})
		before = append(before, h)
	}
}

// Edges writes down what goes into and out of a lot, sorted.
func (p *Plain) Edges(code string) (in, out []string) {
	return edgesOf(p.ins[code]), edgesOf(p.outs[code])
}

// Meeting lists the stays at a place in [from, to].
func (p *Plain) Meeting(place string, from, to time.Time) []string {
	var out []string
	for _, h := range p.at[place] {
		if h.stay.Meets(from, to) {
			out = append(out, fmt.Sprintf("%s %+v", h.lot, *h.stay))
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}
