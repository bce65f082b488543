package guidance

import "linewarden/haccp/quantity"

// Titles of the sources, as shown to people.
const (
	FDAGuide     = "FDA, USDA, CDC: Guide to Minimize Microbial Food Safety Hazards for Fresh Fruits and Vegetables, 1998, section II"
	CFIAPage     = "CFIA: Use of chlorinated wash water, 2018"
	FloridaPage  = "UF/IFAS CH160: Chlorine Use in Produce Packing Lines"
	LettuceTrial = "Luo et al., J. Food Prot. 74(3):352-358, 2011"
	SurfaceRule  = "21 CFR 178.1010, read second-hand"
	EggRule      = "9 CFR 590.552(b)(1)(ii)"
	TomatoRule   = "Tomato Best Management Practices (Florida), as cited in J. Food Prot. 78(7):1280, 2015"
	TomatoGuide  = "FDA and FDACS guidance on tomatoes, 2008, read second-hand"
	ResidualRule = "40 CFR 141.65, read second-hand"
	CutLeafyPage = "FDA: Recommendations for Temperature Control of Cut Leafy Greens, 2010"
)

const (
	us      = "the United States"
	canada  = "Canada"
	florida = "the United States (Florida)"
)

var (
	ofUS = []string{"us", "usa", "united states", "united states of america"}
	ofCA = []string{"ca", "canada", "canadá"}
)

// figures is the list, typed separately from the tables its tests read.
var figures = []Figure{
	// src: fda-produce-1998 section II
	{Quantity: quantity.TotalChlorine, min: "50", max: "200", Unit: quantity.MgPerL, Use: WashWater,
		About: "water for washing fresh produce", Place: us, codes: ofUS, Source: FDAGuide, Key: "fda-produce-1998"},
	// src: fda-produce-1998 section II
	{Quantity: quantity.PH, min: "6.0", max: "7.5", Unit: quantity.PHUnit, Use: WashWater,
		About: "chlorinated water for washing fresh produce", Place: us, codes: ofUS, Source: FDAGuide, Key: "fda-produce-1998"},
	// src: fda-produce-1998 section II
	{Quantity: quantity.ContactTime, min: "1", max: "2", Unit: quantity.Minute, Use: WashWater,
		About: "contact of fresh produce with chlorinated water", Place: us, codes: ofUS, Source: FDAGuide, Key: "fda-produce-1998"},
	// src: cfia-wash-2018 concentration
	{Quantity: quantity.TotalChlorine, min: "100", max: "150", Unit: quantity.MgPerL, Use: WashWater,
		About: "water for washing fresh-cut produce", Place: canada, codes: ofCA, Source: CFIAPage, Key: "cfia-wash-2018"},
	// src: cfia-wash-2018 pH
	{Quantity: quantity.PH, min: "6.0", max: "7.0", Unit: quantity.PHUnit, Use: WashWater,
		About: "chlorinated water for washing fresh-cut produce", Place: canada, codes: ofCA, Source: CFIAPage, Key: "cfia-wash-2018"},
	// src: cfia-wash-2018 contact time
	{Quantity: quantity.ContactTime, max: "5", Unit: quantity.Minute, Use: WashWater,
		About: "contact of produce with chlorinated water", Place: canada, codes: ofCA, Source: CFIAPage, Key: "cfia-wash-2018"},
	// src: ufifas-ch160 free chlorine
	{Quantity: quantity.FreeChlorine, min: "100", max: "150", Unit: quantity.MgPerL, Use: WashWater,
		About: "recirculated packinghouse water", Place: florida, codes: ofUS, Source: FloridaPage, Key: "ufifas-ch160"},
	// src: ufifas-ch160 pH
	{Quantity: quantity.PH, min: "6.5", max: "7.5", Unit: quantity.PHUnit, Use: WashWater,
		About: "recirculated packinghouse water", Place: florida, codes: ofUS, Source: FloridaPage, Key: "ufifas-ch160"},
	// src: luo-2011 abstract
	{Quantity: quantity.FreeChlorine, min: "10", Unit: quantity.MgPerL, Use: WashWater,
		About: "no transfer of E. coli O157:H7 seen in a trial with cut lettuce", Place: "no authority (a study)", Source: LettuceTrial, Key: "luo-2011"},
	// src: cfr21-178-1010 (c)(1)
	{Quantity: quantity.TotalChlorine, max: "200", Unit: quantity.MgPerL, Use: Surfaces,
		About: "sanitizing solutions on food-contact surfaces without a rinse", Place: us, codes: ofUS, Source: SurfaceRule, Key: "cfr21-178-1010", SecondHand: true},

	// The plan check does not use those below: each is for another use.

	// src: cfia-wash-2018 residual
	{Quantity: quantity.FreeChlorine, min: "2", max: "7", Unit: quantity.MgPerL, Use: ResidualAfterContact,
		About: "free residual in the water after contact", Place: canada, codes: ofCA, Source: CFIAPage, Key: "cfia-wash-2018"},
	// src: cfr9-590-552 (b)(1)(ii)
	{Quantity: quantity.TotalChlorine, min: "100", max: "200", Unit: quantity.MgPerL, Use: EggEquipment,
		About: "available chlorine of sanitizers for equipment of egg plants: at most, and when to change", Place: us, codes: ofUS, Source: EggRule, Key: "cfr9-590-552"},
	// src: tomato-rule-florida flume water
	{Quantity: quantity.FreeChlorine, min: "150", Unit: quantity.MgPerL, Use: TomatoFlume,
		About: "flume water for tomatoes", Place: florida, codes: ofUS, Source: TomatoRule, Key: "tomato-rule-florida", SecondHand: true},
	// src: fda-tomato-2008 water temperature
	{Quantity: quantity.TemperatureDifference, min: "5.6", Unit: quantity.Celsius, Use: WaterAbovePulp,
		About: "dump water warmer than the pulp of tomatoes", Place: us, codes: ofUS, Source: TomatoGuide, Key: "fda-tomato-2008", SecondHand: true},
	// src: cfr40-141-65 chlorine
	{Quantity: quantity.TotalChlorine, max: "4.0", Unit: quantity.MgPerL, Use: OrganicDownstream,
		About: "residual that organic produce may meet downstream of the wash", Place: us, codes: ofUS, Source: ResidualRule, Key: "cfr40-141-65", SecondHand: true},
	// src: fda-cut-leafy-2010 holding
	{Quantity: quantity.Temperature, max: "5", Unit: quantity.Celsius, Use: ColdHolding,
		About: "holding and receiving of cut leafy greens", Place: us, codes: ofUS, Source: CutLeafyPage, Key: "fda-cut-leafy-2010"},
}
