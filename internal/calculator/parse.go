package calculator

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"linewarden/haccp/quantity"
)

// A Reader gives the text of a file, or of standard input where the name is "-".
type Reader func(name string) ([]byte, error)

// MaxBytes is the size of the largest list that is taken.
const MaxBytes = 8 << 20

// values are the inputs as read, by name.
type values struct {
	text    map[string]string
	number  map[string]float64
	numbers map[string][]float64
	words   map[string][]string
	table   map[string][][]cell
	time    map[string]time.Time
	clock   clock // clock is the form of the times so far
}

// cell is one value of a row.
type cell struct {
	number float64
	text   string
	at     time.Time
}

func (v *values) has(name string) bool          { _, ok := v.text[name]; return ok }
func (v *values) f(name string) float64         { return must(v.number, name) }
func (v *values) n(name string) int             { return int(must(v.number, name)) }
func (v *values) word(name string) string       { return must(v.text, name) }
func (v *values) list(name string) []float64    { return must(v.numbers, name) }
func (v *values) wordList(name string) []string { return must(v.words, name) }
func (v *values) rows(name string) [][]cell     { return must(v.table, name) }
func (v *values) at(name string) time.Time      { return must(v.time, name) }
func (v *values) either(name string, f float64) float64 {
	if v.has(name) {
		return v.f(name)
	}
	return f
}

// part is a percentage as a part of one: 99.9 is 0.999, which a plain division by 100 misses.
func (v *values) part(name string) float64 { return math.Round(v.f(name)*1e9) / 1e11 }

// decimal is a number as typed, without a unit.
func (v *values) decimal(name string) (quantity.Decimal, error) {
	number, _ := split(v.text[name])
	d, err := quantity.ParseDecimal(number)
	if err != nil {
		return d, fmt.Errorf("%s: %w", name, err)
	}
	return d, nil
}

// must finds a value that the calculator declares; asking for another is a fault of the program.
func must[T any](m map[string]T, name string) T {
	v, ok := m[name]
	if !ok {
		panic("calculator: no input " + name + " of this kind")
	}
	return v
}

// parse reads all inputs of a calculator.
func (c Calculator) parse(args []string, read Reader) (*values, error) {
	v := &values{text: map[string]string{}, number: map[string]float64{}, numbers: map[string][]float64{},
		words: map[string][]string{}, table: map[string][][]cell{}, time: map[string]time.Time{}}
	for _, arg := range args {
		key, value, ok := strings.Cut(arg, "=")
		if !ok {
			return nil, fmt.Errorf("%q: write inputs as name=value, such as %s", arg, c.Example[0])
		}
		if !slices.ContainsFunc(c.Inputs, func(in Input) bool { return in.Name == key }) {
			return nil, fmt.Errorf("there is no input %q: %s takes %s", key, c.Name, c.names())
		}
		if v.has(key) {
			return nil, fmt.Errorf("%s is given twice: give it once", key)
		}
		v.text[key] = strings.TrimSpace(value)
	}
	for _, in := range c.Inputs {
		if !v.has(in.Name) {
			if in.Default == "" && in.Optional {
				continue
			}
			if in.Default == "" {
				return nil, fmt.Errorf("%s is missing (%s): %s", in.Name, in.About, in.Wanted())
			}
			v.text[in.Name] = in.Default
		}
		if err := v.read(in, v.text[in.Name], read); err != nil {
			return nil, fmt.Errorf("%s: %w", shown(in.Name, v.text[in.Name]), err)
		}
	}
	return v, nil
}

// shown writes an input as typed, cut short where it is long.
func shown(name, text string) string {
	if len(text) > 40 {
		return name
	}
	return name + "=" + text
}

func (c Calculator) names() string {
	names := make([]string, len(c.Inputs))
	for i, in := range c.Inputs {
		names[i] = in.Name
	}
	return strings.Join(names, ", ")
}

// read reads one input.
func (v *values) read(in Input, text string, read Reader) (err error) {
	if text == "" {
		return fmt.Errorf("nothing is typed: %s", in.Wanted())
	}
	switch in.shape {
	case oneOf:
		if !slices.Contains(in.Choices, text) {
			err = fmt.Errorf("one of these is wanted: %s", strings.Join(in.Choices, ", "))
		}
	case oneTime:
		v.time[in.Name], err = v.moment(text)
	case listOfNumbers:
		v.numbers[in.Name], err = in.listed(text, read)
	case listOfWords:
		v.words[in.Name] = strings.Split(text, ",")
	case listOfRows:
		v.table[in.Name], err = v.tabled(in, text, read)
	default:
		v.number[in.Name], err = in.number(text)
	}
	return err
}

// listed reads numbers: typed in one line, or one or more to a line of a file. A
// unit behind the last typed one counts for all.
func (in Input) listed(text string, read Reader) ([]float64, error) {
	records, file, err := lines(text, read, ",")
	if err != nil {
		return nil, err
	}
	unit := ""
	if !file {
		_, unit = split(records[len(records)-1][0])
	}
	var out []float64
	for i, r := range records {
		for _, cell := range r {
			if _, own := split(cell); own == "" {
				cell += unit
			}
			f, err := in.number(cell)
			if err != nil {
				return nil, fmt.Errorf("%s %d (%q): %w", place(file), i+1, cell, err)
			}
			out = append(out, f)
		}
	}
	return out, nil
}

func place(file bool) string {
	if file {
		return "line"
	}
	return "value"
}

// tabled reads rows of columns. The last columns may be left out where they are optional.
func (v *values) tabled(in Input, text string, read Reader) ([][]cell, error) {
	records, file, err := lines(text, read, "/")
	if err != nil {
		return nil, err
	}
	least := len(in.Columns)
	for least > 0 && in.Columns[least-1].Optional {
		least--
	}
	var out [][]cell
	for i, r := range records {
		if len(r) < least || len(r) > len(in.Columns) {
			return nil, fmt.Errorf("%s %d has %d columns: %s is wanted", place(file), i+1, len(r), in.Wanted())
		}
		row := make([]cell, 0, len(r))
		for j, text := range r {
			c, err := v.cell(in.Columns[j], strings.TrimSpace(text))
			if err != nil {
				return nil, fmt.Errorf("%s %d, %s (%q): %w", place(file), i+1, in.Columns[j].Name, text, err)
			}
			row = append(row, c)
		}
		out = append(out, row)
	}
	return out, nil
}

// cell reads one value of a row.
func (v *values) cell(column Input, text string) (c cell, err error) {
	c.text = text
	switch column.shape {
	case listOfWords:
		if text == "" {
			err = errors.New("a name is wanted")
		}
	case oneOf:
		if !slices.Contains(column.Choices, text) {
			err = fmt.Errorf("one of these is wanted: %s", strings.Join(column.Choices, ", "))
		}
	case oneTime:
		c.at, err = v.moment(text)
	default:
		c.number, err = column.number(text)
	}
	return c, err
}

// lines takes a list apart: typed, with a comma between rows and sep between
// columns, or in a file of comma-separated values. Lines of a file that begin with
// # are passed over.
func lines(text string, read Reader, sep string) (out [][]string, file bool, err error) {
	name, file := strings.CutPrefix(text, "@")
	if !file {
		for part := range strings.SplitSeq(text, ",") {
			row := []string{part}
			if sep != "," {
				row = columns(part, sep)
			}
			out = append(out, row)
		}
		return out, false, nil
	}
	b, err := read(name)
	if err != nil {
		return nil, true, err
	}
	r := csv.NewReader(strings.NewReader(strings.TrimPrefix(string(b), "\ufeff")))
	r.FieldsPerRecord, r.TrimLeadingSpace, r.Comment = -1, true, '#'
	for {
		record, err := r.Read()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return nil, true, fmt.Errorf("not comma-separated values: %w", err)
		}
		out = append(out, record)
	}
	if len(out) == 0 {
		return nil, true, errors.New("no line with a value")
	}
	return out, true, nil
}

// columns takes a typed row apart. A slash within a unit, as in mg/L, separates nothing.
func columns(part, sep string) []string {
	var out []string
	for c := range strings.SplitSeq(part, sep) {
		if n := len(out); n > 0 && c != "" && c[0] == 'L' && strings.HasSuffix(out[n-1], "g") {
			out[n-1] += sep + c
			continue
		}
		out = append(out, c)
	}
	return out
}

// clock is a way to write a time. All times of one call are written alike.
type clock string

const (
	byMinutes clock = "minutes"
	byDay     clock = "times of one day"
	byDate    clock = "full times"
)

// moment reads a time.
func (v *values) moment(text string) (time.Time, error) {
	at, form, err := readMoment(text)
	if err != nil {
		return at, err
	}
	if v.clock != "" && v.clock != form {
		return at, fmt.Errorf("all times of one call are written alike: %s before, %s here", v.clock, form)
	}
	v.clock = form
	return at, nil
}

func readMoment(text string) (time.Time, clock, error) {
	day := time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	for _, layout := range []string{"15:04", "15:04:05"} {
		if t, err := time.Parse(layout, text); err == nil {
			return day.Add(t.Sub(time.Date(0, 1, 1, 0, 0, 0, 0, time.UTC))), byDay, nil
		}
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t, byDate, nil
	}
	m, err := num("", "", minutes, -1e6, 1e6).number(text)
	if err != nil {
		return day, "", fmt.Errorf("%q is no time: %s", text, moment("", "").Wanted())
	}
	ms, err := strconv.ParseInt(strconv.FormatFloat(m*60000, 'f', 0, 64), 10, 64)
	return day.Add(time.Duration(ms) * time.Millisecond), byMinutes, err
}
