package lot

import (
	"cmp"
	"slices"
	"time"
)

// Link is product that went from one lot into another, as a trace shows it.
type Link struct {
	From  string    `json:"from"`
	To    string    `json:"to"`
	At    time.Time `json:"at"`
	Until time.Time `json:"until,omitzero"`
	Mass  *Mass     `json:"mass,omitempty"` // nil: not known, as of a heel
	How   string    `json:"how"`            // of the feed, or heel
	Feed  string    `json:"feed,omitempty"` // id of its record
}

// Trace is where lots came from, or what became of them.
type Trace struct {
	Lots  []string `json:"lots"`  // sorted; those asked for among them
	Links []Link   `json:"links"` // by at, then from, then to
	// Unknown lists lots that are named and not recorded.
	Unknown []string `json:"unknown,omitempty"`
}

// Backward traces lots to all that may be in them.
func (b *Book) Backward(codes ...string) Trace {
	return b.trace(codes, b.into, func(e *edge) string { return e.from })
}

// Forward traces lots to all that they may be in.
func (b *Book) Forward(codes ...string) Trace {
	return b.trace(codes, b.outOf, func(e *edge) string { return e.to })
}

func (b *Book) trace(codes []string, edges func(string) []edge, next func(*edge) string) Trace {
	t := Trace{}
	seen := map[string]bool{}
	for _, code := range codes {
		seen[code] = true
	}
	for todo := slices.Clone(codes); len(todo) > 0; todo = todo[1:] {
		c := todo[0]
		if b.Lot(c) == nil {
			t.Unknown = append(t.Unknown, c)
			continue
		}
		t.Lots = append(t.Lots, c)
		for _, e := range edges(c) {
			link := Link{From: e.from, To: e.to, At: e.at, Until: e.end, Mass: e.mass, How: Heel}
			if e.feed != nil {
				link.How, link.Feed = e.feed.How, e.feed.ID
			}
			t.Links = append(t.Links, link)
			if n := next(&e); !seen[n] {
				seen[n] = true
				todo = append(todo, n)
			}
		}
	}
	slices.Sort(t.Lots)
	slices.Sort(t.Unknown)
	slices.SortFunc(t.Links, func(x, y Link) int {
		return cmp.Or(x.At.Compare(y.At), cmp.Compare(x.From, y.From), cmp.Compare(x.To, y.To), cmp.Compare(x.Feed, y.Feed))
	})
	return t
}

// OfBox lists the lots that a box was filled from, sorted.
func (b *Book) OfBox(prefix string, n int64) []string {
	var out []string
	for code := range b.lots.Codes() {
		if slices.ContainsFunc(b.Lot(code).Boxes(), func(x Boxes) bool { return x.Has(prefix, n) }) {
			out = append(out, code)
		}
	}
	return out
}
