package lot

import (
	"slices"
	"time"
)

// An edge is product that went from one lot into another.
type edge struct {
	from, to string
	at, end  time.Time // first and last of it; zero end: may still go on
	feed     *Feed     // nil: a heel
	mass     *Mass
}

// into lists what went into a lot, and outOf what went out of it into lots of the book. Both look only at the lot,
// and at what stood beside it in the hoppers it passed.
func (b *Book) into(code string) []edge {
	out, ok := b.ins[code]
	if !ok {
		if l := b.Lot(code); l != nil {
			out = b.feedsInto(l, b.heels(l, true))
		}
		b.ins[code] = out
	}
	return out
}

func (b *Book) outOf(code string) []edge {
	out, ok := b.outs[code]
	if !ok {
		if l := b.Lot(code); l != nil {
			out = b.feedsOutOf(l, b.heels(l, false))
		}
		b.outs[code] = out
	}
	return out
}

func (b *Book) feedsInto(l *Lot, out []edge) []edge {
	for i := range l.Fed {
		f := &l.Fed[i]
		if took, ok := f.takes(l.Code); ok {
			for _, gave := range f.From {
				if gave.Lot != l.Code {
					out = append(out, b.feedEdge(f, gave, took))
				}
			}
		}
	}
	return out
}

func (b *Book) feedsOutOf(l *Lot, out []edge) []edge {
	for i := range l.Fed {
		f := &l.Fed[i]
		gave, ok := f.gives(l.Code)
		if !ok {
			continue
		}
		for _, took := range f.To {
			if took.Lot != l.Code && b.Lot(took.Lot) != nil {
				out = append(out, b.feedEdge(f, gave, took))
			}
		}
	}
	return out
}

func (b *Book) feedEdge(f *Feed, gave, took Part) edge {
	e := edge{from: gave.Lot, to: took.Lot, at: f.At, end: b.feedEnd(f, gave.Lot), feed: f, mass: took.Mass}
	if len(f.From) > 1 || e.mass == nil && len(f.To) == 1 {
		e.mass = gave.Mass
	}
	return e
}

// feedEnd returns when the last of a feed had gone over: as recorded, else when the lot that gave it had left
// the place or step of the feed; zero where it may still go on.
func (b *Book) feedEnd(f *Feed, from string) time.Time {
	if !f.Until.IsZero() {
		return f.Until
	}
	end := f.At
	l := b.Lot(from)
	if l == nil {
		return end
	}
	for i := range l.stays {
		s := &l.stays[i]
		if s.Unseen || s.Step != f.Step || f.Place != "" && s.Place != f.Place || !s.Meets(f.At, f.At) {
			continue
		}
		if s.To.IsZero() {
			return time.Time{}
		}
		end = later(end, s.To)
	}
	return end
}

// heels links a lot with those that came through a place that carries product over just before it, at once with it
// and just after it, unless the place was recorded empty between them or lay inside a clean break (RULES 6.1). What
// a lot left goes into the next one, which alone hands it on; of two at once each is in the other.
func (b *Book) heels(l *Lot, in bool) []edge {
	var out []edge
	for i := range l.stays {
		s := &l.stays[i]
		if s.Limbo || !b.way.Carries(s.Place) { // of a limbo nothing shows that it came here at all
			continue
		}
		h := runOf(l.Code, s)
		h.length = lengthOf(h.from, h.to)
		for _, p := range b.ahead(h) {
			switch {
			case in:
				out = append(out, edge{from: p.lot, to: h.lot, at: s.From, end: s.To})
			case p.stay.To.IsZero() || p.stay.To.After(s.From):
				out = append(out, edge{from: h.lot, to: p.lot, at: s.From, end: p.stay.To})
			}
		}
		for _, n := range b.behind(h) {
			switch {
			case !in:
				out = append(out, edge{from: h.lot, to: n.lot, at: n.stay.From, end: n.stay.To})
			case s.To.IsZero() || s.To.After(n.stay.From):
				out = append(out, edge{from: n.lot, to: h.lot, at: n.stay.From, end: s.To})
			}
		}
	}
	return out
}

// behind lists the stays that what stay h left went into.
func (b *Book) behind(h *run) []*run {
	var out []*run
	for n := b.at.stays.after(h); n != nil; n = b.at.stays.after(n) {
		switch {
		case n.stay.Limbo:
			continue
		case n.lot == h.lot: // what comes after follows this one
			return out
		case b.emptied(h, n.stay.From):
			return out
		}
		out = append(out, n)
		if !h.stay.To.IsZero() && !h.stay.To.After(n.stay.From) {
			return out
		}
	}
	return out
}

// ahead lists the stays that left something for stay h: the one that came last before it, and those that were still
// there when that one came.
func (b *Book) ahead(h *run) []*run {
	last := b.at.stays.before(h)
	for last != nil && last.stay.Limbo {
		last = b.at.stays.before(last)
	}
	if last == nil {
		return nil
	}
	var out []*run
	left := func(p *run) bool {
		return !p.stay.Limbo && p.lot != h.lot && !b.emptied(p, h.stay.From) && b.newestBy(p, last)
	}
	for p := range b.at.meeting(h.group, last.stay.From, last.stay.From) {
		there := p.stay.To.IsZero() || p.stay.To.After(last.stay.From)
		if there && p.inTime(last) < 0 && left(p) {
			out = append(out, p)
		}
	}
	if left(last) {
		out = append(out, last)
	}
	slices.SortFunc(out, (*run).inTime)
	return out
}

// newestBy reports whether no other stay of its lot comes between a stay and another.
func (b *Book) newestBy(p, last *run) bool {
	l := b.Lot(p.lot)
	if l == nil {
		return false
	}
	for i := range l.stays {
		s := &l.stays[i]
		if s.Place != p.group || s.Limbo {
			continue
		}
		if x := runOf(p.lot, s); x.inTime(p) > 0 && x.inTime(last) <= 0 {
			return false
		}
	}
	return true
}

// emptyAt gives the moments at which a place was empty, sorted: recorded so, or inside a clean break.
func (b *Book) emptyAt(place string) []time.Time {
	times, ok := b.empty[place]
	if ok {
		return times
	}
	for i := range b.facts.Emptied {
		if x := &b.facts.Emptied[i]; x.Place == place {
			times = append(times, x.At)
		}
	}
	for i := range b.facts.Breaks {
		x := &b.facts.Breaks[i]
		if slices.Contains(x.Places, place) || len(x.Places) == 0 && slices.Contains(b.way.passed[x.Line], place) {
			times = append(times, x.At)
		}
	}
	slices.SortFunc(times, time.Time.Compare)
	b.empty[place] = times
	return times
}

// emptied reports whether the place of a stay was empty after it and no later than a moment.
func (b *Book) emptied(x *run, by time.Time) bool {
	after := x.stay.To
	switch {
	case x.stay.NoTo: // when it left is not recorded, but the place was found empty
		after = x.stay.From
	case after.After(by): // recorded to have been there until later
		return false
	}
	times := b.emptyAt(x.group)
	if i, _ := slices.BinarySearchFunc(times, after, time.Time.Compare); i < len(times) && !times[i].After(by) {
		return true
	}
	next := by.Add(time.Millisecond)
	return b.facts.Past.EmptiedBy(x.group, after, next).Before(next)
}
