//go:build long

package main

import (
	"fmt"
	"net/http"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// How long from the HTTP answer of an outside reading to the first message of its group at a webhook on loopback, while
// 200 readings a second come in. It measures and says; it fails only where a message is lost.
func TestAlertLatency(t *testing.T) {
	const places, loud, rate = 400, 300, 200
	dir := t.TempDir()
	binary, data := filepath.Join(dir, "linewarden"), filepath.Join(dir, "data")
	run1(t, "go", "build", "-o", binary, ".")
	realStation(t, data, places)
	tokens := probes(t, data, 8)
	hook := &receiver{t: t}
	settings := hookSettings(t, dir, serveHook(t, hook))
	address, err := freeAddress()
	if err != nil {
		t.Fatal(err)
	}
	serveBinary(t, binary, data, address, "--config", settings)
	url := "http://" + address
	client := &http.Client{Timeout: 10 * time.Second, Transport: &http.Transport{MaxIdleConnsPerHost: 64}}
	stop := make(chan struct{})
	var sent atomic.Int64
	var wg sync.WaitGroup
	began := time.Now()
	for c := range 8 {
		wg.Go(func() {
			tick := time.NewTicker(8 * time.Second / rate)
			defer tick.Stop()
			for i := c; ; i++ {
				select {
				case <-stop:
					return
				case <-tick.C:
				}
				if err := sendChlorine(client, url, tokens[c], fmt.Sprintf("station-%d", loud+i%(places-loud)), "1.50"); err != nil {
					t.Error(err)
					return
				}
				sent.Add(1)
			}
		})
	}
	answered := map[string]time.Time{}
	for i := range loud {
		place := fmt.Sprintf("station-%d", i)
		if err := sendChlorine(client, url, tokens[i%8], place, "0.20"); err != nil {
			t.Fatal(err)
		}
		answered[place] = time.Now()
		time.Sleep(80 * time.Millisecond)
	}
	close(stop)
	wg.Wait()
	took := time.Since(began)
	hook.await(t, "every place told of", func() bool { return len(hook.got) >= loud })
	hook.mu.Lock()
	defer hook.mu.Unlock()
	var all []time.Duration
	for i, m := range hook.got {
		if at, ok := answered[m.Items[0].Place]; ok && m.Items[0].Cause == "outside" {
			all = append(all, hook.at[i].Sub(at))
			if d := hook.at[i].Sub(at); d > 150*time.Millisecond {
				t.Logf("%s after the answer at %s", d.Round(time.Millisecond), at.Format("05.000"))
			}
			delete(answered, m.Items[0].Place)
		}
	}
	if len(answered) > 0 {
		t.Fatalf("%d places were never told of", len(answered))
	}
	t.Logf("%d messages at %.0f readings a second: median %s, p95 %s, p99 %s, longest %s", len(all), float64(sent.Load())/took.Seconds(),
		percentile(all, 0.5), percentile(all, 0.95), percentile(all, 0.99), percentile(all, 1))
}

// percentile gives the value below which a share of the measured lie.
func percentile(all []time.Duration, share float64) time.Duration {
	slices.Sort(all)
	return all[min(len(all)-1, int(share*float64(len(all))))]
}
