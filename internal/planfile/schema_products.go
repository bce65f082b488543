package planfile

import "maps"

// productRows are the rows of products and their specifications.
var productRows = map[string]row{
	"Product.id": idRow, "Product.name": nameRow,
	"Product.tests":           {about: "Its specification: what a lot is tested for.", must: true},
	"ProductTest.id":          idRow,
	"ProductTest.name":        nameRow,
	"ProductTest.quantity":    optional(quantityRow(), "Quantity that is measured; none beside absent_in."),
	"ProductTest.absent_in":   text("Amount of product in which nothing may be found."),
	"ProductTest.n":           text("Units of the lot that are tested; default 1."),
	"ProductTest.c":           text("How many of them may lie between m and M, or without M outside; default 0."),
	"ProductTest.m":           text("Up to it a result is acceptable."),
	"ProductTest.M":           text("None of the results may be above it (three classes)."),
	"ProductTest.min":         text("Lowest amount inside."),
	"ProductTest.max":         text("Highest amount inside."),
	"ProductTest.yes_no":      text("The answer that is inside, for a yes/no quantity."),
	"ProductTest.method":      mustText("Method the results must come from."),
	"ProductTest.laboratory":  text("Laboratory the results must come from; without it: any."),
	"ProductTest.informative": text("True: a result outside stops no release. Never for a pathogen."),
	"ProductTest.pathogen":    text("True: a positive result puts in doubt all that ran between the clean breaks around the lot."),
	"ProductTest.decision":    text("What the plant decided where no rule gives the number."),
	"ProductTest.basis":       text("Published source; beside a decision, what it rests on."),
}

func optional(r row, about string) row {
	r.must, r.about = false, about
	return r
}

func init() { maps.Copy(rows, productRows) } //nolint:gochecknoinits // the table has a file for each part of a plan
