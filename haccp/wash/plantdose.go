package wash

import (
	"math"
	"slices"
	"time"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// PlantDoseFormula names the dose for a plant's bath in records.
const PlantDoseFormula formula.ID = "plant-dose"

// Cautions shown wherever a dose is worked out, whatever the answer.
const (
	// NeverMix: hypochlorite with acid, ammonia or another cleaner makes toxic gas; nor two
	// chlorine products with one another, nor one's scoop, pump or bucket for the other.
	NeverMix formula.Code = "mix"
	// PointsApart: acid and hypochlorite go in at different points and times, mixing
	// between; granules dry and away from organic matter.
	PointsApart formula.Code = "apart"
	// ChemicalToWater: chemical to water, never water to chemical; gloves, goggles, ventilation.
	ChemicalToWater formula.Code = "water"
	// FeedStopped: feed stopped, hands and product out of the dosing zone; mix, then test
	// before feeding again; only a product whose label allows washing of produce, within its rate.
	FeedStopped formula.Code = "dose"
	// OnExposure: fresh air, flush with water, medical help; the safety data sheet.
	OnExposure formula.Code = "exposure"
	// StoreApart: cool, dark storage apart from acids.
	StoreApart formula.Code = "store"
	// LowPH: below the floor stop, add no acid, ventilate, leave if you smell it, call
	// the responsible person; in salt water the gas comes off at a higher pH.
	LowPH formula.Code = "low-ph"
	// AidOnly: label, local code, competent authority and process authority decide.
	AidOnly formula.Code = "aid"
)

// DoseCautions returns the cautions of any dose of a chlorine product.
func DoseCautions() []formula.Caution {
	return cautionsOf(NeverMix, PointsApart, ChemicalToWater, FeedStopped, OnExposure, StoreApart, AidOnly)
}

// An Answer says what to do.
type Answer string

// The answers.
const (
	Add             Answer = "add"              // Add the amount, once, then mix and test.
	AddNothing      Answer = "add-nothing"      // AddNothing: the bath needs none, or less than can be measured out safely.
	NoDose          Answer = "no-dose"          // NoDose: something that a dose rests on is missing; the reasons say what.
	ChangeWater     Answer = "change-water"     // ChangeWater: product does not raise the level any more.
	FollowProcedure Answer = "follow-procedure" // FollowProcedure: the pH comes first, by the plan's written procedure.
	StopForGas      Answer = "stop-for-gas"     // StopForGas: the pH lies below the window; stop, add no acid, ventilate.
)

// A Reason is a code that says why the answer is what it is; its words stand
// elsewhere.
type Reason string

// The reasons. Those in front stand for something missing or not usable.
const (
	NotStored       Reason = "reading-not-stored"
	NotFree         Reason = "not-free-chlorine"
	OutsideMethod   Reason = "reading-outside-method"
	RetestFirst     Reason = "retest-diluted"
	ReadingOld      Reason = "reading-too-old"
	PHMissing       Reason = "ph-not-measured"
	LevelMissing    Reason = "level-not-measured"
	LevelOld        Reason = "level-too-old"
	NotTestedSince  Reason = "not-tested-since-addition"
	LotMissing      Reason = "lot-strength-unknown"
	LabelMissing    Reason = "label-maximum-unknown"
	LabelForbids    Reason = "label-not-for-produce"
	TargetOverLabel Reason = "target-over-label"
	RulesMissing    Reason = "plan-lacks-dosing-rules"
	ProductTooWeak  Reason = "product-too-weak-for-target"

	PHLow            Reason = "ph-below-window"
	PHHigh           Reason = "ph-above-window"
	NoRise           Reason = "two-additions-without-rise"
	AtTarget         Reason = "at-or-above-target"
	Capped           Reason = "capped-per-addition"
	KeptBelowMaximum Reason = "kept-below-maximum"
	MaximumTooNear   Reason = "maximum-too-near"
	TooSmall         Reason = "smaller-than-measure"
)

// A StoredReading is the reading a dose rests on: recorded first, judged first.
type StoredReading struct {
	Record         string      // Record is its id in the log; empty: it is not stored.
	Quantity       quantity.ID // Quantity must be free chlorine.
	MgPerL         float64     // MgPerL is the free chlorine of the bath, as Cl2.
	NoNumber       bool        // NoNumber marks a reading below or over the range, or the band of a strip.
	Method         Method      // Method is the range of the test.
	Dilution       float64     // Dilution is the whole over the part of sample in it: 1 undiluted.
	PH             float64     // PH of the same sample.
	PHMeasured     bool
	Age            time.Duration // Age is how long ago the sample was drawn.
	ExpectedMgPerL float64       // ExpectedMgPerL is what the bath should hold, 0 where not known.
}

// A MeasuredLevel is the volume of the bath by its level, measured now.
type MeasuredLevel struct {
	Measured bool
	Litres   float64
	Age      time.Duration
}

// A ProductLot is the lot of product in use.
type ProductLot struct {
	ID             string
	Strength       Strength // Strength is that of this lot as it is now; the zero Strength is not known.
	ForProduce     bool     // ForProduce says that its label allows the washing of produce.
	LabelMaxMgPerL float64  // LabelMaxMgPerL is the label's highest level in mg/L as Cl2; 0 is not known.
}

// DoseRules are what the plan says about dosing this bath.
type DoseRules struct {
	TargetMgPerL      float64
	CriticalMaxMgPerL float64       // CriticalMaxMgPerL is the critical maximum in mg/L as Cl2; 0 where there is none.
	PHMin, PHMax      float64       // PHMin and PHMax are the window in which chlorine may be added.
	MaxAge            time.Duration // MaxAge is how long ago reading and level may have been taken.
	MixingTime        time.Duration // MixingTime is how long after an addition a sample says something.
	Step              float64       // Step is the smallest division of the measuring vessel, mL or g.
	MaxPerAddition    float64       // MaxPerAddition is the cap of one addition, mL or g.
	Tolerance         Tolerance
	RisePart          float64 // RisePart is the part of the computed rise that counts as risen, above 0 to 1.
	Procedure         string  // Procedure is the written procedure for the pH, shown as it stands.
}

// A PastAddition is an addition to this filling and what came of it.
type PastAddition struct {
	Age          time.Duration // Age is how long ago it was made.
	ComputedRise float64       // ComputedRise is the rise in mg/L that the amount should have given.
	MeasuredRise float64       // MeasuredRise is the rise in mg/L found by the test after mixing.
}

// A DoseRequest is all that a dose rests on.
type DoseRequest struct {
	Reading StoredReading
	Level   MeasuredLevel
	Lot     ProductLot
	Rules   DoseRules
	Past    []PastAddition // Past holds the additions to this filling, oldest first.
	Salt    Salt
}

// A PlantDose is the answer, always with its cautions.
type PlantDose struct {
	Answer  Answer
	Reasons []Reason
	// Amount is what to add, in mL or g; its Formula is empty where the answer is not [Add].
	Amount        formula.Result
	ExpectMgPerL  float64 // ExpectMgPerL is the level after mixing, demand not counted; only with Add.
	WorstMgPerL   float64 // WorstMgPerL is the highest it can be; only with Add.
	Procedure     string  // Procedure is the plan's written procedure where the pH comes first.
	Cautions      []formula.Caution
	BasedOnRecord string // BasedOnRecord is the reading the answer rests on.
}

// DoseForPlant works out one addition of product to a plant's bath, or says why
// there is none. It gives no amount without a stored reading of free chlorine
// inside its method's range and a level, both measured within the plan's time, the
// strength of the lot in use, its label's leave and maximum, and a pH inside the
// window; nor on a reading drawn before the last addition was mixed in. The amount is rounded down to the measuring vessel, capped per addition,
// and kept so small that neither the label's nor the critical maximum is exceeded
// at worst. After two additions in a row without the expected rise the answer is
// to change the water. Acid is never worked out: buffering makes it impossible from
// a pH alone, and the plan's written procedure is shown.
//
// src: dosing-arithmetic balance of chlorine
func DoseForPlant(r DoseRequest) PlantDose {
	d := PlantDose{Cautions: append(doseGas(r), DoseCautions()...), BasedOnRecord: r.Reading.Record}
	pH, window := r.Reading.PH, r.Rules.PHMax > r.Rules.PHMin && r.Rules.PHMin > 0
	if r.Reading.PHMeasured && window && pH < r.Rules.PHMin {
		return d.with(StopForGas, PHLow)
	}
	if missing := r.missing(); len(missing) > 0 {
		return d.with(NoDose, missing...)
	}
	if pH > r.Rules.PHMax {
		d.Procedure = r.Rules.Procedure
		return d.with(FollowProcedure, PHHigh)
	}
	if r.noRise() {
		return d.with(ChangeWater, NoRise)
	}
	return r.amount(d)
}

func (d PlantDose) with(a Answer, why ...Reason) PlantDose {
	d.Answer, d.Reasons = a, append(d.Reasons, why...)
	return d
}

// doseGas puts the caution of gas first where it is near.
func doseGas(r DoseRequest) []formula.Caution {
	low := r.Reading.PHMeasured && (r.Reading.PH < r.Rules.PHMin || r.Reading.PH < gasPH)
	switch {
	case low:
		return cautionsOf(LowPH)
	case !r.Salt.known || r.Salt.gPerL > FreshSaltGPerL:
		return cautionsOf(ChlorineGas)
	}
	return nil
}

// missing lists everything that a dose rests on and that is not there.
func (r DoseRequest) missing() []Reason {
	var out []Reason
	lack := func(is bool, why Reason) {
		if is {
			out = append(out, why)
		}
	}
	read, rules := r.Reading, r.Rules
	inCell := read.MgPerL / read.Dilution
	lack(read.Record == "", NotStored)
	lack(read.Quantity != quantity.FreeChlorine, NotFree)
	lack(read.NoNumber || !(read.Dilution >= 1) || read.Method.High <= read.Method.Low || !(inCell >= read.Method.Low && inCell <= read.Method.High), OutsideMethod)
	lack(RetestDiluted(read.MgPerL, read.ExpectedMgPerL, read.Dilution > 1), RetestFirst)
	lack(!fresh(read.Age, rules.MaxAge), ReadingOld)
	lack(r.untested(), NotTestedSince)
	lack(!read.PHMeasured || !(read.PH >= 0 && read.PH <= 14), PHMissing)
	lack(!r.Level.Measured || !(r.Level.Litres > 0) || math.IsInf(r.Level.Litres, 1), LevelMissing)
	lack(!fresh(r.Level.Age, rules.MaxAge), LevelOld)
	lack(r.Lot.ID == "" || !r.Lot.Strength.Known(), LotMissing)
	lack(!r.Lot.ForProduce, LabelForbids)
	lack(!(r.Lot.LabelMaxMgPerL > 0) || math.IsInf(r.Lot.LabelMaxMgPerL, 1), LabelMissing)
	lack(r.Lot.LabelMaxMgPerL > 0 && rules.TargetMgPerL > r.Lot.LabelMaxMgPerL, TargetOverLabel)
	lack(!rules.whole(), RulesMissing)
	return out
}

// fresh tells whether something was measured within the plan's time and not in the future.
func fresh(age, most time.Duration) bool { return age >= 0 && age <= most }

// untested tells whether the reading does not show what the last addition did: it
// was drawn before it, or before it was mixed in. A second dose on the same
// reading would be the first one twice.
func (r DoseRequest) untested() bool {
	return slices.ContainsFunc(r.Past, func(p PastAddition) bool { return p.Age-r.Reading.Age < r.Rules.MixingTime })
}

// whole tells whether the plan says all that a dose needs.
func (u DoseRules) whole() bool {
	return u.TargetMgPerL > 0 && u.PHMin > 0 && u.PHMax > u.PHMin && u.MaxAge > 0 && u.MixingTime > 0 && u.Step > 0 && u.MaxPerAddition > 0 &&
		u.RisePart > 0 && u.RisePart <= 1 && u.Procedure != "" && u.Tolerance.check() == nil &&
		(u.CriticalMaxMgPerL == 0 || u.CriticalMaxMgPerL >= u.TargetMgPerL)
}

// noRise tells whether the last two additions both failed to raise the level as expected.
func (r DoseRequest) noRise() bool {
	if len(r.Past) < 2 {
		return false
	}
	for _, p := range r.Past[len(r.Past)-2:] {
		if p.MeasuredRise >= p.ComputedRise*r.Rules.RisePart {
			return false
		}
	}
	return true
}

// amount works out the addition where nothing stands against it.
func (r DoseRequest) amount(d PlantDose) PlantDose {
	bath := Bath{Litres: r.Level.Litres, FreeMgPerL: r.Reading.MgPerL}
	if bath.FreeMgPerL >= r.Rules.TargetMgPerL {
		return d.with(AddNothing, AtTarget)
	}
	s := r.Lot.Strength
	needed, err := ProductNeeded(bath, r.Rules.TargetMgPerL, s)
	if err != nil {
		return d.with(NoDose, ProductTooWeak)
	}
	amount := needed.Value
	if amount > r.Rules.MaxPerAddition {
		amount, d.Reasons = r.Rules.MaxPerAddition, append(d.Reasons, Capped)
	}
	highest := r.Lot.LabelMaxMgPerL
	if c := r.Rules.CriticalMaxMgPerL; c > 0 && c < highest {
		highest = c
	}
	most := r.Rules.Tolerance.most(bath, s, highest)
	if amount > most {
		amount, d.Reasons = most, append(d.Reasons, KeptBelowMaximum)
	}
	amount = r.Rules.Step * math.Floor(amount/r.Rules.Step+1e-9)
	switch {
	case most < r.Rules.Step:
		d.Reasons = nil
		return d.with(AddNothing, MaximumTooNear)
	case amount <= 0:
		return d.with(AddNothing, TooSmall)
	}
	d.Amount = result(amount, s.Unit(), PlantDoseFormula, needed.Source, append(needed.Cautions, d.Cautions...)...)
	d.ExpectMgPerL = level(bath, amount, s)
	d.WorstMgPerL = level(r.Rules.Tolerance.worst(bath, amount, s))
	return d.with(Add)
}

// most returns the largest amount after which the bath is at most at highest even
// with every input off to the high side, 0 where it may be there already.
func (t Tolerance) most(b Bath, s Strength, highest float64) float64 {
	b, one, s := t.worst(b, 1, s)
	room := highest - b.FreeMgPerL
	if room <= 0 {
		return 0
	}
	if s.IsSolid() {
		return room * b.Litres / 1000 / s.part / one
	}
	if 1000*s.gPerL <= highest {
		return math.Inf(1) // the product itself is no stronger
	}
	return 1000 * b.Litres * room / (1000*s.gPerL - highest) / one
}
