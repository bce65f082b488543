package lot

import (
	"cmp"
	"slices"
	"time"
)

// Clock runs from the first part of the oldest gel in a lot coming to step From until its last part has left
// step To (RULES 6.1). No stop of the line pauses it and no step resets it.
type Clock struct {
	From, To string // ids of steps
}

// Reading is where the clock of a lot stands.
type Reading struct {
	Start time.Time // zero: it has not begun
	End   time.Time // zero: it runs
	Of    string    // the lot whose gel is oldest
	// Assumed says that the start was not recorded: it is the latest moment known to lie before it. Known is the
	// oldest start that was recorded, zero where none was.
	Assumed bool
	Known   time.Time
}

// Running reports whether the clock has begun and not ended.
func (r Reading) Running() bool { return !r.Start.IsZero() && r.End.IsZero() }

// Elapsed is the time on the clock, at now where it runs.
func (r Reading) Elapsed(now time.Time) time.Duration {
	switch {
	case r.Start.IsZero():
		return 0
	case r.End.IsZero():
		return now.Sub(r.Start)
	}
	return r.End.Sub(r.Start)
}

// Clock reads the clock of a lot: it is that of its oldest gel. What a lot was made of, topped up with or found
// in a hopper brings its own start with it; what left a lot before that came to step From brings none.
func (b *Book) Clock(code string, c Clock) Reading {
	l := b.Lot(code)
	if l == nil {
		return Reading{}
	}
	r := b.started(code, c)
	if r.Start.IsZero() {
		return r
	}
	r.End = b.sealed(l, c)
	return r
}

// started finds the oldest start among a lot and all that came into it.
func (b *Book) started(code string, c Clock) Reading {
	var r Reading
	b.upstream(code, func(l *Lot, upto time.Time) {
		at, assumed := b.ownStart(l, c)
		if at.IsZero() || !upto.IsZero() && at.After(upto) {
			return
		}
		if !assumed && (r.Known.IsZero() || at.Before(r.Known)) {
			r.Known = at
		}
		if r.Start.IsZero() || at.Before(r.Start) || at.Equal(r.Start) && (!assumed && r.Assumed || assumed == r.Assumed && l.Code < r.Of) {
			r.Start, r.Of, r.Assumed = at, l.Code, assumed
		}
	})
	return r
}

// ownStart is when the first part of a lot came to step From under its own code. Where that was not recorded
// and the lot is past it, the start is the last moment recorded before.
func (b *Book) ownStart(l *Lot, c Clock) (at time.Time, assumed bool) {
	for i := range l.stays {
		s := &l.stays[i]
		switch {
		case s.Step != c.From || s.Limbo:
		case !s.NoFrom && (at.IsZero() || assumed || s.From.Before(at)):
			at, assumed = s.From, false
		case s.NoFrom && at.IsZero():
			at, assumed = s.From, true
		}
	}
	return at, assumed
}

// sealed is when the last part of the lot left step To, or when nothing was left of it before that; zero while
// neither is recorded.
func (b *Book) sealed(l *Lot, c Clock) time.Time {
	var end time.Time
	for i := range l.stays {
		s := &l.stays[i]
		if s.Step != c.To || s.Limbo {
			continue
		}
		if s.To.IsZero() {
			return time.Time{}
		}
		end = later(end, s.To)
	}
	if end.IsZero() {
		return l.end
	}
	return end
}

// upstream calls visit for a lot and everything that came into it, each with the moment up to which what
// happened to it counts: what came over had left it by then. Zero is without bound. A lot is visited again
// where a later moment counts.
func (b *Book) upstream(code string, visit func(l *Lot, upto time.Time)) {
	type look struct {
		code string
		upto time.Time
	}
	seen := map[string]time.Time{}
	todo := []look{{code: code}}
	for len(todo) > 0 {
		x := todo[0]
		todo = todo[1:]
		if old, ok := seen[x.code]; ok && (old.IsZero() || !x.upto.IsZero() && !x.upto.After(old)) {
			continue
		}
		seen[x.code] = x.upto
		l := b.Lot(x.code)
		if l == nil {
			continue
		}
		visit(l, x.upto)
		for _, e := range b.into(x.code) {
			if !x.upto.IsZero() && e.at.After(x.upto) {
				continue
			}
			todo = append(todo, look{e.from, earliest(e.end, x.upto)})
		}
	}
}

// earliest returns the earlier of two moments; zero is later than all.
func earliest(a, b time.Time) time.Time {
	switch {
	case a.IsZero():
		return b
	case b.IsZero() || a.Before(b):
		return a
	}
	return b
}

// Contact is how long a lot was in contact at a place (RULES 3.4): at least from its last part coming to its
// first part leaving, at most from its first coming to its last leaving. Ok is false where a time is missing.
type Contact struct {
	Least, Most time.Duration
	OK          bool
}

// Contact returns the contact time of a stay. Parts that left before the last had come were in contact for no
// time that is proved.
func (s *Stay) Contact() Contact {
	if s.NoFrom || s.NoTo {
		return Contact{}
	}
	return Contact{Least: max(0, s.FirstOut.Sub(s.LastIn)), Most: s.To.Sub(s.From), OK: true}
}

// Running lists the lots whose clock runs, the oldest start first.
func (b *Book) Running(c Clock) []string {
	type run struct {
		code  string
		start time.Time
	}
	var runs []run
	for code := range b.lots.Codes() {
		if r := b.Clock(code, c); r.Running() {
			runs = append(runs, run{code, r.Start})
		}
	}
	slices.SortFunc(runs, func(x, y run) int { return cmp.Or(x.start.Compare(y.start), cmp.Compare(x.code, y.code)) })
	out := make([]string, 0, len(runs))
	for _, r := range runs {
		out = append(out, r.code)
	}
	return out
}
