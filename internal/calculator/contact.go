package calculator

import (
	"fmt"
	"slices"

	"linewarden/haccp/disinfection"
	"linewarden/haccp/formula"
)

var (
	waterIn = inputs(num("temperature", "temperature of the water", temperature, 0, 40), num("ph", "its pH", pH, 5, 9),
		above("free", "its free chlorine as Cl2", chlorineMgL, 20000))
	logIn  = above("log", "inactivation wanted, log10", plain, 3)
	ctIn   = num("ct", "Ct", units("mg·min/L", same("mg min/L")), 0, 1e9)
	spanIn = inputs(moment("begin", "when it began"), moment("end", "when it ended"))
)

// flume is the volume and flow of water.
var flume = inputs(above("volume", "water in the flume or tank", litres, 1e7), above("flow", "its flow", flow, 1e7))

func contacts() []Calculator {
	return []Calculator{
		{
			Name: "contact-batch", Asks: "How long was a batch under water, at least and at most?",
			Inputs: inputs(moment("first-in", "first leaf in"), moment("last-in", "last leaf in"),
				moment("first-out", "first leaf out"), moment("last-out", "last leaf out")),
			Example: call("first-in=08:00:00", "last-in=08:01:00", "first-out=08:03:30", "last-out=08:04:10"),
			Gives:   call("shortest: 2.5 min", "longest: 4.16667 min"),
			run: func(v *values) (answer, error) {
				c, err := disinfection.BatchContact(v.at("first-in"), v.at("last-in"), v.at("first-out"), v.at("last-out"))
				return rows(row("shortest", c.Shortest), row("longest", c.Longest)), err
			},
		},
		{
			Name: "contact-flume", Asks: "How long does the water of a flume stay at least?",
			Inputs: append(inputs(flume...), above("baffling", fmt.Sprintf("baffling factor from a tracer test, or a published one: unbaffled %g, diffuser walls %g, poor %g, average %g, superior %g, near plug flow %g, plug flow %g",
				disinfection.Unbaffled, disinfection.DiffuserWalls, disinfection.PoorBaffling, disinfection.AverageBaffling,
				disinfection.SuperiorBaffling, disinfection.NearPlugFlow, disinfection.PlugFlow), plain, 1)),
			Example: call("volume=1200", "flow=400", "baffling=0.3"), Gives: call("mean stay: 3 min", "nine tenths stay at least: 0.9 min"),
			run: func(v *values) (answer, error) {
				mean, err := disinfection.Detention(v.f("volume"), v.f("flow"))
				if err != nil {
					return answer{}, err
				}
				t10, err := disinfection.FlumeContact(v.f("volume"), v.f("flow"), v.f("baffling"))
				return rows(row("mean stay", mean), row("nine tenths stay at least", t10)), err
			},
		},
		{
			Name: "ct-readings", Asks: "Which Ct did a stay in the bath have, by the readings around it?",
			Inputs:  append(inputs(table("readings", "time and free chlorine of each test", moment("time", ""), num("free", "", chlorineMgL, 0, 20000))), spanIn...),
			Example: call("readings=0/100,10/80,20/90", "begin=5", "end=15"),
			Gives:   call("Ct on straight lines: 837.5 mg·min/L", "Ct by the lower reading: 800 mg·min/L", "longest time between readings: 10 min"),
			run:     ctReadings,
		},
		{
			Name: "ct-constant", Asks: "Which Ct does a constant level give?",
			Inputs:  inputs(freeChlorine, num("time", "contact time", minutes, 0, 1e6)),
			Example: call("free=100", "time=90s"), Gives: call("Ct: 150 mg·min/L"),
			run: func(v *values) (answer, error) { return one("Ct")(disinfection.SegmentCt(v.f("free"), v.f("time"))) },
		},
	}
}

func ctReadings(v *values) (answer, error) {
	var readings []disinfection.Reading
	for _, r := range v.rows("readings") {
		readings = append(readings, disinfection.Reading{At: r[0].at, MgPerL: r[1].number})
	}
	e, err := disinfection.Ct(readings, v.at("begin"), v.at("end"))
	if err != nil {
		return answer{}, err
	}
	gap := made(e.LongestGap.Minutes(), "min", e.Lowest.Formula, e.Lowest.Source)
	return rows(row("Ct on straight lines", e.Trapezoid), row("Ct by the lower reading", e.Lowest), row("longest time between readings", gap)), nil
}

func (v *values) ctWater() disinfection.Water {
	return disinfection.Water{Celsius: v.f("temperature"), PH: v.f("ph"), MgPerL: v.f("free")}
}

func references() []Calculator {
	return append(giardia(), ratios()...)
}

func giardia() []Calculator {
	return []Calculator{
		{
			Name: "giardia-ct", Asks: "Which Ct does the drinking-water table ask for against Giardia?",
			Inputs:  append(inputs(waterIn...), logIn),
			Example: call("temperature=10", "ph=7", "free=2", "log=3"), Gives: call("Ct by the table: 124 mg·min/L"),
			run: func(v *values) (answer, error) {
				return one("Ct by the table")(disinfection.GiardiaLookup(v.ctWater(), v.f("log")))
			},
		},
		{
			Name: "giardia-compare", Asks: "What do table, straight lines and equation ask for against Giardia?",
			Inputs: inputs(num("temperature", "temperature of the water", temperature, 0.5, 25), num("ph", "its pH", pH, 6, 9),
				num("free", "its free chlorine as Cl2", chlorineMgL, 0.4, 3), logIn),
			Example: call("temperature=12", "ph=7.25", "free=1.5", "log=1"),
			Gives:   call("Ct by the table: 48 mg·min/L", "Ct on straight lines: 37.5167 mg·min/L", "Ct by the equation: 39.0676 mg·min/L"),
			run: func(v *values) (answer, error) {
				var a answer
				for _, f := range []struct {
					label string
					of    func(disinfection.Water, float64) (formula.Result, error)
				}{
					{"Ct by the table", disinfection.GiardiaLookup}, {"Ct on straight lines", disinfection.GiardiaInterpolated}, {"Ct by the equation", disinfection.GiardiaRegression},
				} {
					r, err := f.of(v.ctWater(), v.f("log"))
					if err != nil {
						return answer{}, err
					}
					a.rows = append(a.rows, row(f.label, r))
				}
				return a, nil
			},
		},
		{
			Name: "virus-ct", Asks: "Which Ct do the drinking-water tables ask for against viruses?",
			Inputs:  inputs(num("temperature", "temperature of the water", temperature, 0.5, 40), num("ph", "its pH", pH, 6, 10), whole("log", "inactivation, log10: 2, 3 or 4", 2, 4)),
			Example: call("temperature=10", "ph=7", "log=4"), Gives: call("Ct by the table: 6 mg·min/L"),
			run: func(v *values) (answer, error) {
				return one("Ct by the table")(disinfection.VirusLookup(v.f("temperature"), v.f("ph"), v.n("log")))
			},
		},
	}
}

func ratios() []Calculator {
	return []Calculator{
		{
			Name: "inactivation-ratio", Asks: "Which ratio, and which log of Giardia, do segments in series come to?",
			Inputs:  inputs(table("segments", "Ct of each segment and the Ct that its table asks for 3 log", num("ct", "", ctIn.kind, 0, 1e9), above("required", "", ctIn.kind, 1e9))),
			Example: call("segments=30/124,62/124"),
			Gives:   call("ratio of segment 1: 0.241935", "ratio of segment 2: 0.5", "ratio of all: 0.741935", "Giardia: 2.22581 log10"),
			run:     seriesRatio,
		},
		{
			Name: "chick-watson", Asks: "Which inactivation does a rate give at a constant level?",
			Inputs: inputs(num("rate", "rate constant, per minute at 1 mg/L", plain, 0, 1e6), num("free", "level", chlorineMgL, 0, 20000),
				above("dilution", "coefficient of dilution n", plain, 3).or("1"), num("time", "contact time", minutes, 0, 1e6)),
			Example: call("rate=0.5", "free=2", "time=5"), Gives: call("inactivation: 2.17147 log10"),
			run: func(v *values) (answer, error) {
				return one("inactivation")(disinfection.ChickWatson(v.f("rate"), v.f("free"), v.f("dilution"), v.f("time")))
			},
		},
		{
			Name: "chick-watson-rate", Asks: "Which rate does a Ct with its inactivation stand for?",
			Inputs:  inputs(above("ct", "Ct", ctIn.kind, 1e9), above("log", "inactivation it gave, log10", plain, 20)),
			Example: call("ct=10", "log=4"), Gives: call("rate constant: 0.921034 L/(mg·min)"),
			run: func(v *values) (answer, error) {
				return one("rate constant")(disinfection.RateFromCt(v.f("ct"), v.f("log")))
			},
		},
	}
}

func seriesRatio(v *values) (answer, error) {
	var a answer
	var segments []disinfection.Segment
	for i, r := range v.rows("segments") {
		s := disinfection.Segment{Ct: r[0].number, Required: r[1].number}
		segments = append(segments, s)
		ratio, err := disinfection.InactivationRatio(s)
		if err != nil {
			return answer{}, err
		}
		a.rows = append(a.rows, row(fmt.Sprintf("ratio of segment %d", i+1), ratio))
	}
	total, err := disinfection.SeriesRatio(segments)
	if err != nil {
		return answer{}, err
	}
	log, err := disinfection.GiardiaLog(total.Value)
	a.rows = append(slices.Clip(a.rows), row("ratio of all", total), row("Giardia", log))
	return a, err
}
