package browsertest

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	site "linewarden/internal/plant"

	"github.com/google/uuid"
)

// inUse gives the code of a lot of a material that may be used.
func (h *house) inUse(id string) string {
	h.t.Helper()
	s := h.app.Site().View()
	for _, l := range s.MaterialLots() {
		if l.Material() == id && l.State(h.now(), s.DayOf(h.now())) == "approved" {
			return l.Code
		}
	}
	h.t.Fatalf("no lot of %s may be used", id)
	return ""
}

// rounds are the checks beside the baths, as a technician logs them; that is another story.
func (h *house) rounds() {
	h.t.Helper()
	log := func(check, place string, entries ...haccp.Entry) {
		h.t.Helper()
		_, err := h.app.Site().Do(h.t.Context(), site.Request{Command: &haccp.Command{ID: uuid.NewString(), Kind: haccp.KindReading, At: h.now(), AtKnown: haccp.AtServer,
			By:  haccp.Actor{ID: "ximena", Name: "Ximena Torrevel", Role: haccp.RoleTechnician, Known: haccp.KnownPIN},
			Ask: &haccp.Reading{Check: check, Place: place, Mode: "hand", Entries: entries}}})
		h.must(err)
	}
	of := func(q, method, value, unit string) haccp.Entry {
		return haccp.Entry{Quantity: q, Method: method, Read: quantity.Exact(quantity.MustDecimal(value), quantity.Unit(unit))}
	}
	yes := haccp.Entry{Quantity: "yes_no", Method: "look", Read: quantity.Answer(true)}
	for _, b := range []string{"bath-1", "bath-2"} {
		log("bath-test", b, of("free_chlorine", "chlorine-titration", "122", "mg/L"), of("ph", "ph-meter", "6.75", "pH"), of("temperature", "thermometer", "17.5", "°C"), of("salt", "salt-meter", "30", "g/L"))
		log("contact-time-test", b, of("contact_time", "stopwatch", "85", "s"))
	}
	log("hand-dip-test", "hand-dip", of("free_chlorine", "chlorine-strip", "60", "ppm"))
	log("blade-check", "fillet-table", yes)
	log("blade-check", "shredder", yes)
	log("seal-check", "filler", yes)
	log("cold-room-check", "cold-room", of("temperature", "thermometer", "3.2", "°C"))
}

// A lot from the start of the line and its receipt to release and shipping: through pages alone, by keyboard alone. The
// plant rests on that Sunday, so the lot is alone on the line.
func TestLotFromReceiptToShippingByKeyboard(t *testing.T) {
	h := newHouseAt(t, time.Date(2026, 11, 22, 14, 0, 0, 0, time.UTC)) // 08:00 of the plant
	people := h.staff("gaspar", "marisol", "aurelio", "herminia")
	come := func(name string) *person {
		t.Helper()
		p := &person{openAt(t, people), name}
		p.arrive()
		return p
	}
	lead, tech := come("gaspar"), come("marisol")
	for _, id := range []string{"ph-meter-1", "refractometer-1"} {
		lead.send("/instruments/"+id, `main form button[value=check]`, "result", "pass")
	}
	for _, bath := range []string{"bath-1", "bath-2"} {
		tech.send("/baths/"+bath+"/filled", "main form button.main", "water", "municipal", "level", "62", "first.sodium-hypochlorite", "0.6", "first.sodium-hypochlorite.unit", "L", "firstlot.sodium-hypochlorite", h.inUse("hypochlorite"))
	}
	h.later(7 * time.Minute)
	tech.send("/checks/bath-test/bath-1", `form[action^="/checks/"] button[type=submit]`, "q.free_chlorine", "121", "q.ph", "6.75", "q.temperature", "17.5", "q.salt", "30")
	lead.go_("/lines/line-1")
	lead.enter(`form[action$="/start"] button.main`)
	lead.wants("not inspected", "Bath test at Wash bath 2") // item by item
	tech.send("/checks/bath-test/bath-2", `form[action^="/checks/"] button[type=submit]`, "q.free_chlorine", "118", "q.ph", "6.80", "q.temperature", "17.5", "q.salt", "30")
	lead.send("/lines/line-1", `form[action$="/start"] button.main`, "item.clean-seen", "good", "item.blades-in", "good", "item.rinse-clear", "good", "item.tools-out", "good")
	lead.wants("running since")
	h.rounds()

	lead.enter(`a[href^="/receive-lot"]`)
	for _, x := range [][2]string{{"lot", "SUN-1"}, {"mass", "300"}, {"source", "Rancho Los Tres Pozos"}, {"harvested", "2026-11-22T05:30"}} {
		lead.fill(x[0], x[1])
	}
	lead.enter("main form button.main")
	lead.wants("Move lot SUN-1", "All of it to: First wash")
	const one = "main .lots form button.main"
	lead.enter(one) // one touch
	lead.wants("lot SUN-1 has moved on", "Wash bath 1")
	h.later(2 * time.Minute)
	lead.scan("SUN-1") // as a scanner types it
	lead.enter(one)
	lead.wants("Wash bath 2")
	h.later(3 * time.Minute)
	h.rounds()
	step := func(from, to string, fields ...string) {
		t.Helper()
		lead.send("/lots/SUN-1/move?line=line-1&what=on&from="+from+"&to="+to, `main form button[value=ask]`, fields...)
		if lead.path() != "/lines/line-1" {
			t.Fatalf("%s was not begun:\n%s", to, lead.text())
		}
	}
	step("wash-2@bath-2", "rinse", "place", "fillet-table", "crew", "4")
	h.rounds()
	h.later(2 * time.Minute)
	lead.enter(one)
	h.later(15 * time.Minute)
	lead.send("/lots/SUN-1/do/removed", "main form button.main", "what", "trim", "mass", "179", "step", "fillet")
	lead.go_("/lines/line-1")
	lead.enter(one) // inspected
	step("inspect@fillet-table", "shred", "out-mass", "121")
	lead.wants("From shredding to the last bag sealed", "left")
	h.later(3 * time.Minute)
	step("shred@shredder", "dose", "lot.dose.ascorbic-acid", h.inUse("ascorbic-acid"), "amount.dose.ascorbic-acid", "0.4")
	step("dose@shredder", "fill", "lot.fill.bags", h.inUse("bags"), "amount.fill.bags", "6", "amount.fill.bags.unit", plan.Pieces)
	h.later(20 * time.Minute)
	h.rounds()
	step("fill@filler", "chill", "prefix", "SB", "box-from", "1", "box-to", "6", "box-mass", "120")
	lead.enter(`form[action$="/emptied"] button`)

	lead.scan("SB4") // the label of a box
	lead.wants("Move lot SUN-1", "Cold room")
	lead.send("/laboratory-sample?lot=SUN-1", "main form button.main", "sample", "SUN-1/1", "units", "5")
	h.later(2 * time.Minute) // a finished test is typed to the minute
	lab := come("aurelio")
	lead.send("/laboratory/SUN-1/SUN-1%2F1/pass", "main form button.main", "to", "Courier (invented)", "seal", "77")
	lab.send("/laboratory/SUN-1/SUN-1%2F1/receive", "main form button.main", "laboratory", "Plant laboratory")
	for _, x := range h.tests("SUN-1") {
		lab.send("/laboratory/SUN-1/SUN-1%2F1/"+x.id, "main form button.main", x.fields...)
	}
	h.later(30 * time.Minute)
	h.rounds()
	lead.arrive() // the session has ended meanwhile
	lead.go_("/lots/SUN-1/move?line=line-1")
	lead.enter(one) // out of the cold room
	h.rounds()
	boss := come("herminia")
	boss.go_("/lots/SUN-1/do/release")
	boss.wants("Missing for a release", "were not reviewed")
	boss.send("/lots/SUN-1/do/review", "main form button.main", "findings", "looked through", "password", people.passwords["herminia"])
	boss.send("/lots/SUN-1/do/release", "main form button.main", "reason", "all in order", "password", people.passwords["herminia"])
	boss.wants("released")
	lead.send("/lots/SUN-1/do/ship", `main form button[value=ask]`, "consignee", "Cocina Piloto", "document-kind", "delivery note", "document", "DN-1", "mass", "120", "all", "yes")
	lead.wants("shipped")
	l, ok := h.app.Site().View().Lot("SUN-1")
	if !ok || l.State() != haccp.LotShippedAs || len(l.Boxes()) != 1 || len(l.Findings) != 0 {
		t.Errorf("the lot: %+v", l)
	}
}

// scan types a label into the field of the line page, as a scanner does: the text, then the enter key.
func (p *person) scan(label string) {
	p.t.Helper()
	p.go_("/lines/line-1")
	for end := time.Now().Add(5 * time.Second); eval[string](p.visit, `document.activeElement.id`) != "label"; time.Sleep(50 * time.Millisecond) {
		if time.Now().After(end) {
			p.t.Fatalf("the field for a label does not have the focus, but %s", eval[string](p.visit, `document.activeElement.outerHTML.slice(0, 200)`))
		}
	}
	eval[bool](p.visit, `window.before = true`)
	p.key(label + "\r")
	p.left("the scanner")
}

type labTest struct {
	id     string
	fields []string
}

// tests gives the fields of a conforming result of each test of a lot's specification.
func (h *house) tests(code string) []labTest {
	h.t.Helper()
	s := h.app.Site().View()
	l, _ := s.Lot(code)
	spec, _ := s.Specification(l, h.now())
	if spec == nil {
		h.t.Fatal("the lot has no specification")
	}
	at := h.now().In(s.Zone()).Format("2006-01-02T15:04")
	var out []labTest
	for i := range spec.Tests {
		x := &spec.Tests[i]
		value := "5"
		switch {
		case x.AbsentIn != nil:
			value = "no"
		case x.Min != nil:
			value = x.Min.Value.String()
		case x.Max != nil:
			value = x.Max.Value.String()
		}
		var fields []string
		for n := range max(x.Units(), 5) {
			fields = append(fields, fmt.Sprintf("unit-%d", n+1), value)
		}
		if x.AbsentIn != nil {
			fields = append(fields, "in", x.AbsentIn.Value.String())
			if !strings.EqualFold(x.AbsentIn.Unit, "kg") {
				fields = append(fields, "in.unit", x.AbsentIn.Unit)
			}
		} else {
			for _, a := range []*plan.Amount{x.Limit, x.Min, x.Max} {
				if a != nil {
					fields = append(fields, "unit", a.Unit)
					break
				}
			}
		}
		out = append(out, labTest{x.ID, slices.Concat(fields, []string{"finished", at})})
	}
	return out
}
