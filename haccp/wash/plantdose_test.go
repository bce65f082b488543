package wash

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/haccp/formula"
	"linewarden/haccp/quantity"
)

// goodRequest is a request that nothing stands against: 60 mg/L in 1000 L, target 100.
func goodRequest() DoseRequest {
	s, err := TradePercent(12.5, 1.16)
	if err != nil {
		panic(err)
	}
	return DoseRequest{
		Reading: StoredReading{Record: "r-1", Quantity: quantity.FreeChlorine, MgPerL: 60, Method: Method{Low: 0.1, High: 5},
			Dilution: 50, PH: 6.8, PHMeasured: true, Age: 3 * time.Minute, ExpectedMgPerL: 90},
		Level: MeasuredLevel{Measured: true, Litres: 1000, Age: 2 * time.Minute},
		Lot:   ProductLot{ID: "lot-7", Strength: s, ForProduce: true, LabelMaxMgPerL: 200},
		Rules: DoseRules{TargetMgPerL: 100, CriticalMaxMgPerL: 150, PHMin: 6.5, PHMax: 7.5, MaxAge: 10 * time.Minute, MixingTime: 5 * time.Minute, Step: 10,
			MaxPerAddition: 500, Tolerance: Tolerance{Reading: 10, Volume: 5, Strength: 5, Measure: 2}, RisePart: 0.5,
			Procedure: "Call the line lead. Add citric acid solution by procedure 12."},
		Salt: SaltGPerL(30),
	}
}

func TestDoseIsRoundedDownToTheVessel(t *testing.T) {
	d := DoseForPlant(goodRequest())
	if d.Answer != Add || d.Amount.Value != 320 || d.Amount.Unit != quantity.Millilitre || len(d.Reasons) != 0 {
		t.Fatalf("%+v", d)
	}
	if d.ExpectMgPerL > 100 || d.ExpectMgPerL < 99.9 || d.WorstMgPerL > 150 || d.WorstMgPerL < d.ExpectMgPerL {
		t.Errorf("expected %v, worst %v", d.ExpectMgPerL, d.WorstMgPerL)
	}
	if d.BasedOnRecord != "r-1" || d.Procedure != "" {
		t.Errorf("%+v", d)
	}
}

// Each thing a dose rests on, taken away alone, leaves no dose and says what is missing.
func TestNoDoseWithoutWhatItRestsOn(t *testing.T) {
	for name, c := range map[string]struct {
		change func(*DoseRequest)
		want   Reason
	}{
		"reading not stored":       {func(r *DoseRequest) { r.Reading.Record = "" }, NotStored},
		"total in place of free":   {func(r *DoseRequest) { r.Reading.Quantity = quantity.TotalChlorine }, NotFree},
		"combined":                 {func(r *DoseRequest) { r.Reading.Quantity = quantity.CombinedChlorine }, NotFree},
		"over the method":          {func(r *DoseRequest) { r.Reading.Dilution = 1; r.Reading.ExpectedMgPerL = 0 }, OutsideMethod},
		"under the method":         {func(r *DoseRequest) { r.Reading.MgPerL = 2 }, OutsideMethod},
		"no dilution":              {func(r *DoseRequest) { r.Reading.Dilution = 0 }, OutsideMethod},
		"below or over range":      {func(r *DoseRequest) { r.Reading.NoNumber = true }, OutsideMethod},
		"dosed since the reading":  {func(r *DoseRequest) { r.Past = []PastAddition{{Age: time.Minute, ComputedRise: 40}} }, NotTestedSince},
		"not mixed at the reading": {func(r *DoseRequest) { r.Past = []PastAddition{{Age: 7 * time.Minute, ComputedRise: 40}} }, NotTestedSince},
		"no mixing time":           {func(r *DoseRequest) { r.Rules.MixingTime = 0 }, RulesMissing},
		"no number":                {func(r *DoseRequest) { r.Reading.MgPerL = math.NaN() }, OutsideMethod},
		"bleached test":            {func(r *DoseRequest) { r.Reading.Dilution = 1; r.Reading.MgPerL = 0.4 }, RetestFirst},
		"old reading":              {func(r *DoseRequest) { r.Reading.Age = 11 * time.Minute }, ReadingOld},
		"reading of the future":    {func(r *DoseRequest) { r.Reading.Age = -time.Minute }, ReadingOld},
		"no pH":                    {func(r *DoseRequest) { r.Reading.PHMeasured = false }, PHMissing},
		"no level":                 {func(r *DoseRequest) { r.Level.Measured = false }, LevelMissing},
		"level of nothing":         {func(r *DoseRequest) { r.Level.Litres = 0 }, LevelMissing},
		"old level":                {func(r *DoseRequest) { r.Level.Age = time.Hour }, LevelOld},
		"no lot":                   {func(r *DoseRequest) { r.Lot.ID = "" }, LotMissing},
		"strength not known":       {func(r *DoseRequest) { r.Lot.Strength = Strength{} }, LotMissing},
		"label not for produce":    {func(r *DoseRequest) { r.Lot.ForProduce = false }, LabelForbids},
		"no label maximum":         {func(r *DoseRequest) { r.Lot.LabelMaxMgPerL = 0 }, LabelMissing},
		"label without end":        {func(r *DoseRequest) { r.Lot.LabelMaxMgPerL = math.Inf(1) }, LabelMissing},
		"target over label":        {func(r *DoseRequest) { r.Lot.LabelMaxMgPerL = 99 }, TargetOverLabel},
		"no target":                {func(r *DoseRequest) { r.Rules.TargetMgPerL = 0 }, RulesMissing},
		"no window":                {func(r *DoseRequest) { r.Rules.PHMax = 0 }, RulesMissing},
		"no step":                  {func(r *DoseRequest) { r.Rules.Step = 0 }, RulesMissing},
		"no cap":                   {func(r *DoseRequest) { r.Rules.MaxPerAddition = 0 }, RulesMissing},
		"no expected rise":         {func(r *DoseRequest) { r.Rules.RisePart = 0 }, RulesMissing},
		"no procedure":             {func(r *DoseRequest) { r.Rules.Procedure = "" }, RulesMissing},
		"tolerance":                {func(r *DoseRequest) { r.Rules.Tolerance.Volume = 80 }, RulesMissing},
		"maximum below the target": {func(r *DoseRequest) { r.Rules.CriticalMaxMgPerL = 99 }, RulesMissing},
	} {
		r := goodRequest()
		c.change(&r)
		d := DoseForPlant(r)
		if d.Answer != NoDose || !slices.Contains(d.Reasons, c.want) || d.Amount.Formula != "" || d.Amount.Value != 0 {
			t.Errorf("%s: %s %v %+v", name, d.Answer, d.Reasons, d.Amount)
		}
	}
	if d := DoseForPlant(DoseRequest{}); d.Answer != NoDose || len(d.Reasons) < 8 {
		t.Errorf("nothing known: %+v", d)
	}
}

func TestPHComesFirst(t *testing.T) {
	r := goodRequest()
	r.Reading.PH = 7.6
	d := DoseForPlant(r)
	if d.Answer != FollowProcedure || d.Procedure != r.Rules.Procedure || d.Amount.Formula != "" {
		t.Errorf("pH too high: %+v", d)
	}
	r.Reading.PH = 6.4
	d = DoseForPlant(r)
	if d.Answer != StopForGas || d.Amount.Formula != "" || d.Procedure != "" || d.Cautions[0].Code != LowPH {
		t.Errorf("pH too low: %+v", d)
	}
	r.Reading.Record, r.Level.Measured = "", false
	if d = DoseForPlant(r); d.Answer != StopForGas {
		t.Errorf("gas must be said even where a dose could not be worked out: %+v", d)
	}
	for _, edge := range []float64{6.5, 7.5} {
		r := goodRequest()
		r.Reading.PH = edge
		if d := DoseForPlant(r); d.Answer != Add {
			t.Errorf("at the edge %v: %+v", edge, d)
		}
	}
}

func TestTwoAdditionsWithoutRise(t *testing.T) {
	flat, risen := PastAddition{8 * time.Minute, 40, 19}, PastAddition{8 * time.Minute, 40, 20}
	for name, c := range map[string]struct {
		past []PastAddition
		want Answer
	}{
		"one flat":              {[]PastAddition{flat}, Add},
		"two flat":              {[]PastAddition{flat, flat}, ChangeWater},
		"a rise between":        {[]PastAddition{flat, risen}, Add},
		"a rise, then flat":     {[]PastAddition{risen, flat}, Add},
		"two flat, long ago":    {[]PastAddition{flat, flat, risen}, Add},
		"two flat, last":        {[]PastAddition{risen, flat, flat}, ChangeWater},
		"rise that was no test": {[]PastAddition{{8 * time.Minute, 40, math.NaN()}, flat}, ChangeWater},
	} {
		r := goodRequest()
		r.Past = c.past
		if d := DoseForPlant(r); d.Answer != c.want || d.Answer != Add && d.Amount.Formula != "" {
			t.Errorf("%s: %+v", name, d)
		}
	}
}

func TestDoseIsCapped(t *testing.T) {
	r := goodRequest()
	r.Rules.MaxPerAddition = 205
	if d := DoseForPlant(r); d.Answer != Add || d.Amount.Value != 200 || !slices.Contains(d.Reasons, Capped) {
		t.Errorf("capped: %+v", d)
	}
	r = goodRequest()
	r.Rules.CriticalMaxMgPerL = 105
	d := DoseForPlant(r)
	if d.Answer != Add || d.Amount.Value >= 320 || d.WorstMgPerL > 105 || !slices.Contains(d.Reasons, KeptBelowMaximum) {
		t.Errorf("kept below: %+v", d)
	}
	r = goodRequest()
	r.Rules.CriticalMaxMgPerL, r.Reading.MgPerL = 100, 95
	if d := DoseForPlant(r); d.Answer != AddNothing || !slices.Equal(d.Reasons, []Reason{MaximumTooNear}) {
		t.Errorf("95 read may be 104.5: %+v", d)
	}
	r = goodRequest()
	r.Reading.MgPerL = 99.5
	if d := DoseForPlant(r); d.Answer != AddNothing || !slices.Contains(d.Reasons, TooSmall) {
		t.Errorf("4 mL with a vessel of 10: %+v", d)
	}
	r = goodRequest()
	r.Reading.MgPerL = 100
	if d := DoseForPlant(r); d.Answer != AddNothing || !slices.Contains(d.Reasons, AtTarget) {
		t.Errorf("at the target: %+v", d)
	}
	r = goodRequest()
	r.Lot.Strength, _ = TradePercent(0.015, 1)
	if d := DoseForPlant(r); d.Answer != NoDose || !slices.Equal(d.Reasons, []Reason{ProductTooWeak}) {
		t.Errorf("a product hardly stronger than the bath: %+v", d)
	}
}

func TestCautionsOfADose(t *testing.T) {
	always := []formula.Code{NeverMix, PointsApart, ChemicalToWater, FeedStopped, OnExposure, StoreApart, AidOnly}
	empty, low, fresh := DoseRequest{}, goodRequest(), goodRequest()
	low.Reading.PH = 5
	fresh.Salt = SaltGPerL(0)
	for name, c := range map[string]struct {
		r     DoseRequest
		first formula.Code
	}{"brine": {goodRequest(), ChlorineGas}, "nothing known": {empty, ChlorineGas}, "low pH": {low, LowPH}, "fresh": {fresh, NeverMix}} {
		d := DoseForPlant(c.r)
		if d.Cautions[0].Code != c.first {
			t.Errorf("%s: first caution %s", name, d.Cautions[0].Code)
		}
		for _, code := range always {
			if !slices.Contains(d.Cautions, formula.Caution{Code: code}) {
				t.Errorf("%s: no caution %s", name, code)
			}
			if d.Answer == Add && !d.Amount.Has(code) {
				t.Errorf("%s: the amount lacks caution %s", name, code)
			}
		}
	}
}

func TestPlantDoseKeepsItsPromises(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := goodRequest()
		r.Reading.MgPerL = rapid.Float64Range(5, 250).Draw(t, "read")
		r.Reading.PH = rapid.Float64Range(5, 9).Draw(t, "ph")
		r.Level.Litres = rapid.Float64Range(10, 20000).Draw(t, "litres")
		r.Lot.Strength = products.Draw(t, "product")
		r.Rules.Step = rapid.SampledFrom([]float64{0.1, 1, 5, 10, 25, 50}).Draw(t, "step")
		r.Rules.MaxPerAddition = rapid.Float64Range(1, 3000).Draw(t, "cap")
		r.Rules.CriticalMaxMgPerL = rapid.Float64Range(100, 200).Draw(t, "maximum")
		r.Lot.LabelMaxMgPerL = rapid.Float64Range(100, 200).Draw(t, "label")
		d := DoseForPlant(r)
		if d.Answer != Add {
			if d.Amount.Formula != "" || len(d.Reasons) == 0 {
				t.Fatalf("%+v", d)
			}
			return
		}
		amount := d.Amount.Value
		steps := amount / r.Rules.Step
		if !(amount > 0) || math.Abs(steps-math.Round(steps)) > 1e-6 {
			t.Fatalf("%v is not a number of steps of %v", amount, r.Rules.Step)
		}
		if amount > r.Rules.MaxPerAddition*(1+1e-9) {
			t.Fatalf("%v over the cap %v", amount, r.Rules.MaxPerAddition)
		}
		if d.ExpectMgPerL > r.Rules.TargetMgPerL*(1+1e-9) {
			t.Fatalf("expected %v over the target", d.ExpectMgPerL)
		}
		if d.WorstMgPerL > min(r.Rules.CriticalMaxMgPerL, r.Lot.LabelMaxMgPerL)*(1+1e-9) {
			t.Fatalf("worst %v over a maximum", d.WorstMgPerL)
		}
		if r.Reading.PH < r.Rules.PHMin || r.Reading.PH > r.Rules.PHMax {
			t.Fatalf("dosed at pH %v", r.Reading.PH)
		}
	})
}

func ExampleDoseForPlant() {
	s, _ := TradePercent(12.5, 1.16)
	d := DoseForPlant(DoseRequest{
		Reading: StoredReading{Record: "r-1", Quantity: quantity.FreeChlorine, MgPerL: 60, Method: Method{Low: 0.1, High: 5},
			Dilution: 50, PH: 6.8, PHMeasured: true, Age: 3 * time.Minute},
		Level: MeasuredLevel{Measured: true, Litres: 1000, Age: 2 * time.Minute},
		Lot:   ProductLot{ID: "lot-7", Strength: s, ForProduce: true, LabelMaxMgPerL: 200},
		Rules: DoseRules{TargetMgPerL: 100, CriticalMaxMgPerL: 150, PHMin: 6.5, PHMax: 7.5, MaxAge: 10 * time.Minute,
			MixingTime: 5 * time.Minute, Step: 50, MaxPerAddition: 500, RisePart: 0.5, Procedure: "Procedure 12"},
		Salt: SaltGPerL(30),
	})
	fmt.Printf("%s %.0f %s, then %.1f mg/L\n", d.Answer, d.Amount.Value, d.Amount.Unit, d.ExpectMgPerL)
	for _, c := range d.Cautions {
		fmt.Print(c.Code, " ")
	}
	// Output:
	// add 300 mL, then 97.5 mg/L
	// chlorine-gas mix apart water dose exposure store aid
}

func ExampleDoseCautions() {
	fmt.Println(len(DoseCautions()))
	// Output: 7
}
