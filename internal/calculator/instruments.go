package calculator

import (
	"fmt"
	"math"

	"linewarden/haccp/calibration"
	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

func instruments() []Calculator {
	return append(append(phElectrodes(), thermometers()...), meters()...)
}

var (
	buffers  = names([]calibration.Buffer{calibration.Buffer400, calibration.Buffer700, calibration.Buffer1001, calibration.Phthalate, calibration.Phosphate, calibration.Borate, calibration.Carbonate})
	familyIn = choice("family", "family of the buffers, as on the bottle: 4.00/7.00/10.01, or 4.01/6.86/9.18/10.02", string(calibration.Technical), string(calibration.JIS))
)

func phElectrodes() []Calculator {
	any14 := num("ph", "", pH, 0, 14)
	mv := num("shown", "", millivolt, -2000, 2000)
	return []Calculator{
		{
			Name: "ph-electrode", Asks: "Is a pH electrode good, by solutions of known pH?",
			Inputs:  inputs(table("points", "pH and millivolts of two solutions or more", any14, mv), num("temperature", "temperature of the solutions", temperature, 0, 100)),
			Example: call("points=7.01/-15,4.01/160", "temperature=25"),
			Gives:   call("slope: 58.3333 mV/pH", "slope: 98.6037 %", "offset at pH 7: -14.4167 mV", "largest distance from the line: 0 pH", "by a maker's note, 85 to 105 % and 30 mV: calc.accepted"),
			run: func(v *values) (answer, error) {
				var points []calibration.ElectrodePoint
				for _, r := range v.rows("points") {
					points = append(points, calibration.ElectrodePoint{PH: r[0].number, Millivolt: r[1].number})
				}
				e, err := calibration.JudgeElectrode(points, v.f("temperature"))
				return electrode(e), err
			},
		},
		{
			Name: "ph-buffers", Asks: "Is a pH electrode good, by buffers at their temperature?",
			Inputs: inputs(familyIn, table("readings", "name and millivolts of two buffers or more", choice("buffer", "", buffers...), mv),
				num("temperature", "temperature of the buffers", temperature, 0, 50)),
			Example: call("family=technical", "readings=4.00/170,7.00/-4,10.01/-178", "temperature=20"),
			Gives:   call("slope: 57.4255 mV/pH", "slope: 98.7249 %", "offset at pH 7: -2.46865 mV", "largest distance from the line: 0.00666667 pH", "by a maker's note, 85 to 105 % and 30 mV: calc.accepted"),
			run: func(v *values) (answer, error) {
				var readings []calibration.BufferReading
				for _, r := range v.rows("readings") {
					readings = append(readings, calibration.BufferReading{Buffer: calibration.Buffer(r[0].text), Millivolt: r[1].number})
				}
				e, err := calibration.JudgeInBuffers(calibration.Family(v.word("family")), readings, v.f("temperature"))
				return electrode(e), err
			},
		},
		{
			Name: "buffer-ph", Asks: "Which pH does a buffer have at a temperature?",
			Inputs:  inputs(familyIn, choice("buffer", "name in its family", buffers...), num("temperature", "temperature of the buffer", temperature, 0, 50)),
			Example: call("family=jis-z8802", "buffer=phosphate", "temperature=20"), Gives: call("pH of the buffer: 6.88 pH"),
			run: func(v *values) (answer, error) {
				return one("pH of the buffer")(calibration.BufferPH(calibration.Family(v.word("family")), calibration.Buffer(v.word("buffer")), v.f("temperature")))
			},
		},
		{
			Name: "phthalate-ph", Asks: "Which pH does 0.05 mol/kg phthalate have on the NBS scale?",
			Inputs:  inputs(num("temperature", "its temperature", temperature, 0, 60)),
			Example: call("temperature=25"), Gives: call("pH: 4.00585 pH"),
			run: func(v *values) (answer, error) { return one("pH")(calibration.PhthalatePH(v.f("temperature"))) },
		},
		{
			Name: "ph-slope", Asks: "Which slope has an ideal pH electrode?",
			Inputs:  inputs(num("temperature", "its temperature", temperature, 0, 100)),
			Example: call("temperature=25"), Gives: call("slope: 59.1593 mV/pH"),
			run: func(v *values) (answer, error) { return one("slope")(calibration.NernstSlope(v.f("temperature"))) },
		},
	}
}

func electrode(e calibration.Electrode) answer {
	bend := e.Slope
	bend.Value, bend.Unit = e.Bend, quantity.PHUnit
	note := calibration.MakerNote()
	is := "calc.not-accepted"
	if e.Meets(note) {
		is = "calc.accepted"
	}
	by := fmt.Sprintf("by a maker's note, %g to %g %% and %g mV", note.LowPercent, note.HighPercent, note.OffsetMV)
	return rows(row("slope", e.Slope), row("slope", e.Percent), row("offset at pH 7", e.Offset), row("largest distance from the line", bend),
		Row{Label: by, Result: formula.Result{Source: "electrode-note"}, Is: is})
}

func thermometers() []Calculator {
	shown := num("shown", "what the thermometer shows", temperature, -50, 200)
	within := above("tolerance", fmt.Sprintf("what it may be off; food-safety notes print %g K (Australia) and %g K (United States, 2 °F)", calibration.ToleranceAustralia, calibration.ToleranceUS), kelvin, 10)
	place := inputs(num("altitude", "altitude of the place; or give the pressure", altitude, 0, 3048).opt(), num("pressure", "air pressure of the day at the place, not reduced to sea level", pressure, 690, 1050).opt())
	return []Calculator{
		{
			Name: "ice-point", Asks: "Does a thermometer read right in ice?",
			Inputs:  inputs(shown, within),
			Example: call("shown=0.6", "tolerance=1.1"), Gives: call("reference: 0 °C", "shown less reference: 0.6 K", "within the tolerance: calc.yes"),
			run: func(v *values) (answer, error) {
				c, err := calibration.CheckIce(v.f("shown"), v.f("tolerance"))
				return fixedPoint(c), err
			},
		},
		{
			Name: "boiling-check", Asks: "Does a thermometer read right in boiling water?",
			Inputs:  append(inputs(shown, within), place...),
			Example: call("shown=95.6", "tolerance=1.1", "altitude=5000ft"),
			Gives:   call("reference: 94.9452 °C", "shown less reference: 0.654817 K", "within the tolerance: calc.yes"),
			run: func(v *values) (answer, error) {
				check, at, err := v.place(calibration.CheckBoiling, calibration.CheckBoilingAt)
				if err != nil {
					return answer{}, err
				}
				c, err := check(v.f("shown"), at, v.f("tolerance"))
				return fixedPoint(c), err
			},
		},
		{
			Name: "boiling-point", Asks: "At what temperature does water boil here?",
			Inputs: place, Example: call("altitude=5000ft"), Gives: call("boiling point: 94.9452 °C", "mean pressure: 843.073 hPa"),
			run: func(v *values) (answer, error) {
				if v.has("pressure") == v.has("altitude") {
					return answer{}, errPlace
				}
				if v.has("pressure") {
					return one("boiling point")(calibration.BoilingPointAt(v.f("pressure")))
				}
				p, err := calibration.StandardPressure(v.f("altitude"))
				if err != nil {
					return answer{}, err
				}
				b, err := calibration.BoilingPoint(v.f("altitude"))
				return rows(row("boiling point", b), row("mean pressure", p)), err
			},
		},
	}
}

var errPlace = fmt.Errorf("give either altitude or pressure, such as altitude=1500 or pressure=845")

type boilingCheck func(shown, at, tolerance float64) (calibration.ThermometerCheck, error)

// place picks the check for the altitude or the one for the pressure.
func (v *values) place(byAltitude, byPressure boilingCheck) (boilingCheck, float64, error) {
	switch {
	case v.has("pressure") == v.has("altitude"):
		return nil, 0, errPlace
	case v.has("pressure"):
		return byPressure, v.f("pressure"), nil
	}
	return byAltitude, v.f("altitude"), nil
}

func fixedPoint(c calibration.ThermometerCheck) answer {
	reference := c.Deviation
	reference.Value, reference.Unit = c.Reference, quantity.Celsius
	return rows(row("reference", reference), row("shown less reference", c.Deviation), Row{Label: "within the tolerance", Result: c.Deviation, Is: yes(c.Within)})
}

func meters() []Calculator {
	standards := table("standards", "true level and what the meter shows, a blank with 0", num("true", "", chlorineMgL, 0, 20000), num("shown", "", chlorineMgL, 0, 20000))
	pairs := table("pairs", "x and y of three points or more", num("x", "", plain, math.Inf(-1), math.Inf(1)), num("y", "", plain, math.Inf(-1), math.Inf(1)))
	many := whole("readings", "readings in the mean", 1, 1000000).or("1")
	return []Calculator{
		{
			Name: "chlorine-meter", Asks: "Does a chlorine meter read right, and what does a reading of it mean?",
			Inputs:  inputs(standards, num("shown", "a reading to correct, with three standards or more", chlorineMgL, 0, 20000).opt(), many),
			Example: call("standards=0/0.02,1/0.97,2/1.92"),
			Gives:   call("standard 1, shown less true: 0.02 mg/L", "standard 2, shown less true: -0.03 mg/L", "standard 2, recovery: 97 %", "standard 3, shown less true: -0.08 mg/L", "standard 3, recovery: 96 %", "worst at standard: 3", "line, slope: 0.95", "line, at zero: 0.02 mg/L"),
			run:     chlorineMeter,
		},
		{
			Name: "line", Asks: "Which straight line goes through points, and what does it predict?",
			Inputs: inputs(pairs, num("x", "where to predict y", plain, math.Inf(-1), math.Inf(1)).opt(), num("y", "for which to find x", plain, math.Inf(-1), math.Inf(1)).opt(),
				many, num("confidence", "of the interval of future readings at x", percent, 50, 99.9).or("95")),
			Example: call("pairs=0/0.1,1/1.0,2/2.1,4/4.0", "x=3"),
			Gives:   call("at zero: 0.08", "slope: 0.982857", "uncertainty at zero: 0.0472077", "uncertainty of the slope: 0.0206032", "correlation of both: -0.763763", "residual standard deviation: 0.0609449", "y at x: 3.02857", "its standard uncertainty: 0.0398978", "half width of the interval: 0.313419", "Student factor: 4.30265"),
			run:     straightLine,
		},
	}
}

func chlorineMeter(v *values) (answer, error) {
	var standards []calibration.Standard
	for _, r := range v.rows("standards") {
		standards = append(standards, calibration.Standard{MgPerL: r[0].number, Shown: r[1].number})
	}
	m, err := calibration.CheckChlorine(standards)
	if err != nil {
		return answer{}, err
	}
	var a answer
	for i, s := range m.Standards {
		name := fmt.Sprintf("standard %d, ", i+1)
		a.rows = append(a.rows, row(name+"shown less true", s.Deviation))
		if s.Recovery.Formula != "" {
			a.rows = append(a.rows, row(name+"recovery", s.Recovery))
		}
	}
	worst := m.Standards[m.Worst].Deviation
	worst.Value, worst.Unit = float64(m.Worst+1), formula.One
	a.rows = append(a.rows, row("worst at standard", worst))
	if l, ok := m.Line(); ok {
		a.rows = append(a.rows, row("line, slope", fitted(l.Slope, "")), row("line, at zero", fitted(l.Intercept, "mg/L")))
	}
	if v.has("shown") {
		p, err := m.Correct(v.f("shown"), v.n("readings"))
		if err != nil {
			return answer{}, err
		}
		a.rows = append(a.rows, row("chlorine", p.Value), row("its standard uncertainty", p.Uncertainty))
	}
	return a, nil
}

// fitted is a figure of a fitted line.
func fitted(v float64, unit string) formula.Result {
	return made(v, unit, calibration.LineFormula, "nist-strd-norris")
}

func straightLine(v *values) (answer, error) {
	var x, y []float64
	for _, r := range v.rows("pairs") {
		x, y = append(x, r[0].number), append(y, r[1].number)
	}
	l, err := calibration.Fit(x, y)
	if err != nil {
		return answer{}, err
	}
	a := rows(row("at zero", fitted(l.Intercept, "")), row("slope", fitted(l.Slope, "")), row("uncertainty at zero", fitted(l.InterceptSD, "")),
		row("uncertainty of the slope", fitted(l.SlopeSD, "")), row("correlation of both", fitted(l.Correlation(), "")), row("residual standard deviation", fitted(l.ResidualSD, "")))
	if v.has("x") {
		p, err := l.At(v.f("x"), formula.One)
		if err != nil {
			return answer{}, err
		}
		half, err := l.Interval(v.f("x"), v.n("readings"), v.part("confidence"), formula.One)
		if err != nil {
			return answer{}, err
		}
		t, err := calibration.StudentT(v.part("confidence"), l.DF)
		if err != nil {
			return answer{}, err
		}
		a.rows = append(a.rows, row("y at x", p.Value), row("its standard uncertainty", p.Uncertainty), row("half width of the interval", half), row("Student factor", fitted(t, "")))
	}
	if v.has("y") {
		p, err := l.Inverse(v.f("y"), v.n("readings"), formula.One)
		if err != nil {
			return answer{}, err
		}
		a.rows = append(a.rows, row("x at y", p.Value), row("its standard uncertainty", p.Uncertainty))
	}
	return a, nil
}
