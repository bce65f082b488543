package calibration_test

import (
	"fmt"

	"linewarden/haccp/calibration"
	"linewarden/haccp/quantity"
)

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

var line = must(calibration.Fit([]float64{0, 1, 2, 4}, []float64{0.1, 1.0, 2.1, 4.0}))

func ExampleFit() {
	l, err := calibration.Fit([]float64{0, 1, 2, 4}, []float64{0.1, 1.0, 2.1, 4.0})
	fmt.Printf("%.3f + %.3f x, scatter %.3f %v\n", l.Intercept, l.Slope, l.ResidualSD, err)
	// Output: 0.080 + 0.983 x, scatter 0.061 <nil>
}

func ExampleLine_At() {
	p := must(line.At(3, quantity.MgPerL))
	fmt.Printf("%.3f ± %.3f %s\n", p.Value.Value, p.Uncertainty.Value, p.Value.Unit)
	// Output: 3.029 ± 0.040 mg/L
}

func ExampleLine_Interval() {
	half := must(line.Interval(3, 1, 0.95, quantity.MgPerL))
	fmt.Printf("± %.2f %s\n", half.Value, half.Unit)
	// Output: ± 0.31 mg/L
}

func ExampleLine_Inverse() {
	p := must(line.Inverse(3, 2, quantity.MgPerL))
	fmt.Printf("%.3f ± %.3f %s\n", p.Value.Value, p.Uncertainty.Value, p.Value.Unit)
	// Output: 2.971 ± 0.059 mg/L
}

func ExampleLine_Correlation() {
	fmt.Printf("%.2f\n", line.Correlation())
	// Output: -0.76
}

func ExampleStudentT() {
	fmt.Printf("%.6f\n", must(calibration.StudentT(0.95, 34)))
	// Output: 2.032245
}

func ExampleNernstSlope() {
	r := must(calibration.NernstSlope(25))
	fmt.Printf("%.2f %s\n", r.Value, r.Unit)
	// Output: 59.16 mV/pH
}

func ExampleBufferPH() {
	r := must(calibration.BufferPH(calibration.JIS, calibration.Phosphate, 20))
	fmt.Printf("%.2f %s\n", r.Value, r.Unit)
	// Output: 6.88 pH
}

func ExamplePhthalatePH() {
	fmt.Printf("%.3f\n", must(calibration.PhthalatePH(25)).Value)
	// Output: 4.006
}

func ExampleJudgeElectrode() {
	e := must(calibration.JudgeElectrode([]calibration.ElectrodePoint{{PH: 7.01, Millivolt: -15}, {PH: 4.01, Millivolt: 160}}, 25))
	fmt.Printf("%.2f %s, %.1f %%, %.1f mV, accepted: %v\n", e.Slope.Value, e.Slope.Unit, e.Percent.Value, e.Offset.Value, e.Meets(calibration.MakerNote()))
	// Output: 58.33 mV/pH, 98.6 %, -14.4 mV, accepted: true
}

func ExampleJudgeInBuffers() {
	readings := []calibration.BufferReading{
		{Buffer: calibration.Buffer400, Millivolt: 170}, {Buffer: calibration.Buffer700, Millivolt: -4}, {Buffer: calibration.Buffer1001, Millivolt: -178},
	}
	e := must(calibration.JudgeInBuffers(calibration.Technical, readings, 20))
	fmt.Printf("%.1f %% at %.0f mV, bend %.2f pH\n", e.Percent.Value, e.Offset.Value, e.Bend)
	// Output: 98.7 % at -2 mV, bend 0.01 pH
}

func ExampleMakerNote() {
	fmt.Printf("%+v\n", calibration.MakerNote())
	// Output: {LowPercent:85 HighPercent:105 OffsetMV:30}
}

func ExampleElectrode_Meets() {
	e := must(calibration.JudgeElectrode([]calibration.ElectrodePoint{{PH: 7.01, Millivolt: 15}, {PH: 4.01, Millivolt: 160}}, 25))
	fmt.Println(e.Meets(calibration.MakerNote()))
	// Output: false
}

func ExampleStandardPressure() {
	r := must(calibration.StandardPressure(1524))
	fmt.Printf("%.0f %s\n", r.Value, r.Unit)
	// Output: 843 hPa
}

func ExampleBoilingPoint() {
	r := must(calibration.BoilingPoint(1524))
	fmt.Printf("%.2f %s\n", r.Value, r.Unit)
	// Output: 94.95 °C
}

func ExampleBoilingPointAt() {
	fmt.Printf("%.1f\n", must(calibration.BoilingPointAt(1000)).Value)
	// Output: 99.6
}

func ExampleCheckIce() {
	c := must(calibration.CheckIce(0.6, calibration.ToleranceUS))
	fmt.Println(c.Deviation.Value, c.Deviation.Unit, c.Within)
	// Output: 0.6 K true
}

func ExampleCheckBoiling() {
	c := must(calibration.CheckBoiling(95.6, 1524, calibration.ToleranceUS))
	fmt.Printf("%.2f %s %v\n", c.Deviation.Value, c.Deviation.Unit, c.Within)
	// Output: 0.65 K true
}

func ExampleCheckBoilingAt() {
	c := must(calibration.CheckBoilingAt(99, 1013.25, calibration.ToleranceAustralia))
	fmt.Printf("%.1f %s %v\n", c.Deviation.Value, c.Deviation.Unit, c.Within)
	// Output: -1.0 K true
}

func ExampleCheckChlorine() {
	m := must(calibration.CheckChlorine([]calibration.Standard{{MgPerL: 0, Shown: 0.02}, {MgPerL: 1, Shown: 0.97}, {MgPerL: 2, Shown: 1.92}}))
	worst := m.Standards[m.Worst]
	fmt.Printf("%.2f %s, %.0f %%\n", worst.Deviation.Value, worst.Deviation.Unit, worst.Recovery.Value)
	// Output: -0.08 mg/L, 96 %
}

func ExampleMeterCheck_Correct() {
	m := must(calibration.CheckChlorine([]calibration.Standard{{MgPerL: 0, Shown: 0.03}, {MgPerL: 1, Shown: 0.96}, {MgPerL: 2, Shown: 1.92}}))
	p := must(m.Correct(1.5, 1))
	fmt.Printf("%.2f ± %.2f %s\n", p.Value.Value, p.Uncertainty.Value, p.Value.Unit)
	// Output: 1.56 ± 0.02 mg/L
}

func ExampleMeterCheck_Line() {
	m := must(calibration.CheckChlorine([]calibration.Standard{{MgPerL: 0, Shown: 0.02}, {MgPerL: 1, Shown: 0.97}}))
	_, ok := m.Line()
	fmt.Println(ok)
	// Output: false
}
