package haccp_test

import (
	"testing"
	"time"

	"linewarden/haccp"
)

// A lot lies in the bath from 10 to 20 minutes after a test at 124 mg/L; tests follow after 15 minutes at 120 and after
// 25 at 122. By hand: lowest 120 x 5 + 120 x 5 = 1,200 mg min/L; straight lines: at 10 minutes 124 - 4 x 10/15 = 121.333,
// at 20 minutes 121, so (121.333+120)/2 x 5 + (120+121)/2 x 5 = 1,205.83 mg min/L.
func TestExposure(t *testing.T) {
	w := running(t, lotPlan)
	w.test("124")
	w.at(10 * time.Minute)
	w.receive("A")
	w.in("A", "wash-1", "bath-1")
	w.at(5 * time.Minute)
	w.test("120")
	w.at(5 * time.Minute)
	w.out("A", "wash-1", "bath-1")
	w.at(5 * time.Minute)
	w.test("122")
	x := w.exposure("A", "wash-chlorine", "bath-1")
	if x.Before == nil || x.After == nil || len(x.During) != 1 || len(x.Gaps) != 0 || !x.Wanted || x.Before.Values[0].Value.String() != "124 mg/L" {
		t.Fatalf("%+v", x)
	}
	if x.Ct == nil || x.Ct.Lowest != 1200 || x.Ct.Trapezoid < 1205.8 || x.Ct.Trapezoid > 1205.9 || x.Ct.Contact != 10*time.Minute || x.Ct.Readings != 3 {
		t.Errorf("%+v %s", x.Ct, x.CtLacks)
	}

	// One that came in and was tested for the last time hours before: a gap from there on, and no Ct.
	w.receive("B")
	w.in("B", "wash-1", "bath-1")
	w.at(3 * time.Hour)
	w.out("B", "wash-1", "bath-1")
	x = w.exposure("B", "wash-chlorine", "bath-1")
	if len(x.Gaps) != 1 || !x.Gaps[0].To.Equal(x.To) || x.After != nil || x.Ct != nil || x.CtLacks != haccp.CtNotBetween {
		t.Errorf("%+v", x)
	}
}

func (w *world) exposure(lot, point, place string) haccp.Exposure {
	w.t.Helper()
	var f haccp.Facts
	for need := w.state.ExposureNeeds([]string{lot}, f, w.now); !need.Empty(); need = w.state.ExposureNeeds([]string{lot}, f, w.now) {
		f = w.answer(need, f, w.state.Size)
	}
	for _, x := range w.state.Exposures(lot, f, w.now) {
		if x.Point == point && x.Place == place {
			return x
		}
	}
	w.t.Fatal("no such exposure")
	return haccp.Exposure{}
}
