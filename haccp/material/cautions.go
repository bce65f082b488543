package material

import (
	"linewarden/haccp/formula"
	"linewarden/haccp/plan"
	"linewarden/haccp/wash"
)

// Cautions lists what must be heeded where a material of a kind is received and used.
func Cautions(kind string) []formula.Caution {
	switch kind {
	case plan.ChlorineMaterial:
		return wash.DoseCautions()
	case plan.AcidMaterial:
		var out []formula.Caution
		for _, c := range []formula.Code{wash.NeverMix, wash.PointsApart, wash.ChemicalToWater, wash.LowPH, wash.OnExposure, wash.StoreApart, wash.AidOnly} {
			out = append(out, formula.Caution{Code: c})
		}
		return out
	}
	return nil
}
