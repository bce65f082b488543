package demo

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/instrument"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// goods are the deliveries of a week: by the chemical that goes into a bath, or the material that goes into the product.
// Suppliers and figures are invented.
var goods = []struct {
	use, material, code, supplier string
	first                         int // number of the first lot
	amount                        string
	unit                          quantity.Unit
	months                        int // until it expires; 0: never
}{
	{"sodium-hypochlorite", "hypochlorite", "HYP-26-%03d", "Químicos del Cerrito (invented)", 118, "60", quantity.Litre, 3},
	{"citric-acid", "citric-acid-solution", "CIT-26-%03d", "Químicos del Cerrito (invented)", 9, "20", quantity.Litre, 12},
	{"salt", "salt", "SAL-26-%03d", "Salinas Dos Garzas (invented)", 31, "1200", quantity.Kilogram, 0},
	{"ascorbic-acid", "ascorbic-acid", "ASC-26-%03d", "Aditivos Peñafría (invented)", 40, "25", quantity.Kilogram, 12},
	{"bags", "bags", "BAG-26-%03d", "Empaques Rosalinda (invented)", 7, "600", material.Pieces, 0},
}

// A week's deliveries are in the store, looked at and approved by this long after the week began.
const approvedAfter = 35 * time.Minute

const week = 7 * 24 * time.Hour

// weekOf counts the weeks since the history began, by the deliveries that can be used at a moment.
func (w *writer) weekOf(at time.Time) int { return int(at.Sub(w.from.Add(approvedAfter)) / week) }

// supplied names the lot in use at a moment.
func (w *writer) supplied(use string, at time.Time) string {
	for _, g := range goods {
		if g.use == use {
			return fmt.Sprintf(g.code, g.first+w.weekOf(at))
		}
	}
	return ""
}

// deliveries has every week's goods received, looked at and approved. One lot of the antioxidant is rejected.
func (w *writer) deliveries() {
	for n := 0; w.from.Add(time.Duration(n) * week).Before(w.now); n++ {
		begin := w.from.Add(time.Duration(n) * week)
		for i, g := range goods {
			w.deliver(after(begin, 8+float64(i)), after(begin, 20+float64(i)), fmt.Sprintf(g.code, g.first+n), i, true)
		}
	}
	w.deliver(after(w.from, 12.5), after(w.from, 26), "ASC-26-039", 3, false)
}

// deliver receives goods at a moment, and approves or rejects them a little later.
func (w *writer) deliver(at, looked time.Time, code string, i int, good bool) {
	g := goods[i]
	amount := quantity.Exact(quantity.MustDecimal(g.amount), g.unit)
	sum := sha256.Sum256([]byte("invented certificate of " + code))
	b := &material.Received{Lot: code, Material: g.material, Supplier: g.supplier, SupplierLot: "S-" + code, Quantity: &amount,
		Certificate: &material.Certificate{Name: "COA-" + code + ".pdf", Hash: hex.EncodeToString(sum[:])}}
	local := at.In(w.zone)
	if g.months > 0 {
		b.Expiry = plan.Date(local.AddDate(0, g.months, 0).Format(time.DateOnly))
	}
	if g.material == "hypochlorite" {
		gravity := quantity.Exact(quantity.MustDecimal("1.20"), material.KilogramPerL)
		b.Strength = &material.Strength{Value: quantity.Exact(quantity.MustDecimal("12.5"), "g Cl2/100 mL"), Gravity: &gravity, On: plan.Date(local.Format(time.DateOnly))}
	}
	w.do(after(at, 0.5), w.as(dayLead, haccp.KnownPIN), haccp.KindMaterialReceived, at, b)
	kind, meaning, reason := haccp.AskMaterialApprove, haccp.MeaningMaterialApproved, "Certificate, label and seals looked at: as ordered."
	if !good {
		kind, meaning, reason = haccp.AskMaterialReject, haccp.MeaningMaterialRejected, "Two bags were torn, and the certificate is of another lot. Goes back to the supplier."
	}
	w.later(looked, w.as(boss, haccp.KnownPassword), kind, func(p *player) (any, error) {
		return &haccp.MaterialRuled{Ruling: material.Ruling{Lot: code, Reason: reason}, Signature: p.sign(meaning, "I have looked at this lot and its papers and decide as written.")}, nil
	})
}

// tests of an instrument: how often it is made, and what it is held against.
var tests = []struct {
	id, quantity, standard string
	days                   int
	reference, found       string
	unit                   quantity.Unit
}{
	{"ph-meter-1", "ph", "Buffer 7.00, lot B7-2604", 1, "7.00", "7.01", quantity.PHUnit},
	{"refractometer-1", "salt", "Salt solution 30 g/L, made up by weight", 7, "30", "30", quantity.GramPerL},
	{"burette-1", "free_chlorine", "Potassium iodate standard", 28, "100", "100", quantity.MgPerL},
	{"thermometer-1", "temperature", "Reference thermometer RT-1, in ice water", 28, "0.0", "0.1", quantity.Celsius},
	{"thermometer-2", "temperature", "Reference thermometer RT-1, in ice water", 28, "0.0", "0.0", quantity.Celsius},
	{"turbidity-meter-1", "turbidity", "Formazin 20 NTU", 28, "20", "20", quantity.NTU},
}

// calibrations has the instruments checked before the first shift of a day. The refractometer is found off once and
// adjusted.
func (w *writer) calibrations() {
	y, m, d := w.from.In(w.zone).Date()
	for day := 0; ; day++ {
		begin := time.Date(y, m, d+day, 5, 28, 0, 0, w.zone).UTC()
		if begin.After(w.now) {
			return
		}
		if day > 0 && begin.In(w.zone).Weekday() == time.Sunday {
			continue
		}
		n := 0
		for _, x := range tests {
			afterSunday := day%x.days == 1 && begin.In(w.zone).Weekday() == time.Monday
			if day%x.days != 0 && !afterSunday {
				continue
			}
			at := after(begin, 2*float64(n))
			n++
			value := func(s string) quantity.Value { return quantity.Exact(quantity.MustDecimal(s), x.unit) }
			b := &instrument.Checked{Instrument: x.id, Result: instrument.Pass, Standard: x.standard,
				Points: []instrument.Point{{Quantity: x.quantity, Reference: value(x.reference), Found: value(x.found)}}}
			if x.id == "refractometer-1" && day > 0 && day < 9 {
				left := value("30")
				b.Result, b.Points[0].Found, b.Points[0].Left, b.Note = instrument.Adjusted, value("32"), &left, "Prism cleaned, zero set with water."
			}
			w.do(after(at, 0.5), w.as(spareTech, haccp.KnownPIN), haccp.KindInstrumentChecked, at, b)
		}
	}
}
