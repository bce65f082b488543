package plan

import (
	"fmt"
	"slices"

	"linewarden/haccp/quantity"
)

// ChlorineProduct is what the label of a chlorine product says. A lot whose strength was measured is worked with by
// that; without, by the label's, which an old lot no longer has.
type ChlorineProduct struct {
	Strength quantity.Decimal  `yaml:"strength" json:"strength"`         // a number in the words of Is
	Is       string            `yaml:"is" json:"is"`                     // one of StrengthWords
	Gravity  *quantity.Decimal `yaml:"gravity" json:"gravity,omitempty"` // specific gravity of a liquid
	// LabelMax is the highest free chlorine for washing produce that the label allows.
	LabelMax Amount `yaml:"label_max" json:"label_max"`
}

// The words for the strength of a product: g Cl2 in 100 mL, % by weight of available chlorine, % by weight of NaOCl,
// chlorometric degrees, % available chlorine of a solid.
const (
	TradePercent        = "trade-percent"
	AvailablePercent    = "available-percent"
	NaOClPercent        = "naocl-percent"
	ChlorometricDegrees = "chlorometric-degrees"
	GranularPercent     = "granular-percent"
)

// StrengthWords lists them.
func StrengthWords() []string {
	return []string{TradePercent, AvailablePercent, NaOClPercent, ChlorometricDegrees, GranularPercent}
}

// Dosing says from what the amount of a chlorine product for a bath is worked out.
type Dosing struct {
	Chemical string           `yaml:"chemical" json:"chemical"`
	Target   Amount           `yaml:"target" json:"target"`       // free chlorine aimed at
	Step     Amount           `yaml:"step" json:"step"`           // smallest division of the measuring vessel
	Most     Amount           `yaml:"most" json:"most"`           // of one addition
	For      Duration         `yaml:"for" json:"for"`             // how long after the sample an amount holds good
	RisePart quantity.Decimal `yaml:"rise_part" json:"rise_part"` // part of the computed rise that counts as risen
	Off      DoseOff          `yaml:"off" json:"off"`
	// Procedure is what to do where no amount is worked out, shown as it stands.
	Procedure string `yaml:"procedure" json:"procedure"`
}

// DoseOff is by how many per cent each input of a dose may be off, 0 to 50.
type DoseOff struct {
	Reading  quantity.Decimal `yaml:"reading" json:"reading"`
	Volume   quantity.Decimal `yaml:"volume" json:"volume"` // the water may stand so much below its working level
	Strength quantity.Decimal `yaml:"strength" json:"strength"`
	Measure  quantity.Decimal `yaml:"measure" json:"measure"`
}

// chlorine checks what the label of a product says.
func (c *checker) chlorine() {
	for i, x := range c.p.Chemicals {
		if x.Chlorine == nil {
			continue
		}
		path := fmt.Sprintf("chemicals[%d].chlorine", i)
		if !slices.Contains(StrengthWords(), x.Chlorine.Is) {
			c.add(path+".is", "write one of trade-percent, available-percent, naocl-percent, chlorometric-degrees, granular-percent", "what the strength counts is not said")
		}
		if x.Chlorine.Strength.Sign() <= 0 {
			c.add(path+".strength", "write the number on the label", "a strength of %s is none", x.Chlorine.Strength)
		}
		if solid := x.Chlorine.Is == GranularPercent; solid != (x.Chlorine.Gravity == nil) {
			c.add(path+".gravity", "write the specific gravity of a liquid, and leave it out for a solid", "specific gravity and kind of product do not go together")
		}
		c.amount(path+".label_max", quantity.FreeChlorine, x.Chlorine.LabelMax)
	}
}

// dosing checks what a dose for a bath rests on.
func (c *checker) dosing(path string, pl Place) {
	d := pl.Dosing
	if d == nil {
		return
	}
	path += ".dosing"
	at := slices.IndexFunc(c.p.Chemicals, func(x Chemical) bool { return x.ID == d.Chemical })
	if at < 0 || c.p.Chemicals[at].Chlorine == nil {
		c.add(path+".chemical", "name a product of the plan whose chlorine is given", "%q is no chlorine product of the plan", d.Chemical)
	}
	c.amount(path+".target", quantity.FreeChlorine, d.Target)
	unit := string(quantity.Millilitre)
	if at >= 0 && c.p.Chemicals[at].Chlorine != nil && c.p.Chemicals[at].Chlorine.Is == GranularPercent {
		unit = string(quantity.Gram)
	}
	for name, a := range map[string]Amount{"step": d.Step, "most": d.Most} {
		if a.Unit != unit || a.Value.Sign() <= 0 {
			c.add(path+"."+name, "write it in "+unit, "%s is no amount of this product", a)
		}
	}
	if d.For.IsZero() {
		c.add(path+".for", `write a length of time, such as "30 min"`, "how long an amount holds good is missing")
	}
	if f := d.RisePart.Float64(); f <= 0 || f > 1 {
		c.add(path+".rise_part", "write a part above 0, at most 1", "which part of the computed rise counts as risen is missing")
	}
	for name, v := range map[string]quantity.Decimal{"reading": d.Off.Reading, "volume": d.Off.Volume, "strength": d.Off.Strength, "measure": d.Off.Measure} {
		if f := v.Float64(); f < 0 || f > 50 {
			c.add(path+".off."+name, "write per cent, 0 to 50", "%s %% is out of range", v)
		}
	}
	if pl.Volume == nil || pl.Mixing.IsZero() {
		c.add(path, "give the bath its volume and mixing time", "a dose wants the volume and the mixing time of the bath")
	}
	if d.Procedure == "" {
		c.add(path+".procedure", "write what to do where no amount is worked out", "the written procedure is missing")
	}
}
