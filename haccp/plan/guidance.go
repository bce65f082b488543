package plan

import (
	"fmt"
	"slices"
	"strings"

	"linewarden/haccp/quantity"
)

// use says what a published figure is about. Figures of unlike use are never compared: a rule for
// equipment says nothing about produce.
type use int

const (
	washWater use = iota // water that produce is washed in: baths
	surfaces             // solutions for food-contact surfaces: points of class sanitation
)

// figure is a published range of one quantity. Free and total chlorine are two quantities, so a figure on
// one is never held against a limit on the other.
type figure struct {
	quantity quantity.ID
	min, max string // one of them may be empty
	unit     quantity.Unit
	use      use
	about    string   // what it was published for
	place    string   // whose guidance it is
	codes    []string // how a plan may write that jurisdiction
	source   string
}

var (
	ofUS = []string{"us", "usa", "united states", "united states of america"}
	ofCA = []string{"ca", "canada", "canadá"}
)

// figures is kept small on purpose: only what was read in a public page. Nothing here is a limit of the
// product; a limit outside one of these is warned about and may still be right for its plant.
var figures = []figure{
	// src: fda-produce-1998 section II
	{quantity.TotalChlorine, "50", "200", quantity.MgPerL, washWater, "water for washing fresh produce", "the United States", ofUS, fdaGuide},
	// src: fda-produce-1998 section II
	{quantity.PH, "6.0", "7.5", quantity.PHUnit, washWater, "chlorinated water for washing fresh produce", "the United States", ofUS, fdaGuide},
	// src: fda-produce-1998 section II
	{quantity.ContactTime, "1", "2", quantity.Minute, washWater, "contact of fresh produce with chlorinated water", "the United States", ofUS, fdaGuide},
	// src: cfia-wash-2018 concentration
	{quantity.TotalChlorine, "100", "150", quantity.MgPerL, washWater, "water for washing fresh-cut produce", "Canada", ofCA, cfiaPage},
	// src: cfia-wash-2018 pH
	{quantity.PH, "6.0", "7.0", quantity.PHUnit, washWater, "chlorinated water for washing fresh-cut produce", "Canada", ofCA, cfiaPage},
	// src: cfia-wash-2018 contact time
	{quantity.ContactTime, "", "5", quantity.Minute, washWater, "contact of produce with chlorinated water", "Canada", ofCA, cfiaPage},
	// src: ufifas-ch160 free chlorine
	{quantity.FreeChlorine, "100", "150", quantity.MgPerL, washWater, "recirculated packinghouse water", "the United States (Florida)", ofUS, floridaPage},
	// src: ufifas-ch160 pH
	{quantity.PH, "6.5", "7.5", quantity.PHUnit, washWater, "recirculated packinghouse water", "the United States (Florida)", ofUS, floridaPage},
	// src: luo-2011 abstract
	{quantity.FreeChlorine, "10", "", quantity.MgPerL, washWater, "no transfer of E. coli O157:H7 seen in a trial with cut lettuce", "no authority (a study)", nil, lettuceTrial},
	// src: cfr21-178-1010 (c)(1)
	{quantity.TotalChlorine, "", "200", quantity.MgPerL, surfaces, "sanitizing solutions on food-contact surfaces without a rinse", "the United States", ofUS, surfaceRule},
}

const (
	fdaGuide     = "FDA, USDA, CDC: Guide to Minimize Microbial Food Safety Hazards for Fresh Fruits and Vegetables, 1998, section II"
	cfiaPage     = "CFIA: Use of chlorinated wash water, 2018"
	floridaPage  = "UF/IFAS CH160: Chlorine Use in Produce Packing Lines"
	lettuceTrial = "Luo et al., J. Food Prot. 74(3):352-358, 2011"
	surfaceRule  = "21 CFR 178.1010, read second-hand"
	gasSource    = "registration dossier for chlorine, dissociation constant (ECHA)"
)

// guidance warns of limits that lie outside published figures. Such a warning names source, use and
// jurisdiction; guidance of other places than the plan's is shown as such.
func (c *checker) guidance() {
	for i, pt := range c.p.Points {
		wash := c.atBath(pt)
		for j, l := range pt.Limits {
			if l.Kind == Operating {
				continue // It lies inside a critical one.
			}
			for _, f := range figures {
				if string(f.quantity) == l.Quantity && (f.use == washWater && wash && pt.Class != Sanitation || f.use == surfaces && pt.Class == Sanitation) {
					c.outside(fmt.Sprintf("points[%d].limits[%d]", i, j), l, f)
				}
			}
		}
		if wash && pt.Class != Sanitation {
			c.gasFloor(fmt.Sprintf("points[%d]", i), pt)
		}
	}
}

func (c *checker) atBath(pt Point) bool {
	return slices.ContainsFunc(pt.Places, func(id string) bool {
		at, ok := c.placeAt[id]
		return ok && c.p.Places[at].Kind == Bath
	})
}

func (c *checker) outside(path string, l Limit, f figure) {
	whose := "guidance of " + f.place
	if !slices.Contains(f.codes, strings.ToLower(strings.TrimSpace(c.p.Jurisdiction))) {
		whose += ", not of " + c.p.Jurisdiction
	}
	fix := whose + "; see that your validation covers the difference"
	if v, ok := f.amount(f.min); ok && l.Min != nil {
		if sign, err := compare(l.Quantity, *l.Min, v); err == nil && sign < 0 {
			c.warn(path+".min", f.source, fix, "min %s lies below the published %s (%s)", l.Min, v, f.about)
		}
	}
	if v, ok := f.amount(f.max); ok && l.Max != nil {
		if sign, err := compare(l.Quantity, *l.Max, v); err == nil && sign > 0 {
			c.warn(path+".max", f.source, fix, "max %s lies above the published %s (%s)", l.Max, v, f.about)
		}
	}
}

func (f figure) amount(text string) (Amount, bool) {
	v, err := quantity.ParseDecimal(text)
	return Amount{v, string(f.unit)}, err == nil
}

// gasFloor warns where a chlorinated bath has no pH floor, or one so low that chlorine gas is near. The
// share of gas grows tenfold with each unit of pH downwards, and with the salt of the water.
// src: echa-chlorine K1 (3.2e-4 mol2/L2 at 20 °C: at 3 % salt 0.05 % of the chlorine is gas at pH 6, 1.6 % at pH 5)
func (c *checker) gasFloor(path string, pt Point) {
	if !hasLimit(pt, quantity.FreeChlorine) && !hasLimit(pt, quantity.TotalChlorine) && !hasLimit(pt, quantity.HOCl) {
		return
	}
	six := Amount{quantity.MustDecimal("6.0"), string(quantity.PHUnit)}
	const fix = "below the floor: stop, add no acid, ventilate; the product label may ask for a higher floor"
	floor := false
	for j, l := range pt.Limits {
		if quantity.ID(l.Quantity) != quantity.PH || l.Min == nil {
			continue
		}
		floor = true
		if sign, err := compare(l.Quantity, *l.Min, six); err == nil && sign < 0 {
			c.warn(fmt.Sprintf("%s.limits[%d].min", path, j), gasSource, fix,
				"a pH of %s in chlorinated water is near to chlorine gas, nearer still in salt water", l.Min)
		}
	}
	if !floor {
		c.warn(path, gasSource, fix, "the point %q has a chlorine limit but no pH floor; chlorine gas comes off at low pH, sooner in salt water", pt.ID)
	}
}
