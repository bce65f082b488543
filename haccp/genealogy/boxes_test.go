package genealogy

import (
	"fmt"
	"testing"

	"linewarden/haccp"
	"linewarden/haccp/lot"
)

// Boxes 1 to 10 of one lot: which each shipment took, and which are here. Counted by hand.
func TestWhichBoxesLeft(t *testing.T) {
	run := func(from, to int64) haccp.BoxRange { return haccp.BoxRange{Prefix: "B", From: from, To: to} }
	for name, x := range map[string]struct {
		shipped []*haccp.LotShipped
		want    string
	}{
		"none":                         {nil, "[] here [{B 1 10}] false"},
		"two runs named":               {[]*haccp.LotShipped{{Boxes: []haccp.BoxRange{run(1, 3)}}, {Boxes: []haccp.BoxRange{run(6, 7)}}}, "[[{B 1 3}] [{B 6 7}]] here [{B 4 5} {B 8 10}] false"},
		"the rest, without names":      {[]*haccp.LotShipped{{Boxes: []haccp.BoxRange{run(4, 6)}}, {All: true}}, "[[{B 4 6}] [{B 1 3} {B 7 10}]] here [] false"},
		"some, without names":          {[]*haccp.LotShipped{{Boxes: []haccp.BoxRange{run(4, 6)}}, {}}, "[[{B 4 6}] []] here [{B 1 3} {B 7 10}] true"},
		"all named, then some without": {[]*haccp.LotShipped{{Boxes: []haccp.BoxRange{run(1, 10)}}, {}}, "[[{B 1 10}] []] here [] false"},
	} {
		l := &haccp.LotState{Lot: lot.Lot{Code: "G-1", Acts: []lot.Act{{ID: "1", Boxes: []lot.Boxes{{Prefix: "B", From: 6, To: 10}, {Prefix: "B", From: 1, To: 5}}}}}}
		for _, b := range x.shipped {
			l.Shipments = append(l.Shipments, haccp.Shipment{Body: b})
		}
		sent, here, vague := sentOf(l)
		if got := fmt.Sprintf("%v here %v %v", sent, here, vague); got != x.want {
			t.Errorf("%s: %s, want %s", name, got, x.want)
		}
	}
}
