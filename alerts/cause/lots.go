package cause

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
)

// lots looks at the running clocks of lots that were flagged, and at lots that had left the plant's hands before a case
// came to touch them.
func (l *looking) lots() {
	for _, x := range l.s.FlaggedClocks() {
		r := alarm.Raised{Cause: alarm.LotClock, Key: alarm.LotClock + ":" + x.Point + ":" + x.Lot, Severity: alarm.Warning, Lot: x.Lot, Point: x.Point, Place: x.Place,
			PlanVersion: x.PlanVersion, Since: x.WarnAt, Data: map[string]string{"due": x.LimitAt.UTC().Format(time.RFC3339), "limit": x.Limit}}
		if x.Over {
			r.Since = x.LimitAt
			if x.Critical {
				r.Severity = alarm.Critical
			}
		}
		l.add(r)
	}
	for _, x := range l.s.LotsAtLarge() {
		if x.Case.Imported || x.Case.Found.Before(l.live) {
			continue
		}
		r := alarm.Raised{Cause: alarm.LotReleased, Key: alarm.LotReleased + ":" + x.Case.Deviation + ":" + x.Lot.Code, Severity: alarm.Critical, Lot: x.Lot.Code,
			Deviation: x.Case.Deviation, Point: x.Case.Point, Place: x.Touch.Place, PlanVersion: x.Case.PlanVersion, Since: x.Case.Found,
			Group: alarm.LotReleased + "/" + x.Case.Deviation, Data: atLarge(&x)}
		l.add(r)
	}
}

// most bounds what an alert lists; the page of the lot has it all.
const most = 20

// atLarge says how much of a lot is where.
func atLarge(x *haccp.LotAtLarge) map[string]string {
	out := map[string]string{"number": strconv.FormatInt(x.Case.Number, 10), "how": x.Touch.How, "was": "released"}
	var to, mass, boxes []string
	for i := range x.Lot.Shipments {
		b := x.Lot.Shipments[i].Body
		out["was"] = "shipped"
		if !slices.Contains(to, b.Consignee.Name) {
			to = append(to, b.Consignee.Name)
		}
		if b.Mass != nil {
			mass = append(mass, b.Mass.String())
		}
		for _, r := range b.Boxes {
			boxes = append(boxes, boxText(r.Prefix, r.From, r.To))
		}
	}
	if len(boxes) == 0 {
		for _, r := range x.Lot.Boxes() {
			boxes = append(boxes, boxText(r.Prefix, r.From, r.To))
		}
	}
	for word, list := range map[string][]string{"consignees": to, "mass": mass, "boxes": boxes} {
		if len(list) > most {
			list = append(slices.Clone(list[:most]), "…")
		}
		if len(list) > 0 {
			out[word] = strings.Join(list, ", ")
		}
	}
	return out
}

func boxText(prefix string, from, to int64) string {
	if from == to {
		return prefix + strconv.FormatInt(from, 10)
	}
	return prefix + strconv.FormatInt(from, 10) + " – " + prefix + strconv.FormatInt(to, 10)
}
