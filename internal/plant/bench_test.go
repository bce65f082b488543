package plant

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
	"linewarden/internal/plant/codec"
	"linewarden/internal/record"
)

// sampleReading is a reading as a bath test gives it: three quantities, six limits.
func sampleReading(n int) *haccp.Reading {
	r := &haccp.Reading{Check: "bath-test", Place: "bath-1", Mode: "hand", PlanVersion: 3, Filling: "5d3c1f2e-7a3f-5b0c-8d5b-0a1b2c3d4e5f", SamplePoint: "outlet"}
	for i, q := range []string{"free-chlorine", "ph", "temperature"} {
		d := quantity.MustDecimal(fmt.Sprintf("%d.%d0", 50+n%40, i))
		r.Entries = append(r.Entries, haccp.Entry{Quantity: q, Method: "dpd", Instrument: "meter-2", Read: quantity.Exact(d, "mg/L")})
		for _, limit := range []string{"low", "high"} {
			r.Verdicts = append(r.Verdicts, control.Verdict{Kind: plan.Critical, Limit: q + "-" + limit, Point: "ccp-1", Value: d.String() + " mg/L", Verdict: control.Inside})
		}
	}
	return r
}

func sampleEvent(n int) *haccp.Event {
	at := time.UnixMilli(1.77e12 + int64(n)*1000).UTC()
	return &haccp.Event{Kind: haccp.KindReading, V: 1, Seq: int64(n + 2), ID: haccp.RecordID(commandID(n), 0), Command: commandID(n), At: at,
		AtKnown: haccp.AtDevice, RecordedAt: at, By: haccp.Actor{ID: "p-17", Name: "Ana Test", Role: haccp.RoleTechnician, Known: haccp.KnownPIN},
		Device: &haccp.Device{ID: "tablet-1", Clock: at, OffsetMS: 120}, About: []string{"check:bath-test@bath-1"}, Body: sampleReading(n)}
}

func BenchmarkEncodeReading(b *testing.B) {
	e := sampleEvent(1)
	tree := new(record.Tree)
	var buf []byte
	b.ReportAllocs()
	for b.Loop() {
		body, err := codec.AppendBody(buf[:0], e.Body)
		if err != nil {
			b.Fatal(err)
		}
		env, err := codec.Envelope(e, [32]byte{1}, body)
		if err != nil {
			b.Fatal(err)
		}
		builder := record.NewBuilder("plant", tree, 1)
		if err := builder.AppendCommand([]record.Envelope{env}); err != nil {
			b.Fatal(err)
		}
		buf = body
	}
}

func BenchmarkDecodeReading(b *testing.B) {
	e := sampleEvent(1)
	body, err := codec.AppendBody(nil, e.Body)
	if err != nil {
		b.Fatal(err)
	}
	env, err := codec.Envelope(e, [32]byte{1}, body)
	if err != nil {
		b.Fatal(err)
	}
	env.Site = "plant"
	rec := string(env.AppendCanonical(nil))
	d := codec.NewDecoder()
	b.Run("envelope", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if _, err := record.DecodeString(rec); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("whole", func(b *testing.B) {
		b.ReportAllocs()
		b.SetBytes(int64(len(rec)))
		for b.Loop() {
			env, err := record.DecodeString(rec)
			if err != nil {
				b.Fatal(err)
			}
			if _, err := d.Event(&env); err != nil {
				b.Fatal(err)
			}
		}
	})
}

// readingRules record the sample reading for every command and fold nothing but counts.
type readingRules struct{ fakeRules }

func (r *readingRules) Decide(s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error) {
	next := s.Fork()
	e := sampleEvent(int(s.Size))
	e.Seq, e.ID, e.Command, e.By, e.At, e.RecordedAt = s.Size+1, haccp.RecordID(c.ID, 0), c.ID, c.By, c.At, now
	events := []*haccp.Event{e}
	return &haccp.Outcome{Events: events, Next: next}, r.Apply(next, events, f)
}

func (r *readingRules) DecideOn(s *haccp.State, c *haccp.Command, f haccp.Facts, now time.Time) (*haccp.Outcome, error) {
	return decideOn(r, s, c, f, now)
}

// BenchmarkDo measures the writer's path without rules and without disk, under 64 clients.
func BenchmarkDo(b *testing.B) {
	site := found(b, func(o *Options) { o.rules = &readingRules{} })
	b.ReportAllocs()
	work := make(chan int, 1024)
	var wg sync.WaitGroup
	for range 64 {
		wg.Go(func() {
			for n := range work {
				if _, err := site.Do(context.Background(), note(n, "x")); err != nil {
					b.Error(err)
				}
			}
		})
	}
	n := 0
	for b.Loop() {
		n++
		work <- n
	}
	close(work)
	wg.Wait()
}

// BenchmarkReplay folds a log of readings; records/s is the figure to look at.
func BenchmarkReplay(b *testing.B) {
	site := found(b, func(o *Options) { o.rules, o.Snapshots = &readingRules{}, nil })
	const records = 20_000
	var wg sync.WaitGroup
	for c := range 64 {
		wg.Go(func() {
			for n := c; n < records; n += 64 {
				if _, err := site.Do(context.Background(), note(n, "x")); err != nil {
					b.Error(err)
				}
			}
		})
	}
	wg.Wait()
	for b.Loop() {
		s, err := Open(context.Background(), site.opt)
		if err != nil {
			b.Fatal(err)
		}
		if err := s.Close(context.Background()); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(records)*float64(b.N)/b.Elapsed().Seconds(), "records/s")
}
