package plant

import (
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"time"

	"linewarden/internal/record/recordtest"
)

// TestDecidedAhead has commands decided while the batch below them is being appended, and that append end in
// every way a store can let it end: whoever was told "recorded" is in the log, once, and whoever was told to
// try again is not.
func TestDecidedAhead(t *testing.T) {
	for _, c := range []struct {
		name   string
		faults []recordtest.Fault
		fails  bool // the batch being appended does not get into the log
		rivals int
	}{
		{"written", nil, false, 0},
		{"written, reported as uncertain", []recordtest.Fault{recordtest.WrittenUncertain}, false, 0},
		{"not written", []recordtest.Fault{recordtest.NotWritten}, true, 0},
		{"in doubt for ever", slices.Repeat([]recordtest.Fault{recordtest.NotWrittenUncertain}, appendTries), true, 0},
		{"conflict", []recordtest.Fault{recordtest.Conflicts}, false, 1},
		{"both conflict", []recordtest.Fault{recordtest.Conflicts, recordtest.Conflicts}, false, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			b := found(t)
			b.log.Rival = b.rival(t)
			b.log.Plan(c.faults...)
			b.log.Slow(100 * time.Millisecond)
			before := b.rules.decided()
			var all sync.WaitGroup
			errs := make([]error, 7)
			all.Go(func() {
				_, answers := b.atOnce(t, note(0, "0"), note(1, "1"))
				copy(errs, answers)
			})
			for b.rules.decided() < before+3 {
				time.Sleep(time.Millisecond)
			}
			appends := b.log.Appends()
			for n := 2; n < 7; n++ {
				id := n
				if n == 6 {
					id = 0 // the first command again, while its answer is on its way
				}
				all.Go(func() { _, errs[n] = b.Do(t.Context(), note(id, fmt.Sprint(id))) })
			}
			for c.faults == nil && b.rules.decided() < before+7 {
				if b.log.Appends() > appends+1 {
					t.Fatal("nothing was decided while the store was writing")
				}
				time.Sleep(time.Millisecond)
			}
			all.Wait()
			b.log.Slow(0)
			checkAnswers(t, b, errs, c.fails, c.rivals)
		})
	}
}

// checkAnswers compares what was answered with what the log and the view hold.
func checkAnswers(t *testing.T, b *bench, errs []error, fails bool, rivals int) {
	t.Helper()
	want := map[string]int{}
	if rivals > 0 {
		want["rival"] = rivals
	}
	for n, err := range errs {
		switch {
		case err == nil:
			want[fmt.Sprint(n%6)] = 1
		case !fails || !errors.Is(err, ErrBusy):
			t.Errorf("command %d: %v", n, err)
		}
	}
	if fails && (errs[0] == nil || errs[1] == nil) {
		t.Error("told recorded, but the store did not write")
	}
	got := map[string]int{}
	for _, text := range b.verified(t) {
		got[text]++
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("the log holds %v, answered were %v", got, want)
	}
	if err := b.Ready(); err != nil {
		t.Error(err)
	}
	if n := b.View().Counts.Readings; n != int64(len(b.verified(t))) {
		t.Errorf("the view counts %d, the log %d", n, len(b.verified(t)))
	}
}
