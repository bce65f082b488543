package wording

import (
	"testing"

	"linewarden/haccp"
	"linewarden/haccp/instrument"
	"linewarden/haccp/material"
	"linewarden/haccp/plan"
)

func TestWordsOfSupplies(t *testing.T) {
	for group, codes := range map[string][]string{
		"finding": {material.Unknown, material.NotOfPlan, material.OtherMaterial, material.NotApproved, material.Rejected, material.Expired,
			material.RejectedSince, material.NotNamed, haccp.AskedOutside},
		"materialstate": {material.StateReceived, material.StateApproved, material.StateRejected, material.StateExpired, material.StateUsedUp},
		"materialkind":  plan.MaterialKinds(),
		"standing": {instrument.InDate, instrument.Overdue, instrument.Failed, instrument.NeverChecked, instrument.OutOfService,
			instrument.NotPlanned},
		"checkresult": instrument.Results(),
		"say":         {haccp.MeaningMaterialApproved, haccp.MeaningMaterialRejected},
	} {
		for _, code := range codes {
			if !Has(group + "." + code) {
				t.Errorf("%s.%s is missing", group, code)
			}
		}
	}
	for _, kind := range plan.MaterialKinds() {
		for _, c := range material.Cautions(kind) {
			if !Has("caution." + string(c.Code)) {
				t.Errorf("caution.%s is missing", c.Code)
			}
		}
	}
}
