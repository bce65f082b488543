package calibration

import (
	"fmt"
	"math"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

const (
	kelvin = 273.15
	// src: codata-2018 molar gas constant (J/(mol K)) and Faraday constant (C/mol)
	gasConstant = 8.314462618
	// src: codata-2018 Faraday constant
	faraday = 96485.33212
)

// NernstSlope returns the slope of an ideal pH electrode at 0 to 100 °C, mV a pH
// unit: ln 10 R T / F, 59.16 at 25 °C. It is what a meter's temperature
// compensation corrects for; the pH of the sample itself moves with temperature too,
// and nothing corrects that.
//
// Source: codata-2018.
func NernstSlope(celsius float64) (formula.Result, error) {
	if err := formula.Within("temperature", celsius, 0, 100, quantity.Celsius); err != nil {
		return formula.Result{}, err
	}
	return result(1000*math.Ln10*gasConstant*(celsius+kelvin)/faraday, MvPerPH, NernstFormula, "codata-2018"), nil
}

// An ElectrodePoint is what an electrode shows in a solution of known pH.
type ElectrodePoint struct{ PH, Millivolt float64 }

// An Electrode is the state of a pH electrode.
type Electrode struct {
	Slope   formula.Result // Slope is how many mV it falls with a pH unit.
	Percent formula.Result // Percent is the slope in percent of the ideal one at its temperature.
	Offset  formula.Result // Offset is what it shows at pH 7.00, mV.
	// Bend is the largest distance of a point from the line, in pH; 0 with two
	// points, which always lie on one.
	Bend float64
}

// JudgeElectrode works out slope and offset from two or more solutions of known pH
// at one temperature (0 to 100 °C): from two the line through them, from more the
// line of least squares. pH 0 to 14 with at least one unit between the lowest and
// the highest; mV -2000 to 2000. A slope that is not downwards is [formula.ErrData]:
// the buffers were exchanged, or the electrode is broken.
//
// Source: electrode-note (worked pair), codata-2018.
func JudgeElectrode(points []ElectrodePoint, celsius float64) (Electrode, error) {
	ideal, err := NernstSlope(celsius)
	if err != nil {
		return Electrode{}, err
	}
	slope, atSeven, bend, err := electrodeLine(points)
	if err != nil {
		return Electrode{}, err
	}
	if slope <= 0 {
		return Electrode{}, contradiction("the electrode shows more with a higher pH: were the buffers exchanged?")
	}
	return Electrode{
		Slope:   result(slope, MvPerPH, SlopeFormula, "electrode-note"),
		Percent: result(100*slope/ideal.Value, formula.Percent, SlopePercentID, "electrode-note"),
		Offset:  result(atSeven, quantity.Millivolt, OffsetFormula, "electrode-note"),
		Bend:    bend,
	}, nil
}

func electrodeLine(points []ElectrodePoint) (slope, atSeven, bend float64, err error) {
	if len(points) < 2 {
		return 0, 0, 0, contradiction("%d buffers: two or more are wanted", len(points))
	}
	x, y := make([]float64, len(points)), make([]float64, len(points))
	low, high := math.Inf(1), math.Inf(-1)
	for i, p := range points {
		if err := formula.Within("ph", p.PH, 0, 14, quantity.PHUnit); err != nil {
			return 0, 0, 0, fmt.Errorf("buffer %d: %w", i+1, err)
		}
		if err := formula.Within("potential", p.Millivolt, -2000, 2000, quantity.Millivolt); err != nil {
			return 0, 0, 0, fmt.Errorf("buffer %d: %w", i+1, err)
		}
		x[i], y[i] = p.PH-7, p.Millivolt
		low, high = min(low, p.PH), max(high, p.PH)
	}
	if high-low < 1 {
		return 0, 0, 0, contradiction("the buffers span less than one pH unit")
	}
	if len(points) == 2 {
		b := (y[1] - y[0]) / (x[1] - x[0])
		return -b, y[0] - b*x[0], 0, nil
	}
	l, err := Fit(x, y)
	if err != nil {
		return 0, 0, 0, err
	}
	for i := range x {
		bend = max(bend, math.Abs((y[i]-l.Intercept-l.Slope*x[i])/l.Slope))
	}
	return -l.Slope, l.Intercept, bend, nil
}

// A BufferReading is what an electrode shows in a buffer.
type BufferReading struct {
	Buffer    Buffer
	Millivolt float64
}

// JudgeInBuffers is [JudgeElectrode] with the pH of each buffer taken from the table
// of its one family at the temperature of the buffers (0 to 50 °C).
func JudgeInBuffers(family Family, readings []BufferReading, celsius float64) (Electrode, error) {
	points := make([]ElectrodePoint, 0, len(readings))
	for _, r := range readings {
		ph, err := BufferPH(family, r.Buffer, celsius)
		if err != nil {
			return Electrode{}, err
		}
		points = append(points, ElectrodePoint{PH: ph.Value, Millivolt: r.Millivolt})
	}
	return JudgeElectrode(points, celsius)
}

// An Acceptance is what is asked of an electrode; the ends count as accepted.
type Acceptance struct {
	LowPercent, HighPercent float64 // of the ideal slope
	OffsetMV                float64 // from 0, either way
}

// MakerNote returns the acceptance of a maker's note. It prints 150 to 186 mV over 3.00 pH
// at 25 °C beside it, which are 84.5 and 104.8 percent. Laboratories ask for more,
// such as 95 to 105 percent (common practice, no source).
//
// src: electrode-note acceptance
func MakerNote() Acceptance { return Acceptance{LowPercent: 85, HighPercent: 105, OffsetMV: 30} }

// Meets tells whether an electrode is accepted.
func (e Electrode) Meets(a Acceptance) bool {
	return e.Percent.Value >= a.LowPercent && e.Percent.Value <= a.HighPercent && math.Abs(e.Offset.Value) <= a.OffsetMV
}
