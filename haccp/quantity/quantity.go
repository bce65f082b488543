// Package quantity holds what is measured: exact decimals as typed, values with
// their unit (also "below", "above", a band, yes or no), the table of measured
// quantities with their units and physical ranges, exact conversion, and the
// judging of one value against the bounds of a limit.
//
// It promises that nothing typed is changed: a [Decimal] prints back exactly
// what was read, with its trailing zeros, and every comparison is exact. It
// never converts where physics does not allow it without a further fact (salt
// in g/L to % w/w needs the density, NTU is not FNU), and never guesses a unit.
// It does no I/O and keeps no state.
//
// The decimal under the hood is github.com/govalues/decimal. Measured on numbers
// as a plant day brings them, it parsed two and compared them in 28 ns without
// allocating, shopspring/decimal in 100 to 150 ns with 4 allocations and
// cockroachdb/apd in 150 to 180 ns with 3 (testdata/libraries has the benchmark).
// It is a 16-byte value
// without pointers, so a [Value] is comparable with == and cheap to keep by the
// million, and its 19 digits cover the 18 of the record format.
package quantity

import (
	"fmt"
	"slices"
	"strings"
)

// An ID is the name of a quantity in records, plans and the API.
type ID string

// The quantities of the table.
const (
	FreeChlorine          ID = "free_chlorine"
	TotalChlorine         ID = "total_chlorine"
	CombinedChlorine      ID = "combined_chlorine"
	HOCl                  ID = "hocl"
	PH                    ID = "ph"
	ORP                   ID = "orp"
	Temperature           ID = "temperature"
	TemperatureDifference ID = "temperature_difference"
	Salt                  ID = "salt"
	MassFraction          ID = "mass_fraction"
	Conductivity          ID = "conductivity"
	Turbidity             ID = "turbidity"
	COD                   ID = "cod"
	UV254                 ID = "uv254"
	WaterLevel            ID = "water_level"
	ContactTime           ID = "contact_time"
	Elapsed               ID = "elapsed"
	Mass                  ID = "mass"
	Volume                ID = "volume"
	Count                 ID = "count"
	ATP                   ID = "atp"
	YesNo                 ID = "yes_no"
)

// A Quantity is one row of the table: what can be measured, in which units, and
// between which physical ends. It is read-only and shared; compare by pointer.
type Quantity struct {
	id       ID
	name     string
	basis    string
	units    []scale
	groups   []group
	decimals int
	yesNo    bool
	computed bool
}

// A scale is one unit of a quantity: base = (value + offset) * num / den.
type scale struct {
	unit     Unit
	group    int
	num, den int64
	offset   int64
	declared bool
}

// A group is a set of units that convert into one another, with the physical
// range in its base unit.
type group struct {
	base     Unit
	min, max Decimal
}

// Get returns the quantity called id; the error lists the ids there are.
func Get(id ID) (*Quantity, error) {
	if q := byID[id]; q != nil {
		return q, nil
	}
	return nil, fmt.Errorf("%w %s: one of %s is wanted", ErrQuantity, quoted(string(id)), idList())
}

// All returns every quantity, in the order of the table.
func All() []*Quantity { return slices.Clone(table) }

// ID returns the quantity's name in records.
func (q *Quantity) ID() ID { return q.id }

// Name returns the English name, such as "free chlorine".
func (q *Quantity) Name() string { return q.name }

// Basis says what the number counts, such as "as Cl2 by volume"; often empty. A
// number on another basis (as NaOCl, mass per mass) is not this quantity until
// it has been worked out; no conversion here crosses a basis.
func (q *Quantity) Basis() string { return q.basis }

// IsYesNo tells whether a value is yes or no in place of a number.
func (q *Quantity) IsYesNo() bool { return q.yesNo }

// Computed tells whether the quantity is only ever calculated, never typed in.
func (q *Quantity) Computed() bool { return q.computed }

// Decimals returns how many decimals a computed value has in the default unit
// where no limit says otherwise.
func (q *Quantity) Decimals() int { return q.decimals }

// DefaultUnit returns the unit a form offers first; empty for yes/no.
func (q *Quantity) DefaultUnit() Unit {
	if len(q.units) == 0 {
		return ""
	}
	return q.units[0].unit
}

// Units returns the units allowed, the default first; none for yes/no.
func (q *Quantity) Units() []Unit {
	units := make([]Unit, len(q.units))
	for i, s := range q.units {
		units[i] = s.unit
	}
	return units
}

// HasUnit tells whether u is one of the units allowed.
func (q *Quantity) HasUnit(u Unit) bool { return q.find(u) != nil }

// MethodDeclared tells whether u may be used only where the method declares
// what it stands for. It is true of "ppm", which field kits and photometers for
// chlorine print where they mean mg/L as Cl2 by volume (1 mg/L is 1 mg/kg only
// in dilute water: in 10 % brine 100 mg/L is 93.4 mg/kg).
func (q *Quantity) MethodDeclared(u Unit) bool {
	s := q.find(u)
	return s != nil && s.declared
}

// Convertible tells whether a value in unit a can be stated in unit b.
func (q *Quantity) Convertible(a, b Unit) bool {
	sa, sb := q.find(a), q.find(b)
	return sa != nil && sb != nil && sa.group == sb.group
}

// Range returns the physical ends of the quantity for values in unit u, and the
// base unit in which they are stated.
func (q *Quantity) Range(u Unit) (lowest, highest Decimal, base Unit, err error) {
	s, err := q.scale(u)
	if err != nil {
		return Decimal{}, Decimal{}, "", err
	}
	g := q.groups[s.group]
	return g.min, g.max, g.base, nil
}

func (q *Quantity) find(u Unit) *scale {
	for i := range q.units {
		if q.units[i].unit == u {
			return &q.units[i]
		}
	}
	return nil
}

// scale is find with an error that lists the units allowed.
func (q *Quantity) scale(u Unit) (*scale, error) {
	if s := q.find(u); s != nil {
		return s, nil
	}
	if q.yesNo {
		return nil, fmt.Errorf("%w: %s is answered with true or false and has no unit", ErrUnit, q.name)
	}
	hint := ""
	if known, ok := ParseUnit(string(u)); ok && known != u && q.HasUnit(known) {
		hint = fmt.Sprintf("; write it as %q", string(known))
	}
	if u == "" {
		return nil, fmt.Errorf("%w: %s has no unit: give one of %s", ErrUnit, q.name, q.unitList())
	}
	return nil, fmt.Errorf("%w %s for %s: allowed are %s%s", ErrUnit, quoted(string(u)), q.name, q.unitList(), hint)
}

func (q *Quantity) unitList() string {
	names := make([]string, len(q.units))
	for i, s := range q.units {
		names[i] = string(s.unit)
	}
	return strings.Join(names, ", ")
}
