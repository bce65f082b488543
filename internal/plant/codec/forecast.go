package codec

import (
	"time"

	"linewarden/haccp/chemistry"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// forecast reads what a bath test says about the time to come.
func (p *scan) forecast() *chemistry.Forecast {
	out := &chemistry.Forecast{}
	p.object(func(name string) {
		switch name {
		case "crossings":
			p.list(func() {
				out.Crossings = append(out.Crossings, chemistry.Crossing{})
				p.crossing(&out.Crossings[len(out.Crossings)-1])
			})
		case "formula":
			out.Formula = p.word()
		case "n":
			out.N = int(p.number())
		case "reason":
			out.Reason = p.word()
		case "since":
			out.Since = p.moment()
		case "test":
			out.Test = p.moment()
		default:
			p.bad = true
		}
	})
	return out
}

func (p *scan) crossing(c *chemistry.Crossing) {
	p.object(func(name string) {
		switch name {
		case "bound":
			c.Bound = p.amount()
		case "earliest":
			c.Earliest = p.moment()
		case "expected":
			c.Expected = p.moment()
		case "kind":
			c.Kind = plan.LimitKind(p.word())
		case "latest":
			c.Latest = p.moment()
		case "state":
			c.State = p.word()
		default:
			p.bad = true
		}
	})
}

func (p *scan) amount() (a plan.Amount) {
	given := false
	p.object(func(name string) {
		switch name {
		case "unit":
			a.Unit = p.word()
		case "value":
			d, err := quantity.ParseDecimal(p.text())
			p.bad, given = p.bad || err != nil, true
			a.Value = d
		default:
			p.bad = true
		}
	})
	p.bad = p.bad || !given
	return a
}

// moment reads a time in the one form that records have: UTC with three decimals.
func (p *scan) moment() (t time.Time) {
	const form = "2006-01-02T15:04:05.000Z"
	s := p.text()
	if len(s) != len(form) || s[len(s)-1] != 'Z' || t.UnmarshalText([]byte(s)) != nil {
		p.bad = true
	}
	return t
}
