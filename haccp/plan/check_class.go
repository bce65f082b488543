package plan

import (
	"fmt"
	"slices"
	"strings"
)

// Roles lists the roles that a plan may name.
func Roles() []string {
	return []string{"technician", "line_lead", "laboratory", "manager", "auditor", "administrator"}
}

// closingParts lists the parts a plan may name, in the order they are signed.
var closingParts = []string{ControlRestored, ProductEvaluated, CauseAndAction, Effectiveness, Closed}

// classes checks that every class in use says what a breach opens, holds, and what closes it.
func (c *checker) classes() {
	rules := map[Class]int{}
	for i, r := range c.p.Classes {
		path := fmt.Sprintf("classes[%d]", i)
		if !knownClass(r.Class) {
			c.add(path+".class", "write ccp, oprp, sanitation or quality", "the class %q is not known", r.Class)
		}
		if at, seen := rules[r.Class]; seen {
			c.add(path+".class", "keep one rule a class", "the class %q has its rule in classes[%d]", r.Class, at)
			continue
		}
		rules[r.Class] = i
		c.closing(path, r)
	}
	told := map[Class]bool{}
	for i, pt := range c.p.Points {
		if _, ok := rules[pt.Class]; ok || told[pt.Class] || !knownClass(pt.Class) {
			continue
		}
		told[pt.Class] = true
		c.add(fmt.Sprintf("points[%d].class", i), "add it under classes, with its closing parts and their roles",
			"no rule says what closes a breach of class %q", pt.Class)
	}
}

func knownClass(class Class) bool {
	return slices.Contains([]Class{CCP, OPRP, Sanitation, Quality}, class)
}

// required lists the parts without which a class may not be closed. RULES of closing: a deviation takes
// control restored, product evaluated, and cause and corrective action.
func required(class Class) []string {
	if class == CCP {
		return []string{ControlRestored, ProductEvaluated, CauseAndAction, Closed}
	}
	return []string{Closed}
}

func (c *checker) closing(path string, r ClassRule) {
	have := map[string]bool{}
	for i, part := range r.Closing {
		under := fmt.Sprintf("%s.closing[%d]", path, i)
		if !slices.Contains(closingParts, part.Part) {
			c.add(under+".part", "one of "+strings.Join(closingParts, ", "), "there is no closing part %q", part.Part)
		}
		if have[part.Part] {
			c.add(under+".part", "name each part once", "the part %q stands here twice", part.Part)
		}
		have[part.Part] = true
		c.roles(under+".roles", part.Roles)
		if part.Part == Closed && slices.Contains(part.Roles, "technician") {
			c.add(under+".roles", "let a manager close", "a technician may not close")
		}
		if slices.Contains(part.Roles, "auditor") {
			c.add(under+".roles", "take the auditor out", "an auditor reads only and signs no part")
		}
	}
	for _, part := range required(r.Class) {
		if !have[part] {
			c.add(path+".closing", "add it with the roles that may sign it", "closing a breach of class %q lacks the part %q", r.Class, part)
		}
	}
	if have[Effectiveness] && r.EffectivenessAfter.IsZero() {
		c.add(path+".effectiveness_after", `write a length of time, such as "30 d"`,
			"the time after which the effect of a corrective action is checked is missing")
	}
	if r.Class == CCP && !r.Holds {
		c.add(path+".holds", "write holds: true", "product outside a critical limit is held until it is evaluated")
	}
	if r.Class == CCP && r.OverdueAfter.IsZero() {
		c.add(path+".overdue_after", `write a length of time, such as "7 d"`,
			"the time after which an open deviation is overdue is missing")
	}
}

// roles checks a list of roles: at least one, all known, none twice.
func (c *checker) roles(path string, roles []string) {
	if len(roles) == 0 {
		c.add(path, "one of "+strings.Join(Roles(), ", "), "no role is named")
	}
	for i, role := range roles {
		under := fmt.Sprintf("%s[%d]", path, i)
		if !slices.Contains(Roles(), role) {
			c.add(under, "one of "+strings.Join(Roles(), ", "), "there is no role %q", role)
		}
		if slices.Index(roles, role) < i {
			c.add(under, "name it once", "the role %q is named twice", role)
		}
	}
}
