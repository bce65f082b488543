package lot

import (
	"maps"
	"slices"
)

// Balance says where the mass of a lot went. All is exact to the microgram.
type Balance struct {
	Lot      string          `json:"lot"`
	Received Mass            `json:"received"`          // from outside
	FedIn    Mass            `json:"fed_in"`            // from other lots
	FedOut   Mass            `json:"fed_out"`           // to other lots
	Removed  map[string]Mass `json:"removed,omitempty"` // by what it was: trim, sample, shipped, ...
	Left     Mass            `json:"left"`              // what came in minus what went out: still there, if nothing is lost
	Counted  *Mass           `json:"counted,omitempty"` // the stock last counted or weighed
	// Unexplained is what came in, minus what went out, minus what is still there. Of a lot of which nothing is left
	// that is all of Left; of one whose stock was counted it is Left minus the count. Without either it is not known.
	Unexplained *Mass `json:"unexplained,omitempty"`
	// Unweighed lists the records without a mass: with one of them the figures say less than they seem to.
	Unweighed []string `json:"unweighed,omitempty"`
}

// Balance adds up the mass of a lot.
func (b *Book) Balance(code string) Balance {
	out := Balance{Lot: code}
	l := b.Lot(code)
	if l == nil {
		return out
	}
	note := func(id string, m *Mass, into *Mass) {
		if m == nil {
			out.Unweighed = append(out.Unweighed, id)
			return
		}
		*into += *m
	}
	for i := range l.Received {
		note(l.Received[i].ID, l.Received[i].Mass, &out.Received)
	}
	for i := range l.Fed {
		f := &l.Fed[i]
		if p, ok := f.takes(code); ok {
			note(f.ID, f.massOf(p, f.From, f.To), &out.FedIn)
		}
		if p, ok := f.gives(code); ok {
			note(f.ID, f.massOf(p, f.To, f.From), &out.FedOut)
		}
	}
	for i := range l.Removed {
		out.remove(&l.Removed[i])
	}
	out.Left = out.Received + out.FedIn - out.FedOut - sum(out.Removed)
	switch {
	case !l.end.IsZero():
		left := out.Left
		out.Unexplained = &left
	case out.Counted != nil:
		off := out.Left - *out.Counted
		out.Unexplained = &off
	}
	slices.Sort(out.Unweighed)
	out.Unweighed = slices.Compact(out.Unweighed)
	return out
}

// remove adds a removal. What was counted as stock removes nothing; the last count stands, less what was
// removed since.
func (b *Balance) remove(r *Removal) {
	if r.Mass == nil {
		b.Unweighed = append(b.Unweighed, r.ID)
		return
	}
	if r.What == Stock {
		m := *r.Mass
		b.Counted = &m
		return
	}
	if b.Removed == nil {
		b.Removed = map[string]Mass{}
	}
	b.Removed[r.What] += *r.Mass
	if b.Counted != nil {
		m := *b.Counted - *r.Mass
		b.Counted = &m
	}
}

// massOf returns the mass of a part. The only lot on its side may go without: it is then the sum of the other.
func (f *Feed) massOf(p Part, other, own []Part) *Mass {
	if p.Mass != nil || len(own) > 1 {
		return p.Mass
	}
	var all Mass
	for _, x := range other {
		if x.Mass == nil {
			return nil
		}
		all += *x.Mass
	}
	return &all
}

// Difference is what a feed took out of lots minus what it put into others; false where a mass is missing.
func (f *Feed) Difference() (Mass, bool) {
	var d Mass
	for _, p := range f.From {
		m := f.massOf(p, f.To, f.From)
		if m == nil {
			return 0, false
		}
		d += *m
	}
	for _, p := range f.To {
		m := f.massOf(p, f.From, f.To)
		if m == nil {
			return 0, false
		}
		d -= *m
	}
	return d, true
}

// Total is the balance of several lots together.
type Total struct {
	Received  Mass            `json:"received"`
	Removed   map[string]Mass `json:"removed,omitempty"`
	Left      Mass            `json:"left"`     // in lots of which something may be left
	InFeeds   Mass            `json:"in_feeds"` // taken out of lots by feeds and not put into others
	Missing   Mass            `json:"missing"`  // unexplained in lots of which nothing is left, or whose stock was counted
	Crossing  Mass            `json:"crossing"` // came from lots outside minus went to lots outside
	Unweighed []string        `json:"unweighed,omitempty"`
	// Counted and Uncounted divide Left: stock that was counted or weighed, and what is there by the books only.
	Counted   Mass `json:"counted"`
	Uncounted Mass `json:"uncounted"`
	// Astray adds up the magnitudes of what is unexplained in each lot and each feed, and of what lots gave beyond what
	// they had: a gain in one does not make good a loss in another. It is at least the magnitude of Unexplained.
	Astray Mass `json:"astray"`
}

// Unexplained is the mass that nobody can say of where it went. Each of its two members stays on its own line too: a
// loss in one does not make good a gain in the other.
func (t *Total) Unexplained() Mass { return t.InFeeds + t.Missing }

// Total adds up the balances of lots: Received + Crossing = Removed + Left + InFeeds + Missing, exactly.
func (b *Book) Total(codes []string) Total {
	t := Total{Removed: map[string]Mass{}}
	within := map[string]bool{}
	for _, c := range codes {
		within[c] = true
	}
	feeds := map[string]*Feed{}
	for _, code := range codes {
		l := b.Lot(code)
		if l == nil {
			continue
		}
		x := b.Balance(code)
		t.Received += x.Received
		for what, m := range x.Removed {
			t.Removed[what] += m
		}
		left := x.Left
		if x.Unexplained != nil {
			t.Missing += *x.Unexplained
			t.Astray += magnitude(*x.Unexplained)
			left -= *x.Unexplained
			t.Counted += left
		} else {
			t.Astray += max(-left, 0)
			t.Uncounted += left
		}
		t.Left += left
		t.Unweighed = append(t.Unweighed, x.Unweighed...)
		for i := range l.Fed {
			feeds[l.Fed[i].ID] = &l.Fed[i]
		}
	}
	for _, id := range slices.Sorted(maps.Keys(feeds)) {
		t.feed(feeds[id], within)
	}
	slices.Sort(t.Unweighed)
	t.Unweighed = slices.Compact(t.Unweighed)
	return t
}

// feed sets what a feed took out of the lots within against what it put into them.
func (t *Total) feed(f *Feed, within map[string]bool) {
	var out, in Mass
	whole := true
	for _, p := range f.From {
		if m := f.massOf(p, f.To, f.From); within[p.Lot] && m != nil {
			out += *m
		}
		whole = whole && within[p.Lot]
	}
	for _, p := range f.To {
		if m := f.massOf(p, f.From, f.To); within[p.Lot] && m != nil {
			in += *m
		}
		whole = whole && within[p.Lot]
	}
	if whole {
		t.InFeeds += out - in
		t.Astray += magnitude(out - in)
	} else {
		t.Crossing += in - out
	}
}

func magnitude(m Mass) Mass { return max(m, -m) }

func sum(m map[string]Mass) Mass {
	var s Mass
	for _, x := range m {
		s += x
	}
	return s
}
