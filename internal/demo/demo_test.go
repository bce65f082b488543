package demo_test

import (
	"bytes"
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/demo"
	"linewarden/internal/memstore"
	"linewarden/internal/plant"
	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
	"linewarden/internal/sqlitestore"
)

// Ends of a history: a Tuesday at 10:17 in the day shift of the plant (Mérida is six hours behind UTC), a
// Wednesday at 00:30 between the days, a Sunday, and a morning just after a start.
var (
	inShift  = time.Date(2026, 11, 24, 16, 17, 0, 0, time.UTC)
	atNight  = time.Date(2026, 11, 25, 6, 30, 0, 0, time.UTC)
	onSunday = time.Date(2026, 11, 22, 18, 0, 0, 0, time.UTC)
	early    = time.Date(2026, 11, 24, 12, 20, 0, 0, time.UTC)
)

func signer(t testing.TB) *record.Signer {
	t.Helper()
	logID, err := record.NewLogID(rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	secret, _, err := record.GenerateKey(rand.Reader, demo.Site, logID)
	if err != nil {
		t.Fatal(err)
	}
	s, err := record.NewSigner(secret)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// written writes a history into a log and opens the site on it, with its clock at now.
func written(t testing.TB, log record.Log, now time.Time, days int) (*plant.Site, demo.History) {
	t.Helper()
	o := plant.Options{Log: log, Signer: signer(t), Zones: time.LoadLocation}
	h, err := demo.Write(t.Context(), demo.Options{Plant: o, Now: now, Days: days})
	if err != nil {
		t.Fatal(err)
	}
	o.Clock = func() time.Time { return now }
	s, err := plant.Open(t.Context(), o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(context.WithoutCancel(t.Context())); err != nil {
			t.Error(err)
		}
	})
	return s, h
}

func inMemory(t testing.TB, now time.Time, days int) (*plant.Site, record.Log) {
	t.Helper()
	log := memstore.New().Site(demo.Site)
	s, _ := written(t, log, now, days)
	return s, log
}

// kinds counts the records of a log by kind.
func kinds(t testing.TB, log record.Log) map[string]int {
	t.Helper()
	head, err := log.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	out := map[string]int{}
	err = log.Scan(t.Context(), 1, head.Size, func(_ int64, rec string) error {
		e, err := record.DecodeString(rec)
		out[e.Kind]++
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestThreeWeeks looks for the stories of the history, and for nothing else that went wrong.
func TestThreeWeeks(t *testing.T) {
	s, log := inMemory(t, inShift, 0)
	k := kinds(t, log)
	for kind, want := range map[string]int{haccp.KindDeviationOpened: 5, haccp.KindMissed: 1, haccp.KindAmended: 1, haccp.KindVoided: 0,
		haccp.KindDeviationSigned: 12, haccp.KindDeviationReopened: 0, haccp.KindFounded: 1, haccp.KindPlanSigned: 1, haccp.KindFixDone: 2} {
		if k[kind] != want {
			t.Errorf("%d records of %s, want %d", k[kind], kind, want)
		}
	}
	for _, kind := range []string{haccp.KindReading, haccp.KindFilled, haccp.KindAdded, haccp.KindDrained, haccp.KindCleaned, haccp.KindCleanBreak,
		haccp.KindLineStarted, haccp.KindLineStopped, haccp.KindReviewed, haccp.KindDeviceEnrolled} {
		if k[kind] == 0 {
			t.Errorf("no record of %s", kind)
		}
	}
	c := s.View().Counts
	if c.Late != 1 || c.Outside != 2 || c.Missed != 1 || c.Amended != 1 {
		t.Errorf("counts %+v", c)
	}
	checkCases(t, s)
	checkLots(t, s)
	if list := s.View().Exercises(); len(list) != 1 || list[0].Open() || list[0].End.Result.Balance.Share == "" || list[0].End.Result.Forward.Shipments == 0 {
		t.Errorf("exercises: %+v", list)
	} else {
		t.Logf("exercise: %+v", list[0].End.Result)
	}
	t.Logf("%d records: %v", s.Head().Size, k)
}

// checkLots wants a normal week of lots, one destroyed because it was affected, one reworked, and some on hold to work on.
func checkLots(t *testing.T, s *plant.Site) {
	t.Helper()
	states := map[string]int{}
	missing := map[string]int{}
	for _, l := range s.View().Lots() {
		states[l.State()]++
		if l.State() == haccp.LotInProcess {
			for _, m := range s.View().MissingFor(l.Code, haccp.Facts{}, inShift) {
				missing[m.What+" "+m.Point]++
			}
		}
	}
	t.Logf("lots: %v, missing %v", states, missing)
	if states[haccp.LotShippedAs] < 5 || states[haccp.LotOnHold] < 1 {
		t.Errorf("lots by state: %v", states)
	}
	for kind, want := range map[string]string{haccp.LotDestroyed: plan.Destroy, haccp.LotReworked: plan.Rework} {
		events, _, err := s.Find(t.Context(), plant.Query{Kind: haccp.KindLotDisposed})
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for _, e := range events {
			if b, ok := e.Body.(*haccp.LotDisposed); ok && b.Outcome == want {
				n++
			}
		}
		if n == 0 {
			t.Errorf("no lot was %s", kind)
		}
	}
}

func checkCases(t *testing.T, s *plant.Site) {
	t.Helper()
	open := s.View().Cases()
	if len(open) == 2 && open[0].Ground == haccp.GroundClock && open[0].Lot != "" { // the reworked lot kept its clock
		open = open[1:]
	}
	if len(open) != 1 || open[0].Ground != haccp.GroundExcursion || !open[0].Critical || open[0].Point != "wash-chlorine" || len(open[0].Parts) > 0 {
		t.Fatalf("open cases %+v", open)
	}
	if end := open[0].Now.End; end.IsZero() || inShift.Sub(end) > 2*time.Hour {
		t.Errorf("the open case was outside until %s", end)
	}
	events, _, err := s.Find(t.Context(), plant.Query{Kind: haccp.KindDeviationOpened})
	if err != nil {
		t.Fatal(err)
	}
	var closed []string
	for _, e := range events {
		b, _ := e.Body.(*haccp.DeviationOpened)
		all, _, err := s.Find(t.Context(), plant.Query{About: "deviation:" + b.Deviation})
		if err != nil {
			t.Fatal(err)
		}
		if d := haccp.FoldCase(plant.BySeq(all)); d.IsClosed {
			closed = append(closed, d.Ground)
			if len(d.Parts) != 4 || len(d.Loggers) == 0 || slices.Contains(d.Loggers, "herminia") {
				t.Errorf("closed case: %d parts, logged by %v", len(d.Parts), d.Loggers)
			}
		}
	}
	slices.Sort(closed)
	if want := []string{haccp.GroundExcursion, haccp.GroundMiss, haccp.GroundResult}; !slices.Equal(closed, want) {
		t.Errorf("closed cases %v, want %v", closed, want)
	}
}

// TestAnyMoment wants the same stories whatever the moment at which the history ends, and whatever chance.
func TestAnyMoment(t *testing.T) {
	for name, now := range map[string]time.Time{"in shift": inShift, "at night": atNight, "Sunday": onSunday, "early": early} {
		for days := demo.MinDays; days <= 9; days += 6 {
			if days > demo.MinDays && name != "in shift" && name != "Sunday" {
				continue
			}
			s, log := inMemory(t, now, days)
			k := kinds(t, log)
			reworked := k[haccp.KindLotFed]   // the day after; its clock opens a case that stays open
			tested, open := resultCases(t, s) // of the lot washed in weak water, once its results are there
			if k[haccp.KindDeviationOpened] != 3+reworked+tested || tested > 1 || days > 3 && tested != 1 || k[haccp.KindMissed] != 1 || len(s.View().Cases()) != 1+reworked+open || k[haccp.KindAmended] != 1 || s.View().Counts.Late != 1 {
				t.Errorf("%s, %d days: %d cases, %d open, %d misses, %+v", name, days, k[haccp.KindDeviationOpened], len(s.View().Cases()), k[haccp.KindMissed], s.View().Counts)
			}
			if running := s.View().Running("line-1", now); running != (name == "in shift" || name == "early") {
				t.Errorf("%s, %d days: line running is %v", name, days, running)
			}
		}
	}
}

// resultCases counts the cases opened by results, and those of them that are open.
func resultCases(t *testing.T, s *plant.Site) (all, open int) {
	t.Helper()
	events, _, err := s.Find(t.Context(), plant.Query{Kind: haccp.KindDeviationOpened})
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range events {
		if b, ok := e.Body.(*haccp.DeviationOpened); ok && b.Ground == haccp.GroundResult {
			all++
		}
	}
	for _, c := range s.View().Cases() {
		if c.Ground == haccp.GroundResult {
			open++
		}
	}
	return all, open
}

// TestFindings wants no oddity noted in the whole history but the one reading that was received late and the
// gel that was lost in rework.
func TestFindings(t *testing.T) {
	_, log := inMemory(t, inShift, 0)
	head, err := log.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	found := map[string]int{}
	err = log.Scan(t.Context(), 1, head.Size, func(_ int64, rec string) error {
		e, err := record.DecodeString(rec)
		for _, f := range e.Findings {
			found[f.Code]++
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if want := map[string]int{haccp.FindingLate: 1, haccp.FindingFeedUneven: 1}; !maps.Equal(found, want) {
		t.Errorf("findings %v", found)
	}
}

// TestChemistryShows wants hypochlorous acid judged inside and in the margin, and forecasts of both kinds: one that
// brings a test forward, and one that says why it cannot.
func TestChemistryShows(t *testing.T) {
	s, _ := inMemory(t, inShift, 0)
	got := map[string]int{}
	q := plant.Query{Kind: haccp.KindReading}
	for {
		page, next, err := s.Find(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range page {
			r, _ := e.Body.(*haccp.Reading)
			for _, v := range r.Verdicts {
				if v.Limit == "hocl-operating" {
					got["hocl "+v.Verdict]++
				}
			}
			if f := r.Forecast; f != nil {
				got["forecast "+f.Reason]++
				if !f.Test.IsZero() {
					got["brought forward"]++
				}
			}
		}
		if q.After = next; next == "" {
			break
		}
	}
	t.Log(got)
	for _, k := range []string{"hocl inside", "hocl act", "forecast ", "forecast too-few", "brought forward"} {
		if got[k] == 0 {
			t.Errorf("none of %q: %v", k, got)
		}
	}
}

// TestDueListLives wants work in the list of due checks, and nothing missed in it.
func TestDueListLives(t *testing.T) {
	s, _ := inMemory(t, inShift, demo.MinDays)
	due := map[string]int{}
	for _, d := range s.View().DueList(inShift) {
		due[d.State]++
	}
	if due[haccp.DueMissed] > 0 || due[haccp.DueUpcoming]+due[haccp.DueNow]+due[haccp.DueLate] < 8 {
		t.Errorf("due list %v", due)
	}
	for _, p := range s.View().PointStates(inShift) {
		if p.Point == "wash-chlorine" && p.State != "inside" && p.State != "act" {
			t.Errorf("%s at %s is %s", p.Point, p.Place, p.State)
		}
	}
}

// TestVerifies exports the log and has it verified with its key.
func TestVerifies(t *testing.T) {
	log := memstore.New().Site(demo.Site)
	key := signer(t)
	o := plant.Options{Log: log, Signer: key, Checkpoints: log, Zones: time.LoadLocation}
	h, err := demo.Write(t.Context(), demo.Options{Plant: o, Now: inShift, Days: demo.MinDays})
	if err != nil {
		t.Fatal(err)
	}
	r, err := evidence.VerifyLog(t.Context(), demo.Site, log, evidence.VerifyOptions{Key: key.VerifierKey()})
	if err != nil || r.Size != h.Records {
		t.Errorf("%v, %+v, want %d records", err, r, h.Records)
	}
}

// bodies gives what a log says, without what belongs to its founding: key, roots and leaves.
func bodies(t testing.TB, log record.Log) []string {
	t.Helper()
	head, err := log.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	var out []string
	err = log.Scan(t.Context(), 2, head.Size, func(_ int64, rec string) error {
		var v map[string]any
		if err := json.Unmarshal([]byte(rec), &v); err != nil {
			return err
		}
		if b, ok := v["body"].(map[string]any); ok {
			delete(b, "signature")
		}
		b, err := json.Marshal(v)
		out = append(out, string(b))
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// TestSameAgain wants the same history for the same moment, and another for another chance.
func TestSameAgain(t *testing.T) {
	_, one := inMemory(t, inShift, demo.MinDays)
	_, two := inMemory(t, inShift, demo.MinDays)
	if a, b := bodies(t, one), bodies(t, two); !slices.Equal(a, b) {
		for i := range a {
			if i < len(b) && a[i] != b[i] {
				t.Fatalf("record %d differs:\n%s\n%s", i+2, a[i], b[i])
			}
		}
		t.Fatalf("%d and %d records", len(a), len(b))
	}
	log := memstore.New().Site(demo.Site)
	if _, err := demo.Write(t.Context(), demo.Options{Plant: plant.Options{Log: log, Signer: signer(t), Zones: time.LoadLocation}, Now: inShift, Days: demo.MinDays, Chance: 2}); err != nil {
		t.Fatal(err)
	}
	if slices.Equal(bodies(t, one), bodies(t, log)) {
		t.Error("another chance gives the same history")
	}
}

// TestFoldsFromSnapshot wants the state after a replay to be the one that writing left.
func TestFoldsFromSnapshot(t *testing.T) {
	log := memstore.New().Site(demo.Site)
	o := plant.Options{Log: log, Snapshots: log, Signer: signer(t), Zones: time.LoadLocation}
	if _, err := demo.Write(t.Context(), demo.Options{Plant: o, Now: inShift, Days: demo.MinDays}); err != nil {
		t.Fatal(err)
	}
	states := map[string]string{}
	for name, snapshots := range map[string]plant.Snapshots{"snapshot": log, "replay": nil} {
		o.Snapshots = snapshots
		s, err := plant.Open(t.Context(), o)
		if err != nil {
			t.Fatal(err)
		}
		b, err := s.View().Snapshot()
		if err != nil {
			t.Fatal(err)
		}
		states[name] = string(b)
		if err := s.Close(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	if states["snapshot"] != states["replay"] {
		t.Errorf("states differ: %d and %d bytes", len(states["snapshot"]), len(states["replay"]))
	}
}

// TestOnlyOnce refuses a log that is not empty, a length that is too short, and a stepped clock on a plant
// that is no demo.
func TestOnlyOnce(t *testing.T) {
	s, log := inMemory(t, inShift, demo.MinDays)
	size := s.Head().Size
	o := demo.Options{Plant: plant.Options{Log: log, Signer: signer(t), Zones: time.LoadLocation}, Now: inShift}
	if _, err := demo.Write(t.Context(), o); !errors.Is(err, haccp.ErrConflict) || s.Head().Size != size {
		t.Errorf("written twice: %v", err)
	}
	o.Days = 1
	if _, err := demo.Write(t.Context(), o); !errors.Is(err, haccp.ErrInvalid) {
		t.Errorf("one day: %v", err)
	}
	real := plant.Options{Log: memstore.New().Site(demo.Site), Signer: signer(t), Zones: time.LoadLocation}
	if err := plant.Found(t.Context(), real, plant.Founding{Site: demo.Site, Name: "A plant"}); err != nil {
		t.Fatal(err)
	}
	p, err := plant.Open(t.Context(), real)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := p.Close(context.WithoutCancel(t.Context())); err != nil {
			t.Error(err)
		}
	}()
	c := &haccp.Command{ID: "0197b6c0-5c5e-7aa1-9f0e-3d2a7c1b4e55", Kind: haccp.AskSweep, At: inShift, AtKnown: haccp.AtServer,
		By: haccp.Actor{ID: "timetable", Name: "Timetable", Role: haccp.RoleTimetable, Known: haccp.KnownTimetable}, Ask: &haccp.Sweep{}}
	if _, err := p.Send(t.Context(), plant.Request{Command: c, Stepped: inShift}); !errors.Is(err, haccp.ErrForbidden) {
		t.Errorf("stepped clock on a real plant: %v", err)
	}
}

// TestInvented wants the plan to say that plant and limits are invented, as every page and export shows it.
func TestInvented(t *testing.T) {
	p, file, err := demo.Plan()
	if err != nil || p.Site != demo.Site || !p.Demo || !strings.Contains(p.Name, "invented") {
		t.Errorf("%v, %+v", err, p)
	}
	src, err := os.ReadFile("plan.yaml")
	if err != nil || !bytes.Equal(src, []byte(file)) {
		t.Errorf("the plan signed is not the file: %v", err)
	}
	s, h := written(t, memstore.New().Site(demo.Site), inShift, demo.MinDays)
	held := map[string]bool{}
	for _, person := range h.People {
		known, ok := s.View().Person(person.ID)
		if !ok || known.SignIn != person.SignIn || !slices.Equal(known.RolesNow(), person.Roles) {
			t.Errorf("%s: %+v", person.ID, known)
		}
		for _, r := range person.Roles {
			held[r] = true
		}
	}
	if want := 6; len(held) != want {
		t.Errorf("roles %v", slices.Sorted(maps.Keys(held)))
	}
}

// BenchmarkThreeWeeks writes the history on SQLite, each commit synced to disk.
func BenchmarkThreeWeeks(b *testing.B) {
	for b.Loop() {
		store, err := sqlitestore.Open(b.Context(), b.TempDir(), sqlitestore.Options{})
		if err != nil {
			b.Fatal(err)
		}
		log, err := store.Site(b.Context(), demo.Site)
		if err != nil {
			b.Fatal(err)
		}
		o := plant.Options{Log: log, Snapshots: log, Checkpoints: log, Signer: signer(b), Zones: time.LoadLocation}
		h, err := demo.Write(b.Context(), demo.Options{Plant: o, Now: inShift})
		if err != nil {
			b.Fatal(err)
		}
		b.ReportMetric(float64(h.Records), "records")
		if err := store.Close(); err != nil {
			b.Fatal(err)
		}
	}
}
