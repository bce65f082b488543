package plan

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// A Problem is one fault of a plan, or one warning about it.
type Problem struct {
	Path    string // where, such as "points[2].limits[0].min"; empty for the whole plan
	Message string // what is wrong
	Fix     string // what would be right
	Warning bool   // a warning does not stop a plan from being signed
	Source  string // where the figure or rule of a warning is published
}

// Options says what a check has to know beside the plan.
type Options struct {
	// Acts lists the acts that a permission may name; nil: any act is taken.
	Acts []string
}

// Check holds the plan against the rules of a plan and returns every fault at once, errors and warnings
// mixed, section by section. A plan with an error may not be signed. It reads no clock and no file; that
// the time zone exists is for the caller to see.
func (p *Plan) Check(opts Options) []Problem {
	c := &checker{p: p, opts: opts}
	c.index()
	c.site()
	c.shifts()
	c.lines()
	c.places()
	c.steps()
	c.hazards()
	c.decisions()
	c.points()
	c.series()
	c.classes()
	c.methods()
	c.checks()
	c.monitoring()
	c.dispositions()
	c.recall()
	c.products()
	c.materials()
	c.permissions()
	c.alerts()
	c.guidance()
	return c.found
}

// checker collects the faults of one plan.
type checker struct {
	p     *Plan
	opts  Options
	found []Problem

	lineAt, placeAt, stepAt, pointAt, methodAt, instrumentAt, checkAt, fixAt, chemicalAt map[string]int
}

func (c *checker) add(path, fix, format string, args ...any) {
	c.found = append(c.found, Problem{Path: path, Message: fmt.Sprintf(format, args...), Fix: fix})
}

func (c *checker) warn(path, source, fix, format string, args ...any) {
	c.found = append(c.found, Problem{Path: path, Message: fmt.Sprintf(format, args...), Fix: fix,
		Warning: true, Source: source})
}

var idForm = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// index checks the ids of every kind and keeps where each one stands.
func (c *checker) index() {
	p := c.p
	c.ids("shifts", len(p.Shifts), func(i int) (string, string) { return p.Shifts[i].ID, p.Shifts[i].Name })
	c.lineAt = c.ids("lines", len(p.Lines), func(i int) (string, string) { return p.Lines[i].ID, p.Lines[i].Name })
	c.placeAt = c.ids("places", len(p.Places), func(i int) (string, string) { return p.Places[i].ID, p.Places[i].Name })
	c.ids("series", len(p.Series), func(i int) (string, string) { return p.Series[i].ID, p.Series[i].Name })
	c.stepAt = c.ids("steps", len(p.Steps), func(i int) (string, string) { return p.Steps[i].ID, p.Steps[i].Name })
	c.ids("hazards", len(p.Hazards), func(i int) (string, string) { return p.Hazards[i].ID, p.Hazards[i].Name })
	c.pointAt = c.ids("points", len(p.Points), func(i int) (string, string) { return p.Points[i].ID, p.Points[i].Name })
	c.methodAt = c.ids("methods", len(p.Methods), func(i int) (string, string) { return p.Methods[i].ID, p.Methods[i].Name })
	c.instrumentAt = c.ids("instruments", len(p.Instruments), func(i int) (string, string) {
		return p.Instruments[i].ID, p.Instruments[i].Name
	})
	c.checkAt = c.ids("checks", len(p.Checks), func(i int) (string, string) { return p.Checks[i].ID, p.Checks[i].Name })
	c.fixAt = c.ids("fixes", len(p.Fixes), func(i int) (string, string) { return p.Fixes[i].ID, p.Fixes[i].Name })
	c.chlorine()
	c.chemicalAt = c.ids("chemicals", len(p.Chemicals), func(i int) (string, string) { return p.Chemicals[i].ID, p.Chemicals[i].Name })
	c.ids("materials", len(p.Materials), func(i int) (string, string) { return p.Materials[i].ID, p.Materials[i].Name })
}

// ids checks form and uniqueness of the ids of one list, and that each entry has a name. It returns where
// each id stands first.
func (c *checker) ids(list string, n int, get func(int) (id, name string)) map[string]int {
	first := make(map[string]int, n)
	for i := range n {
		id, name := get(i)
		path := fmt.Sprintf("%s[%d]", list, i)
		c.id(path+".id", id)
		if at, seen := first[id]; seen && id != "" {
			c.add(path+".id", "give each its own id", "the id %q is taken by %s[%d]", id, list, at)
			continue
		}
		first[id] = i
		if strings.TrimSpace(name) == "" {
			c.add(path+".name", "give the name people on the floor use", "%s has no name", orEntry(id))
		}
	}
	delete(first, "")
	return first
}

func (c *checker) id(path, id string) {
	switch {
	case id == "":
		c.add(path, `give a short name that never changes, such as "bath-1"`, "the id is missing")
	case !idForm.MatchString(id):
		c.add(path, "use at most 40 small letters, digits and hyphens, a letter or digit first", "the id %q has the wrong form", id)
	}
}

func orEntry(id string) string {
	if id == "" {
		return "the entry"
	}
	return strconv.Quote(id)
}

// refs checks a list of references: each exists, none twice.
func (c *checker) refs(path, what string, ids []string, known map[string]int) {
	for i, id := range ids {
		under := fmt.Sprintf("%s[%d]", path, i)
		c.ref(under, what, id, known)
		if slices.Index(ids, id) < i {
			c.add(under, "name it once", "%s %q is named twice", what, id)
		}
	}
}

// ref checks one reference.
func (c *checker) ref(path, what, id string, known map[string]int) {
	if _, ok := known[id]; ok {
		return
	}
	if id == "" {
		c.add(path, "name one of the plan", "the %s is missing", what)
		return
	}
	fix := "the plan has none"
	if len(known) > 0 {
		fix = "the plan has " + listed(known)
	}
	c.add(path, fix, "there is no %s %q", what, id)
}

// listed names the ids of a map in order, the first twelve of them.
func listed(known map[string]int) string {
	const most = 12
	ids := make([]string, 0, len(known))
	for id := range known {
		ids = append(ids, id)
	}
	slices.SortFunc(ids, func(a, b string) int { return known[a] - known[b] })
	if len(ids) > most {
		return strings.Join(ids[:most], ", ") + ", …"
	}
	return strings.Join(ids, ", ")
}

// need reports a text that is not given.
func (c *checker) need(path, text, what, fix string) {
	if strings.TrimSpace(text) == "" {
		c.add(path, fix, "%s is missing", what)
	}
}
