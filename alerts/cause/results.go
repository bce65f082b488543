package cause

import (
	"strconv"

	"linewarden/haccp"
	"linewarden/haccp/alarm"
	"linewarden/haccp/plan"
)

// results looks at results outside the specification of their lots, until somebody has evaluated the product. A further
// result outside is one more fact behind the alert.
func (l *looking) results() {
	for _, x := range l.s.OutOfSpecification() {
		d, ok := l.s.Case(x.Deviation)
		if !ok || d.Imported || x.Found.Before(l.live) || d.Part(plan.ProductEvaluated) != nil {
			continue
		}
		l.add(resultOf(&x, d))
	}
}

func resultOf(x *haccp.OutOfSpecification, d *haccp.Deviation) alarm.Raised {
	r := alarm.Raised{Cause: alarm.Result, Key: alarm.Result + ":" + x.Deviation, Severity: alarm.Warning, Lot: x.Lot, Deviation: x.Deviation, PlanVersion: d.PlanVersion,
		Since: x.Found, Mark: strconv.FormatInt(d.Widened, 10), Data: map[string]string{"number": strconv.FormatInt(x.Number, 10), "test": x.TestName, "sample": x.Sample}}
	if x.Pathogen {
		r.Severity = alarm.Critical
	}
	if x.Presumptive {
		r.Data["presumptive"] = "yes"
	}
	return r
}
