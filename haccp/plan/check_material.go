package plan

import (
	"fmt"
	"slices"
	"strings"

	"linewarden/haccp/quantity"
)

// materials checks the list of materials.
func (c *checker) materials() {
	for i := range c.p.Materials {
		m, path := &c.p.Materials[i], fmt.Sprintf("materials[%d]", i)
		if !slices.Contains(MaterialKinds(), m.Kind) {
			c.add(path+".kind", "one of "+strings.Join(MaterialKinds(), ", "), "there is no kind of material %q", m.Kind)
		}
		c.stockUnit(path+".unit", m)
		if m.Chemical != "" {
			c.ref(path+".chemical", "chemical", m.Chemical, c.chemicalAt)
			if first := c.p.MaterialOf(m.Chemical); first != m {
				c.add(path+".chemical", "let one material stand for a chemical", "the chemical %q is the material %q already", m.Chemical, first.ID)
			}
		}
		c.refs(path+".steps", "step", m.Steps, c.stepAt)
		if len(m.Roles) > 0 {
			c.roles(path+".roles", m.Roles)
		}
		c.storedAt(path+".stored_at", m)
	}
}

func (c *checker) stockUnit(path string, m *Material) {
	if m.Unit == "" || m.Unit == Pieces {
		return
	}
	for _, id := range []quantity.ID{quantity.Mass, quantity.Volume} {
		if q, err := quantity.Get(id); err == nil && q.HasUnit(quantity.Unit(m.Unit)) {
			return
		}
	}
	c.add(path, "write a unit of mass or volume such as kg or L, or pieces", "the stock of %q cannot be counted in %q", m.ID, m.Unit)
}

// storedAt wants the temperature of the store of a liquid chlorine product, and no other: only there the strength is
// worked out from it.
func (c *checker) storedAt(path string, m *Material) {
	if m.StoredAt == nil {
		return
	}
	q, err := quantity.Get(quantity.Temperature)
	if err != nil || !q.HasUnit(quantity.Unit(m.StoredAt.Unit)) {
		c.add(path, `write a temperature, such as "25 °C"`, "%s is no temperature", m.StoredAt)
	}
	if m.Kind != ChlorineMaterial {
		c.add(path, "take it out", "only the strength of a chlorine product is worked out from the temperature of its store")
	}
}
