package wording

import "strings"

// ruleTexts are the words of the rule of a test of a product.
var ruleTexts = map[string]text{
	"rule.absent-in": {"absent in {amount}", "ausente en {amount}"},
}

// Rule words the rule of a test of a product, which the specification gives in English, such as "n 5, c 0, absent in 25 g".
// A rule of another form is returned as it stands.
func (l Language) Rule(rule string) string {
	plan, bound := "", rule
	if parts := strings.SplitN(rule, ", ", 3); len(parts) == 3 && strings.HasPrefix(rule, "n ") {
		plan, bound = parts[0]+", "+parts[1]+", ", parts[2]
	}
	amount := func(s string) string { return strings.TrimSuffix(s, " pH") }
	switch {
	case bound == "yes" || bound == "no":
		return plan + l.Word("answer", bound)
	case strings.HasPrefix(bound, "absent in "):
		return plan + l.Text("rule.absent-in", "amount", bound[len("absent in "):])
	case strings.HasPrefix(bound, "at most "):
		return plan + l.Text("plan.at-most", "max", amount(bound[len("at most "):]))
	case strings.HasPrefix(bound, "at least "):
		return plan + l.Text("plan.at-least", "min", amount(bound[len("at least "):]))
	}
	if low, high, ok := strings.Cut(bound, " to "); ok {
		return plan + l.Text("plan.between", "min", amount(low), "max", amount(high))
	}
	return rule
}
