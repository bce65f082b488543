package plan

import (
	"fmt"
	"slices"
	"strings"
)

// Series is baths that product passes one after the other (RULES 3.4).
type Series struct {
	ID    string   `yaml:"id" json:"id"`
	Name  string   `yaml:"name" json:"name"`
	Baths []string `yaml:"baths" json:"baths"` // in the order in which product passes them
	// Carries says for every control point that holds at one of the baths which of them carry its limits.
	Carries []Carry `yaml:"carries" json:"carries"`
	// Cures lists where a later bath may make good what an earlier one lacked; without an entry none does.
	Cures []Cure `yaml:"cures" json:"cures,omitempty"`
}

// Carry says which baths of a series carry the limits of a point.
type Carry struct {
	Point  string   `yaml:"point" json:"point"`
	Baths  []string `yaml:"baths" json:"baths"`
	Reason string   `yaml:"reason" json:"reason,omitempty"` // why the others need not
}

// Cure says that product which passed an earlier bath outside the limits of a point may be evaluated as made
// good by a later bath that was inside them all the while. It ends no span and closes no deviation.
type Cure struct {
	Point   string `yaml:"point" json:"point"`
	Earlier string `yaml:"earlier" json:"earlier"`
	Later   string `yaml:"later" json:"later"`
	Basis   Basis  `yaml:"basis" json:"basis"`
}

// Cures returns what the plan says about a later bath making good what an earlier one lacked; nil: it does not.
func (p *Plan) Cures(point, earlier, later string) *Cure {
	for i := range p.Series {
		for j := range p.Series[i].Cures {
			if c := &p.Series[i].Cures[j]; c.Point == point && c.Earlier == earlier && c.Later == later {
				return c
			}
		}
	}
	return nil
}

// series checks the baths in series, and that baths which the flow puts one after the other stand in one.
func (c *checker) series() {
	for i, s := range c.p.Series {
		path := fmt.Sprintf("series[%d]", i)
		c.refs(path+".baths", "place", s.Baths, c.placeAt)
		if len(s.Baths) < 2 {
			c.add(path+".baths", "name the baths in the order in which product passes them", "a series has two baths or more")
		}
		for j, id := range s.Baths {
			if at, ok := c.placeAt[id]; ok && c.p.Places[at].Kind != Bath {
				c.add(fmt.Sprintf("%s.baths[%d]", path, j), "name baths only", "the place %q is no bath", id)
			}
		}
		c.carries(path, s)
		for j, x := range s.Cures {
			c.cure(fmt.Sprintf("%s.cures[%d]", path, j), s, x)
		}
	}
	c.flow()
}

// carries holds what the series says of its limits against where the points hold.
func (c *checker) carries(path string, s Series) {
	said := map[string]bool{}
	for j, x := range s.Carries {
		under := fmt.Sprintf("%s.carries[%d]", path, j)
		c.ref(under+".point", "point", x.Point, c.pointAt)
		at, ok := c.pointAt[x.Point]
		if !ok || said[x.Point] {
			if said[x.Point] {
				c.add(under+".point", "say it once", "the point %q stands here twice", x.Point)
			}
			continue
		}
		said[x.Point] = true
		holds := inSeries(c.p.Points[at], s)
		given := slices.Sorted(slices.Values(x.Baths))
		if !slices.Equal(given, slices.Sorted(slices.Values(holds))) {
			c.add(under+".baths", "the point holds at "+bathsOrNone(holds)+": say the same in both", "the point %q does not hold at just these baths", x.Point)
		}
		if len(holds) < len(s.Baths) && strings.TrimSpace(x.Reason) == "" {
			c.add(under+".reason", "say why the other baths need not carry it", "not every bath of the series carries the limits of %q", x.Point)
		}
	}
	for _, pt := range c.p.Points {
		if !said[pt.ID] && len(inSeries(pt, s)) > 0 {
			c.add(path+".carries", fmt.Sprintf("add point: %s with its baths", pt.ID), "the series does not say which bath carries the limits of %q", pt.ID)
		}
	}
}

func inSeries(pt Point, s Series) []string {
	var out []string
	for _, b := range s.Baths {
		if slices.Contains(pt.Places, b) {
			out = append(out, b)
		}
	}
	return out
}

func bathsOrNone(ids []string) string {
	if len(ids) == 0 {
		return "none of them"
	}
	return strings.Join(ids, ", ")
}

// cure refuses a cure without a basis, against the order of the baths, or where the later bath has no limit.
func (c *checker) cure(path string, s Series, x Cure) {
	c.ref(path+".point", "point", x.Point, c.pointAt)
	at, ok := c.pointAt[x.Point]
	earlier, later := slices.Index(s.Baths, x.Earlier), slices.Index(s.Baths, x.Later)
	switch {
	case earlier < 0 || later < 0:
		c.add(path, "name two baths of "+strings.Join(s.Baths, ", "), "the series has no such bath")
	case later <= earlier:
		c.add(path+".later", "a bath cures one that comes before it", "product passes %q before %q", x.Later, x.Earlier)
	case ok && (!slices.Contains(c.p.Points[at].Places, x.Earlier) || !slices.Contains(c.p.Points[at].Places, x.Later)):
		c.add(path+".point", "name a point that holds at both baths", "the point %q does not hold at both", x.Point)
	}
	c.basis(path, "the cure", Limit{Kind: Critical, Basis: x.Basis})
}

// flow sees that baths which steps put one after the other stand in a series, in that order.
func (c *checker) flow() {
	for i, from := range c.p.Steps {
		reached, next := map[string]bool{}, slices.Clone(from.Next)
		for len(next) > 0 && c.isBath(from.Place) {
			at, ok := c.stepAt[next[0]]
			next = next[1:]
			if !ok || reached[c.p.Steps[at].ID] {
				continue
			}
			to := c.p.Steps[at]
			reached[to.ID] = true
			next = append(next, to.Next...)
			if c.isBath(to.Place) && to.Place != from.Place && !c.inOrder(from.Place, to.Place) {
				c.add(fmt.Sprintf("steps[%d].next", i), "add a series that names both in this order and says which carries which limit",
					"product goes from bath %q to bath %q, and no series says so", from.Place, to.Place)
			}
		}
	}
}

func (c *checker) isBath(place string) bool {
	at, ok := c.placeAt[place]
	return ok && c.p.Places[at].Kind == Bath
}

func (c *checker) inOrder(first, then string) bool {
	return slices.ContainsFunc(c.p.Series, func(s Series) bool {
		a, b := slices.Index(s.Baths, first), slices.Index(s.Baths, then)
		return a >= 0 && a < b
	})
}
