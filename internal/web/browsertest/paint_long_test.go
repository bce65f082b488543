//go:build long

package browsertest

import (
	"slices"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/chromedp"

	"linewarden/internal/benchmark"
)

// A phone on a slow mobile network: round trips of 150 ms, 1.6 Mbit/s down and 750 kbit/s up, a processor four times as slow
// as this machine's. Common practice for "slow 4G", no source.
const (
	roundTrip   = 150 * time.Millisecond
	downBytes   = 1_600_000 / 8
	upBytes     = 750_000 / 8
	slower      = 4
	paintWithin = 1500 * time.Millisecond
	paintLeeway = 3 // a test fails at so many times of it, since machines differ and are shared
	mostShift   = 0.02
)

// paint is when something was first seen of a page, and by how much what was seen moved afterwards (Paint Timing; Layout
// Instability, whose "good" is 0.1 or less).
type paint struct {
	First float64 // ms
	Shift float64
}

const painted = `new Promise(done => {
	let shift = 0, first = 0;
	new PerformanceObserver(l => l.getEntries().forEach(e => { if (!e.hadRecentInput) shift += e.value })).observe({type: "layout-shift", buffered: true});
	new PerformanceObserver(l => l.getEntriesByName("first-contentful-paint").forEach(e => { first = e.startTime })).observe({type: "paint", buffered: true});
	const end = performance.now() + 5000;
	const look = () => first && document.readyState === "complete" || performance.now() > end ? setTimeout(() => done({first, shift}), 200) : setTimeout(look, 50);
	look();
})`

// TestLongFirstPaint opens a page of every route on a slow phone, with nothing kept of an earlier visit, and says when something
// is seen of it.
func TestLongFirstPaint(t *testing.T) {
	p := atWork(t)
	routes := pageRoutes(t)
	for _, person := range []string{"herminia", "perla"} {
		v := openAt(t, p)
		v.signIn(person)
		seen, wait := map[string]string{}, []string{"/"}
		for len(wait) > 0 {
			address := wait[0]
			wait = wait[1:]
			v.go_(address)
			for _, next := range eval[[]string](v, `[...document.querySelectorAll("main a[href^='/'], .ways a[href^='/']")].map(a => a.pathname + a.search)`) {
				if r := routeOf(routes, next); r != "" && seen[r] == "" {
					seen[r] = next
					wait = append(wait, next)
				}
			}
		}
		onSlowPhone(v)
		measured := map[string]paint{}
		var all []float64
		for r, address := range seen {
			v.go_(address)
			x, err := chromedp.Run(v.ctx, chromedp.Evaluate[paint](painted, chromedp.EvalAwaitPromise))
			if err != nil {
				t.Fatal(err)
			}
			measured[r] = x
			all = append(all, x.First)
			if x.First == 0 || x.First > float64(paintLeeway*paintWithin/time.Millisecond) {
				t.Errorf("%s: first seen after %.0f ms, %s is asked for", r, x.First, paintWithin)
			}
			if x.Shift > mostShift {
				t.Errorf("%s: what is seen moves by %.3f", r, x.Shift)
			}
		}
		slices.Sort(all)
		worst := ""
		for r, x := range measured {
			if x.First == all[len(all)-1] {
				worst = r
			}
		}
		benchmark.Figure(t, "%s, %d pages on a slow phone: first contentful paint median %.0f ms, slowest %.0f ms (%s)", person, len(all), all[len(all)/2], all[len(all)-1], worst)
	}
}

func onSlowPhone(v *visit) {
	v.t.Helper()
	v.do(chromedp.EmulateViewport(360, 740, chromedp.EmulateMobile))
	_, err := chromedp.Call(v.ctx, network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{MatchedNetworkConditions: []*network.Conditions{
		{Latency: float64(roundTrip / time.Millisecond), DownloadThroughput: downBytes, UploadThroughput: upBytes}}})
	if err == nil {
		_, err = chromedp.Call(v.ctx, emulation.SetCPUThrottlingRate, emulation.SetCPUThrottlingRateParams{Rate: slower})
	}
	if err == nil {
		_, err = chromedp.Call(v.ctx, network.SetCacheDisabled, network.SetCacheDisabledParams{CacheDisabled: true})
	}
	if err != nil {
		v.t.Fatal(err)
	}
}
