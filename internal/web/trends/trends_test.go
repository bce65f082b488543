package trends_test

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/haccp/trend"
	"linewarden/internal/plant"
	"linewarden/internal/web/trends"
)

// shelf is a log in memory: records by key, in order of time.
type shelf map[string][]*haccp.Event

func (s shelf) Find(_ context.Context, q plant.Query) ([]*haccp.Event, plant.Cursor, error) {
	from := 0
	if q.After != "" {
		if _, err := fmt.Sscan(string(q.After), &from); err != nil {
			return nil, "", err
		}
	}
	var in []*haccp.Event
	for _, e := range s[q.About] {
		if !e.At.Before(q.From) && e.At.Before(q.To) {
			in = append(in, e)
		}
	}
	slices.SortStableFunc(in, func(a, b *haccp.Event) int { return b.At.Compare(a.At) })
	to := min(from+1000, len(in))
	next := plant.Cursor("")
	if to < len(in) {
		next = plant.Cursor(fmt.Sprint(to))
	}
	return in[from:to], next, nil
}

func amount(t *testing.T, text string) *plan.Amount {
	t.Helper()
	var a plan.Amount
	if err := a.UnmarshalText([]byte(text)); err != nil {
		t.Fatal(err)
	}
	return &a
}

var start = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

// state is one with a plan of one point on free chlorine, tested every 30 min with 5 min of grace.
func state(t *testing.T) *haccp.State {
	t.Helper()
	every, grace := plan.Of(30, "min"), plan.Of(5, "min")
	s := haccp.New(func(string) (*time.Location, error) { return time.UTC, nil })
	s.Plans = []plan.Signed{{Version: 1, From: start.Add(-time.Hour), Plan: &plan.Plan{
		Places: []plan.Place{{ID: "bath-1", Name: "Bath 1", Kind: plan.Bath}},
		Points: []plan.Point{{ID: "wash", Places: []string{"bath-1"}, Limits: []plan.Limit{
			{ID: "low", Kind: plan.Critical, Quantity: "free_chlorine", Min: amount(t, "100 mg/L")},
			{ID: "act", Kind: plan.Operating, Quantity: "free_chlorine", Min: amount(t, "110 mg/L")}}}},
		Checks: []plan.Check{{ID: "bath-test", Places: []string{"bath-1"}, Points: []string{"wash"}, Schedule: plan.Schedule{Every: every}, Grace: grace}},
	}}}
	return s
}

func reading(n int, at time.Time, v quantity.Value, verdict string) *haccp.Event {
	return &haccp.Event{ID: fmt.Sprintf("r%d", n), Seq: int64(n + 1), Kind: haccp.KindReading, At: at, By: haccp.Actor{Name: "Ana Invented"},
		Body: &haccp.Reading{Check: "bath-test", Place: "bath-1", Entries: []haccp.Entry{{Quantity: "free_chlorine", Read: v}},
			Verdicts: []control.Verdict{{Point: "wash", Limit: "low", Kind: plan.Critical, Value: v.String(), Verdict: verdict}}}}
}

func number(n int64) quantity.Decimal {
	d, err := quantity.ParseDecimal(strconv.FormatInt(n, 10))
	if err != nil {
		panic(err)
	}
	return d
}

func whole(n int64) quantity.Value {
	return quantity.Exact(number(n), "mg/L")
}

func collect(t *testing.T, log shelf, from, to time.Time) *trends.Picture {
	t.Helper()
	p, err := trends.Collect(t.Context(), log, state(t), trends.Asked{Point: "wash", Place: "bath-1", From: from, To: to, Now: to})
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestReadingsAsTheyStand draws what amendments and voids left, and tells what lies at the edge of a method.
func TestReadingsAsTheyStand(t *testing.T) {
	log := shelf{"check:bath-test@bath-1": {
		reading(1, start, whole(121), control.Inside),
		reading(2, start.Add(30*time.Minute), whole(95), control.Outside),
		reading(3, start.Add(60*time.Minute), quantity.Below(number(10), "mg/L"), control.Outside),
		reading(4, start.Add(90*time.Minute), whole(300), control.Inside),
		{ID: "a", Seq: 10, Kind: haccp.KindAmended, At: start, Body: &haccp.Amended{Target: "r1", New: reading(1, start, whole(112), control.Inside).Body}},
		{ID: "v", Seq: 11, Kind: haccp.KindVoided, At: start.Add(90 * time.Minute), Body: &haccp.Voided{Target: "r4"}},
	}, "bath:bath-1": {{ID: "f", Seq: 12, Kind: haccp.KindAdded, At: start.Add(40 * time.Minute), Body: &haccp.Bath{Place: "bath-1", Chemical: "hypochlorite"}}}}
	p := collect(t, log, start.Add(-time.Minute), start.Add(2*time.Hour))
	if len(p.Series) != 1 || len(p.Acts) != 1 {
		t.Fatalf("%d series, %d acts", len(p.Series), len(p.Acts))
	}
	s := &p.Series[0]
	var got []string
	for _, r := range s.Readings {
		got = append(got, fmt.Sprintf("%s %v %s %d", r.ID, r.Value, r.Verdict, r.Edge))
	}
	if want := []string{"r1 112 inside 0", "r2 95 outside 0", "r3 10 outside -1"}; !slices.Equal(got, want) {
		t.Errorf("readings %v, want %v", got, want)
	}
	if s.Unit != "mg/L" || len(s.Limits) != 2 || s.Chart != nil {
		t.Errorf("unit %s, %d limits, chart %v", s.Unit, len(s.Limits), s.Chart)
	}
	// The last reading is at 60 min; 35 min later the next one is missing, until the end of the picture.
	if len(s.Gaps) != 1 || !s.Gaps[0].From.Equal(start.Add(95*time.Minute)) || !s.Gaps[0].To.Equal(start.Add(2*time.Hour)) {
		t.Errorf("gaps %v", s.Gaps)
	}
}

// TestPictureStaysSmall draws a day of a probe that reads every 15 s: the picture has no more points than columns
// can show, and both the lowest and the highest reading are in it.
func TestPictureStaysSmall(t *testing.T) {
	var events []*haccp.Event
	for i := range 5760 {
		v := int64(120 + 5*math.Sin(float64(i)/40))
		if i == 3000 {
			v = 160
		}
		events = append(events, reading(i, start.Add(time.Duration(i)*15*time.Second), whole(v), control.Inside))
	}
	p := collect(t, shelf{"check:bath-test@bath-1": events}, start, start.Add(24*time.Hour))
	d := p.Draw(&p.Series[0], trends.Wide, time.UTC, func(s string) string { return s })
	if n := strings.Count(d.Path, "L") + strings.Count(d.Path, "M"); n > 4000 || d.Plain != "" {
		t.Errorf("%d points, dots of %d bytes", n, len(d.Plain))
	}
	if s := &p.Series[0]; s.Chart == nil || s.Readings[3000].Signals&trend.WesternElectric1 == 0 || len(s.Gaps) != 0 {
		t.Errorf("chart %v, gaps %v", s.Chart, s.Gaps)
	}
}

// TestMoreThanOnePictureShows keeps the newest and says from when on.
func TestMoreThanOnePictureShows(t *testing.T) {
	var events []*haccp.Event
	for i := range trends.MostRecords + 2500 {
		events = append(events, reading(i, start.Add(time.Duration(i)*time.Second), whole(120), control.Inside))
	}
	end := start.Add(time.Duration(len(events)) * time.Second)
	p := collect(t, shelf{"check:bath-test@bath-1": events}, start.Add(-time.Hour), end)
	if n := len(p.Series[0].Readings); n != trends.MostRecords || !p.Since.Equal(end.Add(-time.Duration(n)*time.Second)) {
		t.Errorf("%d readings since %s", n, p.Since)
	}
}

// TestColumnsFollowTheClockOfThePlant has a day on which the clock is put forward and back: no label stands twice.
func TestColumnsFollowTheClockOfThePlant(t *testing.T) {
	zone, err := time.LoadLocation("America/New_York")
	if err != nil {
		t.Fatal(err)
	}
	for _, day := range []time.Time{time.Date(2026, 3, 8, 0, 0, 0, 0, zone), time.Date(2026, 11, 1, 0, 0, 0, 0, zone)} {
		for _, long := range []time.Duration{8 * time.Hour, 24 * time.Hour, 7 * 24 * time.Hour, 31 * 24 * time.Hour} {
			p := &trends.Picture{Asked: trends.Asked{From: day, To: day.Add(long)}, Since: day}
			s := &trends.Series{}
			d := p.Draw(s, trends.Wide, zone, func(s string) string { return s })
			if n := len(d.Columns); n < 3 || n > 14 {
				t.Errorf("%s, %s: %d columns", day.Format("2006-01-02"), long, n)
			}
			for i := 1; i < len(d.Columns); i++ {
				if d.Columns[i].At == d.Columns[i-1].At {
					t.Errorf("%s, %s: two columns at %s", day.Format("2006-01-02"), long, d.Columns[i].At)
				}
			}
		}
	}
}
