package calculator

import (
	"errors"
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
	"linewarden/haccp/wash"
)

var (
	errGravity   = errors.New("gravity belongs to a liquid: leave it out for a solid")
	errNoGravity = errors.New("gravity is missing: a liquid's specific gravity stands on its data sheet, such as gravity=1.16")
)

// asUnit is the choice of the unit in which an amount is told.
func asUnit() Input {
	names := make([]string, len(measures))
	for i, m := range measures {
		names[i] = string(m)
	}
	return choice("as", "unit in which the amount is told; left out: mL of a liquid, g of a solid", names...).opt()
}

var (
	bathVolume = above("volume", "volume of the bath, by its level measured now", litres, 1e7)
	bathFree   = num("free", "free chlorine in it now, as Cl2; 0 for fresh water without chlorine", chlorineMgL, 0, 20000)
	volumeIs   = choice("volume-is", "whether the volume is that before the addition, or the one it is made up to", "before", "after").or("before")
	dosed      = above("amount", "amount of product: mL of a liquid, g of a solid, or with another unit", plain, 1e9)
	tolerances = []Input{
		num("reading-off", "the bath may hold so much more than was read", percent, 0, 50), num("volume-off", "the bath may be so much smaller", percent, 0, 50),
		num("strength-off", "the product may be so much stronger", percent, 0, 50), num("measure-off", "so much more may be poured", percent, 0, 50),
	}
)

func (v *values) bath() wash.Bath {
	b := wash.Bath{Litres: v.f("volume"), FreeMgPerL: v.f("free")}
	if v.word("volume-is") == "after" {
		b.VolumeIs = wash.After
	}
	return b
}

// told states an amount in the unit asked for.
func (v *values) told(r formula.Result) (Row, error) {
	if !v.has("as") {
		return row("product to add", r), nil
	}
	m, err := wash.In(r.Value, r.Unit, quantity.Unit(v.word("as")))
	if err != nil {
		return Row{}, fmt.Errorf("as=%s: %w", v.word("as"), err)
	}
	r.Value, r.Unit = m.Value, m.Unit
	return row("product to add", r), nil
}

// added is an answer about an addition, with the cautions of the place where it is made.
func added(r ...Row) answer {
	return answer{rows: r, cautions: wash.DoseCautions()}.with(NoPlantDose)
}

func doses() []Calculator {
	product := inputs(strengthIn, strengthIs, gravityIn)
	bath := inputs(bathVolume, volumeIs, bathFree)
	return []Calculator{
		{
			Name: "product-needed", Asks: "How much product brings water to a level of free chlorine?",
			Inputs: append(append(bath, above("target", "free chlorine wanted, as Cl2", chlorineMgL, 20000)), append(product,
				above("label-maximum", "highest level that the product's label allows for washing produce", chlorineMgL, 20000), asUnit())...),
			Example: call("volume=1000", "free=60", "target=100", "strength=12.5", "is=trade-percent", "gravity=1.16", "label-maximum=200"),
			Gives:   call("product to add: 320.256 mL"),
			run: func(v *values) (answer, error) {
				s, err := v.strength()
				if err != nil {
					return answer{}, err
				}
				if v.f("target") > v.f("label-maximum") {
					return answer{}, fmt.Errorf("target=%s lies above what the label allows, label-maximum=%s: no dose is worked out", v.word("target"), v.word("label-maximum"))
				}
				r, err := wash.ProductNeeded(v.bath(), v.f("target"), s)
				if err != nil {
					return answer{}, err
				}
				t, err := v.told(r)
				return added(t), err
			},
		},
		{
			Name: "level-after", Asks: "Which level does an amount of product give?",
			Inputs:  append(append(inputs(bath...), dosedIn()), product...),
			Example: call("volume=1000", "free=60", "amount=320", "strength=12.5", "is=trade-percent", "gravity=1.16"), Gives: call("free chlorine after mixing: 99.968 mg/L"),
			run: func(v *values) (answer, error) {
				s, amount, err := v.addition()
				if err != nil {
					return answer{}, err
				}
				r, err := wash.LevelAfter(v.bath(), amount, s)
				return added(row("free chlorine after mixing", r)), err
			},
		},
		{
			Name: "worst-level", Asks: "How high can the level be at worst, and by how much over a maximum?",
			Inputs: append(append(append(inputs(bath...), dosedIn()), product...), append(inputs(tolerances...),
				above("maximum", "a maximum to hold it against", chlorineMgL, 20000))...),
			Example: call("volume=1000", "free=60", "amount=320", "strength=12.5", "is=trade-percent", "gravity=1.16",
				"reading-off=10", "volume-off=5", "strength-off=5", "measure-off=2", "maximum=110"),
			Gives: call("free chlorine at worst: 111.057 mg/L", "over the maximum at worst: 1.05658 mg/L"),
			run:   worstLevel,
		},
		{
			Name: "measure", Asks: "What is an amount of product in another unit?",
			Inputs:  inputs(num("amount", "amount", plain, 0, 1e12), choice("from", "its unit", names(measures)...), choice("to", "the unit wanted", names(measures)...)),
			Example: call("amount=1", "from=US gal", "to=US cup"), Gives: call("amount: 16 US cup"),
			run: func(v *values) (answer, error) {
				return one("amount")(wash.In(v.f("amount"), quantity.Unit(v.word("from")), quantity.Unit(v.word("to"))))
			},
		},
	}
}

func names[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, n := range list {
		out[i] = string(n)
	}
	return out
}

// dosedIn is an amount of product with any unit it may be measured out in.
func dosedIn() Input {
	in := dosed
	in.kind = kind{append([]unit{}, plain.units...)}
	for _, m := range measures {
		in.kind.units = append(in.kind.units, same(string(m))) // stated in mL or g once the product is known
	}
	return in
}

// addition reads product and amount, the amount in the product's own unit.
func (v *values) addition() (wash.Strength, float64, error) {
	s, err := v.strength()
	if err != nil {
		return s, 0, err
	}
	_, typed := split(v.word("amount"))
	for _, m := range measures {
		if typed != "" && sameUnit(string(m), typed) {
			r, err := wash.In(v.f("amount"), m, s.Unit())
			if err != nil {
				return s, 0, fmt.Errorf("amount=%s: this product is measured in %s: %w", v.word("amount"), s.Unit(), err)
			}
			return s, r.Value, nil
		}
	}
	return s, v.f("amount"), nil
}

func worstLevel(v *values) (answer, error) {
	s, amount, err := v.addition()
	if err != nil {
		return answer{}, err
	}
	t := wash.Tolerance{Reading: v.f("reading-off"), Volume: v.f("volume-off"), Strength: v.f("strength-off"), Measure: v.f("measure-off")}
	worst, err := wash.WorstLevelAfter(v.bath(), amount, s, t)
	if err != nil {
		return answer{}, err
	}
	over, err := wash.Overshoot(v.bath(), amount, s, t, v.f("maximum"))
	return added(row("free chlorine at worst", worst), row("over the maximum at worst", over)), err
}
