package calculator

import (
	"linewarden/haccp/brine"
	"linewarden/haccp/formula"
)

var (
	saltPercent  = num("salt", "salt as NaCl by weight", salt, 0, brine.MaxPercent)
	brineCelsius = num("temperature", "temperature of the solution", temperature, 0, 50)
	scaleIn      = choice("scale", "what 100 degrees of the salometer are: saturated brine (26.395 %), or 25 % in the canning trade", "saturated", "canning")
	purityIn     = num("purity", "NaCl in the salt as sold", percent, 90, 100)
	silver       = []Input{
		num("silver", "silver nitrate used by the sample", millilitres, 0, 1000), num("blank", "silver nitrate used by the blank", millilitres, 0, 1000).or("0"),
		above("strength", "strength of the silver nitrate", molarity, 1),
	}
)

func (v *values) scale() brine.Scale {
	if v.word("scale") == "canning" {
		return brine.Canning
	}
	return brine.Saturated
}

func (v *values) mohr() brine.Titration {
	return brine.Titration{SilverML: v.f("silver"), BlankML: v.f("blank"), MolPerL: v.f("strength")}
}

func salts() []Calculator {
	return append(append(saltStrength(), saltInstruments()...), saltDoses()...)
}

func saltStrength() []Calculator {
	return []Calculator{
		{
			Name: "brine", Asks: "What do so many percent of salt mean as density, g/L and lb/US gal?",
			Inputs:  inputs(saltPercent, brineCelsius),
			Example: call("salt=10", "temperature=20"),
			Gives:   call("density: 1070.75 kg/m3", "salt: 107.075 g/L", "salt: 0.893582 lb/US gal"),
			run: func(v *values) (answer, error) {
				return several(v.f("salt"), v.f("temperature"), "density", brine.Density, "salt", brine.GramsPerLitre, "salt", brine.PoundsPerUSGallon)
			},
		},
		{
			Name: "salt-from-density", Asks: "How much salt, by the density?",
			Inputs:  inputs(num("density", "density of the solution", density, 900, 1300), brineCelsius),
			Example: call("density=1.0707kg/L", "temperature=20"), Gives: call("salt: 9.99367 % w/w"),
			run: func(v *values) (answer, error) {
				a, err := one("salt")(brine.PercentFromDensity(v.f("density"), v.f("temperature")))
				return a, err
			},
		},
		{
			Name: "salt-from-grams", Asks: "How many percent are so many grams of salt in a litre?",
			Inputs:  inputs(num("salt", "salt as NaCl", gramsPerL, 0, 320), brineCelsius),
			Example: call("salt=107.1", "temperature=20"), Gives: call("salt: 10.0022 % w/w"),
			run: func(v *values) (answer, error) {
				return one("salt")(brine.PercentFromGramsPerLitre(v.f("salt"), v.f("temperature")))
			},
		},
		{
			Name: "mass-per-mass", Asks: "How many mg/kg are so many mg/L in salt water?",
			Inputs:  inputs(num("level", "level by volume", mgPerL, 0, 1e6), saltPercent, brineCelsius),
			Example: call("level=100", "salt=10", "temperature=20"), Gives: call("level by mass: 93.3927 mg/kg"),
			run: func(v *values) (answer, error) {
				return one("level by mass")(brine.MassPerMass(v.f("level"), v.f("salt"), v.f("temperature")))
			},
		},
	}
}

// several is the answer of functions of the same two inputs; pairs are label and function.
func several(x, y float64, pairs ...any) (answer, error) {
	var a answer
	for i := 0; i+1 < len(pairs); i += 2 {
		r, err := pairs[i+1].(func(float64, float64) (formula.Result, error))(x, y)
		if err != nil {
			return answer{}, err
		}
		a.rows = append(a.rows, row(pairs[i].(string), r))
	}
	return a, nil
}

func saltInstruments() []Calculator {
	return append([]Calculator{
		{
			Name: "salometer", Asks: "How much salt, by the salometer?",
			Inputs:  inputs(num("degrees", "what the salometer shows", units("°SAL"), 0, 100), scaleIn, brineCelsius),
			Example: call("degrees=40", "scale=saturated", "temperature=60°F"), Gives: call("salt: 10.558 % w/w"),
			run: func(v *values) (answer, error) {
				return one("salt")(brine.SalometerPercent(v.f("degrees"), v.scale(), v.f("temperature")))
			},
		},
		{
			Name: "salometer-degrees", Asks: "What does a salometer show in so many percent of salt?",
			Inputs:  inputs(saltPercent, scaleIn, brineCelsius),
			Example: call("salt=10", "scale=canning", "temperature=60°F"), Gives: call("salometer: 40 °SAL"),
			run: func(v *values) (answer, error) {
				return one("salometer")(brine.Salometer(v.f("salt"), v.scale(), v.f("temperature")))
			},
		},
		{
			Name: "salt-titration", Asks: "How much salt and chloride, by titration with silver nitrate?",
			Inputs:  append(inputs(silver...), above("sample", "volume of the sample", millilitres, 1e6)),
			Example: call("silver=10", "strength=0.1", "sample=10"), Gives: call("salt: 5.8443 g/L", "chloride: 3545.3 mg/L"),
			run: func(v *values) (answer, error) {
				s, err := brine.SaltMohr(v.mohr(), v.f("sample"))
				if err != nil {
					return answer{}, err
				}
				c, err := brine.ChlorideMohr(v.mohr(), v.f("sample"))
				return rows(row("salt", s), row("chloride", c)), err
			},
		},
		{
			Name: "salt-in-food", Asks: "How much salt is in product, by titration with silver nitrate?",
			Inputs:  append(inputs(silver...), above("sample", "mass of the sample", grams, 1e6)),
			Example: call("silver=10", "strength=0.1", "sample=10"), Gives: call("salt: 0.58443 % w/w"),
			run: func(v *values) (answer, error) {
				return one("salt")(brine.SaltInFoodMohr(v.mohr(), v.f("sample")))
			},
		},
		{
			Name: "salt-from-chloride", Asks: "How much salt is so much chloride?",
			Inputs:  inputs(num("chloride", "chloride as Cl-", mgPerL, 0, 200000)),
			Example: call("chloride=1000"), Gives: call("salt as NaCl: 1648.46 mg/L"),
			run: func(v *values) (answer, error) { return one("salt as NaCl")(brine.NaClFromChloride(v.f("chloride"))) },
		},
	}, saltOptics()...)
}

func saltOptics() []Calculator {
	tableCelsius := num("temperature", "temperature of the solution", temperature, 10, 30)
	conductivity := num("conductivity", "conductivity, uncompensated", conductance, 0, 300)
	return []Calculator{
		{
			Name: "salt-from-conductivity", Asks: "How much salt, by the conductivity?",
			Inputs:  inputs(conductivity, tableCelsius),
			Example: call("conductivity=126000uS/cm", "temperature=20"), Gives: call("salt: 10 % w/w"),
			run: func(v *values) (answer, error) {
				return one("salt")(brine.PercentFromConductivity(v.f("conductivity"), v.f("temperature")))
			},
		},
		{
			Name: "salt-conductivity", Asks: "What does so much salt conduct?",
			Inputs:  inputs(num("salt", "salt as NaCl by weight", salt, 0, 25), tableCelsius),
			Example: call("salt=10", "temperature=20"), Gives: call("conductivity: 126 mS/cm"),
			run: func(v *values) (answer, error) {
				return one("conductivity")(brine.Conductivity(v.f("salt"), v.f("temperature")))
			},
		},
		{
			Name: "refractometer", Asks: "How much salt, by the refractive index?",
			Inputs:  inputs(num("index", "refractive index at 20 °C", plain, 1.3330, 1.3795)),
			Example: call("index=1.3505"), Gives: call("salt: 10 % w/w"),
			run: func(v *values) (answer, error) { return one("salt")(brine.Refractometer(v.f("index"))) },
		},
		{
			Name: "sea-water", Asks: "What is the practical salinity of sea water?",
			Inputs: inputs(choice("water", "only sea water has a practical salinity", "sea", "salt-bath"), conductivity,
				num("temperature", "temperature, ITS-90", temperature, -2, 40), num("pressure", "pressure of the sea", units("dbar"), 0, 10000).or("0")),
			Example: call("water=sea", "conductivity=34.5487", "temperature=28.7856", "pressure=10"), Gives: call("practical salinity: 20.0099"),
			run: func(v *values) (answer, error) {
				water := brine.SodiumChloride
				if v.word("water") == "sea" {
					water = brine.SeaWater
				}
				return one("practical salinity")(brine.Salinity(water, v.f("conductivity"), v.f("temperature"), v.f("pressure")))
			},
		},
	}
}

func (v *values) brineBath() brine.Bath {
	return brine.Bath{Litres: v.f("volume"), Percent: v.f("salt"), Celsius: v.f("temperature")}
}

func saltDoses() []Calculator {
	bath := inputs(above("volume", "volume of the bath as measured", litres, 1e7), num("salt", "salt in it now by weight", salt, 0, brine.MaxPercent), brineCelsius)
	target := num("target", "salt wanted by weight", salt, 0, brine.MaxPercent)
	return []Calculator{
		{
			Name: "salt-needed", Asks: "How much salt does the bath take?",
			Inputs:  append(inputs(bath...), target, purityIn),
			Example: call("volume=1000", "salt=0", "temperature=20", "target=10", "purity=100"),
			Gives:   call("salt to add: 110.912 kg", "volume afterwards: 1035.83 L"),
			run: func(v *values) (answer, error) {
				d, err := brine.SaltNeeded(v.brineBath(), v.f("target"), v.f("purity"))
				return saltDose("salt to add", d), err
			},
		},
		{
			Name: "water-needed", Asks: "How much fresh water brings the salt down?",
			Inputs:  append(inputs(bath...), above("target", "salt wanted by weight", salt, brine.MaxPercent)),
			Example: call("volume=1000", "salt=10", "temperature=20", "target=8"),
			Gives:   call("water to add: 267.687 kg", "volume afterwards: 1267.53 L"),
			run: func(v *values) (answer, error) {
				d, err := brine.WaterNeeded(v.brineBath(), v.f("target"))
				return saltDose("water to add", d), err
			},
		},
		{
			Name: "salt-after", Asks: "How much salt is in the bath after salt and water were added?",
			Inputs:  append(inputs(bath...), num("added", "salt added", kilograms, 0, 1e6), purityIn, num("water", "fresh water added", kilograms, 0, 1e7).or("0")),
			Example: call("volume=1000", "salt=0", "temperature=20", "added=110.912", "purity=100"), Gives: call("salt: 10 % w/w"),
			run: func(v *values) (answer, error) {
				return one("salt")(brine.PercentAfter(v.brineBath(), v.f("added"), v.f("purity"), v.f("water")))
			},
		},
	}
}

// saltDose is an addition with the volume that it leaves.
func saltDose(what string, d brine.Dose) answer {
	after := d.Result
	after.Value, after.Unit = d.LitresAfter, "L"
	return rows(row(what, d.Result), row("volume afterwards", after))
}
