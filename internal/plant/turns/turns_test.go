package turns

import (
	"testing"
	"testing/synctest"
	"time"
)

// loaded has an instance write commits of some milliseconds one after the other for a time, as giveWay and commit do,
// and gives how long it let others go first. meanwhile is called in each of these waits.
func loaded(t *Turns, d time.Duration, meanwhile func()) (waited time.Duration) {
	for end := time.Now().Add(d); time.Now().Before(end); {
		if _, until := t.Until(); time.Now().Before(until) {
			meanwhile()
			if _, until = t.Until(); time.Now().Before(until) {
				waited += time.Until(until)
				time.Sleep(time.Until(until))
				t.Nobody()
			}
		}
		began := time.Now()
		t.More(8, 8)
		time.Sleep(5 * time.Millisecond)
		t.Wrote(began)
	}
	return waited
}

// An instance that is alone under load lets others go first now and then, and ever more seldom.
func TestTurnsAlone(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		alone := Turns{Shared: true}
		asked := 0
		waited := loaded(&alone, 10*time.Second, func() { asked++ })
		if asked < 6 || asked > 12 || waited > 500*time.Millisecond {
			t.Errorf("asked %d times in 10 s and waited %s", asked, waited)
		}
		owner := Turns{}
		if loaded(&owner, time.Second, func() { t.Error("a store of one process is waited for") }) != 0 {
			t.Error("waited")
		}
	})
}

// One that knows of another goes on for a turn, says before its last commit that nothing follows, and waits.
func TestTurnsEnd(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		mine := Turns{Shared: true, took: 5 * time.Millisecond}
		mine.Read(false)
		began := time.Now()
		for mine.More(8, 8) {
			at := time.Now()
			if _, until := mine.Until(); at.Before(until) {
				t.Fatal("waits in the middle of its turn")
			}
			time.Sleep(5 * time.Millisecond)
			mine.Wrote(at)
		}
		if took := time.Since(began); took < turnLeast || took > turnMost {
			t.Errorf("the turn took %s", took)
		}
		mine.Wrote(time.Now())
		if _, until := mine.Until(); time.Until(until) < 5*time.Millisecond {
			t.Error("goes on without letting the other one go first")
		}
		mine.Read(false)
		if _, until := mine.Until(); !until.IsZero() {
			t.Error("waits after a commit of another instance that ended its turn")
		}
	})
}

// One that reads that more follows waits for it: until the turn ends, or its writer is silent, or for too long.
func TestTurnsOfOthers(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		mine := Turns{Shared: true, took: 5 * time.Millisecond}
		mine.Read(true)
		if _, until := mine.Until(); time.Until(until) < 20*time.Millisecond || time.Until(until) > waitMost {
			t.Errorf("waits %s for the next commit", time.Until(until))
		}
		time.Sleep(waitMost)
		if _, until := mine.Until(); time.Now().Before(until) {
			t.Error("waits for one that is silent")
		}
		began := time.Now()
		for {
			mine.Read(true)
			if _, until := mine.Until(); !time.Now().Before(until) {
				break
			}
			time.Sleep(5 * time.Millisecond)
		}
		if waited := time.Since(began); waited > longestTurn {
			t.Errorf("let another one go first for %s", waited)
		}
		if mine.More(1, 0) {
			t.Error("says that more follows with nothing waiting")
		}
	})
}
