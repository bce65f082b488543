package benchmark_test

import (
	"fmt"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"linewarden/internal/app/memory"
)

// The load: as many clients at once as a large plant has tablets, people who share them, and how much of
// what they send is unusual.
const (
	clients    = 64
	people     = 50
	runs       = 5
	warmUp     = time.Second
	measured   = 4 * time.Second
	outsideOf  = 50  // one reading in so many is outside a limit: water that is outside stays so for a while
	outsideFor = 50  // milliseconds
	repeatOf   = 100 // one request in so many is sent a second time, as after a lost answer
	loneCalls  = 1500
)

// side is one of the two services that are compared, running.
type side interface {
	// dial gives a client of its own, as person n.
	dial(tb testing.TB, n int) *client
	// stop ends the service and gives how many readings it keeps.
	stop(tb testing.TB) int
}

// BenchmarkThroughput gives readings acknowledged per second under 64 clients and the median time of a lone
// client's call: through the whole API, and through a bare handler that parses the same body and appends it
// to a one-table SQLite file. Both sync every commit to disk; they take turns, five runs each, every run on
// a fresh folder, with the load generator in the same process. It ends after one round, however many are
// asked for, and fails on nothing but an answer that is wrong: times are for people to judge.
func BenchmarkThroughput(b *testing.B) {
	memory.Tune() // for both alike
	var bare, whole []result
	for range runs {
		bare = append(bare, measure(b, startBare(b)))
		whole = append(whole, measure(b, startWhole(b)))
	}
	perSecond := func(r result) float64 { return r.perSecond }
	lone := func(r result) float64 { return float64(r.lone) / float64(time.Millisecond) }
	bareRate, wholeRate := medianOf(bare, perSecond), medianOf(whole, perSecond)
	bareLone, wholeLone := medianOf(bare, lone), medianOf(whole, lone)
	b.Logf("readings/s, 64 clients: bare handler %s; whole API %s; ratio of medians %.2f", show(bare, perSecond), show(whole, perSecond), wholeRate/bareRate)
	b.Logf("lone client, median ms: bare handler %s; whole API %s; ratio of medians %.2f", show(bare, lone), show(whole, lone), wholeLone/bareLone)
	used := func(r result) float64 { return float64(r.used) / float64(time.Microsecond) }
	bareUsed, wholeUsed := medianOf(bare, used), medianOf(whole, used)
	b.Logf("processor time of a reading, client included, us: bare handler %s; whole API %s; ratio of medians %.2f", show(bare, used), show(whole, used), bareUsed/wholeUsed)
	b.ReportMetric(bareRate, "bare-readings/s")
	b.ReportMetric(wholeRate, "api-readings/s")
	b.ReportMetric(wholeRate/bareRate, "throughput-ratio")
	b.ReportMetric(bareLone, "bare-lone-ms")
	b.ReportMetric(wholeLone, "api-lone-ms")
	b.ReportMetric(wholeLone/bareLone, "latency-ratio")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkBare and BenchmarkAPI run one side alone, for a profile.
func BenchmarkBare(b *testing.B) { alone(b, startBare(b)) }

func BenchmarkAPI(b *testing.B) { alone(b, startWhole(b)) }

// BenchmarkScattered is BenchmarkAPI with one reading in fifty outside by chance, each a case of its own.
func BenchmarkScattered(b *testing.B) {
	s, _ := startWhole(b).(*whole)
	s.scattered = true
	alone(b, s)
}

func alone(b *testing.B, s side) {
	b.Helper()
	memory.Tune()
	r := measure(b, s)
	b.ReportMetric(r.perSecond, "readings/s")
	b.ReportMetric(float64(r.lone)/float64(time.Millisecond), "lone-ms")
	b.ReportMetric(float64(r.used)/float64(time.Microsecond), "cpu-us/reading")
	b.ReportMetric(r.allocated, "B/reading")
	b.ReportMetric(r.objects, "objects/reading")
	b.ReportMetric(0, "ns/op")
}

type result struct {
	perSecond float64
	lone      time.Duration // median of a lone client's calls
	used      time.Duration // processor time of the whole process for one reading; 0: not known here
	allocated float64       // bytes, by the whole process for one reading
	objects   float64
}

// measure loads a service and stops it.
func measure(b *testing.B, s side) result {
	b.Helper()
	var r result
	kept := 0
	all := make([]*client, clients)
	for i := range all {
		all[i] = s.dial(b, i)
	}
	r.lone, kept = loneMedian(b, all[0])
	var acknowledged atomic.Int64 // in the time measured
	var stopped, counting atomic.Bool
	var sent atomic.Int64 // different readings that were acknowledged
	var load sync.WaitGroup
	for _, c := range all {
		load.Go(func() {
			for !stopped.Load() {
				fresh, err := c.reading()
				if err != nil {
					b.Error(err)
					return
				}
				if counting.Load() {
					acknowledged.Add(1)
				}
				if fresh {
					sent.Add(1)
				}
			}
		})
	}
	time.Sleep(warmUp)
	counting.Store(true)
	var memBefore, memAfter runtime.MemStats
	runtime.ReadMemStats(&memBefore)
	began, before := time.Now(), processorTime()
	time.Sleep(measured)
	counting.Store(false)
	took, used := time.Since(began), processorTime()-before
	runtime.ReadMemStats(&memAfter)
	stopped.Store(true)
	load.Wait()
	for _, c := range all {
		c.close()
	}
	n := max(1, acknowledged.Load())
	r.used = used / time.Duration(n)
	r.allocated = float64(memAfter.TotalAlloc-memBefore.TotalAlloc) / float64(n)
	r.objects = float64(memAfter.Mallocs-memBefore.Mallocs) / float64(n)
	r.perSecond = float64(acknowledged.Load()) / took.Seconds()
	if have := s.stop(b); have != kept+int(sent.Load()) {
		b.Errorf("%T keeps %d readings, %d were acknowledged", s, have, kept+int(sent.Load()))
	}
	return r
}

// loneMedian gives the median time of a call when nobody else calls, and how many readings were sent.
func loneMedian(b *testing.B, c *client) (median time.Duration, kept int) {
	b.Helper()
	var took []time.Duration
	for range loneCalls {
		began := time.Now()
		fresh, err := c.reading()
		if err != nil {
			b.Fatal(err)
		}
		took = append(took, time.Since(began))
		if fresh {
			kept++
		}
	}
	slices.Sort(took)
	return took[len(took)/2], kept
}

func medianOf(rs []result, of func(result) float64) float64 {
	return sorted(rs, of)[len(rs)/2]
}

func sorted(rs []result, of func(result) float64) []float64 {
	out := make([]float64, len(rs))
	for i, r := range rs {
		out[i] = of(r)
	}
	slices.Sort(out)
	return out
}

// show writes median and range.
func show(rs []result, of func(result) float64) string {
	s := sorted(rs, of)
	return strings.TrimSpace(fmt.Sprintf("%.4g (%.4g to %.4g)", s[len(s)/2], s[0], s[len(s)-1]))
}
