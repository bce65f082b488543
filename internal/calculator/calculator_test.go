package calculator

import (
	"errors"
	"flag"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"

	"linewarden/haccp/formula"
	"linewarden/haccp/wash"
	"linewarden/internal/checktable"
)

var update = flag.Bool("update", false, "write sources.tsv from the list of sources")

// same is the words of a code in tests: the code itself.
func itself(code string) string { return code }

func noFile(string) ([]byte, error) { return nil, errors.New("no file in this test") }

func each(t *testing.T, f func(*testing.T, Calculator)) {
	t.Helper()
	for _, g := range Groups() {
		for _, c := range g.Calculators {
			t.Run(c.Name, func(t *testing.T) { f(t, c) })
		}
	}
}

// Each example gives what it says. Where a package of arithmetic has an example of the same inputs, the
// figure is that of the package, worked out there without this one.
func TestExamples(t *testing.T) {
	each(t, func(t *testing.T, c Calculator) {
		a, err := c.Run(c.Example, noFile)
		if err != nil {
			t.Fatal(err)
		}
		var got []string
		for _, r := range a.Rows {
			got = append(got, r.Text(itself))
		}
		if !slices.Equal(got, c.Gives) {
			t.Errorf("example gives\n\t%q\nwanted\n\t%q", got, c.Gives)
		}
		for _, r := range a.Rows {
			if r.Source == "" && r.Is == "" {
				t.Errorf("%s has no source", r.Label)
			}
		}
		if len(a.Sources) == 0 {
			t.Error("no source")
		}
		if last := a.Cautions[len(a.Cautions)-1]; last.Code != wash.AidOnly {
			t.Errorf("the last caution is %s, not who decides", last.Code)
		}
	})
}

// The titles of sources are those of the one list.
func TestSourcesAreThoseOfTheList(t *testing.T) {
	list := checktable.Sources(t)
	var b strings.Builder
	for _, key := range slices.Sorted(maps.Keys(list)) {
		s := list[key]
		b.WriteString(strings.Join([]string{s.Key, s.Title, s.Year, s.Confirmed}, "\t") + "\n")
	}
	if *update {
		if err := os.WriteFile("sources.tsv", []byte(b.String()), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if b.String() != sourceText {
		t.Error("sources.tsv differs from the list of sources: run go test ./internal/calculator -update")
	}
}

var _ = formula.One

// A wrong input is refused with one line that names it and says what would be right.
func TestRefusals(t *testing.T) {
	for _, c := range []struct{ name, args, says string }{
		{"hocl", "free=100 ph=6.8", "hocl: temperature is missing (temperature of the water): 0 to 40 °C (also °F, K)"},
		{"hocl", "free=100 ph=6.8 temperature=20 temp=4", `hocl: there is no input "temp": hocl takes free, ph, temperature, salt`},
		{"hocl", "free=100 ph=6.8 ph=6.9 temperature=20", "hocl: ph is given twice: give it once"},
		{"hocl", "free=100 ph temperature=20", `hocl: "ph": write inputs as name=value, such as free=100`},
		{"hocl", "free=100 ph= temperature=20", "hocl: ph=: nothing is typed: 0 to 14 pH"},
		{"hocl", "free=100 ph=15 temperature=20", "hocl: ph=15: 0 to 14 pH is wanted"},
		{"hocl", "free=100 ph=6,8 temperature=20", "hocl: ph=6,8: bad number \"6,8\": a comma is not taken: use a point for decimals"},
		{"hocl", "free=NaN ph=6.8 temperature=20", "hocl: free=NaN: bad number \"NaN\": not a number that can be measured"},
		{"hocl", "free=-inf ph=6.8 temperature=20", "hocl: free=-inf: "},
		{"hocl", "free=1e309 ph=6.8 temperature=20", "hocl: free=1e309: bad number \"1e309\": no power of ten"},
		{"hocl", "free=100mg/kg ph=6.8 temperature=20", `hocl: free=100mg/kg: "mg/kg" is no unit for it: mg/L, ppm may be typed`},
		{"hocl", "free=100 ph=6.8 temperature=105°F", "hocl: temperature=105°F: 0 to 40 °C (also °F, K) is wanted"},
		{"hocl", "free=100 ph=6.8 temperature=20C salt=3%", `hocl: salt=3%: "%" is no unit for it: g/L may be typed`},
		{"refractometer", "index=1.35mm", `refractometer: index=1.35mm: "mm": a number without a unit is wanted`},
		{"salometer", "degrees=40 scale=25% temperature=60°F", "salometer: scale=25%: one of these is wanted: saturated, canning"},
		{"virus-ct", "temperature=10 ph=7 log=2.5", "virus-ct: log=2.5: a whole number is wanted"},
		{"product-needed", "volume=1000 free=0 target=300 strength=12.5 is=trade-percent gravity=1.16 label-maximum=200", "product-needed: target=300 lies above what the label allows, label-maximum=200: no dose is worked out"},
		{"product-needed", "volume=1000 free=0 target=100 strength=12.5 is=trade-percent label-maximum=200", "product-needed: gravity is missing"},
		{"product-needed", "volume=1000 free=0 target=100 strength=65 is=granular-percent label-maximum=200 as=mL", "product-needed: as=mL: amount in g: it cannot be stated in mL"},
		{"product-needed", "volume=1000 free=120 target=100 strength=12.5 is=trade-percent gravity=1.16 label-maximum=200", "product-needed: "},
		{"level-after", "volume=1000 free=0 amount=1lb strength=12.5 is=trade-percent gravity=1.16", "level-after: amount=1lb: this product is measured in mL"},
		{"sea-water", "water=salt-bath conductivity=30 temperature=20", "sea-water: "},
		{"ct-readings", "readings=0/100,08:10/80 begin=0 end=5", `value 2, time ("08:10"): all times of one call are written alike: minutes before, times of one day here`},
		{"ct-readings", "readings=0/100/7 begin=0 end=5", "ct-readings: readings=0/100/7: value 1 has 3 columns: time/free"},
		{"ct-readings", "readings=0/100,10/x begin=0 end=5", `ct-readings: readings=0/100,10/x: value 2, free ("x")`},
		{"ct-readings", "readings=0/100 begin=0 end=5", "ct-readings: "},
		{"summary", "values=1.0,2.0,abc", `summary: values=1.0,2.0,abc: value 3 ("abc")`},
		{"summary", "values=@gone.csv", "summary: values=@gone.csv: no file in this test"},
		{"individuals-chart", "values=1,1,1", "individuals-chart: "},
		{"decision-rule", "measured=52.1 rule=simple", "decision-rule: give lower, upper or both"},
		{"lot-results", "n=5 c=2 results=<ten m=100", "lot-results: results: unit 1: "},
		{"lot-detected", "n=5 c=0 detected=no,maybe", `lot-detected: detected: unit 2 is "maybe": yes or no is wanted`},
		{"boiling-point", "altitude=10 pressure=1000", "boiling-point: give either altitude or pressure"},
		{"depletion", "readings=0/100,10/90,20/80,30/70", "depletion: give operating, critical or both"},
		{"depletion", "readings=0/100,10/90 critical=50", "depletion: too few readings since the last addition"},
	} {
		calculator, err := Find(c.name)
		if err != nil {
			t.Fatal(err)
		}
		_, err = calculator.Run(strings.Fields(c.args), noFile)
		if err == nil || !strings.Contains(err.Error(), c.says) || strings.Contains(err.Error(), "\n") {
			t.Errorf("%s %s: %v\nwanted %s", c.name, c.args, err, c.says)
		}
	}
	for name, says := range map[string]string{"hocl-pk": "did you mean hocl-share, hocl, hocl-pka?", "xyz": "linewarden calc --help lists them", "": "lists them"} {
		if _, err := Find(name); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%q: %v", name, err)
		}
	}
}
