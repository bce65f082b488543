package plan

import (
	"fmt"
	"slices"

	"linewarden/haccp/guidance"
	"linewarden/haccp/quantity"
)

const gasSource = "registration dossier for chlorine, dissociation constant (ECHA)"

// guidance warns of limits that lie outside published figures. Such a warning names source, use and
// jurisdiction; guidance of other places than the plan's is shown as such.
func (c *checker) guidance() {
	for i, pt := range c.p.Points {
		wash := c.atBath(pt)
		for j, l := range pt.Limits {
			if l.Kind == Operating {
				continue // It lies inside a critical one.
			}
			use := guidance.WashWater
			if pt.Class == Sanitation {
				use = guidance.Surfaces
			} else if !wash {
				continue
			}
			for _, f := range guidance.For(quantity.ID(l.Quantity), use) {
				c.outside(fmt.Sprintf("points[%d].limits[%d]", i, j), l, f)
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

func (c *checker) outside(path string, l Limit, f guidance.Figure) {
	whose := "guidance of " + f.Place
	if !f.IsOf(c.p.Jurisdiction) {
		whose += ", not of " + c.p.Jurisdiction
	}
	fix := whose + "; see that your validation covers the difference"
	if v, ok := f.Min(); ok && l.Min != nil {
		low := Amount{v, string(f.Unit)}
		if sign, err := compare(l.Quantity, *l.Min, low); err == nil && sign < 0 {
			c.warn(path+".min", f.Source, fix, "min %s lies below the published %s (%s)", l.Min, low, f.About)
		}
	}
	if v, ok := f.Max(); ok && l.Max != nil {
		high := Amount{v, string(f.Unit)}
		if sign, err := compare(l.Quantity, *l.Max, high); err == nil && sign > 0 {
			c.warn(path+".max", f.Source, fix, "max %s lies above the published %s (%s)", l.Max, high, f.About)
		}
	}
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
