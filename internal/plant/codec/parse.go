package codec

import (
	"strings"

	"linewarden/haccp"
	"linewarden/haccp/control"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// reading reads the canonical body of a reading, several times faster than encoding/json. Whatever is
// out of the ordinary (an escape, a member it does not expect) makes ok false; the strict decoder then
// reads it or says what is wrong.
func (d *Decoder) reading(raw []byte) (r *haccp.Reading, ok bool) {
	p := &scan{s: string(raw), d: d}
	r = &haccp.Reading{}
	p.object(func(name string) {
		switch name {
		case "check":
			r.Check = p.word()
		case "entries":
			p.list(func() {
				r.Entries = append(r.Entries, haccp.Entry{})
				p.entry(&r.Entries[len(r.Entries)-1])
			})
		case "filling":
			r.Filling = p.word()
		case "forecast":
			r.Forecast = p.forecast()
		case "from":
			r.From = p.from()
		case "lots":
			p.list(func() { r.Lots = append(r.Lots, p.word()) })
		case "mode":
			r.Mode = p.word()
		case "note":
			r.Note = d.own(p.text())
		case "place":
			r.Place = p.word()
		case "plan_version":
			r.PlanVersion = int(p.number())
		case "sample_point":
			r.SamplePoint = p.word()
		case "verdicts":
			p.list(func() {
				r.Verdicts = append(r.Verdicts, control.Verdict{})
				p.verdict(&r.Verdicts[len(r.Verdicts)-1])
			})
		default: // repeats and span are rare
			p.bad = true
		}
	})
	return r, !p.bad && p.i == len(p.s)
}

// scan walks over canonical JSON and gives up (bad) on what it does not expect.
type scan struct {
	s   string
	i   int
	bad bool
	d   *Decoder
}

func (p *scan) take(c byte) bool {
	if p.i < len(p.s) && p.s[p.i] == c {
		p.i++
		return true
	}
	return false
}

func (p *scan) want(c byte) {
	if !p.take(c) {
		p.bad = true
	}
}

// object calls member with each name, which must be in ascending order.
func (p *scan) object(member func(name string)) {
	p.want('{')
	last := ""
	for !p.bad {
		name := p.text()
		p.want(':')
		if name <= last || p.bad {
			p.bad = true
			return
		}
		last = name
		member(name)
		if p.take('}') {
			return
		}
		p.want(',')
	}
}

func (p *scan) list(item func()) {
	p.want('[')
	for !p.bad {
		item()
		if p.take(']') {
			return
		}
		p.want(',')
	}
}

// text reads a string without escapes; it shares memory with the input.
func (p *scan) text() string {
	p.want('"')
	if p.bad {
		return ""
	}
	n := strings.IndexByte(p.s[p.i:], '"')
	if n < 0 || strings.IndexByte(p.s[p.i:p.i+n], '\\') >= 0 {
		p.bad = true
		return ""
	}
	s := p.s[p.i : p.i+n]
	p.i += n + 1
	return s
}

func (p *scan) word() string { return p.d.word(p.text()) }

// number reads a whole number of at most 15 digits.
func (p *scan) number() int64 {
	start, minus := p.i, p.take('-')
	first := p.i
	var n int64
	for p.i < len(p.s) && p.s[p.i] >= '0' && p.s[p.i] <= '9' {
		n = n*10 + int64(p.s[p.i]-'0')
		p.i++
	}
	digits := p.i - first
	if digits == 0 || digits > 15 || digits > 1 && p.s[first] == '0' || minus && n == 0 {
		p.bad, p.i = true, start
	}
	if minus {
		return -n
	}
	return n
}

func (p *scan) entry(e *haccp.Entry) {
	p.object(func(name string) {
		switch name {
		case "as":
			e.As = p.word()
		case "dilution":
			e.Dilution = p.dilution()
		case "formula":
			e.Formula = p.word()
		case "instrument":
			e.Instrument = p.word()
		case "method":
			e.Method = p.word()
		case "quantity":
			e.Quantity = p.word()
		case "read":
			e.Read = p.value()
		case "reagent":
			e.Reagent = p.reagent()
		case "value":
			v := p.value()
			e.Value = &v
		default:
			p.bad = true
		}
	})
	p.bad = p.bad || e.Read.IsZero() && e.Value == nil
}

func (p *scan) dilution() *haccp.Dilution {
	out := &haccp.Dilution{}
	p.object(func(name string) {
		switch name {
		case "sample":
			out.Sample = p.number()
		case "total":
			out.Total = p.number()
		default:
			p.bad = true
		}
	})
	return out
}

func (p *scan) reagent() *haccp.Reagent {
	out := &haccp.Reagent{}
	p.object(func(name string) {
		switch name {
		case "expiry":
			p.bad = out.Expiry.UnmarshalText([]byte(p.word())) != nil || p.bad
		case "lot":
			out.Lot = p.word()
		default:
			p.bad = true
		}
	})
	out.Expiry = plan.Date(p.d.word(string(out.Expiry)))
	return out
}

func (p *scan) from() *haccp.ImportedFrom {
	out := &haccp.ImportedFrom{}
	p.object(func(name string) {
		switch name {
		case "file":
			out.File = p.word()
		case "occurrence":
			out.Occurrence = p.number()
		case "row":
			out.Row = p.number()
		default:
			p.bad = true
		}
	})
	return out
}

func (p *scan) verdict(v *control.Verdict) {
	p.object(func(name string) {
		switch name {
		case "kind":
			v.Kind = plan.LimitKind(p.word())
		case "limit":
			v.Limit = p.word()
		case "point":
			v.Point = p.word()
		case "reason":
			v.Reason = p.word()
		case "value":
			v.Value = p.word()
		case "verdict":
			v.Verdict = p.word()
		default:
			p.bad = true
		}
	})
}

// value reads an exact or censored value and a yes or no; bands are left to the strict decoder.
func (p *scan) value() (v quantity.Value) {
	switch {
	case strings.HasPrefix(p.s[p.i:], "true"):
		p.i += 4
		return quantity.Answer(true)
	case strings.HasPrefix(p.s[p.i:], "false"):
		p.i += 5
		return quantity.Answer(false)
	}
	var sign, number string
	var unit quantity.Unit
	seen := 0
	p.object(func(name string) {
		switch name {
		case "sign":
			sign = p.text()
		case "unit":
			unit = p.unit()
			seen++
		case "value":
			number = p.text()
			seen++
		default:
			p.bad = true
		}
	})
	d, err := quantity.ParseDecimal(number)
	if err != nil || seen != 2 {
		p.bad = true
		return v
	}
	switch sign {
	case "":
		return quantity.Exact(d, unit)
	case "<":
		return quantity.Below(d, unit)
	case ">":
		return quantity.Above(d, unit)
	}
	p.bad = true
	return v
}

// unit reads a unit's name: one that the strict decoder has accepted before, or a known one.
func (p *scan) unit() quantity.Unit {
	name := p.text()
	if p.d != nil {
		if u, ok := p.d.units[name]; ok {
			return u
		}
	}
	v, err := quantity.ParseValue(append(appendText([]byte(`{"unit":`), name), `,"value":"0"}`...))
	if err != nil {
		p.bad = true
		return ""
	}
	if p.d != nil && p.d.units != nil && len(p.d.units) < maxNames {
		p.d.units[strings.Clone(name)] = v.Unit()
	}
	return v.Unit()
}
