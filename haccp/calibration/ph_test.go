package calibration

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
	"linewarden/internal/checktable"
)

func TestNernstSlope(t *testing.T) {
	checktable.Load(t, "codata-2018/nernst.csv").Each(t, func(t *testing.T, row checktable.Row) {
		got, err := NernstSlope(number(t, row, "celsius"))
		near(t, got, err, number(t, row, "slope"), 0.001)
	})
}

func TestBufferTables(t *testing.T) {
	for name, family := range map[string]Family{"technical": Technical, "jis": JIS} {
		var table *checktable.Table
		if name == "jis" {
			table = checktable.Load(t, "jis-z8802/temperature.csv")
		} else {
			table = checktable.Load(t, "technical-buffers/temperature.csv")
		}
		table.Each(t, func(t *testing.T, row checktable.Row) {
			got, err := BufferPH(family, Buffer(row.Get(t, "buffer")), number(t, row, "celsius"))
			near(t, got, err, number(t, row, "ph"), 1e-12)
			if got.Has(Interpolated) {
				t.Error("a printed value is not interpolated")
			}
		})
		rows := 0
		for _, ph := range bufferTables[family].ph {
			rows += len(ph)
		}
		if rows != len(table.Rows) {
			t.Errorf("%s: %d values here, %d published", name, rows, len(table.Rows))
		}
	}
	got, err := BufferPH(Technical, Buffer700, 22)
	near(t, got, err, 7.012, 1e-12)
	if !got.Has(Interpolated) {
		t.Error("between two printed temperatures")
	}
}

// The buffers of two families differ by 0.01 to 0.14 at 20 °C; one of the other
// family is refused, not looked up somewhere else.
func TestFamiliesAreNotMixed(t *testing.T) {
	a, err1 := BufferPH(Technical, Buffer700, 20)
	b, err2 := BufferPH(JIS, Phosphate, 20)
	c, err3 := BufferPH(Technical, Buffer1001, 20)
	d, err4 := BufferPH(JIS, Carbonate, 20)
	if err := errors.Join(err1, err2, err3, err4); err != nil {
		t.Fatal(err)
	}
	if math.Abs(a.Value-b.Value-0.14) > 1e-9 || math.Abs(d.Value-c.Value-0.01) > 1e-9 {
		t.Errorf("neutral %v and %v, alkaline %v and %v", a.Value, b.Value, c.Value, d.Value)
	}
	if _, err := BufferPH(JIS, Buffer700, 20); !errors.Is(err, formula.ErrData) {
		t.Errorf("mixed: %v", err)
	}
	if _, err := JudgeInBuffers(Technical, []BufferReading{{Buffer400, 170}, {Phosphate, 5}}, 25); !errors.Is(err, formula.ErrData) {
		t.Errorf("mixed in one calibration: %v", err)
	}
	if _, err := BufferPH("colour strips", Buffer700, 20); err == nil {
		t.Error("a family that is not known")
	}
	for _, celsius := range []float64{-0.1, 50.1, math.NaN()} {
		if _, err := BufferPH(Technical, Buffer700, celsius); !errors.Is(err, formula.ErrRange) {
			t.Errorf("%v °C: %v", celsius, err)
		}
	}
	if _, err := BufferPH(JIS, Carbonate, 35.1); !errors.Is(err, formula.ErrRange) {
		t.Errorf("carbonate ends at 35 °C: %v", err)
	}
}

func TestPhthalate(t *testing.T) {
	checktable.Load(t, "nbs-phthalate-1977/ph.csv").Each(t, func(t *testing.T, row checktable.Row) {
		celsius := number(t, row, "celsius")
		got, err := PhthalatePH(celsius)
		near(t, got, err, number(t, row, "ph"), 0.0001)
		if celsius <= 50 { // the printed buffer is the same solution in two decimals; at 40 °C and up it may round another way
			printed, err := BufferPH(JIS, Phthalate, celsius)
			near(t, printed, err, got.Value, 0.008)
		}
	})
	if _, err := PhthalatePH(60.1); !errors.Is(err, formula.ErrRange) {
		t.Errorf("%v", err)
	}
}

// The scale of the NBS in three decimals beside the table of the JIS in two: within
// its rounding, but for carbonate, where the JIS prints 10.02 and the NBS 10.012.
func TestScales(t *testing.T) {
	checktable.Load(t, "nbs-scale/single.csv").Each(t, func(t *testing.T, row checktable.Row) {
		got, err := BufferPH(JIS, Buffer(row.Get(t, "buffer")), number(t, row, "celsius"))
		near(t, got, err, number(t, row, "ph"), number(t, row, "allowed")+1e-9)
	})
	got, err := PhthalatePH(25) // 4.0059 by the equation of 1977, 4.005 by the value of 1946
	near(t, got, err, 4.005, 0.001)
}

func TestElectrode(t *testing.T) {
	checktable.Load(t, "electrode-note/slope.csv").Each(t, func(t *testing.T, row checktable.Row) {
		e, err := JudgeElectrode([]ElectrodePoint{{number(t, row, "ph1"), number(t, row, "mv1")}, {number(t, row, "ph2"), number(t, row, "mv2")}}, 25)
		near(t, e.Percent, err, number(t, row, "percent"), 0.1)
		if want := row.Get(t, "verdict") == "working"; e.Meets(MakerNote()) != want {
			t.Errorf("accepted: %v", !want)
		}
	})
	// The print pairs 150 and 186 mV over 3.00 pH with 85 and 105 percent; they are 84.5 and 104.8.
	checktable.Load(t, "electrode-note/acceptance.csv").Each(t, func(t *testing.T, row checktable.Row) {
		if a := MakerNote(); a.LowPercent != number(t, row, "low_percent") || a.HighPercent != number(t, row, "high_percent") || a.OffsetMV != number(t, row, "offset_mv") {
			t.Errorf("%+v", a)
		}
		for column, want := range map[string]float64{"low_mv": 84.5, "high_mv": 104.8} {
			e, err := JudgeElectrode([]ElectrodePoint{{7, 0}, {4, number(t, row, column)}}, 25)
			near(t, e.Percent, err, want, 0.05)
		}
	})
}

// At the edges an electrode is accepted, beyond them not.
func TestAcceptanceEdges(t *testing.T) {
	e := Electrode{Percent: formula.Result{Value: 85}, Offset: formula.Result{Value: -30}}
	if !e.Meets(MakerNote()) {
		t.Error("85 percent and -30 mV are accepted")
	}
	for _, bad := range []Electrode{
		{Percent: formula.Result{Value: 84.99}}, {Percent: formula.Result{Value: 105.01}},
		{Percent: formula.Result{Value: 98}, Offset: formula.Result{Value: 30.1}}, {Percent: formula.Result{Value: 98}, Offset: formula.Result{Value: -30.1}},
	} {
		if bad.Meets(MakerNote()) {
			t.Errorf("accepted: %+v", bad)
		}
	}
}

func TestElectrodeRefuses(t *testing.T) {
	for name, c := range map[string]struct {
		points  []ElectrodePoint
		celsius float64
		want    error
	}{
		"one buffer":      {[]ElectrodePoint{{7, 0}}, 25, formula.ErrData},
		"one buffer only": {[]ElectrodePoint{{7, 0}, {7.5, 20}}, 25, formula.ErrData},
		"exchanged":       {[]ElectrodePoint{{7, 175}, {4, 0}}, 25, formula.ErrData},
		"dead":            {[]ElectrodePoint{{7, 10}, {4, 10}}, 25, formula.ErrData},
		"pH":              {[]ElectrodePoint{{7, 0}, {14.1, 0}}, 25, formula.ErrRange},
		"mV":              {[]ElectrodePoint{{7, 0}, {4, math.NaN()}}, 25, formula.ErrRange},
		"frozen":          {[]ElectrodePoint{{7, 0}, {4, 175}}, -1, formula.ErrRange},
	} {
		if _, err := JudgeElectrode(c.points, c.celsius); !errors.Is(err, c.want) {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// An electrode of known slope and offset, measured in two or three buffers of a
// family at any temperature, comes back with both, and three buffers show no bend.
func TestElectrodeRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		celsius := rapid.Float64Range(0, 50).Draw(t, "celsius")
		percent, offset := rapid.Float64Range(60, 110).Draw(t, "percent"), rapid.Float64Range(-60, 60).Draw(t, "offset")
		ideal, err := NernstSlope(celsius)
		if err != nil {
			t.Fatal(err)
		}
		buffers := []Buffer{Buffer400, Buffer700, Buffer1001}[:rapid.IntRange(2, 3).Draw(t, "buffers")]
		var readings []BufferReading
		for _, b := range buffers {
			ph, err := BufferPH(Technical, b, celsius)
			if err != nil {
				t.Fatal(err)
			}
			readings = append(readings, BufferReading{b, offset - percent/100*ideal.Value*(ph.Value-7)})
		}
		e, err := JudgeInBuffers(Technical, readings, celsius)
		if err != nil || math.Abs(e.Percent.Value-percent) > 1e-6 || math.Abs(e.Offset.Value-offset) > 1e-6 || e.Bend > 1e-9 {
			t.Fatalf("%v %% and %v mV came back as %v and %v, bend %v: %v", percent, offset, e.Percent.Value, e.Offset.Value, e.Bend, err)
		}
	})
	e, err := JudgeElectrode([]ElectrodePoint{{4, 174}, {7, 0}, {10, -162}}, 25)
	if err != nil || math.Abs(e.Bend-0.071) > 0.001 { // 2, 4 and 2 mV from the line of 56 mV/pH
		t.Errorf("bend %v, %v", e.Bend, err)
	}
}
