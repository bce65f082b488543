package plan

import (
	"fmt"
	"slices"
	"strings"
)

// hazards checks the hazard analysis.
func (c *checker) hazards() {
	if len(c.p.Hazards) == 0 {
		const fix = "list the hazards of each step"
		if c.p.Leaf.Template {
			c.add("hazards", fix, "the plan has no hazard analysis")
		} else {
			c.warn("hazards", "Codex CXC 1-1969, step 6 (hazard analysis)", fix, "the plan has no hazard analysis")
		}
	}
	for i, h := range c.p.Hazards {
		path := fmt.Sprintf("hazards[%d]", i)
		c.ref(path+".step", "step", h.Step, c.stepAt)
		if !slices.Contains([]string{"biological", "chemical", "physical"}, h.Kind) {
			c.add(path+".kind", "write biological, chemical or physical", "the kind of hazard %q is not known", h.Kind)
		}
		c.refs(path+".points", "control point", h.Points, c.pointAt)
		c.significance(path, h)
	}
}

// significance checks that the question is answered and the answer is followed up.
// src: codex-cxc1 step 6 and diagram 2 (a "no" is justified as a "yes" is)
func (c *checker) significance(path string, h Hazard) {
	if h.Significant == nil {
		c.add(path+".significant", "decide, and write true or false with the justification", "whether the hazard %q is significant is undecided", h.ID)
		return
	}
	if undecided(h.Justification) {
		c.add(path+".justification", "say why", "the answer on the hazard %q has no justification", h.ID)
	}
	if *h.Significant && strings.TrimSpace(h.Measures) == "" && len(h.Points) == 0 {
		c.add(path, "give measures or points", "nothing controls the significant hazard %q", h.ID)
	}
}

// The topics on which a plan after the leaf-gel template needs a decision with its reason.
const (
	TopicBotulinum = "vacuum-pack-growth-c-botulinum"     // growth of C. botulinum in the vacuum pack without a kill step
	TopicListeria  = "vacuum-pack-growth-l-monocytogenes" // growth of L. monocytogenes there
	TopicSulphite  = "sulphite"                           // where the antioxidant is one
	TopicBlades    = "metal-blade-count"
	TopicSeal      = "bag-and-seal"
	TopicWater     = "source-water"
)

// RequiredDecisions lists the topics a plan needs a decision on; none where it does not follow the
// leaf-gel template.
func (l LeafGel) RequiredDecisions() []string {
	if !l.Template {
		return nil
	}
	topics := []string{TopicBotulinum, TopicListeria}
	if l.Sulphite || looksLikeSulphite(l.Antioxidant) {
		topics = append(topics, TopicSulphite)
	}
	return append(topics, TopicBlades, TopicSeal, TopicWater)
}

// looksLikeSulphite reports whether the name of an antioxidant is that of a sulphite, in English or
// Spanish, or one of its additive numbers.
// src: codex-stan192 INS 220 to 228 (sulphites)
func looksLikeSulphite(name string) bool {
	folded := strings.NewReplacer("ph", "f", "ó", "o", "í", "i", " ", "", "-", "").Replace(strings.ToLower(name))
	for _, stem := range []string{"sulfit", "sulfuroso", "sulfurous", "sulfurdioxide", "dioxidodeazufre", "dioxidosulfur"} {
		if strings.Contains(folded, stem) {
			return true
		}
	}
	for n := 220; n <= 228; n++ {
		if strings.Contains(folded, fmt.Sprintf("e%d", n)) || strings.Contains(folded, fmt.Sprintf("ins%d", n)) {
			return true
		}
	}
	return false
}

// decisions checks that every topic is decided, with its reason.
func (c *checker) decisions() {
	if c.p.Leaf.Template && strings.TrimSpace(c.p.Leaf.Antioxidant) == "" {
		c.add("leaf_gel.antioxidant", "name it, or write none", "the antioxidant is not named, so it is open whether it is a sulphite")
	}
	at := map[string]int{}
	for i, d := range c.p.Decisions {
		path := fmt.Sprintf("decisions[%d]", i)
		if j, seen := at[d.Topic]; seen {
			c.add(path+".topic", "keep one of them", "the topic %q is decided in decisions[%d]", d.Topic, j)
			continue
		}
		at[d.Topic] = i
		c.need(path+".topic", d.Topic, "the topic", "name what is decided")
		if undecided(d.Decision) {
			c.add(path+".decision", "write what the plant does about it", "the decision on %q is open", d.Topic)
		}
		if undecided(d.Reason) {
			c.add(path+".reason", "write why, and on what evidence", "the decision on %q has no reason", d.Topic)
		}
	}
	for _, topic := range c.p.Leaf.RequiredDecisions() {
		if _, ok := at[topic]; !ok {
			c.add("decisions", "add it with decision and reason", "a decision on %q is missing", topic)
		}
	}
}

// undecided reports whether a text stands in for an answer not yet given.
func undecided(s string) bool {
	switch strings.Trim(strings.ToLower(strings.TrimSpace(s)), ".?!") {
	case "", "-", "undecided", "open", "tbd", "tbc", "todo", "to do", "to be decided", "n/a", "por decidir", "pendiente":
		return true
	}
	return false
}
