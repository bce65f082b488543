package calculator

import (
	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
	"linewarden/haccp/wash"
)

// inputs puts inputs together.
func inputs(in ...Input) []Input { return in }

// call is the words of an example.
func call(args ...string) []string { return args }

var (
	phOfSample    = num("ph", "pH of the sample", pH, 0, 14)
	freeChlorine  = num("free", "free chlorine as Cl2; ppm as test kits print it is mg/L", chlorineMgL, 0, 20000)
	totalChlorine = num("total", "total chlorine as Cl2 of the same sample", chlorineMgL, 0, 20000)
	waterCelsius  = num("temperature", "temperature of the water", temperature, 0, 40)
	saltOfBath    = num("salt", "salt as NaCl; left out: not known, and the cautions of salt water hold", gramsPerL, 0, 320).opt()
)

func (v *values) water() wash.Water {
	w := wash.Water{PH: v.f("ph"), Celsius: v.f("temperature")}
	if v.has("salt") {
		w.Salt = wash.SaltGPerL(v.f("salt"))
	}
	return w
}

func chlorine() []Calculator {
	return []Calculator{
		{
			Name: "hocl-share", Asks: "Which part of the free chlorine is hypochlorous acid?",
			Inputs:  inputs(phOfSample, waterCelsius, saltOfBath),
			Example: call("ph=7", "temperature=20", "salt=0"), Gives: call("share as hypochlorous acid: 79.2418 %"),
			run: func(v *values) (answer, error) { return one("share as hypochlorous acid")(wash.HOClShare(v.water())) },
		},
		{
			Name: "hocl", Asks: "How much effective hypochlorous acid is in the bath?",
			Inputs:  inputs(freeChlorine, phOfSample, waterCelsius, saltOfBath),
			Example: call("free=100", "ph=6.3", "temperature=50°F", "salt=30"), Gives: call("hypochlorous acid as Cl2: 96.0873 mg/L"),
			run: func(v *values) (answer, error) {
				return one("hypochlorous acid as Cl2")(wash.HOCl(v.f("free"), v.water()))
			},
		},
		{
			Name: "hocl-pka", Asks: "At which pH is half of the free chlorine hypochlorous acid?",
			Inputs:  inputs(waterCelsius),
			Example: call("temperature=25"), Gives: call("pKa: 7.53664"),
			run: func(v *values) (answer, error) { return one("pKa")(wash.PKa(v.f("temperature"))) },
		},
		{
			Name: "chlorine-gas", Asks: "How much of the chlorine is there as chlorine gas, in salt water at a low pH?",
			Inputs:  inputs(phOfSample, waterCelsius, num("salt", "salt as NaCl", gramsPerL, 0, 320)),
			Example: call("ph=6", "temperature=20", "salt=10"), Gives: call("chloride: 0.171107 mol/L", "share as Cl2: 0.0534423 %"),
			run: func(v *values) (answer, error) {
				chloride, err := wash.ChlorideMolPerL(v.f("salt"))
				if err != nil {
					return answer{}, err
				}
				share, err := wash.Cl2Share(v.f("ph"), v.f("temperature"), chloride.Value)
				return rows(row("chloride", chloride), row("share as Cl2", share)).with(wash.LowPH), err
			},
		},
		{
			Name: "orp-plausible", Asks: "Do redox potential, free chlorine and pH of one sample go together?",
			Inputs:  inputs(num("orp", "oxidation-reduction potential", millivolt, -2000, 2000), freeChlorine, phOfSample),
			Example: call("orp=720", "free=0", "ph=6.8"), Gives: call("together: orp.high-for-chlorine"),
			run: func(v *values) (answer, error) {
				c, err := wash.ORPPlausible(v.f("orp"), v.f("free"), v.f("ph"))
				r := formula.Result{Formula: c.Formula, Version: c.Version, Source: c.Source, Cautions: c.Cautions}
				return rows(Row{Label: "together", Result: r, Is: "orp." + string(c.Verdict)}), err
			},
		},
	}
}

const yesWord, noWord = "yes", "no"

var (
	titrated = []Input{
		num("thiosulfate", "thiosulfate used by the sample", millilitres, 0, 1000),
		num("blank", "thiosulfate used by the blank", millilitres, -100, 1000).or("0"),
		above("normality", "strength of the thiosulfate", normality, 2),
	}
	sampleML = above("sample", "volume of the sample", millilitres, 1e6)
)

func (v *values) titration() wash.Titration {
	return wash.Titration{ThiosulfateML: v.f("thiosulfate"), BlankML: v.f("blank"), Normality: v.f("normality")}
}

func chlorineTests() []Calculator {
	return append(colourTests(), titrations()...)
}

func colourTests() []Calculator {
	return []Calculator{
		{
			Name: "combined-chlorine", Asks: "How much combined chlorine is in the sample?",
			Inputs:  inputs(totalChlorine, freeChlorine),
			Example: call("total=103", "free=95"), Gives: call("combined chlorine as Cl2: 8 mg/L"),
			run: func(v *values) (answer, error) {
				return one("combined chlorine as Cl2")(wash.Combined(v.f("total"), v.f("free")))
			},
		},
		{
			Name: "diluted-sample", Asks: "What does a reading of a diluted sample stand for?",
			Inputs: inputs(num("read", "what the instrument showed", chlorineMgL, 0, 20000),
				above("sample", "part of the sample taken", millilitres, 1e6), above("total", "volume it was made up to", millilitres, 1e6),
				num("method-low", "lowest reading of the method", chlorineMgL, 0, 20000), above("method-high", "highest reading of the method", chlorineMgL, 20000)),
			Example: call("read=2.1", "sample=2", "total=100", "method-low=0.1", "method-high=5"), Gives: call("chlorine of the sample as Cl2: 105 mg/L"),
			run: func(v *values) (answer, error) {
				m := wash.Method{Low: v.f("method-low"), High: v.f("method-high")}
				return one("chlorine of the sample as Cl2")(wash.Diluted(v.f("read"), v.f("sample"), v.f("total"), m))
			},
		},
		{
			Name: "retest-diluted", Asks: "Is this low DPD reading to be repeated on a diluted sample before anything is dosed?",
			Inputs: inputs(num("read", "what the test showed", chlorineMgL, 0, 20000), num("expected", "what the bath should hold", chlorineMgL, 0, 20000),
				choice("diluted", "whether the sample was diluted", yesWord, noWord).or(noWord)),
			Example: call("read=0.3", "expected=100"), Gives: call("repeat on a diluted sample: calc.yes"),
			run: func(v *values) (answer, error) {
				again := wash.RetestDiluted(v.f("read"), v.f("expected"), v.word("diluted") == yesWord)
				return rows(Row{Label: "repeat on a diluted sample", Result: formula.Result{Source: "photometer-manuals"}, Is: yes(again)}), nil
			},
		},
		{
			Name: "dpd-titration", Asks: "How is chlorine split into free, mono- and dichloramine by titration with DPD and FAS?",
			Inputs: inputs(num("after-dpd", "buret after DPD, from the start", millilitres, 0, 1000), num("after-trace", "buret after a trace of iodide, from the start", millilitres, 0, 1000),
				num("after-iodide", "buret after plenty of iodide, from the start", millilitres, 0, 1000), above("sample", "volume of the sample", millilitres, 1e6).or("100")),
			Example: call("after-dpd=1.20", "after-trace=1.55", "after-iodide=1.70"),
			Gives:   call("free: 1.2 mg/L", "monochloramine: 0.35 mg/L", "dichloramine: 0.15 mg/L", "combined: 0.5 mg/L", "total: 1.7 mg/L"),
			run: func(v *values) (answer, error) {
				p, err := wash.PartitionDPD(wash.DPDTitration{AfterDPD: v.f("after-dpd"), AfterTrace: v.f("after-trace"),
					AfterIodide: v.f("after-iodide"), SampleML: v.f("sample")})
				return rows(row("free", p.Free), row("monochloramine", p.Monochloramine), row("dichloramine", p.Dichloramine),
					row("combined", p.Combined), row("total", p.Total)), err
			},
		},
	}
}

func titrations() []Calculator {
	return []Calculator{
		{
			Name: "iodometric-total", Asks: "How much total chlorine does a titration with thiosulfate show?",
			Inputs:  append(inputs(titrated...), sampleML),
			Example: call("thiosulfate=18.6", "blank=0.1", "normality=0.01", "sample=200"), Gives: call("total chlorine as Cl2: 32.7912 mg/L"),
			run: func(v *values) (answer, error) {
				return one("total chlorine as Cl2")(wash.IodometricTotal(v.titration(), v.f("sample")))
			},
		},
		{
			Name: "product-titration", Asks: "How strong is the hypochlorite on hand, by titration?",
			Inputs:  append(inputs(titrated...), above("sample", "volume of product in the titration", millilitres, 1e6)),
			Example: call("thiosulfate=36", "normality=0.1", "sample=1"), Gives: call("available chlorine: 12.7631 g Cl2/100 mL"),
			run: func(v *values) (answer, error) {
				return one("available chlorine")(wash.AvailableChlorine(v.titration(), v.f("sample")))
			},
		},
		{
			Name: "thiosulfate-equivalent", Asks: "How much chlorine or hypochlorite does a volume of thiosulfate stand for?",
			Inputs:  inputs(num("volume", "volume of thiosulfate", millilitres, 0, 1000), above("normality", "its strength", normality, 2)),
			Example: call("volume=1", "normality=0.1"), Gives: call("available chlorine as Cl2: 3.5453 mg", "sodium hypochlorite: 3.72211 mg"),
			run: func(v *values) (answer, error) {
				cl, err := wash.ChlorineEquivalent(v.f("volume"), v.f("normality"))
				if err != nil {
					return answer{}, err
				}
				naocl, err := wash.HypochloriteEquivalent(v.f("volume"), v.f("normality"))
				return rows(row("available chlorine as Cl2", cl), row("sodium hypochlorite", naocl)), err
			},
		},
		{
			Name: "thiosulfate-strength", Asks: "How strong is the thiosulfate, by a standard?",
			Inputs:  inputs(above("standard", "volume of the standard", millilitres, 1e6), above("standard-normality", "its strength", normality, 2), above("thiosulfate", "thiosulfate it took", millilitres, 1e6)),
			Example: call("standard=50", "standard-normality=0.1", "thiosulfate=49.6"), Gives: call("strength of the thiosulfate: 0.100806 eq/L"),
			run: func(v *values) (answer, error) {
				return one("strength of the thiosulfate")(wash.ThiosulfateNormality(v.f("standard"), v.f("standard-normality"), v.f("thiosulfate")))
			},
		},
		{
			Name: "iodate-standard", Asks: "How much potassium iodate makes a litre of a standard?",
			Inputs:  inputs(above("normality", "strength wanted", normality, 1)),
			Example: call("normality=0.1"), Gives: call("potassium iodate: 3.56667 g/L"),
			run: func(v *values) (answer, error) { return one("potassium iodate")(wash.IodateStandard(v.f("normality"))) },
		},
	}
}

// Words for the strength of a product, as they stand on labels.
const (
	trade        = "trade-percent"
	available    = "available-percent"
	naOCl        = "naocl-percent"
	chlorometric = "chlorometric-degrees"
	granular     = "granular-percent"
)

var (
	strengthIs = choice("is", "what the strength counts, as on the label: g Cl2 in 100 mL, % by weight of available chlorine, % by weight of NaOCl, chlorometric degrees, or % available chlorine of a solid", trade, available, naOCl, chlorometric, granular)
	strengthIn = above("strength", "strength of the product", percent, 100)
	gravityIn  = num("gravity", "specific gravity of a liquid", plain, 0.99, 1.45).opt()
)

// strength reads the product.
func (v *values) strength() (wash.Strength, error) {
	s := v.f("strength")
	if v.word("is") == granular {
		if v.has("gravity") {
			return wash.Strength{}, errGravity
		}
		return wash.Granular(s)
	}
	if !v.has("gravity") {
		return wash.Strength{}, errNoGravity
	}
	switch v.word("is") {
	case trade:
		return wash.TradePercent(s, v.f("gravity"))
	case available:
		return wash.AvailablePercent(s, v.f("gravity"))
	case naOCl:
		return wash.NaOClPercent(s, v.f("gravity"))
	}
	return wash.ChlorometricDegrees(s, v.f("gravity"))
}

func strengths() []Calculator {
	return append([]Calculator{
		{
			Name: "strength", Asks: "What is the strength of a product in the other words for it?",
			Inputs:  inputs(strengthIn, strengthIs, gravityIn),
			Example: call("strength=12.5", "is=trade-percent", "gravity=1.16"),
			Gives:   call("trade percent: 12.5 g Cl2/100 mL", "available chlorine: 10.7759 % w/w as Cl2", "sodium hypochlorite: 11.3133 % w/w as NaOCl", "chlorometric degrees: 39.4322 °Cl"),
			run:     strengthWords,
		},
		{
			Name: "dilution-parts", Asks: "How many parts of water to one part of product make a weaker solution?",
			Inputs:  inputs(above("strong", "strength of the product", percent, 100), above("weaker", "strength wanted, on the same basis", percent, 100)),
			Example: call("strong=3.5", "weaker=0.5"), Gives: call("parts of water: 6"),
			run: func(v *values) (answer, error) {
				a, err := one("parts of water")(wash.DilutionParts(v.f("strong"), v.f("weaker")))
				a.cautions = wash.DoseCautions()
				return a, err
			},
		},
	}, storage()...)
}

func strengthWords(v *values) (answer, error) {
	s, err := v.strength()
	if err != nil {
		return answer{}, err
	}
	a, err := s.Available()
	if err != nil || s.IsSolid() {
		return rows(row("available chlorine", a)), err
	}
	t, err := s.Trade()
	if err != nil {
		return answer{}, err
	}
	n, err := s.NaOCl()
	if err != nil {
		return answer{}, err
	}
	d, err := s.Chlorometric()
	return rows(row("trade percent", t), row("available chlorine", a), row("sodium hypochlorite", n), row("chlorometric degrees", d)), err
}

func storage() []Calculator {
	tradeIn := above("strength", "strength when fresh, g Cl2 in 100 mL", percent, 25)
	kept := num("temperature", "the warmest it was kept at", temperature, 0, 55)
	ionic := num("ionic-strength", "ionic strength in mol/L; see ionic-strength", molarity, 1, 6)
	return []Calculator{
		{
			Name: "stored", Asks: "How strong is a liquid hypochlorite after storage?",
			Inputs:  inputs(tradeIn, kept, num("days", "how long it was kept", days, 0, 730), ionic),
			Example: call("strength=12.5", "temperature=25", "days=30", "ionic-strength=3.6"),
			Gives:   call("strength after storage: 10.7816 g Cl2/100 mL", "days until half is lost: 188.226 d"),
			run: func(v *values) (answer, error) {
				s := wash.Storage{Trade: v.f("strength"), Celsius: v.f("temperature"), Days: v.f("days"), Ionic: v.f("ionic-strength")}
				left, err := wash.Stored(s)
				if err != nil {
					return answer{}, err
				}
				half, err := wash.HalfLife(s)
				return rows(row("strength after storage", left), row("days until half is lost", half)).with(wash.StoreApart), err
			},
		},
		{
			Name: "stored-table", Asks: "What does a simple table say is left of 12.5 trade percent?",
			Inputs:  inputs(num("temperature", "the warmest it was kept at", temperature, 21.1, 37.8), num("days", "how long it was kept", days, 0, 180)),
			Example: call("temperature=26.67", "days=30"), Gives: call("strength after storage: 9.92923 g Cl2/100 mL"),
			run: func(v *values) (answer, error) {
				a, err := one("strength after storage")(wash.StoredTable(v.f("temperature"), v.f("days")))
				return a.with(wash.StoreApart), err
			},
		},
		{
			Name: "loss-rate", Asks: "How fast does hypochlorite lose strength?",
			Inputs:  inputs(kept, ionic),
			Example: call("temperature=25", "ionic-strength=3"), Gives: call("rate constant: 2.839e-08 L/(mol s)"),
			run: func(v *values) (answer, error) {
				return one("rate constant")(wash.HypochloriteRate(v.f("temperature"), v.f("ionic-strength")))
			},
		},
		{
			Name: "ionic-strength", Asks: "What is the ionic strength of a hypochlorite, for its storage?",
			Inputs:  inputs(tradeIn, num("alkali", "free NaOH", gramsPerL, 0, 50).or("0")),
			Example: call("strength=12.5", "alkali=3"), Gives: call("ionic strength: 3.6008 mol/L"),
			run: func(v *values) (answer, error) {
				return one("ionic strength")(wash.HypochloriteIonicStrength(v.f("strength"), v.f("alkali")))
			},
		},
	}
}

// measures are the units in which an amount of product can be told.
var measures = []quantity.Unit{quantity.Millilitre, quantity.Litre, quantity.CubicMetre, quantity.USGallon, wash.USQuart, wash.USCup, quantity.USFluidOunce,
	wash.USTablespoon, wash.USTeaspoon, quantity.Gram, quantity.Kilogram, quantity.Tonne, quantity.Pound, quantity.Ounce}
