package plan

import "slices"

// The kinds of materials.
const (
	SaltMaterial        = "salt"
	ChlorineMaterial    = "chlorine"
	AcidMaterial        = "acid"
	AntioxidantMaterial = "antioxidant"
	PackagingMaterial   = "packaging"
	OtherMaterial       = "other"
)

// Pieces is the unit of what is counted, such as bags.
const Pieces = "pieces"

// MaterialKinds lists the kinds of materials.
func MaterialKinds() []string {
	return []string{SaltMaterial, ChlorineMaterial, AcidMaterial, AntioxidantMaterial, PackagingMaterial, OtherMaterial}
}

// Material is an ingredient, processing aid or packaging. Each delivery is a lot of its own, which may be used once it is
// approved and until it expires.
type Material struct {
	ID   string `yaml:"id" json:"id"`
	Name string `yaml:"name" json:"name"`
	Kind string `yaml:"kind" json:"kind"`
	// Unit is that of its stock: a unit of mass or volume, or Pieces; empty: Pieces.
	Unit string `yaml:"unit" json:"unit,omitempty"`
	// Chemical is the product of the list of chemicals that it is, where it goes into a bath.
	Chemical string `yaml:"chemical" json:"chemical,omitempty"`
	// Steps are those at which it goes into or around the product: a lot that passes one without naming a lot of it lacks
	// that for its release.
	Steps []string `yaml:"steps" json:"steps,omitempty"`
	// Roles may approve and reject its lots; none: the manager.
	Roles []string `yaml:"roles" json:"roles,omitempty"`
	// Certificate says that no lot is approved without the certificate of analysis, and Expires none without its last day
	// of use.
	Certificate bool `yaml:"certificate" json:"certificate,omitempty"`
	Expires     bool `yaml:"expires" json:"expires,omitempty"`
	// StoredAt is the warmest that the store gets; a liquid chlorine product loses strength with it.
	StoredAt *Amount `yaml:"stored_at" json:"stored_at,omitempty"`
	Cautions string  `yaml:"cautions" json:"cautions,omitempty"`
}

// Approvers are the roles that may approve and reject lots of the material.
func (m *Material) Approvers() []string {
	if len(m.Roles) == 0 {
		return []string{"manager"}
	}
	return m.Roles
}

// Material returns a material of the plan, nil where it has none of that id.
func (p *Plan) Material(id string) *Material {
	if i := slices.IndexFunc(p.Materials, func(m Material) bool { return m.ID == id }); i >= 0 {
		return &p.Materials[i]
	}
	return nil
}

// MaterialOf returns the material that a chemical is, nil where the plan says of none.
func (p *Plan) MaterialOf(chemical string) *Material {
	if i := slices.IndexFunc(p.Materials, func(m Material) bool { return chemical != "" && m.Chemical == chemical }); i >= 0 {
		return &p.Materials[i]
	}
	return nil
}

// Instrument returns an instrument of the plan, nil where it has none of that id.
func (p *Plan) Instrument(id string) *Instrument {
	if i := slices.IndexFunc(p.Instruments, func(in Instrument) bool { return in.ID == id }); i >= 0 {
		return &p.Instruments[i]
	}
	return nil
}

// ChecksInstruments reports whether the plan asks for checks of any instrument.
func (p *Plan) ChecksInstruments() bool {
	return slices.ContainsFunc(p.Instruments, func(in Instrument) bool { return !in.CheckEvery.IsZero() })
}
