//go:build long

package wiretest

import (
	"bufio"
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"time"
)

// logged is what the checks read of a record.
type logged struct {
	Seq     int64  `json:"seq"`
	ID      string `json:"id"`
	Command string `json:"command"`
	Kind    string `json:"kind"`
	Body    struct {
		Check     string `json:"check"`
		Place     string `json:"place"`
		Due       string `json:"due"`
		Row       string `json:"row"`
		Epoch     int64  `json:"epoch"`
		Holder    string `json:"holder"`
		Deviation string `json:"deviation"`
		Part      string `json:"part"`
		Class     string `json:"class"`
	} `json:"body"`
}

// check looks at what is left: at every instance, and in the log.
func (f *fleet) check() tally {
	f.t.Helper()
	states := f.states(f.nodes)
	for _, n := range f.nodes {
		n.mu.Lock()
		f.must(n.process.Process.Signal(syscall.SIGTERM))
		late := time.AfterFunc(12*time.Second, func() { _ = n.process.Process.Signal(syscall.SIGQUIT) }) // it then says where it hangs
		defer late.Stop()
		if err := n.process.Wait(); err != nil {
			f.t.Errorf("stop: %v\n%s", err, n.out)
		}
		late.Stop()
		n.mu.Unlock()
	}
	f.command(append([]string{"verify"}, f.place...)...)
	file := filepath.Join(f.t.TempDir(), "all.records.ndjson")
	f.command(append([]string{"export", "records", "-o", file}, f.place...)...)
	f.command("verify", file)
	records := f.records(file)
	f.checkRecords(records)
	// One more instance folds the log, and shows what the others showed before.
	fresh := &node{address: f.nodes[0].address, flags: f.place}
	f.must(fresh.start(f.binary))
	defer fresh.kill()
	for i, s := range append(states, f.states([]*node{fresh})...)[1:] {
		for what, text := range s {
			if text != states[0][what] {
				f.t.Errorf("%s of instance %d and the first differ:\n%.2000s\n%.2000s", what, i+2, text, states[0][what])
			}
		}
	}
	f.tally.acked = len(f.acked)
	return f.tally
}

// passing is what goes on with the hour: ages, and with the last sweep the head and the number of misses.
var passing = regexp.MustCompile(`"head":\{[^}]*\}|"(age|days_open|missed)":[^,}]*`)

// states asks instances for all that their state holds and that does not depend on the hour. The timetable goes
// on meanwhile, so they are asked until all stand at the same head.
func (f *fleet) states(nodes []*node) []map[string]string {
	f.t.Helper()
	if len(nodes) == len(f.nodes) { // the line stops, and with it the checks that fall due
		f.mustSend("lea", "/lines/line-1/stop", map[string]any{"id": newID(), "reason": "end of the test", "product_in_baths": []string{}})
		time.Sleep(4 * time.Second)
	}
	for range 30 {
		var all []map[string]string
		heads := map[string]bool{}
		for _, n := range nodes {
			one := map[string]string{}
			for _, path := range []string{"/deviations?state=all&from=2026-01-01T00:00:00Z&to=2100-01-01T00:00:00Z", "/lines", "/people", "/devices", "/plans"} {
				status, out, err := f.send(n, "mara", "GET", path, nil)
				if err != nil || status != http.StatusOK {
					f.t.Fatalf("%s: %d %v %s", path, status, err, out)
				}
				one[path] = passing.ReplaceAllString(string(out), "")
			}
			status, out, err := f.send(n, "mara", "GET", "/site", nil)
			if err != nil || status != http.StatusOK {
				f.t.Fatalf("/site: %d %v %s", status, err, out)
			}
			var site struct{ Head, Counts json.RawMessage }
			f.must(json.Unmarshal(out, &site))
			one["counts"] = passing.ReplaceAllString(string(site.Counts), "")
			heads[string(site.Head)] = true
			all = append(all, one)
		}
		if len(heads) == 1 {
			return all
		}
		time.Sleep(time.Second)
	}
	f.t.Fatal("the instances do not come to the same head")
	return nil
}

func (f *fleet) mustSend(who, path string, body map[string]any) {
	f.t.Helper()
	for range 50 {
		status, out, err := f.send(f.nodes[0], who, "POST", path, body)
		if err == nil && (status == http.StatusCreated || status == http.StatusOK) {
			return
		}
		if err == nil && status < 500 {
			f.t.Fatalf("%s: %d %s", path, status, out)
		}
		time.Sleep(100 * time.Millisecond)
	}
	f.t.Fatalf("%s was not answered", path)
}

// records reads an export.
func (f *fleet) records(file string) []logged {
	f.t.Helper()
	in, err := os.Open(file)
	f.must(err)
	defer in.Close()
	var out []logged
	scan := bufio.NewScanner(in)
	scan.Buffer(nil, 16<<20)
	for scan.Scan() {
		var line struct {
			Record string `json:"record"`
		}
		f.must(json.Unmarshal(scan.Bytes(), &line))
		if line.Record == "" {
			continue
		}
		var r logged
		f.must(json.Unmarshal([]byte(line.Record), &r))
		out = append(out, r)
	}
	f.must(scan.Err())
	return out
}

// checkRecords holds the log against what was acknowledged, and against itself.
func (f *fleet) checkRecords(records []logged) {
	f.t.Helper()
	first, ids := map[string]int64{}, map[string]bool{}
	last := map[string]int64{}
	missed, epochs := map[string]bool{}, int64(0)
	class, signed := map[string]string{}, map[string]map[string]bool{}
	for i, r := range records {
		if r.Seq != int64(i)+1 {
			f.t.Fatalf("record %d stands in place %d", r.Seq, i+1)
		}
		if ids[r.ID] {
			f.t.Errorf("record id %s is there twice", r.ID)
		}
		ids[r.ID] = true
		if _, known := first[r.Command]; !known {
			first[r.Command] = r.Seq
		} else if last[r.Command] != r.Seq-1 {
			f.t.Errorf("command %s was recorded twice: at %d and %d", r.Command, first[r.Command], r.Seq)
		}
		last[r.Command] = r.Seq
		switch r.Kind {
		case "check.missed":
			f.tally.missed++
			what := strings.Join([]string{r.Body.Check, r.Body.Place, r.Body.Row, r.Body.Due}, " ")
			if missed[what] {
				f.t.Errorf("the miss %s was recorded twice", what)
			}
			missed[what] = true
		case "timetable.taken":
			f.tally.takeovers++
			if r.Body.Epoch <= epochs {
				f.t.Errorf("epoch %d follows epoch %d", r.Body.Epoch, epochs)
			}
			epochs = r.Body.Epoch
		case "deviation.opened":
			class[r.Body.Deviation], signed[r.Body.Deviation] = r.Body.Class, map[string]bool{}
		case "deviation.signed":
			f.checkClose(r, class[r.Body.Deviation], signed[r.Body.Deviation])
			signed[r.Body.Deviation][r.Body.Part] = true
		}
	}
	for id, seq := range f.acked {
		if first[id] != seq {
			f.t.Errorf("command %s was acknowledged as record %d and is record %d", id, seq, first[id])
		}
	}
	f.t.Logf("%d records, %d commands acknowledged: %v; %d deviations closed", len(records), len(f.acked), f.kinds, f.tally.closed)
}

// checkClose wants the parts of a close before it: of a deviation control restored, product evaluated, cause and
// action.
func (f *fleet) checkClose(r logged, class string, signed map[string]bool) {
	f.t.Helper()
	if r.Body.Part != "closed" {
		return
	}
	f.tally.closed++
	wanted := []string{"control-restored"}
	if class == "ccp" {
		wanted = []string{"control-restored", "product-evaluated", "cause-and-action"}
	}
	for _, part := range wanted {
		if !signed[part] {
			f.t.Errorf("record %d closes deviation %s of class %q without %s", r.Seq, r.Body.Deviation, class, part)
		}
	}
}
