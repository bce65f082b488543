package plan

import (
	"slices"
	"strings"
	"testing"

	"linewarden/haccp/guidance"
	"linewarden/haccp/quantity"
)

func amount(t *testing.T, text string) *Amount {
	t.Helper()
	if text == "" {
		return nil
	}
	var a Amount
	if err := a.UnmarshalText([]byte(text)); err != nil {
		t.Fatal(err)
	}
	return &a
}

// washPlan is a plan with one bath and one point with the limits given; only what the rules on limits look
// at is filled in.
func washPlan(class Class, limits ...Limit) *Plan {
	return &Plan{
		Demo: true, Jurisdiction: "MX",
		Places: []Place{{ID: "bath", Name: "Bath", Kind: Bath}},
		Points: []Point{{ID: "wash", Name: "Wash", Class: class, Places: []string{"bath"}, Limits: limits}},
	}
}

func limit(t *testing.T, kind LimitKind, q quantity.ID, low, high string) Limit {
	t.Helper()
	return Limit{ID: "l", Kind: kind, Quantity: string(q), Min: amount(t, low), Max: amount(t, high), Basis: Basis{Invented: true}}
}

// warnings lists the warnings that rest on a published figure.
func warnings(p *Plan) []Problem {
	var out []Problem
	for _, f := range p.Check(Options{}) {
		if f.Warning && slices.ContainsFunc(guidance.All(), func(g guidance.Figure) bool { return g.Source == f.Source }) {
			out = append(out, f)
		}
	}
	return out
}

// The published ranges are those of the sources named in sources.tsv: FDA guide of 1998 (50 to 200 total,
// pH 6.0 to 7.5, 1 to 2 min), CFIA 2018 (100 to 150 total, pH 6.0 to 7.0, at most 5 min), UF/IFAS CH160 (100
// to 150 free, pH 6.5 to 7.5), Luo 2011 (at least 10 free), 21 CFR 178.1010 (at most 200 on surfaces).
func TestGuidance(t *testing.T) {
	free, total, ph, contact := quantity.FreeChlorine, quantity.TotalChlorine, quantity.PH, quantity.ContactTime
	for name, c := range map[string]struct {
		class     Class
		q         quantity.ID
		low, high string
		want      []string // sources, each with the side it is about
	}{
		"free inside all":              {CCP, free, "100 mg/L", "150 mg/L", nil},
		"free below Florida":           {CCP, free, "50 mg/L", "150 mg/L", []string{"min " + guidance.FloridaPage}},
		"free below the trial":         {CCP, free, "9.9 mg/L", "", []string{"min " + guidance.FloridaPage, "min " + guidance.LettuceTrial}},
		"free above Florida":           {CCP, free, "100 mg/L", "150.1 mg/L", []string{"max " + guidance.FloridaPage}},
		"free is not held against 200": {Sanitation, free, "", "500 mg/L", nil},
		"total inside all":             {CCP, total, "100 mg/L", "150 mg/L", nil},
		"total inside FDA only":        {CCP, total, "50 mg/L", "200 mg/L", []string{"min " + guidance.CFIAPage, "max " + guidance.CFIAPage}},
		"total outside both":           {CCP, total, "49 mg/L", "201 mg/L", []string{"min " + guidance.FDAGuide, "max " + guidance.FDAGuide, "min " + guidance.CFIAPage, "max " + guidance.CFIAPage}},
		"total on surfaces":            {Sanitation, total, "", "200 mg/L", nil},
		"total on surfaces, strong":    {Sanitation, total, "", "201 mg/L", []string{"max " + guidance.SurfaceRule}},
		"pH inside all":                {CCP, ph, "6.5 pH", "7.0 pH", nil},
		"pH above Canada":              {CCP, ph, "6.5 pH", "7.5 pH", []string{"max " + guidance.CFIAPage}},
		"pH below all":                 {CCP, ph, "5.9 pH", "7.0 pH", []string{"min " + guidance.FDAGuide, "min " + guidance.CFIAPage, "min " + guidance.FloridaPage}},
		"contact in seconds":           {OPRP, contact, "60 s", "120 s", nil},
		"contact too long":             {OPRP, contact, "1 min", "301 s", []string{"max " + guidance.FDAGuide, "max " + guidance.CFIAPage}},
	} {
		kind := Critical
		if c.class != CCP {
			kind = Action
		}
		var got []string
		for _, w := range warnings(washPlan(c.class, limit(t, kind, c.q, c.low, c.high))) {
			got = append(got, w.Path[strings.LastIndex(w.Path, ".")+1:]+" "+w.Source)
			if !strings.Contains(w.Fix, "guidance of ") {
				t.Errorf("%s: the warning does not say whose guidance it is: %+v", name, w)
			}
		}
		slices.Sort(got)
		slices.Sort(c.want)
		if !slices.Equal(got, c.want) {
			t.Errorf("%s:\n%q, want\n%q", name, got, c.want)
		}
	}
}

func TestGuidanceNamesForeignPlaces(t *testing.T) {
	p := washPlan(CCP, limit(t, Critical, quantity.TotalChlorine, "60 mg/L", ""))
	for _, c := range []struct {
		jurisdiction string
		foreign      bool
	}{{"MX", true}, {"CA", false}, {"Canada", false}} {
		p.Jurisdiction = c.jurisdiction
		got := warnings(p)
		if len(got) != 1 || strings.Contains(got[0].Fix, "not of") != c.foreign {
			t.Errorf("%s: %+v", c.jurisdiction, got)
		}
	}
	p.Places[0].Kind = Table
	if got := warnings(p); len(got) > 0 {
		t.Errorf("figures on wash water are held against a place that is no bath: %+v", got)
	}
}

func TestGasFloor(t *testing.T) {
	chlorine := limit(t, Critical, quantity.FreeChlorine, "100 mg/L", "")
	for name, c := range map[string]struct {
		limits []Limit
		warns  bool
	}{
		"no pH limit":      {[]Limit{chlorine}, true},
		"pH without floor": {[]Limit{chlorine, limit(t, Critical, quantity.PH, "", "7.0 pH")}, true},
		"low floor":        {[]Limit{chlorine, limit(t, Critical, quantity.PH, "5.9 pH", "")}, true},
		"floor":            {[]Limit{chlorine, limit(t, Critical, quantity.PH, "6.0 pH", "")}, false},
		"no chlorine":      {[]Limit{limit(t, Critical, quantity.PH, "4.0 pH", "")}, false},
	} {
		found := washPlan(CCP, c.limits...).Check(Options{})
		got := slices.ContainsFunc(found, func(p Problem) bool { return p.Warning && p.Source == gasSource })
		if got != c.warns {
			t.Errorf("%s: warned %v", name, got)
		}
	}
}

// The range must reach beyond the bound, and four steps must fit into the room there (our rule).
func TestSeparation(t *testing.T) {
	crit := limit(t, Critical, quantity.FreeChlorine, "100 mg/L", "150 mg/L")
	op := limit(t, Operating, quantity.FreeChlorine, "110 mg/L", "140 mg/L")
	op.ID = "o"
	for name, c := range map[string]struct {
		limits          []Limit
		low, high, step string
		good            bool
	}{
		"fine":                             {[]Limit{crit, op}, "0", "300", "2.5", true},
		"a quarter of 10 is 2.5":           {[]Limit{crit, op}, "0", "300", "2.51", false},
		"no operating limit, coarser will": {[]Limit{crit}, "0", "300", "12.5", true},
		"a quarter of min to max":          {[]Limit{crit}, "0", "300", "12.6", false},
		"ends at the max":                  {[]Limit{crit, op}, "0", "150", "1", false},
		"begins at the min":                {[]Limit{crit, op}, "100", "300", "1", false},
		"just beyond":                      {[]Limit{crit, op}, "99", "151", "0.25", true},
		"just beyond, too coarse":          {[]Limit{crit}, "99", "151", "0.26", false},
		"below everything":                 {[]Limit{crit, op}, "0", "5", "0.01", false},
	} {
		p := washPlan(CCP, c.limits...)
		low, high, step := quantity.MustDecimal(c.low), quantity.MustDecimal(c.high), quantity.MustDecimal(c.step)
		p.Methods = []Method{{ID: "kit", Name: "Kit", Quantity: "free_chlorine", Unit: "ppm", PPMMeans: asCl2, Low: &low, High: &high, Step: &step}}
		p.Checks = []Check{{ID: "test", Name: "Test", Places: []string{"bath"}, Points: []string{"wash"},
			Measures: []Measure{{Quantity: "free_chlorine", Methods: []string{"kit"}}}}}
		bad := slices.ContainsFunc(p.Check(Options{}), func(f Problem) bool {
			return !f.Warning && strings.HasPrefix(f.Path, "checks[0].measures[0]")
		})
		if bad == c.good {
			t.Errorf("%s: refused %v", name, bad)
		}
	}
}

// Names of sulphites are from the additive numbers 220 to 228 (Codex CXS 192, from memory) and the words
// used on labels in English and Spanish.
func TestRequiredDecisions(t *testing.T) {
	for name, want := range map[string]bool{
		"ascorbic acid": false, "ácido cítrico": false, "none": false, "sodium erythorbate": false, "E 300": false, "sodium sulfate": false,
		"sodium metabisulfite": true, "Sodium Metabisulphite": true, "metabisulfito de potasio": true, "bisulfito sódico": true,
		"sulfito": true, "E223": true, "INS 220": true, "dióxido de azufre": true, "sulphur dioxide": true, "anhídrido sulfuroso": true,
	} {
		got := slices.Contains(LeafGel{Template: true, Antioxidant: name}.RequiredDecisions(), TopicSulphite)
		if got != want {
			t.Errorf("%s: asked for %v", name, got)
		}
	}
	if !slices.Contains(LeafGel{Template: true, Sulphite: true}.RequiredDecisions(), TopicSulphite) {
		t.Error("sulphite: true asks for no decision")
	}
	if got := (LeafGel{Sulphite: true}).RequiredDecisions(); got != nil {
		t.Errorf("a plan without the template is asked for %v", got)
	}
}

// 90 calendar days after 1 March 2026 is 30 May (21 CFR 117.160).
func TestValidationRunsNinetyDays(t *testing.T) {
	for until, good := range map[Date]bool{"2026-05-30": true, "2026-05-31": false} {
		l := limit(t, Critical, quantity.FreeChlorine, "100 mg/L", "")
		l.Basis = Basis{ValidationUntil: until}
		p := washPlan(CCP, l)
		p.FirstProduction = "2026-03-01"
		bad := slices.ContainsFunc(p.Check(Options{}), func(f Problem) bool { return strings.Contains(f.Path, "basis") })
		if bad == good {
			t.Errorf("until %s: refused %v", until, bad)
		}
	}
}

// An empty plan is told everything it lacks, and nothing of it is a panic.
func TestEmptyPlan(t *testing.T) {
	found := (&Plan{}).Check(Options{})
	for _, path := range []string{"site", "name", "jurisdiction", "authority", "regime", "zone", "production_day", "live_from", "places", "points", "checks"} {
		if !slices.ContainsFunc(found, func(p Problem) bool { return p.Path == path && !p.Warning && p.Fix != "" }) {
			t.Errorf("nothing is said about %s", path)
		}
	}
	for _, p := range found {
		if p.Warning && p.Source == "" {
			t.Errorf("a warning without source: %+v", p)
		}
	}
}
