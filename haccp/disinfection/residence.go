package disinfection

import (
	"time"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// A Contact is how long the leaves of a batch were under water.
type Contact struct {
	Shortest formula.Result // Shortest counts from the last leaf in to the first out, minutes.
	Longest  formula.Result // Longest counts from the first leaf in to the last out, minutes.
}

// BatchContact works out the contact time of a batch from when its first and last
// leaves went in and came out. A minimum is held against Shortest, a maximum
// against Longest. Up to 24 h. Where leaves came out before the last went in, no
// time is common to all of them: that is an error, [formula.ErrData].
//
// Formula: differences of recorded times (a definition of this program).
func BatchContact(firstIn, lastIn, firstOut, lastOut time.Time) (Contact, error) {
	switch {
	case lastIn.Before(firstIn):
		return Contact{}, contradiction("the last leaf went in before the first")
	case lastOut.Before(firstOut):
		return Contact{}, contradiction("the last leaf came out before the first")
	case firstOut.Before(lastIn):
		return Contact{}, contradiction("leaves came out before the last went in, so no contact time is common to the batch: record it as two batches")
	}
	longest := lastOut.Sub(firstIn).Minutes()
	if err := formula.Within("contact time", longest, 0, 24*60, quantity.Minute); err != nil {
		return Contact{}, err
	}
	return Contact{
		Shortest: result(firstOut.Sub(lastIn).Minutes(), quantity.Minute, ContactShortest, ""),
		Longest:  result(longest, quantity.Minute, ContactLongest, ""),
	}, nil
}

// Baffling factors T10/T: which part of the theoretical detention time the first
// tenth of the water stays at least.
//
// src: padep-baffling baffling factor values
const (
	Unbaffled        = 0.1
	DiffuserWalls    = 0.2 // DiffuserWalls is unbaffled with diffuser walls or plates.
	PoorBaffling     = 0.3
	AverageBaffling  = 0.5
	SuperiorBaffling = 0.7
	NearPlugFlow     = 0.9
	PlugFlow         = 1.0
)

// Detention returns the theoretical detention time of a flume or tank, minutes:
// its water in litres over its flow in litres a minute, both above 0. It is a mean
// of the water, longer than what most of it stays.
func Detention(litres, litresPerMinute float64) (formula.Result, error) {
	if err := formula.Positive("volume", litres, quantity.Litre); err != nil {
		return formula.Result{}, err
	}
	if err := formula.Positive("flow", litresPerMinute, LitrePerMin); err != nil {
		return formula.Result{}, err
	}
	return result(litres/litresPerMinute, quantity.Minute, DetentionFormula, "epa-ct", formula.Caution{Code: WaterNotProduct}), nil
}

// FlumeContact returns T10 in minutes: the time that nine tenths of the water stay
// at least, detention times the baffling factor. Litres and litres a minute above
// 0; factor above 0 and at most 1, from a tracer test or one of the constants of
// this package.
//
// Source: epa-ct (worked segments), padep-baffling (what T10 is).
func FlumeContact(litres, litresPerMinute, baffling float64) (formula.Result, error) {
	detention, err := Detention(litres, litresPerMinute)
	if err != nil {
		return formula.Result{}, err
	}
	if err := formula.Positive("baffling factor", baffling, formula.One); err != nil {
		return formula.Result{}, err
	}
	if err := formula.Within("baffling factor", baffling, 0, 1, formula.One); err != nil {
		return formula.Result{}, err
	}
	return result(detention.Value*baffling, quantity.Minute, T10Formula, "epa-ct",
		formula.Caution{Code: WaterNotProduct}, formula.Caution{Code: TestedElsewhere}), nil
}

// SegmentCt returns the Ct of a segment of constant level, mg·min/L: mg/L free
// chlorine (0 to 20,000) times minutes (0 or more), for flowing water T10.
//
// Source: cfr40-141-534 (CTcalc).
func SegmentCt(mgPerL, minutes float64) (formula.Result, error) {
	if err := formula.Within("free chlorine", mgPerL, 0, 20000, quantity.MgPerL); err != nil {
		return formula.Result{}, err
	}
	if err := formula.Within("contact time", minutes, 0, 1e6, quantity.Minute); err != nil {
		return formula.Result{}, err
	}
	return result(mgPerL*minutes, MgMinPerL, CtSegment, "cfr40-141-534"), nil
}
