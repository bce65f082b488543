package lot_test

import (
	"bufio"
	"os"
	"strconv"
	"strings"
	"testing"
	"time"

	"linewarden/haccp/lot"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// wayPlan is the flow of the worked example.
func wayPlan() *plan.Plan {
	return &plan.Plan{
		Places: []plan.Place{{ID: "bath", Line: "line", Kind: plan.Bath}, {ID: "sink", Line: "line"},
			{ID: "shredder", Line: "line", Carries: true}, {ID: "filler", Line: "line"}, {ID: "room"}},
		Steps: []plan.Step{{ID: "receive", Next: []string{"wash"}}, {ID: "wash", Place: "bath", Next: []string{"rinse"}},
			{ID: "rinse", Place: "sink", Next: []string{"shred"}}, {ID: "shred", Place: "shredder", Next: []string{"fill"}},
			{ID: "fill", Place: "filler", Next: []string{"chill"}}, {ID: "chill", Place: "room"}},
	}
}

// A world is a case of the worked example: its facts in the order written, and what is wanted of them.
type world struct {
	name  string
	lines [][]string
}

func readWorked(t *testing.T) []*world {
	t.Helper()
	f, err := os.Open("testdata/worked.txt")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var out []*world
	byName := map[string]*world{}
	for sc := bufio.NewScanner(f); sc.Scan(); {
		line := strings.TrimSpace(sc.Text())
		word, rest, _ := strings.Cut(line, " ")
		switch {
		case line == "" || word == "#" || line == "#":
		case word == "case":
			w := &world{name: rest}
			byName[rest] = w
			out = append(out, w)
		case word == "like":
			for _, l := range byName[rest].lines {
				switch l[0] {
				case "span", "affected":
				default:
					out[len(out)-1].lines = append(out[len(out)-1].lines, l)
				}
			}
		default:
			out[len(out)-1].lines = append(out[len(out)-1].lines, strings.Fields(line))
		}
	}
	if len(out) < 10 {
		t.Fatalf("read only %d cases", len(out))
	}
	return out
}

func clock(s string) time.Time {
	at, err := time.Parse("2006-01-02 15:04", "2026-03-02 "+s)
	if err != nil {
		panic(err)
	}
	return at
}

func mass(s string) *lot.Mass {
	m, err := lot.MassOf(quantity.Exact(quantity.MustDecimal(s), quantity.Kilogram))
	if err != nil {
		panic(err)
	}
	return &m
}

// told gathers facts from lines.
type told struct {
	lots    map[string]*lot.Lot
	facts   lot.Facts
	spans   []lot.Span
	results []lot.Result
}

func (x *told) lot(code string) *lot.Lot {
	if x.lots[code] == nil {
		x.lots[code] = &lot.Lot{Code: code}
	}
	return x.lots[code]
}

func (x *told) line(id string, l []string) {
	switch l[0] {
	case "receive":
		x.lot(l[1]).AddReceipt(lot.Receipt{ID: id, At: clock(l[2]), Step: "receive", Mass: mass(l[3])})
	case "in", "out":
		a := lot.Act{ID: id, At: clock(l[4]), In: l[0] == "in", Step: l[2], Place: l[3]}
		if len(l) > 5 {
			a.Filling = l[5]
		}
		x.lot(l[1]).AddAct(a)
	case "feed":
		how, step, _ := strings.Cut(l[1], "@")
		f := lot.Feed{ID: id, How: how, Step: step, At: clock(l[2])}
		to := false
		for _, p := range l[3:] {
			if p == ">" {
				to = true
				continue
			}
			code, kg, _ := strings.Cut(p, ":")
			part := lot.Part{Lot: code, Mass: mass(strings.TrimSuffix(kg, "!")), All: strings.HasSuffix(kg, "!")}
			if to {
				f.To = append(f.To, part)
			} else {
				f.From = append(f.From, part)
			}
		}
		for _, p := range append(append([]lot.Part{}, f.From...), f.To...) {
			x.lot(p.Lot).AddFeed(f)
		}
	case "removed":
		x.lot(l[1]).AddRemoval(lot.Removal{ID: id, At: clock(l[2]), What: l[3], Mass: mass(l[4])})
	case "emptied":
		x.facts.Emptied = append(x.facts.Emptied, lot.Emptied{Place: l[1], At: clock(l[2])})
	case "break":
		x.facts.Breaks = append(x.facts.Breaks, lot.Break{Line: l[1], At: clock(l[2])})
	case "span":
		s := lot.Span{Cause: l[1], Place: l[2], Begin: clock(l[3]), End: clock(l[4])}
		if len(l) > 5 {
			s.Filling = l[5]
		}
		x.spans = append(x.spans, s)
	case "result":
		x.results = append(x.results, lot.Result{Cause: l[1], Lot: l[2]})
	}
}

func (x *told) book() *lot.Book {
	w := lot.NewWay(wayPlan())
	var all []*lot.Lot
	for _, l := range x.lots {
		l.Settle(w)
		all = append(all, l)
	}
	return lot.NewBook(w, all, x.facts)
}

func tell(lines [][]string, order []int) *told {
	x := &told{lots: map[string]*lot.Lot{}}
	for _, i := range order {
		x.line("r"+strconv.Itoa(1000+i), lines[i])
	}
	return x
}

func inOrder(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func TestWorkedExample(t *testing.T) {
	for _, w := range readWorked(t) {
		t.Run(w.name, func(t *testing.T) {
			x := tell(w.lines, inOrder(len(w.lines)))
			b := x.book()
			var got, want []string
			for _, a := range b.Affected(lot.Causes{Spans: x.spans, Results: x.results}) {
				got = append(got, a.Lot+" "+a.How)
			}
			asked := false
			for _, l := range w.lines {
				switch l[0] {
				case "affected":
					if asked = true; l[1] != "none" {
						want = append(want, strings.Join(l[1:], " "))
					}
				case "clock":
					r := b.Clock(l[1], lot.Clock{From: "shred", To: "fill"})
					if m := strconv.Itoa(int(r.Elapsed(time.Time{}).Minutes())); m != l[2] || r.Of != l[3] || r.End.IsZero() || r.Assumed {
						t.Errorf("clock of %s: %s min of %s, want %s min of %s", l[1], m, r.Of, l[2], l[3])
					}
				case "balance":
					if got := b.Balance(l[1]); got.Unexplained == nil || *got.Unexplained != *mass(l[2]) {
						t.Errorf("balance of %s: %+v", l[1], got)
					}
				case "feeds":
					if got := b.Total(b.Codes()); got.InFeeds != *mass(l[1]) {
						t.Errorf("total: %+v", got)
					}
				}
			}
			if asked && strings.Join(got, "\n") != strings.Join(sorted(want), "\n") {
				t.Errorf("affected:\n%s\nwant:\n%s", strings.Join(got, "\n"), strings.Join(sorted(want), "\n"))
			}
		})
	}
}
