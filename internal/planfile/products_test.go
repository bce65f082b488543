package planfile

import (
	"strings"
	"testing"

	"linewarden/haccp/plan"
	"linewarden/internal/checktable"
)

// The limits that the template offers are the published ones, and each names the source it was taken from.
func TestTemplateHoldsPublishedReleaseLimits(t *testing.T) {
	p, problems := Parse("template.yaml", template(t, "leaf-gel"))
	if len(problems) > 0 {
		t.Fatal(problems)
	}
	offered := map[string]*plan.ProductTest{}
	for i := range p.Products[0].Tests {
		offered[p.Products[0].Tests[i].ID] = &p.Products[0].Tests[i]
	}
	for table, word := range map[string]string{"usp-1111/aqueous-oral.csv": "USP <1111>", "ec-2073-2005/ready-to-eat.csv": "2073/2005",
		"iasc-aloin/oral.csv": "International Aloe Science Council"} {
		checktable.Load(t, table).Each(t, func(t *testing.T, row checktable.Row) {
			x := offered[row.Get(t, "test")]
			if x == nil {
				t.Fatal("the template has no such test")
			}
			if got := x.String(); got != row.Get(t, "rule") {
				t.Errorf("the template says %s", got)
			}
			if !strings.Contains(x.Basis.Source, word) {
				t.Errorf("its source is %q", x.Basis.Source)
			}
			delete(offered, x.ID)
		})
	}
	for id, x := range offered {
		if x.Basis.Source != "" || x.Decision == "" {
			t.Errorf("the limit of %s is no published one, and the plant is not asked to decide", id)
		}
	}
}
