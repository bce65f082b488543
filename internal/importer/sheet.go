package importer

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/haccp/quantity"
)

// ParseColumn takes "QUANTITY=COLUMN" or "QUANTITY=COLUMN:UNIT" apart. What follows the last colon is the
// unit, so a column whose name holds a colon is written with one more at its end.
func ParseColumn(s string) (Column, error) {
	q, rest, found := strings.Cut(s, "=")
	q = strings.TrimSpace(q)
	if !found || q == "" || rest == "" {
		return Column{}, invalid("column", "bad-column", "%q: write QUANTITY=COLUMN or QUANTITY=COLUMN:UNIT, such as free_chlorine=Chlorine:mg/L", s)
	}
	c := Column{Quantity: q, Column: rest}
	if i := strings.LastIndexByte(rest, ':'); i >= 0 {
		c.Column, c.Unit = rest[:i], strings.TrimSpace(rest[i+1:])
	}
	if c.Column == "" {
		return Column{}, invalid("column", "bad-column", "%q names no column", s)
	}
	return c, nil
}

// sheet reads the rows of one file into readings of one check at one place.
type sheet struct {
	ask    *haccp.Import // check and place
	state  *haccp.State
	times  *timeReader
	time   string // name of the column of times
	cols   []column
	latest time.Time // later than this is the future
	timeAt int       // place of the column of times in a row
	width  int       // cells of the header line
}

// column is a column of values.
type column struct {
	Column
	q    *quantity.Quantity
	unit quantity.Unit
	at   int // place in a row
}

func newSheet(o *Options) (*sheet, error) {
	if o.TimeColumn == "" || len(o.Columns) == 0 {
		return nil, invalid("column", "missing", "name the column of times and at least one column of values")
	}
	state := o.Site.View()
	check, err := findCheck(state, o.Check, o.Place)
	if err != nil {
		return nil, err
	}
	s := &sheet{ask: &haccp.Import{Check: o.Check, Place: o.Place}, state: state, time: o.TimeColumn,
		latest: o.Clock().Add(haccp.FutureTolerance)}
	if s.times, err = newTimeReader(o.TimeLayout, state.Zone(), o.Twice); err != nil {
		return nil, err
	}
	for _, c := range o.Columns {
		col, err := newColumn(state, check, c)
		if err != nil {
			return nil, err
		}
		if slices.ContainsFunc(s.cols, func(x column) bool { return x.Quantity == c.Quantity }) {
			return nil, invalid("column", "twice", "%s is given twice", c.Quantity)
		}
		s.cols = append(s.cols, col)
	}
	return s, nil
}

// findCheck finds the newest plan version's idea of a check at a place.
func findCheck(state *haccp.State, check, place string) (*plan.Check, error) {
	if len(state.Plans) == 0 {
		return nil, invalid("check", "no-plan", "this site has no signed plan yet: sign one first")
	}
	var checks, places []string
	for _, v := range slices.Backward(state.Plans) {
		for i := range v.Plan.Checks {
			c := &v.Plan.Checks[i]
			checks = append(checks, c.ID)
			if c.ID != check {
				continue
			}
			if slices.Contains(c.Places, place) {
				return c, nil
			}
			places = append(places, c.Places...)
		}
	}
	if len(places) > 0 {
		return nil, invalid("place", "unknown-place", "the check %s is not carried out at a place %q: %s", check, place, list(places))
	}
	return nil, invalid("check", "unknown-check", "the plan has no check %q: it has %s", check, list(checks))
}

func list(names []string) string {
	slices.Sort(names)
	return strings.Join(slices.Compact(names), ", ")
}

func newColumn(state *haccp.State, check *plan.Check, c Column) (column, error) {
	q, err := quantity.Get(quantity.ID(c.Quantity))
	if err != nil {
		return column{}, invalid("column", "unknown-quantity", "%v", err)
	}
	i := slices.IndexFunc(check.Measures, func(m plan.Measure) bool { return m.Quantity == c.Quantity })
	if i < 0 {
		return column{}, invalid("column", "not-measured", "the check %s does not measure %s", check.ID, c.Quantity)
	}
	out := column{Column: c, q: q}
	if q.IsYesNo() {
		if c.Unit != "" {
			return column{}, invalid("column", "unknown-unit", "%s has no unit", c.Quantity)
		}
		return out, nil
	}
	name := c.Unit
	if name == "" {
		name = check.Measures[i].Unit
	}
	if out.unit = q.DefaultUnit(); name != "" {
		u, known := quantity.ParseUnit(name)
		if !known || !q.HasUnit(u) {
			return column{}, invalid("column", "unknown-unit", "%q is no unit of %s: allowed are %s", name, c.Quantity, units(q))
		}
		out.unit = u
	}
	return out, checkMethod(state, &out)
}

func units(q *quantity.Quantity) string {
	var names []string
	for _, u := range q.Units() {
		names = append(names, string(u))
	}
	return strings.Join(names, ", ")
}

// checkMethod refuses a method that the plan does not know, and a unit that only a method can explain.
func checkMethod(state *haccp.State, c *column) error {
	var method *plan.Method
	for _, v := range state.Plans {
		for i := range v.Plan.Methods {
			if m := &v.Plan.Methods[i]; m.ID == c.Method && m.Quantity == c.Quantity {
				method = m
			}
		}
	}
	if c.Method != "" && method == nil {
		return invalid("column", "unknown-method", "the plan has no method %q for %s", c.Method, c.Quantity)
	}
	if c.q.MethodDeclared(c.unit) && (method == nil || method.PPMMeans == "") {
		return invalid("column", "unit-wants-method", "what %s means for %s is for the method to say: give mg/L, or a method of the plan that declares it", c.unit, c.Quantity)
	}
	return nil
}

// separators are tried in this order on the header line.
var separators = []byte{',', ';', '\t'}

// header finds the separator and the columns; line is the header line as plain text.
func (s *sheet) header(line []byte) (comma byte, err error) {
	for _, comma := range separators {
		r := newLineReader(bytes.NewReader(line), comma)
		cells, _, err := r.next()
		if err == nil && s.find(cells) == nil {
			return comma, nil
		}
	}
	r := newLineReader(bytes.NewReader(line), separators[0])
	cells, _, err := r.next()
	if err != nil && !errors.Is(err, io.EOF) {
		return 0, invalid("file", "bad-header", "the header line cannot be read: %v", err)
	}
	return 0, s.find(cells)
}

// find notes where the columns stand.
func (s *sheet) find(cells [][]byte) error {
	names := make([]string, len(cells))
	for i, c := range cells {
		names[i] = string(bytes.TrimSpace(c))
	}
	place := func(name string) (int, error) {
		at := slices.Index(names, name)
		switch {
		case at < 0:
			return 0, invalid("column", "unknown-column", "the file has no column %q: its header line has %s", name, shortList(names))
		case slices.Contains(names[at+1:], name):
			return 0, invalid("column", "column-twice", "the file has more than one column %q", name)
		}
		return at, nil
	}
	at, err := place(s.time)
	if err != nil {
		return err
	}
	s.timeAt, s.width = at, len(cells)
	for i := range s.cols {
		if s.cols[i].at, err = place(s.cols[i].Column.Column); err != nil {
			return err
		}
	}
	return nil
}

func shortList(names []string) string {
	const most = 40
	var quoted []string
	for _, n := range names[:min(len(names), most)] {
		quoted = append(quoted, quote(n))
	}
	if len(names) > most {
		quoted = append(quoted, "…")
	}
	return strings.Join(quoted, ", ")
}

// row reads one row, or lists all that is wrong with it.
func (s *sheet) row(cells [][]byte, line int64) (row haccp.ImportRow, faults []string) {
	if fault := s.misfit(cells); fault != "" {
		return row, []string{fault}
	}
	row.Row = line
	row.Values = make([]haccp.ImportValue, 0, len(s.cols))
	for i := range s.cols {
		c := &s.cols[i]
		cell := bytes.TrimSpace(cells[c.at])
		if len(cell) == 0 {
			if i == 0 {
				faults = append(faults, "no value in column "+c.Column.Column)
			}
			continue
		}
		v, err := c.value(string(cell))
		if err != nil {
			faults = append(faults, fmt.Sprintf("column %s: %v", c.Column.Column, err))
			continue
		}
		row.Values = append(row.Values, haccp.ImportValue{Method: c.Method, Quantity: c.Quantity, Value: v})
	}
	at, fault := s.times.read(string(bytes.TrimSpace(cells[s.timeAt])))
	switch {
	case fault != "":
		faults = append(faults, fault)
	case at.After(s.latest):
		faults = append(faults, fmt.Sprintf("the time %s lies in the future", at.In(s.times.zone).Format(time.RFC3339)))
	}
	row.At, row.Occurrence = at, 1
	if len(faults) > 0 {
		return row, faults
	}
	if err := s.state.CheckImported(s.ask, &row); err != nil {
		return row, []string{err.Error()}
	}
	return row, nil
}

// misfit tells whether a row has another number of cells than the header line.
func (s *sheet) misfit(cells [][]byte) string {
	switch n := len(cells); {
	case n < s.width:
		return fmt.Sprintf("the row has %d cells, the header line %d", n, s.width)
	case n > s.width && !blank(cells[s.width:]):
		return fmt.Sprintf("the row has %d cells, the header line %d: is there a comma inside a number or a text without quotes?", n, s.width)
	}
	return ""
}

var answers = map[string]bool{"yes": true, "true": true, "no": false, "false": false}

// value reads a cell: a decimal number, one with < or > before it, or yes or no.
func (c *column) value(cell string) (quantity.Value, error) {
	if c.q.IsYesNo() {
		yes, ok := answers[strings.ToLower(cell)]
		if !ok {
			return quantity.Value{}, fmt.Errorf("%s is neither yes nor no", quote(cell))
		}
		return quantity.Answer(yes), nil
	}
	of, number := quantity.Exact, cell
	switch cell[0] {
	case '<':
		of, number = quantity.Below, strings.TrimLeft(cell[1:], " ")
	case '>':
		of, number = quantity.Above, strings.TrimLeft(cell[1:], " ")
	}
	d, err := quantity.ParseDecimal(number)
	if err != nil {
		return quantity.Value{}, err
	}
	v := of(d, c.unit)
	return v, c.q.Check(v)
}
