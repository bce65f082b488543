package calculator

import (
	"errors"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"

	"linewarden/haccp/depletion"
	"linewarden/haccp/formula"
	"linewarden/haccp/sampling"
	"linewarden/haccp/trend"
	"linewarden/internal/checktable"
)

// Units come to what NIST Handbook 44, Appendix C says: gallon of 231 cubic inches, inch of 2.54 cm, pound of
// 0.45359237 kg. Temperatures by their definitions.
func TestUnits(t *testing.T) {
	for _, c := range []struct {
		k    kind
		text string
		want float64
	}{
		{litres, "1gal", 231 * 2.54 * 2.54 * 2.54 / 1000}, {litres, "1 US gal", 3.785411784}, {litres, "4 US qt", 3.785411784}, {litres, "1.5m3", 1500}, {litres, "250 mL", 0.25},
		{millilitres, "1 US fl oz", 231 * 2.54 * 2.54 * 2.54 / 128}, {millilitres, "0.1L", 100},
		{kilograms, "100lb", 45.359237}, {grams, "16oz", 453.59237}, {kilograms, "2t", 2000},
		{temperature, "68°F", 20}, {temperature, "68F", 20}, {temperature, "293.15K", 20}, {temperature, "-40 degF", -40}, {temperature, "20 °C", 20}, {kelvin, "2°F", 10.0 / 9},
		{altitude, "5000 ft", 1524}, {pressure, "101.325kPa", 1013.25}, {flow, "10 US gal/min", 37.85411784}, {flow, "6m3/h", 100},
		{chlorineMgL, "100ppm", 100}, {conductance, "126000 µS/cm", 126}, {minutes, "90s", 1.5}, {minutes, "1.5h", 90}, {days, "2weeks", 14}, {density, "1.07g/mL", 1070},
	} {
		got, err := c.k.parse(c.text)
		if err != nil || math.Abs(got-c.want) > 1e-9*math.Abs(c.want) {
			t.Errorf("%s: %v, %v; wanted %v", c.text, got, err, c.want)
		}
	}
	if _, err := conductance.parse("30MS/cm"); err == nil {
		t.Error("megasiemens taken for millisiemens")
	}
}

// Both ends of the range that a calculator states for an input are taken by the package that works it out,
// other inputs as in the example, but for those that hang together with another input.
func TestRangesAreThoseOfThePackages(t *testing.T) {
	// Inputs whose range hangs together with another's.
	joint := map[string]string{
		"salometer-degrees salt": "100 degrees are the end", "salt-from-density density": "water and saturated brine at the temperature are the ends",
		"salt-from-conductivity conductivity": "25 % salt at the temperature is the end", "salt-from-grams salt": "a saturated brine at the temperature is the end",
		"sea-water conductivity": "salinity 2 to 42 is the range", "sea-water temperature": "salinity 2 to 42 is the range", "sea-water pressure": "salinity 2 to 42 is the range",
		"table-hours temperature": "below the first line no time is printed", "strength strength": "25 trade percent is the end; a solid goes to 100",
		"product-needed strength": "as strength", "level-after strength": "as strength", "worst-level strength": "as strength",
		"salt-after salt": "a saturated brine is the end", "salt-after added": "a saturated brine is the end", "diluted-sample read": "the range of the method is the end",
		"chlorine-meter shown": "the standards are the ends", "dpd-titration after-dpd": "20 mg/L is the end", "dpd-titration after-trace": "20 mg/L is the end",
		"dpd-titration after-iodide": "20 mg/L is the end", "dpd-titration sample": "20 mg/L is the end", "acceptance-limit risk": "below the risk at the limit itself",
		"product-needed target": "below the strength of the product",
		"diluted-sample sample": "no more than the total", "diluted-sample total": "20,000 mg/L is the end", "diluted-sample method-low": "below the upper end",
		"product-titration thiosulfate": "25 trade percent is the end", "product-titration blank": "as thiosulfate", "product-titration normality": "as thiosulfate",
		"dilution-parts weaker": "no more than the strong one", "level-after free": "20,000 mg/L is the end", "level-after amount": "20,000 mg/L is the end",
		"worst-level free": "as level-after", "worst-level amount": "as level-after", "salt-titration silver": "400 g/L is the end",
		"decay until": "below the level at the start", "share-chart size": "no less than the rejects", "lognormal-shares m": "below M",
		"acceptance n": "above c", "acceptance c": "below n", "acceptance defective": "with marginal no more than all", "acceptance marginal": "with defective no more than all",
		"defective-at n": "above c", "defective-at c": "below n", "lot-results n": "above c", "lot-results c": "below n", "lot-results m": "below M", "lot-results most": "above m",
		"lot-detected n": "no fewer than the results", "lot-detected c": "below n", "sample-size defective": "100,000 units are the end",
		"smallest-plan good": "a good lot has the lower share and the higher probability", "smallest-plan good-accepted": "as good", "smallest-plan poor": "as good",
		"smallest-plan poor-accepted": "as good", "decision-rule guard": "not below 0 with non-binary",
		"antioxidant-check weighed": "the mass of the batch is the end",
	}
	each(t, func(t *testing.T, c Calculator) {
		for _, in := range c.Inputs {
			if in.shape != oneNumber && in.shape != wholeNumber || joint[c.Name+" "+in.Name] != "" {
				continue
			}
			for _, end := range []float64{in.low, in.high} {
				text := strconv.FormatFloat(end, 'f', -1, 64)
				if math.IsInf(end, 0) || len(text) > 16 {
					continue
				}
				args := slices.DeleteFunc(slices.Clone(c.Example), func(a string) bool { return strings.HasPrefix(a, in.Name+"=") })
				_, err := c.Run(append(args, in.Name+"="+text), noFile)
				if errors.Is(err, formula.ErrRange) || errors.Is(err, sampling.ErrInput) || errors.Is(err, trend.ErrInput) || errors.Is(err, depletion.ErrInput) {
					t.Errorf("%s=%s: %v", in.Name, text, err)
				}
			}
		}
	})
}

// A list may come from a file or from standard input: comments and a byte-order mark are passed over.
func TestListsFromFiles(t *testing.T) {
	files := map[string]string{
		"-":        "\ufeff# NIST/SEMATECH e-Handbook 6.3.2.2\n49.6\n47.6\n49.9\n51.3\n47.8\n51.2\n52.6\n52.4\n53.6\n52.1\n",
		"ct.csv":   "0, 100\n10, 80 mg/L\n20,90\n",
		"time.csv": "2026-03-31T08:00:00Z,100\n2026-03-31T08:10:00Z,80\n2026-03-31T08:20:00Z,90\n",
		"empty":    "# nothing\n",
	}
	read := func(name string) ([]byte, error) {
		text, ok := files[name]
		if !ok {
			return nil, errors.New("no such file")
		}
		return []byte(text), nil
	}
	for _, c := range []struct {
		name, args, first string
	}{
		{"individuals-chart", "values=@-", "values, centre: 50.81"},
		{"ct-readings", "readings=@ct.csv begin=5 end=15", "Ct on straight lines: 837.5 mg·min/L"},
		{"ct-readings", "readings=@time.csv begin=2026-03-31T08:05:00Z end=2026-03-31T08:15:00Z", "Ct on straight lines: 837.5 mg·min/L"},
		{"ct-readings", "readings=08:00/100mg/L,08:10/80ppm,08:20/90 begin=08:05 end=08:15:00", "Ct on straight lines: 837.5 mg·min/L"},
		{"yield-chain", "stages=leaf/1000lb,gel/540lb", "leaf, of the stage before: 100 %"},
		{"hours-ready-to-eat", "readings=0/64.4°F,60/75.2°F,120/48.2°F begin=0 end=2h only-staph=no", "rule: calc.rule-warm"},
	} {
		f, err := Find(c.name)
		if err != nil {
			t.Fatal(err)
		}
		a, err := f.Run(strings.Fields(c.args), read)
		if err != nil || a.Rows[0].Text(itself) != c.first {
			t.Errorf("%s %s: %v %v", c.name, c.args, a.Rows, err)
		}
	}
	f, err := Find("summary")
	if err != nil {
		t.Fatal(err)
	}
	if _, err := f.Run([]string{"values=@empty"}, read); err == nil || !strings.Contains(err.Error(), "no line with a value") {
		t.Errorf("an empty list: %v", err)
	}
}

// Nothing that is typed brings a calculator down, and no answer is without a number.
func FuzzRun(f *testing.F) {
	for i, g := range Groups() {
		for j, c := range g.Calculators {
			f.Add(i, j, strings.Join(c.Example, "\x00"))
		}
	}
	for _, v := range []string{"values=1e309", "ph=NaN", "salt=-0", "readings=//,", "values=@", "n=99999999999999999999", "temperature=1°", "values=,"} {
		f.Add(0, 1, v)
	}
	groups := Groups()
	f.Fuzz(func(t *testing.T, i, j int, text string) {
		if i < 0 || i >= len(groups) || j < 0 || j >= len(groups[i].Calculators) || len(text) > 2000 {
			return
		}
		a, err := groups[i].Calculators[j].Run(strings.Split(text, "\x00"), noFile)
		if err == nil && len(a.Rows) == 0 {
			t.Error("an answer without a row")
		}
	})
}

// Published figures come out of the calculators as they are printed: percent of hypochlorous acid in White's
// Handbook of Chlorination (from memory), and doses of household bleach of the Kansas Department of Health.
func TestCalculatorsAgainstPublished(t *testing.T) {
	checktable.Load(t, "white-hocl/ph7.csv").Each(t, func(t *testing.T, r checktable.Row) {
		got := value(t, "hocl-share", "ph=7", "salt=0", "temperature="+r["celsius"])
		if want := r.Number(t, "percent"); math.Abs(got-want) > 0.15 {
			t.Errorf("%v, printed %v", got, want)
		}
	})
	checktable.Load(t, "kdhe-bleach/doses.csv").Each(t, func(t *testing.T, r checktable.Row) {
		got := value(t, "product-needed", "volume="+r["gallons"]+"US gal", "volume-is=after", "free=0", "target="+r["mg_per_l"], "strength="+r["trade"],
			"is=trade-percent", "gravity=1.08", "label-maximum=20000", "as=US fl oz")
		if want := r.Number(t, "floz"); math.Abs(got-want) > r.Number(t, "tolerance") {
			t.Errorf("%v fl oz, printed %v", got, want)
		}
	})
}

// value is the first value of an answer.
func value(t *testing.T, name string, args ...string) float64 {
	t.Helper()
	c, err := Find(name)
	if err != nil {
		t.Fatal(err)
	}
	a, err := c.Run(args, noFile)
	if err != nil {
		t.Fatal(err)
	}
	return a.Rows[0].Value
}
