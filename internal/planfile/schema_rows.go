package planfile

import (
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// row says about one key of a plan what its Go type does not.
type row struct {
	about   string
	must    bool // the schema requires the key
	oneOf   []string
	pattern string
}

const (
	idPattern   = `^[a-z0-9][a-z0-9-]{0,39}$`
	namePattern = `\S`
)

// Rows that many types share.
var (
	idRow     = row{"Short name that never changes its meaning across versions of the plan.", true, nil, idPattern}
	nameRow   = row{"Name that people on the floor use.", true, nil, namePattern}
	unitRow   = row{about: `Unit, such as "mg/L", "pH" or "°C".`}
	rolesRow  = row{"Roles that may do it.", true, plan.Roles(), ""}
	placesRow = row{"Ids of places.", true, nil, idPattern}
)

func anyID(about string) row    { return row{about, false, nil, idPattern} }
func mustID(about string) row   { return row{about, true, nil, idPattern} }
func text(about string) row     { return row{about: about} }
func mustText(about string) row { return row{about, true, nil, namePattern} }

func quantityRow() row {
	r := row{about: "Quantity that is measured.", must: true}
	for _, q := range quantity.All() {
		r.oneOf = append(r.oneOf, string(q.ID()))
	}
	return r
}

func classRow() row {
	return row{"Class of control.", true, []string{string(plan.CCP), string(plan.OPRP), string(plan.Sanitation), string(plan.Quality)}, ""}
}

// rows has one row for each key of each type of the plan; a test sees that none is missing.
var rows = map[string]row{
	"Plan.site":             {"Id of the site; it never changes.", true, nil, `^[a-z0-9-]{1,40}$`},
	"Plan.name":             nameRow,
	"Plan.demo":             text("True for a demo or test site; only there may a limit be invented."),
	"Plan.language":         {"Language of the plant.", false, []string{"en", "es"}, ""},
	"Plan.jurisdiction":     mustText("Country whose food law holds, such as MX."),
	"Plan.authority":        mustText("Authority that inspects the plant."),
	"Plan.regime":           mustText("Rules the plan follows."),
	"Plan.zone":             mustText("Time zone of the site, a name of the IANA database."),
	"Plan.first_production": text("Date of first production; the 90 days of a running validation count from it."),
	"Plan.live_from":        {about: "Moment from which checks fall due.", must: true},
	"Plan.production_day":   {about: "Local time at which a production day begins.", must: true},
	"Plan.shifts":           text("Shifts; they may not overlap."),
	"Plan.lines":            text("Production lines."),
	"Plan.places":           {about: "Where limits hold and checks are done.", must: true},
	"Plan.steps":            text("Steps of the process and their flow."),
	"Plan.hazards":          text("Hazard analysis."),
	"Plan.decisions":        text("Answers to the questions of the template."),
	"Plan.points":           {about: "Control points.", must: true},
	"Plan.classes":          {about: "What a breach of each class holds and what closes it.", must: true},
	"Plan.methods":          text("Ways to measure."),
	"Plan.instruments":      text("Measuring instruments."),
	"Plan.checks":           {about: "Scheduled monitoring.", must: true},
	"Plan.fixes":            text("Immediate fixes."),
	"Plan.chemicals":        text("Products that may be added to a bath."),
	"Plan.products":         text("What lots are sold as, each with the tests it is held against before release."),
	"Plan.materials":        text("Ingredients, processing aids and packaging, of which each delivery is approved before use; without them who signs a release confirms them."),
	"Plan.dispositions":     text("Who signs what becomes of lots; default: one manager."),
	"Plan.recall":           text("Traceability exercises, and what to do when product that left the plant is affected."),
	"Plan.permissions":      text("Acts that only some roles may do; a permission narrows, it never widens."),
	"Plan.tolerances":       text("Tolerances of time."),
	"Plan.alerts":           text("Who is told of an alert, and when; what is left out has a default."),
	"Plan.leaf_gel":         text("Marks a plan after the leaf-gel template."),

	"LeafGel.template":    text("True: the decisions of the template are asked for."),
	"LeafGel.antioxidant": text("Name of the antioxidant, or none."),
	"LeafGel.sulphite":    text("True where the antioxidant is a sulphite."),

	"Shift.id": idRow, "Shift.name": nameRow,
	"Shift.from": {about: "Local time of its beginning.", must: true},
	"Shift.to":   {about: "Local time of its end; before the beginning: past midnight.", must: true},

	"Line.id": idRow, "Line.name": nameRow,
	"Line.pre_op":            text("Items of the inspection before a start, in order."),
	"Line.start_tests":       text("Checks that must stand inside before a start."),
	"Line.retest_after_stop": text("Length of stop after which a restart needs the start tests."),
	"PreOpItem.id":           idRow, "PreOpItem.name": nameRow,
	"StartTest.check":  mustID("Id of a check."),
	"StartTest.within": {about: "How old its reading may be at the start.", must: true},

	"Plan.series": text("Baths that product passes one after the other."),
	"Series.id":   idRow, "Series.name": nameRow,
	"Series.baths":   {"Ids of the baths, in the order in which product passes them.", true, nil, idPattern},
	"Series.carries": {about: "Which bath carries which limits, for every control point that holds at one of them.", must: true},
	"Series.cures":   text("Where a later bath may make good what an earlier one lacked; without an entry none does."),
	"Carry.point":    mustID("Id of the control point."),
	"Carry.baths":    {"Ids of the baths that carry its limits.", true, nil, idPattern},
	"Carry.reason":   text("Why the other baths need not carry them."),
	"Cure.point":     mustID("Id of the control point."),
	"Cure.earlier":   mustID("Id of the bath that was outside."),
	"Cure.later":     mustID("Id of the bath that makes it good."),
	"Cure.basis":     {about: "What shows that it does; as for a critical limit.", must: true},
	"Place.id":       idRow, "Place.name": nameRow,
	"Place.line": anyID("Id of the line it lies on."),
	"Place.kind": {"What it is.", true, []string{string(plan.Bath), string(plan.OnLine), string(plan.Table),
		string(plan.Machine), string(plan.Room)}, ""},
	"Place.dosing":              text("From what the amount of a chlorine product for this bath is worked out; left out: no amount is."),
	"Dosing.chemical":           mustID("Id of a product whose chlorine is given."),
	"Dosing.target":             {about: "Free chlorine that is aimed at.", must: true},
	"Dosing.step":               {about: "Smallest division of the measuring vessel, in mL, or g of a solid.", must: true},
	"Dosing.most":               {about: "Most that one addition may be.", must: true},
	"Dosing.for":                {about: "How long after the sample an amount holds good.", must: true},
	"Dosing.rise_part":          {about: "Part of the computed rise that counts as risen, above 0, at most 1.", must: true},
	"Dosing.off":                {about: "By how many per cent each input may be off.", must: true},
	"Dosing.procedure":          mustText("What to do where no amount is worked out."),
	"DoseOff.reading":           {about: "The bath may hold so much more than was read.", must: true},
	"DoseOff.volume":            {about: "The water may stand so much below its working level.", must: true},
	"DoseOff.strength":          {about: "The product may be so much stronger.", must: true},
	"DoseOff.measure":           {about: "So much more may be poured.", must: true},
	"Chemical.chlorine":         text("What the label of a chlorine product says."),
	"ChlorineProduct.strength":  {about: "Strength on the label, as a number.", must: true},
	"ChlorineProduct.is":        {"What the strength counts: g Cl2 in 100 mL, % by weight of available chlorine or of NaOCl, chlorometric degrees, % available chlorine of a solid.", true, plan.StrengthWords(), ""},
	"ChlorineProduct.gravity":   text("Specific gravity of a liquid."),
	"ChlorineProduct.label_max": {about: "Highest free chlorine for washing produce that the label allows.", must: true},
	"Place.volume":              text("Volume at the working level (baths)."),
	"Place.sample_points":       text("Where in the place a sample is drawn."),
	"Place.mixing":              text("Time after a filling, addition or fix until the next test (baths)."),
	"Place.ph_floor":            text("pH below which chlorine gas may come off (baths); needed beside a limit on hypochlorous acid."),
	"Place.filling_end":         text("When the water is changed (baths)."),
	"Place.carries":             text("True where product may stay behind between lots, as in a hopper."),
	"SamplePoint.id":            idRow, "SamplePoint.name": nameRow,
	"FillingEnd.after":     text("Time since the bath was filled."),
	"FillingEnd.additions": text("Number of additions."),
	"FillingEnd.readings":  text("Readings above which the water is changed."),
	"Ceiling.quantity":     quantityRow(),
	"Ceiling.above":        {about: "Amount above which the water is changed.", must: true},

	"Step.id": idRow, "Step.name": nameRow,
	"Step.place":  anyID("Id of the place where it happens."),
	"Step.next":   anyID("Ids of the steps that may follow."),
	"Step.places": anyID("Ids of further places where it may happen."),

	"Hazard.id": idRow, "Hazard.name": nameRow,
	"Hazard.step":          mustID("Id of the step."),
	"Hazard.kind":          {"Kind of hazard.", true, []string{"biological", "chemical", "physical"}, ""},
	"Hazard.significant":   {about: "The decision; without it the plan is not complete.", must: true},
	"Hazard.justification": mustText("Why."),
	"Hazard.measures":      text("What prevents or reduces it."),
	"Hazard.points":        anyID("Ids of the control points that control it."),

	"Decision.topic":    mustText("What is decided."),
	"Decision.decision": mustText("What the plant does about it."),
	"Decision.reason":   mustText("Why, and on what evidence."),

	"Point.id": idRow, "Point.name": nameRow, "Point.class": classRow(), "Point.places": placesRow,
	"Point.step":              anyID("Id of the step it controls."),
	"Point.limits":            {about: "Its limits.", must: true},
	"Point.ends":              text("Which reading ends a span outside; default: the first inside after a fix and the mixing time."),
	"Point.fixes":             anyID("Ids of the immediate fixes to offer, in order."),
	"Point.instructions":      text("What to do when a reading is outside or in the act band."),
	"Point.clock":             text("Set where the limits are on a time of lots, worked out from the times of their steps."),
	"Timer.from":              mustID("Id of the step the time begins with."),
	"Timer.to":                mustID("Id of the step it ends with; for a contact time the same."),
	"Timer.warn":              text("How long before its maximum a running time is flagged."),
	"DispositionRule.outcome": {"What becomes of the lot.", true, plan.Outcomes(), ""},
	"DispositionRule.roles":   rolesRow,
	"DispositionRule.people":  text("How many people must sign; default 1."),
	"Recall.roles":            rolesRow,
	"Recall.every":            text("How often a traceability exercise is to be held."),
	"Recall.within":           text("How long an exercise may take, from its start to its signed end."),
	"Recall.instructions":     text("What to do when product that left the plant is affected: who is told, who decides on taking it back."),
	"Ending.inside_in_row":    text("Number of inside readings in a row that ends a span."),

	"Limit.id": idRow, "Limit.quantity": quantityRow(),
	"Limit.kind":             {"What leaving it means.", true, []string{string(plan.Critical), string(plan.Operating), string(plan.Action)}, ""},
	"Limit.min":              text("Lowest amount inside."),
	"Limit.max":              text("Highest amount inside."),
	"Limit.yes_no":           text("The answer that is inside, for a yes/no quantity."),
	"Limit.basis":            text("What it rests on; every critical limit needs one."),
	"Limit.instrument":       anyID("Id of the monitoring instrument of record; without it: any."),
	"Limit.guard_band":       text("Uncertainty by which each bound is narrowed (JCGM 106, ILAC-G8)."),
	"Basis.source":           text("Published source."),
	"Basis.validation":       text("The plant's validation."),
	"Basis.validation_until": text("Date until which validation runs, at most 90 days after first production."),
	"Basis.invented":         text("True for a limit made up for a demo or test."),

	"ClassRule.class":               classRow(),
	"ClassRule.holds":               text("True: affected product is held."),
	"ClassRule.closing":             {about: "Parts that closing takes, each signed for itself.", must: true},
	"ClassRule.overdue_after":       text("Time after which an open case is overdue."),
	"ClassRule.effectiveness_after": text("Time after the corrective action until its effect is checked."),
	"ClosingPart.part": {"The part.", true, []string{plan.ControlRestored, plan.ProductEvaluated,
		plan.CauseAndAction, plan.Effectiveness, plan.Closed}, ""},
	"ClosingPart.roles": rolesRow,

	"Method.id": idRow, "Method.name": nameRow, "Method.quantity": quantityRow(), "Method.unit": unitRow,
	"Method.low":       text("Lower end of its range, in its unit."),
	"Method.high":      text("Upper end of its range."),
	"Method.step":      text("Smallest difference it shows."),
	"Method.ppm_means": {about: `What "ppm" on it stands for.`, oneOf: []string{"mg/L as Cl2"}},

	"Instrument.id": idRow, "Instrument.name": nameRow,
	"Instrument.kind":        text("What it is, such as pH meter or scale."),
	"Instrument.check_every": text("Time after a check of the instrument until the next; without it none is asked for."),
	"Instrument.probe":       text("For an instrument that measures by itself: averaging and the time outside before it counts."),
	"Probe.averaging":        {about: "Time over which the probe averages.", must: true},
	"Probe.outside_for":      text("Time its readings must be outside, with none inside between, before they count; without it: at once."),
	"Probe.basis":            {about: "What both rest on; as for a critical limit.", must: true},
	"Instrument.methods":     mustID("Ids of the methods it is used for."),

	"Material.id": idRow, "Material.name": nameRow,
	"Material.kind":        {"What it is for.", true, plan.MaterialKinds(), ""},
	"Material.unit":        text("Unit of its stock, such as kg, L or pieces; left out: pieces."),
	"Material.chemical":    anyID("Id of the product that it is, where it goes into a bath."),
	"Material.steps":       anyID("Ids of the steps at which a lot must name a lot of it."),
	"Material.roles":       {"Roles that may approve and reject its lots; default: manager.", false, plan.Roles(), ""},
	"Material.certificate": text("True: no lot is approved without its certificate of analysis."),
	"Material.expires":     text("True: no lot is approved without its last day of use."),
	"Material.stored_at":   text("The warmest that its store gets; the strength of a liquid chlorine product is worked out from it."),
	"Material.cautions":    text("Shown where it is received and used."),

	"Check.id": idRow, "Check.name": nameRow, "Check.places": placesRow,
	"Check.points":       anyID("Ids of the control points it serves."),
	"Check.measures":     {about: "What it measures.", must: true},
	"Check.schedule":     {about: "When it falls due.", must: true},
	"Check.grace":        text("Time after the due in which it is late, not missed."),
	"Check.supported":    text("Longest time between checks that the validation supports."),
	"Check.instructions": text("How it is done."),
	"Check.miss_is_no_deviation": text(
		"The plan's reason why a missed check of a critical limit opens no deviation."),
	"Measure.quantity": quantityRow(), "Measure.unit": unitRow,
	"Measure.methods":   anyID("Ids of the methods to choose from."),
	"Measure.optional":  text("True: it may be left out."),
	"Measure.forecast":  text("True where readings since the last addition forecast when free chlorine crosses its lower limits; that may bring the next test forward, never back."),
	"Measure.plausible": text("Range outside which a value is asked for again; it is judged all the same."),
	"Range.min":         text("Lowest amount."),
	"Range.max":         text("Highest amount."),
	"Schedule.every":    text("Interval while the line of the place runs."),
	"Schedule.at_start": text("True: first due at line start, not one interval later."),
	"Schedule.cron":     text("Five fields (minute, hour, day, month, weekday) on the wall clock of the site."),
	"Schedule.after":    {"Events after which it falls due, once the mixing time is over.", false, []string{"filled", "added", "part-replaced"}, ""},

	"Fix.id": idRow, "Fix.name": nameRow,
	"Fix.instructions": text("How it is done."),
	"Chemical.id":      idRow, "Chemical.name": nameRow,
	"Chemical.cautions": text("What to beware of."),
	"Permission.act":    mustText("The act."), "Permission.roles": rolesRow,
	"Tolerances.received_late": text("How long after it happened a thing may be recorded without counting as received late; default 15 min."),

	"Alerts.gather":   text("How long later alerts of a group are gathered into one further message; default 1 min."),
	"Alerts.repeat":   text("How often an alert that nobody has taken on is told again; default 15 min."),
	"Alerts.retest":   text("How long after it was acknowledged an alert that is not cured sounds again; default 15 min."),
	"Alerts.ladder":   text("Who is told after how long; left out: those at the line at once, the manager at once where it is critical and else after 10 min."),
	"Rung.after":      text("How long the alert has sounded without anybody taking it on; left out: at once."),
	"Rung.severities": {"Severities it holds for; left out: all.", false, plan.Severities(), ""},
	"Rung.shifts":     {"Ids of the shifts in which it holds; left out: at any time.", false, nil, idPattern},
	"Rung.roles":      rolesRow,
}
