package plan

import (
	"fmt"
	"regexp"
	"slices"
	"strings"

	"linewarden/haccp/quantity"
)

var siteForm = regexp.MustCompile(`^[a-z0-9-]{1,40}$`)

// site checks what the plan says about the plant itself.
func (c *checker) site() {
	p := c.p
	if !siteForm.MatchString(p.Site) {
		c.add("site", "use 1 to 40 small letters, digits and hyphens; it never changes", "the site id %q has the wrong form", p.Site)
	}
	c.need("name", p.Name, "the name of the plan", "name the plan")
	c.need("jurisdiction", p.Jurisdiction, "the jurisdiction", "name the country whose food law holds, such as MX")
	c.need("authority", p.Authority, "the competent authority", "name the authority that inspects the plant")
	c.need("regime", p.Regime, "the regime", `name the rules the plan follows, such as "Codex CXC 1-1969"`)
	c.need("zone", p.Zone, "the time zone", `write a name of the IANA time zone database, such as "America/Merida"`)
	if !slices.Contains([]string{"", "en", "es"}, p.Language) {
		c.add("language", "write en or es, or leave it out", "the language %q is not known", p.Language)
	}
	if !p.ProductionDay.Set() {
		c.add("production_day", `write the local time, such as "06:00"`, "the time at which a production day begins is missing")
	}
	if p.LiveFrom.IsZero() {
		c.add("live_from", `write a moment, such as "2026-03-01T00:00:00Z"`, "the moment from which checks fall due is missing")
	}
	for _, list := range []struct {
		path string
		n    int
		what string
	}{{"places", len(p.Places), "place"}, {"points", len(p.Points), "control point"}, {"checks", len(p.Checks), "check"}} {
		if list.n == 0 {
			c.add(list.path, "a plan needs at least one", "the plan has no %s", list.what)
		}
	}
}

// shifts checks that no two shifts share a minute of the day.
func (c *checker) shifts() {
	const day = 24 * 60
	var owner [day]int
	for i, s := range c.p.Shifts {
		path := fmt.Sprintf("shifts[%d]", i)
		if !s.From.Set() || !s.To.Set() {
			c.add(path, `write both as "06:00"`, "the shift has no beginning or no end")
			continue
		}
		length := (s.To.Minutes() - s.From.Minutes() + day) % day
		if length == 0 {
			length = day
		}
		other := 0
		for m := range length {
			at := &owner[(s.From.Minutes()+m)%day]
			if *at != 0 && other == 0 {
				other = *at
			}
			*at = i + 1
		}
		if other != 0 {
			c.add(path, "let one begin where the other ends", "the shift overlaps the shift %q", c.p.Shifts[other-1].ID)
		}
	}
}

// lines checks the conditions of a line start.
func (c *checker) lines() {
	for i, l := range c.p.Lines {
		path := fmt.Sprintf("lines[%d]", i)
		c.ids(path+".pre_op", len(l.PreOp), func(j int) (string, string) { return l.PreOp[j].ID, l.PreOp[j].Name })
		for j, t := range l.StartTests {
			c.startTest(fmt.Sprintf("%s.start_tests[%d]", path, j), l, t)
		}
		if len(l.StartTests) > 0 && l.RetestAfterStop.IsZero() {
			c.add(path+".retest_after_stop", `write a length of time, such as "30 min"`,
				"the length of stop after which a restart needs the start tests again is missing")
		}
	}
}

func (c *checker) startTest(path string, l Line, t StartTest) {
	if t.Within.IsZero() {
		c.add(path+".within", `write a length of time, such as "30 min"`, "how old the test may be at the start is missing")
	}
	at, ok := c.checkAt[t.Check]
	if !ok {
		c.ref(path+".check", "check", t.Check, c.checkAt)
		return
	}
	for _, id := range c.p.Checks[at].Places {
		if pl, ok := c.placeAt[id]; ok && c.p.Places[pl].Line == l.ID {
			return
		}
	}
	c.add(path+".check", "name a check that is done at a place of this line", "the check %q is done at no place of line %q", t.Check, l.ID)
}

// places checks places and, for baths, what a filling needs.
func (c *checker) places() {
	for i, pl := range c.p.Places {
		path := fmt.Sprintf("places[%d]", i)
		if pl.Line != "" {
			c.ref(path+".line", "line", pl.Line, c.lineAt)
		}
		if kinds := []PlaceKind{Bath, OnLine, Table, Machine, Room}; !slices.Contains(kinds, pl.Kind) {
			c.add(path+".kind", "write bath, line, table, machine or room", "the kind of place %q is not known", pl.Kind)
		}
		c.ids(path+".sample_points", len(pl.SamplePoints), func(j int) (string, string) {
			return pl.SamplePoints[j].ID, pl.SamplePoints[j].Name
		})
		if pl.Volume != nil {
			c.amount(path+".volume", quantity.Volume, *pl.Volume)
			if pl.Volume.Value.Sign() <= 0 {
				c.add(path+".volume", "write the volume at the working level", "a volume of %s holds nothing", pl.Volume)
			}
		}
		if pl.Kind == Bath {
			c.bath(path, pl)
		}
	}
}

func (c *checker) bath(path string, pl Place) {
	c.dosing(path, pl)
	if pl.Mixing.IsZero() {
		c.add(path+".mixing", `write a length of time, such as "5 min"`,
			"the bath has no mixing time, after which a filling or addition is tested")
	}
	end := pl.FillingEnd
	if end.After.IsZero() && end.Additions == 0 && len(end.Readings) == 0 {
		c.add(path+".filling_end", "give hours, a number of additions or a reading", "nothing says when the water of the bath is changed")
	}
	for i, r := range end.Readings {
		under := fmt.Sprintf("%s.filling_end.readings[%d]", path, i)
		if c.quantity(under+".quantity", r.Quantity) != nil {
			c.amount(under+".above", quantity.ID(r.Quantity), r.Above)
		}
	}
	if pl.PHFloor != nil {
		c.amount(path+".ph_floor", quantity.PH, *pl.PHFloor)
	}
	if pl.Volume == nil {
		c.warn(path, noSource, "give the volume at the working level", "the bath %q has no volume, so no dose can be worked out for it", pl.ID)
	}
}

// noSource marks a warning that rests on no published text.
const noSource = "common practice, no source"

// steps checks the flow.
func (c *checker) steps() {
	for i, s := range c.p.Steps {
		path := fmt.Sprintf("steps[%d]", i)
		if s.Place != "" {
			c.ref(path+".place", "place", s.Place, c.placeAt)
		}
		c.refs(path+".places", "place", s.Places, c.placeAt)
		c.refs(path+".next", "step", s.Next, c.stepAt)
		if slices.Contains(s.Next, s.ID) {
			c.add(path+".next", "name the steps that come after it", "the step %q follows itself", s.ID)
		}
	}
}

// permissions checks that acts and roles exist.
func (c *checker) permissions() {
	seen := map[string]bool{}
	for i, p := range c.p.Permissions {
		path := fmt.Sprintf("permissions[%d]", i)
		if c.opts.Acts != nil && !slices.Contains(c.opts.Acts, p.Act) {
			c.add(path+".act", "one of "+strings.Join(c.opts.Acts, ", "), "there is no act %q", p.Act)
		}
		if p.Act == "" && c.opts.Acts == nil {
			c.add(path+".act", "name the act", "the act is missing")
		}
		if seen[p.Act] {
			c.add(path+".act", "put the roles into one entry", "the act %q stands here twice", p.Act)
		}
		seen[p.Act] = true
		c.roles(path+".roles", p.Roles)
	}
}
