package benchmark_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/quantity"
	"linewarden/internal/plant"
)

// BenchmarkWriter gives readings recorded per second by 64 callers at once without network, sign-in and
// JSON of the API: rules, writer and store alone.
func BenchmarkWriter(b *testing.B) {
	s, _ := startWhole(b).(*whole)
	all := make([]*client, clients)
	for i := range all {
		all[i] = s.dial(b, i)
	}
	work := make(chan struct{}, clients)
	var failed atomic.Bool
	var wg sync.WaitGroup
	for i, c := range all {
		by := haccp.Actor{ID: fmt.Sprintf("person-%d", i%people), Name: fmt.Sprintf("Test Person %d", i%people),
			Role: haccp.RoleTechnician, Known: haccp.KnownPassword}
		wg.Go(func() {
			for range work {
				if err := c.direct(s.site, by); err != nil && !failed.Swap(true) {
					b.Error(err)
				}
			}
		})
	}
	before := processorTime()
	for b.Loop() {
		work <- struct{}{}
	}
	close(work)
	wg.Wait()
	b.ReportMetric(float64(processorTime()-before)/float64(time.Microsecond)/float64(b.N), "cpu-us/reading")
	for _, c := range all {
		c.close()
	}
	s.stop(b)
}

// direct has the site decide a reading as the API would hand it in.
func (c *client) direct(site *plant.Site, by haccp.Actor) error {
	c.n++
	c.fill(time.Now())
	var in struct {
		ID          string        `json:"id"`
		At          time.Time     `json:"at"`
		Device      *haccp.Device `json:"device"`
		Check       string        `json:"check"`
		Place       string        `json:"place"`
		SamplePoint string        `json:"sample_point"`
		Entries     []struct {
			Quantity string         `json:"quantity"`
			Method   string         `json:"method"`
			Read     quantity.Value `json:"read"`
		} `json:"entries"`
	}
	if err := json.Unmarshal(c.body, &in); err != nil {
		return err
	}
	r := &haccp.Reading{Check: in.Check, Place: in.Place, SamplePoint: in.SamplePoint, Mode: "hand"}
	for _, e := range in.Entries {
		r.Entries = append(r.Entries, haccp.Entry{Quantity: e.Quantity, Method: e.Method, Read: e.Read})
	}
	res, err := site.Do(context.Background(), plant.Request{Sent: c.body, Command: &haccp.Command{ID: in.ID, Kind: haccp.KindReading, At: in.At,
		AtKnown: haccp.AtDevice, Device: in.Device, By: by, Ask: r}})
	if err == nil && len(res.Events) == 0 {
		return errors.New("nothing was recorded")
	}
	return err
}
