package sqlitestore_test

import (
	"os"
	"runtime"
	"strconv"
	"testing"
	"time"

	"linewarden/internal/record"
	"linewarden/internal/record/evidence"
	"linewarden/internal/record/recordtest"
	"linewarden/internal/sqlitestore"
)

// TestScale fills a log with LINEWARDEN_SCALE thousand records, then measures a
// day's records of one key, the check of the whole log, and memory.
func TestScale(t *testing.T) {
	thousands, err := strconv.Atoi(os.Getenv("LINEWARDEN_SCALE"))
	if err != nil || thousands < 100 {
		t.Skip("set LINEWARDEN_SCALE to a number of thousands of records, at least 100")
	}
	s := open(t, t.TempDir(), sqlitestore.Options{})
	log := site(t, s, "north")
	keys, err := recordtest.NewKeys("north", "a", 0)
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	if _, err := recordtest.MakeLog(t.Context(), log, keys, nil, repeat(500, thousands*2)...); err != nil {
		t.Fatal(err)
	}
	t.Logf("filled in %v", time.Since(began))
	middle := recordtest.Start.Add(time.Duration(thousands) * 500 * time.Second)
	began = time.Now()
	page, _, err := log.Find(t.Context(), record.Query{About: "series:free-cl@bath-1", From: middle, To: middle.Add(17 * time.Minute)})
	if took := time.Since(began); err != nil || len(page) != 510 || took > 20*time.Millisecond {
		t.Errorf("a day of one key: %d records in %v, %v; at most 20 ms wanted", len(page), took, err)
	} else {
		t.Logf("a day of one key: %d records in %v", len(page), took)
	}
	began = time.Now()
	r, err := evidence.VerifyLog(t.Context(), "north", log, evidence.VerifyOptions{Key: keys.Signer.VerifierKey()})
	if err != nil || !r.OK() {
		t.Fatal(r.Fault, err)
	}
	t.Logf("checked whole in %v", time.Since(began))
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	t.Logf("Go memory %d MB; see VmHWM for the whole", m.Sys>>20)
	status, err := os.ReadFile("/proc/self/status")
	if err == nil {
		t.Logf("%s", status[:min(len(status), 700)])
	}
}
