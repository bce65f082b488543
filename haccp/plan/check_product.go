package plan

import (
	"fmt"
	"strings"

	"linewarden/haccp/quantity"
)

// maxUnits bounds the units of a sampling plan.
const maxUnits = 300

// products checks the products and their specifications.
func (c *checker) products() {
	p := c.p
	c.ids("products", len(p.Products), func(i int) (string, string) { return p.Products[i].ID, p.Products[i].Name })
	if len(p.Products) == 0 && len(p.Steps) > 0 {
		c.warn("products", "21 CFR 111.70 (e) and 111.75 (c): specifications of the finished batch", "give the product with its tests",
			"the plan has no product specification, so that whoever releases a lot confirms its results by signature")
	}
	for i := range p.Products {
		x, path := &p.Products[i], fmt.Sprintf("products[%d]", i)
		if len(x.Tests) == 0 {
			c.add(path+".tests", "give at least one test", "the product %q has no test", x.ID)
		}
		c.ids(path+".tests", len(x.Tests), func(j int) (string, string) { return x.Tests[j].ID, x.Tests[j].Name })
		for j := range x.Tests {
			c.productTest(fmt.Sprintf("%s.tests[%d]", path, j), &x.Tests[j])
		}
	}
}

func (c *checker) productTest(path string, t *ProductTest) {
	c.need(path+".method", t.Method, "the method", "name the method, such as ISO 4833-1")
	if t.Pathogen && t.Informative {
		c.add(path+".informative", "take it out", "the test %q for a pathogen cannot be for information only", t.ID)
	}
	switch {
	case t.Units() > maxUnits:
		c.add(path+".n", fmt.Sprintf("write 1 to %d", maxUnits), "%d units cannot be asked for", t.N)
	case t.C >= t.Units():
		c.add(path+".c", fmt.Sprintf("write at most %d", t.Units()-1), "with c %d of n %d the test %q finds nothing out", t.C, t.Units(), t.ID)
	case t.Pathogen && t.AbsentIn != nil && t.C > 0:
		c.add(path+".c", "write 0", "the test %q accepts a unit with the pathogen in it", t.ID)
	}
	c.productRule(path, t)
	c.productBasis(path, t)
}

// productRule sees that a test has one rule, with amounts of its quantity.
func (c *checker) productRule(path string, t *ProductTest) {
	rules := 0
	for _, given := range []bool{t.AbsentIn != nil, t.Limit != nil || t.Most != nil, t.Min != nil || t.Max != nil, t.YesNo != nil} {
		if given {
			rules++
		}
	}
	if rules != 1 {
		c.add(path, "give absent_in, m (with or without M), min and max, or yes_no", "the test %q has %d rules in place of one", t.ID, rules)
		return
	}
	if t.AbsentIn != nil {
		if t.Quantity != "" {
			c.add(path+".quantity", "take it out", "what is found or not in %s is not measured", t.AbsentIn)
		}
		c.absentIn(path+".absent_in", *t.AbsentIn)
		return
	}
	q := c.quantity(path+".quantity", t.Quantity)
	if q == nil {
		return
	}
	if t.YesNo != nil || q.IsYesNo() {
		if t.YesNo == nil || !q.IsYesNo() {
			c.add(path+".yes_no", "give yes_no with the quantity yes_no, and an amount with any other", "the rule does not fit %s", q.Name())
		}
		return
	}
	c.productBounds(path, q, t)
}

// absentIn checks the amount in which nothing may be found.
func (c *checker) absentIn(path string, a Amount) {
	id := quantity.Mass
	if q, err := quantity.Get(quantity.Volume); err == nil && q.HasUnit(quantity.Unit(a.Unit)) {
		id = quantity.Volume
	}
	if c.amount(path, id, a) && a.Value.Sign() <= 0 {
		c.add(path, "write the amount tested, such as 25 g", "nothing can be found in %s", a)
	}
}

func (c *checker) productBounds(path string, q *quantity.Quantity, t *ProductTest) {
	good := true
	for _, b := range []bound{{"m", t.Limit}, {"M", t.Most}, {"min", t.Min}, {"max", t.Max}} {
		good = (b.amount == nil || c.bound(path+"."+b.name, q, *b.amount)) && good
	}
	if !good {
		return
	}
	switch {
	case t.Most != nil && t.Limit == nil:
		c.add(path+".M", "give m beside M", "M stands without m")
	case t.Most != nil && t.Most.Unit != t.Limit.Unit:
		c.add(path+".M", "write both in "+t.Limit.Unit, "m and M have different units")
	case t.Most != nil && t.Most.Value.Cmp(t.Limit.Value) <= 0:
		c.add(path+".M", "let M be above m", "M %s is not above m %s", t.Most, t.Limit)
	case t.Most != nil && t.C == 0:
		c.add(path+".c", "write how many units may lie between m and M, or leave M out", "with c 0 no unit may be above m, and M says nothing")
	case t.Min != nil && t.Max != nil:
		if order, err := q.Compare(t.Min.Value, quantity.Unit(t.Min.Unit), t.Max.Value, quantity.Unit(t.Max.Unit)); err != nil || order > 0 {
			c.add(path+".max", "let min be at most max, in the same unit", "min %s is not below max %s", t.Min, t.Max)
		}
	}
}

// productBasis wants a published source, or the plant's decision and what it rests on.
func (c *checker) productBasis(path string, t *ProductTest) {
	b := t.Basis
	if b.Invented && !c.p.Demo {
		c.add(path+".basis.invented", "name the source, or write demo: true for a demo or test site", "an invented limit is taken only in a plan marked demo")
	}
	switch {
	case b.Invented:
	case t.Decision != "" && undecided(t.Decision):
		c.add(path+".decision", "write what the plant holds the product to, and why", "the decision on %q is open", t.ID)
	case strings.TrimSpace(b.Source) == "" && t.Decision == "":
		c.add(path+".basis", "name the published source; where no rule gives a number, write decision and what it rests on", "the limit of %q has no basis", t.ID)
	case strings.TrimSpace(b.Source) == "" && strings.TrimSpace(b.Validation) == "":
		c.add(path+".basis", "write source or validation: what the decision rests on", "the decision on %q has no basis", t.ID)
	}
}
