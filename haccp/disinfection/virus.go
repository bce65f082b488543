package disinfection

import (
	"fmt"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// virusCelsius is the temperature axis of the virus tables.
//
// src: epa-ct Table B-2
var virusCelsius = []float64{0.5, 5, 10, 15, 20, 25}

// A virusRow is one line of the virus tables, mg·min/L by temperature.
type virusRow struct{ neutral, alkaline [6]float64 } // pH 6 to 9; pH 10

// src: epa-swtr-1991 Table E-7
var virus2, virus3 = virusRow{[6]float64{6, 4, 3, 2, 1, 1}, [6]float64{45, 30, 22, 15, 11, 7}},
	virusRow{[6]float64{9, 6, 4, 3, 2, 1}, [6]float64{66, 44, 33, 22, 16, 11}}

// src: epa-ct Table B-2
var virus4 = virusRow{[6]float64{12, 8, 6, 4, 3, 2}, [6]float64{90, 60, 45, 30, 22, 15}}

// VirusLookup returns the Ct, mg·min/L, that the tables of the EPA ask for an
// inactivation of viruses of log10 log, which is 2, 3 or 4 and nothing between,
// read on the careful side: temperature down to the next printed value, pH above
// 9 as 10. Range: 0.5 to 40 °C (above 25 °C the value of 25 °C with
// [WarmerThanTable]), pH 6 to 10. Always [NotWashValidation].
//
// Source: epa-ct Table B-2 (4 log), epa-swtr-1991 Table E-7 (2 and 3 log).
func VirusLookup(celsius, ph float64, log int) (formula.Result, error) {
	if err := formula.Within("temperature", celsius, 0.5, 40, quantity.Celsius); err != nil {
		return formula.Result{}, err
	}
	if err := formula.Within("ph", ph, 6, 10, quantity.PHUnit); err != nil {
		return formula.Result{}, err
	}
	row, source := virus4, "epa-ct"
	switch log {
	case 2:
		row, source = virus2, "epa-swtr-1991"
	case 3:
		row, source = virus3, "epa-swtr-1991"
	case 4:
	default:
		return formula.Result{}, fmt.Errorf("log inactivation %d is %w: the tables print 2, 3 and 4", log, formula.ErrRange)
	}
	cautions := []formula.Caution{reference}
	if celsius > virusCelsius[5] {
		cautions = append(cautions, formula.Caution{Code: WarmerThanTable})
	}
	column := row.neutral
	if ph > 9 {
		column = row.alkaline
	}
	return result(column[atOrBelow(virusCelsius, celsius)], MgMinPerL, VirusTable, source, cautions...), nil
}
