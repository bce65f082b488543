package lot

import (
	"slices"

	"linewarden/haccp/plan"
)

// Way is the flow of a plan's steps as lots go through it.
type Way struct {
	steps []wayStep
	at    map[string]int // step -> index
	line  map[string]string
	// carries are the places that hold product back between lots, such as the hopper of a shredder.
	carries map[string]bool
	// passed are, by line, the places that steps lie at.
	passed map[string][]string
}

type wayStep struct {
	id     string
	places []string
	after  []bool // by index: it may come later than this step
}

// NewWay reads the flow from a plan. Where no step names the steps after it, they follow in their order.
func NewWay(p *plan.Plan) *Way {
	w := &Way{at: map[string]int{}, line: map[string]string{}, carries: map[string]bool{}, passed: map[string][]string{}}
	for i := range p.Places {
		w.line[p.Places[i].ID] = p.Places[i].Line
		w.carries[p.Places[i].ID] = p.Places[i].Carries
	}
	linked := false
	for i := range p.Steps {
		s := &p.Steps[i]
		w.at[s.ID] = i
		linked = linked || len(s.Next) > 0
		w.steps = append(w.steps, wayStep{id: s.ID, places: s.Where(), after: make([]bool, len(p.Steps))})
		for _, place := range s.Where() {
			if line := w.line[place]; line != "" && !slices.Contains(w.passed[line], place) {
				w.passed[line] = append(w.passed[line], place)
			}
		}
	}
	for i := range w.steps {
		if !linked {
			for j := i + 1; j < len(w.steps); j++ {
				w.steps[i].after[j] = true
			}
			continue
		}
		w.reach(p, i, i)
	}
	return w
}

// reach marks what may follow step i by way of step from. A step that leads back to itself, such as rework,
// does not make earlier steps later ones.
func (w *Way) reach(p *plan.Plan, i, from int) {
	for _, next := range p.Steps[from].Next {
		j, ok := w.at[next]
		if !ok || j <= i || w.steps[i].after[j] {
			continue
		}
		w.steps[i].after[j] = true
		w.reach(p, i, j)
	}
}

// Before reports whether a lot comes to step a before it comes to step b. A step that the plan does not have,
// or none named, lies before all of them.
func (w *Way) Before(a, b string) bool {
	j, known := w.at[b]
	if !known {
		return false
	}
	i, ok := w.at[a]
	return !ok || w.steps[i].after[j]
}

// Line returns the line of a place, empty where it has none.
func (w *Way) Line(place string) string { return w.line[place] }

// Carries reports whether a place holds product back between lots.
func (w *Way) Carries(place string) bool { return w.carries[place] }

// Carrying lists the places that hold product back between lots, sorted.
func (w *Way) Carrying() []string {
	var out []string
	for place, carries := range w.carries {
		if carries {
			out = append(out, place)
		}
	}
	slices.Sort(out)
	return out
}

// Cleaned lists the places that a clean break took in.
func (w *Way) Cleaned(x *Break) []string {
	if len(x.Places) > 0 {
		return x.Places
	}
	return w.passed[x.Line]
}

// pos is where a step stands in the plan; a step the plan does not know stands before all.
func (w *Way) pos(step string) int {
	if i, ok := w.at[step]; ok {
		return i
	}
	return -1
}
