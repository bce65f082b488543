package plan

import "fmt"

// Product is what lots are sold as, with its specification: the tests whose results a lot is held against before it
// may be released.
type Product struct {
	ID    string        `yaml:"id" json:"id"`
	Name  string        `yaml:"name" json:"name"`
	Tests []ProductTest `yaml:"tests" json:"tests"`
}

// ProductTest is one test of a specification. It has one of these rules: AbsentIn (two classes, found or not), Limit
// with or without Most (two or three classes, the m and M of ICMSF and Codex CXG 50), Min and Max, or YesNo.
type ProductTest struct {
	ID   string `yaml:"id" json:"id"`
	Name string `yaml:"name" json:"name"`
	// Quantity is what is measured; a test with AbsentIn has none.
	Quantity string `yaml:"quantity" json:"quantity,omitempty"`
	// AbsentIn is the amount of product in which nothing may be found.
	AbsentIn *Amount `yaml:"absent_in" json:"absent_in,omitempty"`
	// N is how many units of the lot are tested, C how many of them may be above Limit, up to Most, or else outside.
	N     int     `yaml:"n" json:"n,omitempty"` // 0: one
	C     int     `yaml:"c" json:"c,omitempty"`
	Limit *Amount `yaml:"m" json:"m,omitempty"` // a result up to it is acceptable
	Most  *Amount `yaml:"M" json:"M,omitempty"` // none may be above it
	Min   *Amount `yaml:"min" json:"min,omitempty"`
	Max   *Amount `yaml:"max" json:"max,omitempty"`
	YesNo *bool   `yaml:"yes_no" json:"yes_no,omitempty"`
	// Method and Laboratory are those the results must come from.
	Method     string `yaml:"method" json:"method"`
	Laboratory string `yaml:"laboratory" json:"laboratory,omitempty"` // empty: any
	// Informative says that a result outside stops no release; without it the test is required.
	Informative bool `yaml:"informative" json:"informative,omitempty"`
	// Pathogen says that a positive result puts in doubt whatever ran between the clean breaks around the lot.
	Pathogen bool `yaml:"pathogen" json:"pathogen,omitempty"`
	// Decision is what the plant decided where no rule gives the number; Basis is then what the decision rests on.
	Decision string `yaml:"decision" json:"decision,omitempty"`
	Basis    Basis  `yaml:"basis" json:"basis,omitzero"`
}

// Units is how many units of a lot are tested.
func (t *ProductTest) Units() int { return max(t.N, 1) }

// Product returns a product by its id, nil where the plan has none.
func (p *Plan) Product(id string) *Product {
	for i := range p.Products {
		if p.Products[i].ID == id {
			return &p.Products[i]
		}
	}
	return nil
}

// Test returns a test by its id, nil where the specification has none.
func (p *Product) Test(id string) *ProductTest {
	for i := range p.Tests {
		if p.Tests[i].ID == id {
			return &p.Tests[i]
		}
	}
	return nil
}

// String returns the rule as people read it, such as "n 5, c 2, m 100 CFU/g, M 1000 CFU/g".
func (t *ProductTest) String() string {
	l := Limit{Min: t.Min, Max: t.Max}
	switch {
	case t.AbsentIn != nil:
		return t.plan() + "absent in " + t.AbsentIn.String()
	case t.Limit != nil && t.Most != nil:
		return t.plan() + "m " + t.Limit.String() + ", M " + t.Most.String()
	case t.Limit != nil:
		return t.plan() + "at most " + t.Limit.String()
	case t.YesNo != nil && *t.YesNo:
		return t.plan() + "yes"
	case t.YesNo != nil:
		return t.plan() + "no"
	}
	return t.plan() + l.span()
}

// plan is the sampling plan in front of a rule; nothing for a single unit.
func (t *ProductTest) plan() string {
	if t.Units() == 1 {
		return ""
	}
	return fmt.Sprintf("n %d, c %d, ", t.Units(), t.C)
}
