// Package trends gathers what a control point at a place showed over a time, and lays it out as a control chart:
// readings, limits, what was done to the water, cases, stops of the line, time without a reading that the plan
// asks for, and the signals of the runs rules.
//
// It judges nothing: verdicts and cases are those that were recorded. The lines of a control chart come from the
// readings shown, a plan's limits from its hazard analysis; the first say nothing about the second.
package trends

import (
	"time"

	"linewarden/haccp/chemistry"
	"linewarden/haccp/plan"
	"linewarden/haccp/trend"
)

// Asked is what a chart is wanted of. From is before To.
type Asked struct {
	Point, Place string
	From, To     time.Time
	Now          time.Time
}

// MostRecords bounds how many records one chart reads for each key; of a longer time the latest are shown.
const MostRecords = 6000

// Series is one quantity of a control point at a place, in the unit of its limits.
type Series struct {
	Quantity, Unit string
	Readings       []Reading // in order of time
	Unread         int       // readings that are no number
	Limits         []Limit
	Gaps           []Stretch // in use and longer without a reading than the plan allows
	// Chart is nil where there are fewer readings than [trend.Few], or where they do not differ.
	Chart    *trend.IndividualsChart
	Forecast *chemistry.Forecast // of the newest reading, where it looks ahead of To
}

// Picture is all that is shown of one point at one place.
type Picture struct {
	Asked
	Since   time.Time // later than From where there were more records than one chart reads
	Series  []Series
	Acts    []Act
	Stopped []Stretch
	Cases   []Case
}

// Reading is one reading of a quantity.
type Reading struct {
	ID       string
	At       time.Time
	Value    float64
	Text     string // as read, with its unit
	By       string
	Verdict  string // the worst of the limits on this quantity
	Imported bool
	Edge     int // -1: the value is below what is drawn, 1: above, 0: it is drawn as it was read
	Signals  trend.Signals
}

// Limit is a bound of a plan for as long as it was in force.
type Limit struct {
	Stretch
	Kind  plan.LimitKind
	Lower bool
	Value float64
	Text  string // as the plan has it
}

// Stretch is a stretch of time.
type Stretch struct{ From, To time.Time }

// Act is something done to the water.
type Act struct {
	ID, Kind string
	At       time.Time
	What     string // chemical and amount
}

// Case is a deviation with the span it has now.
type Case struct {
	Stretch
	ID     string
	Number int64
	Closed bool
}
