package alerts_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"linewarden/alerts"
	"linewarden/alerts/notify"
	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/quantity"
	"linewarden/internal/memstore"
)

// livePlan is testPlan for a plant that is no demo, with shifts and a ladder.
var livePlan = strings.NewReplacer("demo: true\n", "", "{invented: true}", "{source: test data, validation: V-1}", "live_from: 2026-10-20T00:00:00Z",
	"live_from: 2026-10-20T00:00:00Z\nshifts:\n  - {id: day, name: Day, from: \"06:00\", to: \"18:00\"}\n  - {id: night, name: Night, from: \"18:00\", to: \"02:30\"}").
	Replace(testPlan) + `
alerts:
  gather: 2 min
  repeat: 15 min
  retest: 20 min
  ladder:
    - {roles: [technician]}
    - {after: 10 min, severities: [critical, warning], roles: [manager]}
`

// told is a channel of the test: it keeps what it takes, and may refuse or hang.
type told struct {
	mu   sync.Mutex
	now  func() time.Time
	got  []notify.Message
	at   []time.Time
	fail func(attempt int) error
	n    int
	open []notify.Item // as last posted again
	live int           // how often the service was said to be at work
}

func (c *told) Send(ctx context.Context, m notify.Message) error {
	c.mu.Lock()
	c.n++
	n, fail := c.n, c.fail
	c.mu.Unlock()
	if fail != nil {
		if err := fail(n); err != nil {
			if errors.Is(err, errHang) {
				<-ctx.Done()
				return ctx.Err()
			}
			return err
		}
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	c.got, c.at = append(c.got, m), append(c.at, c.now())
	return nil
}

func (c *told) Stand(_ context.Context, _ string, open []notify.Item, alive bool) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.open = open; alive {
		c.live++
	}
	return nil
}

var errHang = errors.New("hang")

// said gives what came, as "15:04:05 kind causes".
func (c *told) said() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	var out []string
	for i, m := range c.got {
		line := c.at[i].UTC().Format("15:04:05") + " " + m.Kind
		for _, item := range m.Items {
			line += " " + item.Cause
		}
		out = append(out, line)
	}
	return out
}

func (c *told) want(t *testing.T, want ...string) {
	t.Helper()
	synctest.Wait()
	got := c.said()
	slices.Sort(got) // of one moment no order is promised
	slices.Sort(want)
	if !slices.Equal(got, want) {
		t.Fatalf("told\n got %s\nwant %s", strings.Join(got, " | "), strings.Join(want, " | "))
	}
}

// watched is a plant with a desk and two channels: the floor's and the manager's.
type watched struct {
	*plantUnderTest
	box            *memstore.Outbox
	floor, manager *told
	verify         func(context.Context) error
}

func newWatched(t *testing.T, begin, plan string, demo bool) *watched {
	t.Helper()
	w := &watched{plantUnderTest: newPlantOf(t, begin, plan, demo), box: memstore.NewOutbox()}
	w.floor, w.manager = &told{now: w.now}, &told{now: w.now}
	return w
}

// begin starts timetable and desk.
func (w *watched) begin() {
	w.t.Helper()
	d, err := alerts.NewDesk(alerts.DeskOptions{Site: w.site, Outbox: w.box, Clock: w.now, Registerer: w.reg, Summaries: w.site,
		Timetable: w.table.Status, Chance: func() float64 { return 0.5 }, Link: "https://plant.example", Verify: w.verify,
		Channels: []alerts.Channel{
			{Name: "floor", Roles: []string{haccp.RoleTechnician}, Language: "es", Via: w.floor},
			{Name: "manager", Roles: []string{haccp.RoleManager}, Least: alarm.Warning, Digest: true, Via: w.manager},
		}})
	check(w.t, err)
	w.desk.Store(d)
	w.table.Start()
	d.Start()
	synctest.Wait()
}

func (w *watched) end() {
	w.t.Helper()
	w.desk.Load().Stop()
	w.close()
}

func technician() haccp.Actor {
	return haccp.Actor{ID: "tecla", Name: "tecla", Role: haccp.RoleTechnician, Known: haccp.KnownPassword}
}

func lead() haccp.Actor {
	return haccp.Actor{ID: "lina", Name: "lina", Role: haccp.RoleLineLead, Known: haccp.KnownPassword}
}

func (w *watched) cold(celsius string) {
	w.t.Helper()
	w.do(haccp.KindReading, w.now(), technician(), &haccp.Reading{Check: "night", Place: "room", Mode: "hand",
		Entries: []haccp.Entry{{Quantity: "temperature", Method: "thermometer", Read: quantity.Exact(quantity.MustDecimal(celsius), "°C")}}})
}

func (w *watched) open() []*alarm.Alert {
	var out []*alarm.Alert
	for _, a := range w.site.View().Alerts() {
		if a.Open() {
			out = append(out, a)
		}
	}
	return out
}

func (w *watched) take() {
	w.t.Helper()
	var ids []string
	for _, a := range w.open() {
		ids = append(ids, a.Alert)
	}
	w.do(haccp.AskAcknowledge, w.now(), technician(), &alarm.Acknowledged{Alerts: ids, Doing: "moving the product"})
}

func after(d time.Duration) { time.Sleep(d); synctest.Wait() }

// The whole life by the clock: told at once, passed upwards, said again, taken on, sounding again uncured, cleared.
func TestLadderRepeatsAndCure(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		w.begin()
		defer w.end()
		w.cold("3.5")
		after(time.Minute)
		w.floor.want(t)
		w.cold("9.0")
		after(time.Second)
		w.floor.want(t, "09:01:00 raised outside")
		w.manager.want(t)
		after(10 * time.Minute)
		w.manager.want(t, "09:11:00 escalated outside")
		until(t, "2026-11-02T09:16:01Z")
		w.floor.want(t, "09:01:00 raised outside", "09:16:00 repeated outside")
		w.take()
		until(t, "2026-11-02T09:36:00Z") // neither repeats nor steps while somebody has it
		w.floor.want(t, "09:01:00 raised outside", "09:16:00 repeated outside")
		until(t, "2026-11-02T09:36:02Z")
		w.floor.want(t, "09:01:00 raised outside", "09:16:00 repeated outside", "09:36:01 renewed outside")
		w.take()
		after(time.Minute)
		w.cold("8.0") // tested again and still outside: taken on or not, it sounds
		after(3 * time.Minute)
		if a := w.open(); len(a) != 1 || a[0].Round != 3 || a[0].Ack != nil {
			t.Fatalf("after a re-test outside: %+v", a)
		}
		w.cold("3.0")
		after(5 * time.Second)
		if len(w.open()) != 0 {
			t.Fatal("still open after control was shown")
		}
		got := w.floor.said()
		if got[len(got)-1] != "09:40:02 cleared outside" {
			t.Fatalf("told %v", got)
		}
		m := w.floor.got[0]
		for _, text := range []string{"Cold", "Room", "9.0", "Close the door.", "https://plant.example/deviations/", "fuera del límite"} {
			if !strings.Contains(m.Text, text) {
				t.Errorf("%q is not in the message:\n%s", text, m.Text)
			}
		}
	})
}

// Records say who was told first, once per alert and channel, however often it was repeated.
func TestDeliveredIsRecordedOncePerAlertAndChannel(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		w.begin()
		defer w.end()
		w.cold("9.0")
		after(2*time.Hour + time.Second)
		a := w.open()
		if len(a) != 1 || len(a[0].Told) != 2 || a[0].Reached != 600 {
			t.Fatalf("alert %+v", a[0])
		}
		if n := w.count(haccp.KindAlertDelivered); n != 2 {
			t.Fatalf("%d records of delivery after two hours of repeats", n)
		}
		if n := w.count(haccp.KindAlertRaised) + w.count(haccp.KindAlertEscalated); n != 2 {
			t.Fatalf("%d records of raising and passing upwards", n)
		}
		if n := len(w.floor.said()); n != 9 { // at once, then every 15 minutes
			t.Fatalf("%d messages in two hours: %v", n, w.floor.said())
		}
	})
}

func (p *plantUnderTest) count(kind string) int {
	p.t.Helper()
	n := 0
	check(p.t, p.site.Records(context.Background(), 1, 1<<40, func(_ int64, rec string) error {
		n += strings.Count(rec, `"kind":"`+kind+`"`)
		return nil
	}))
	return n
}

// The demo raises what stands now and sends nothing; nothing is raised before live_from.
func TestDemoSendsNothingAndNothingBeforeLiveFrom(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", testPlan, true)
		w.begin()
		w.cold("9.0")
		after(time.Hour)
		if len(w.open()) != 1 {
			t.Fatalf("open %v", w.open())
		}
		w.floor.want(t)
		w.end()
	})
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-10-19T09:00:00Z", livePlan, false)
		w.begin()
		w.cold("9.0")
		after(time.Hour)
		if n := w.count(haccp.KindAlertRaised); n != 0 {
			t.Fatalf("%d alerts before live_from", n)
		}
		w.end()
	})
}

// Imported history opens cases and raises no alert.
func TestImportsRaiseNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		w.begin()
		defer w.end()
		after(2 * time.Hour)
		rows := []haccp.ImportRow{{At: w.now().Add(-time.Hour), Occurrence: 1, Row: 2,
			Values: []haccp.ImportValue{{Quantity: "temperature", Method: "thermometer", Value: quantity.Exact(quantity.MustDecimal("12.0"), "°C")}}}}
		w.do(haccp.AskImport, w.now(), console(), &haccp.Import{Check: "night", Place: "room", File: strings.Repeat("a", 64), Rows: rows})
		after(10 * time.Minute)
		if n := len(w.site.View().Cases()); n != 1 {
			t.Fatalf("%d cases", n)
		}
		if n := w.count(haccp.KindAlertRaised); n != 0 {
			t.Fatalf("an import raised %d alerts", n)
		}
	})
}

// A check that is late is a notice; one that is missed is told, and ends when the check is made.
func TestLateAndMissed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		w.begin()
		defer w.end()
		w.line(true)
		until(t, "2026-11-02T09:31:30Z")
		if a := w.open(); len(a) != 1 || a[0].Cause != alarm.Late || a[0].Severity != alarm.Notice {
			t.Fatalf("late: %+v", a)
		}
		until(t, "2026-11-02T09:35:02Z") // the grace ends at 09:35: within two seconds somebody is told
		w.floor.want(t, "09:30:00 raised late", "09:35:00 raised missed", "09:35:00 cleared late")
		w.take()
		until(t, "2026-11-02T09:50:00Z")
		w.knives()
		after(time.Second)
		if a := w.open(); len(a) != 0 {
			t.Fatalf("the check was made and stays: %+v", a)
		}
		w.line(false)
		after(3 * time.Hour)
		if a := w.open(); len(a) != 0 {
			t.Fatalf("a line at rest raised %+v", a)
		}
	})
}

// While silenced alerts are recorded and not told; when the silence ends, what still stands is told.
func TestSilenceHoldsBackAndEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		w.begin()
		defer w.end()
		w.do(haccp.AskSilence, w.now(), lead(), &alarm.Silenced{Place: "room", Reason: "door is being repaired", Until: w.now().Add(30 * time.Minute)})
		w.cold("9.0")
		until(t, "2026-11-02T09:29:59Z")
		w.floor.want(t)
		if a := w.open(); len(a) != 1 || a[0].Reached != 0 {
			t.Fatal("a silenced alert is recorded all the same, and passed on to nobody")
		}
		until(t, "2026-11-02T09:31:01Z")
		if got := w.floor.said(); len(got) != 1 || !strings.Contains(got[0], "outside") {
			t.Fatalf("after the silence: %v", got)
		}
	})
}

// A channel that refuses and then hangs holds up no other, backs off, says how it stands, and delivers in the end.
func TestChannelFailsHangsAndRecovers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		w.manager.fail = func(int) error { return nil }
		w.floor.fail = func(n int) error {
			switch {
			case n <= 3:
				return &notify.Refused{Code: 500, What: "webhook"}
			case n == 4:
				return errHang
			}
			return nil
		}
		w.begin()
		defer w.end()
		w.cold("9.0")
		after(2 * time.Second)
		list, err := w.desk.Load().Channels(t.Context())
		check(t, err)
		if c := list[0]; c.Name != "floor" || c.Waiting != 1 || c.Failure != "the webhook answered 500" || !c.Delivered.IsZero() || c.Since.IsZero() {
			t.Fatalf("state of the channel: %+v", c)
		}
		after(2 * time.Minute)
		// 500 at 0 s, 1 s, 3 s; hangs from 7 s to 17 s; taken after 8 s more.
		w.floor.want(t, "09:00:25 raised outside")
		list, err = w.desk.Load().Channels(t.Context())
		check(t, err)
		if c := list[0]; c.Waiting != 0 || c.Failure != "" || c.Delivered.IsZero() {
			t.Fatalf("state after it: %+v", c)
		}
		if a := w.open(); a[0].ToldBy("floor") == nil {
			t.Fatal("the delivery is not recorded")
		}
	})
}

// A channel that never takes a message is given up after a day; the record says so.
func TestGivenUp(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		w.floor.fail = func(int) error { return errors.New("connection refused") }
		w.begin()
		defer w.end()
		w.cold("9.0")
		after(26 * time.Hour)
		if x := w.open()[0].ToldBy("floor"); x == nil || !x.GaveUp {
			t.Fatalf("after a day: %+v", x)
		}
		if n := w.count(haccp.KindAlertGivenUp); n != 1 {
			t.Fatalf("%d records of giving up", n)
		}
	})
}

// Stopped between raising and delivery, or before it could raise: after the next start it is told, once.
func TestRestartLosesAndDoublesNothing(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		w.floor.fail = func(int) error { return errors.New("connection refused") }
		w.begin()
		w.cold("9.0")
		after(2 * time.Second)
		w.end()
		after(time.Minute)
		w.floor.fail = nil
		w.plantUnderTest.open()
		w.begin()
		after(time.Second)
		w.floor.want(t, "09:01:02 raised outside")
		w.end()
		w.plantUnderTest.open()
		w.begin()
		after(5 * time.Minute)
		w.floor.want(t, "09:01:02 raised outside")
		w.end()
		w.plantUnderTest.open() // an outside reading that nobody watched
		w.line(true)
		w.do(haccp.KindReading, w.now(), technician(), &haccp.Reading{Check: "knife-check", Place: "table", Mode: "hand",
			Entries: []haccp.Entry{{Quantity: "yes_no", Method: "look", Read: quantity.Answer(false)}}})
		w.begin()
		after(time.Second)
		w.end()
		if got := w.floor.said(); len(got) < 2 || !strings.Contains(got[1], "raised outside") {
			t.Fatalf("told %v", got)
		}
	})
}

// After an hour in which nothing ran, the steps of the ladder come once and together; a clock that steps back brings
// nothing twice, and what was to come goes on when the clock has caught up.
func TestStoppedHourAndClockBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		w.begin()
		defer w.end()
		w.cold("9.0")
		after(time.Second)
		w.step(time.Hour)
		after(2 * time.Minute)
		if got := len(w.manager.said()); got != 1 {
			t.Fatalf("the manager was told %d times: %v", got, w.manager.said())
		}
		if n := w.count(haccp.KindAlertEscalated); n != 1 {
			t.Fatalf("%d steps recorded", n)
		}
		before := len(w.floor.said())
		w.step(-time.Hour)
		after(10 * time.Minute)
		for _, s := range w.floor.said()[before:] {
			if strings.Contains(s, "raised outside") || strings.Contains(s, "repeated outside") && len(w.floor.said())-before > 3 {
				t.Fatalf("after the clock stepped back: %v", w.floor.said())
			}
		}
		found := false
		for _, a := range w.open() {
			found = found || a.Cause == alarm.ClockBack
		}
		if !found {
			t.Fatal("nobody is told that the clock stands back")
		}
	})
}

// A thousand devices of one line fall silent at once: few messages, none of them naming a thousand.
func TestStormIsAHandfulOfMessages(t *testing.T) {
	const tables, n = 340, 3 * 340
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", stormPlan(tables), false)
		w.begin()
		defer w.end()
		w.line(true)
		until(t, "2026-11-02T09:40:00Z")
		raised := w.count(haccp.KindAlertRaised)
		if raised < n {
			t.Fatalf("%d alerts for %d missed checks", raised, n)
		}
		got := w.floor.said()
		if len(got) > 6 {
			t.Fatalf("%d messages for %d alerts: %v", len(got), raised, got)
		}
		for _, m := range w.floor.got {
			if len(m.Items) > 20 || len(m.Text) > 20_000 {
				t.Fatalf("a message of %d alerts, %d bytes", len(m.Items), len(m.Text))
			}
		}
		t.Logf("%d alerts, %d messages: %v", raised, len(got), got)
	})
}

// stormPlan has n tables on a line with three checks of three points each: a plan lists at most 500 places.
func stormPlan(n int) string { return tablesPlan(n, 3) }

// tablesPlan has n tables on a line with some checks of as many points each.
func tablesPlan(n, each int) string {
	var places, points, checks strings.Builder
	var ids []string
	for i := range n {
		id := fmt.Sprintf("t%d", i)
		ids = append(ids, id)
		fmt.Fprintf(&places, "  - {id: %s, name: Table %d, line: line-1, kind: table}\n", id, i)
	}
	var rows []string
	for row := range slices.Chunk(ids, 10) {
		rows = append(rows, strings.Join(row, ", "))
	}
	list := "[" + strings.Join(rows, ",\n      ") + "]"
	text := strings.Replace(livePlan, "  - {id: table, name: Table, line: line-1, kind: table}\n", places.String(), 1)
	text = strings.ReplaceAll(text, "places: [table]", "places: "+list)
	point := between(text, "  - id: knives\n", "classes:")
	check := between(text, "  - id: knife-check\n", "fixes:\n  - {id")
	for i := range each - 1 {
		more := strconv.Itoa(i + 2)
		points.WriteString(strings.Replace(point, "id: knives", "id: knives-"+more, 1))
		checks.WriteString(strings.NewReplacer("id: knife-check", "id: knife-check-"+more, "points: [knives]", "points: [knives-"+more+"]").Replace(check))
	}
	return strings.NewReplacer(point, point+points.String(), check, check+checks.String()).Replace(text)
}

func between(text, from, to string) string {
	i := strings.Index(text, from)
	return text[i : i+strings.Index(text[i:], to)]
}

// The timetable that does not run, and a log that does not verify, are causes of their own.
func TestTheServiceItself(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := newWatched(t, "2026-11-02T09:00:00Z", livePlan, false)
		w.verify = func(context.Context) error { return errors.New("record 7 was altered") }
		w.begin()
		check(t, w.table.Stop(context.Background()))
		after(5 * time.Minute)
		var causes []string
		for _, a := range w.open() {
			causes = append(causes, a.Cause)
		}
		slices.Sort(causes)
		if !slices.Equal(causes, []string{alarm.Tamper, alarm.TimetableLate}) {
			t.Fatalf("open: %v", causes)
		}
		if w.desk.Load().Alive() {
			t.Fatal("the heartbeat goes on although nobody looks for missed checks")
		}
		if w.floor.live == 0 || len(w.floor.open) != 2 {
			t.Fatalf("posted again: %d alerts, %d times alive", len(w.floor.open), w.floor.live)
		}
		w.desk.Load().Stop()
		check(t, w.site.Close(context.Background()))
	})
}

// The summary of a shift comes once, at its end by the wall clock, on the days the clock changes too (Europe/Madrid, IANA
// time zone database: 02:30 comes twice on 25 October 2026 and never on 28 March 2027), and after a stop.
func TestSummaries(t *testing.T) {
	for _, x := range []struct {
		begin, end string
		want       []string
	}{
		{"2026-10-24T20:00:00Z", "2026-10-25T04:00:00Z", []string{"22:00", "00:30"}},
		{"2027-03-27T20:00:00Z", "2027-03-28T03:00:00Z", []string{"23:00", "01:00"}},
	} {
		synctest.Test(t, func(t *testing.T) {
			w := newWatched(t, x.begin, livePlan, false)
			w.begin()
			until(t, x.end)
			var got []string
			for i, m := range w.manager.got {
				if m.Kind == notify.Digest {
					got = append(got, w.manager.at[i].UTC().Truncate(5*time.Minute).Format("15:04"))
				}
			}
			if !slices.Equal(got, x.want) {
				t.Errorf("%s: summaries at %v, want %v", x.begin, got, x.want)
			}
			w.end()
		})
	}
}
