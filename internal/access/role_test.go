package access

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func TestWhoMayDoWhat(t *testing.T) {
	for act, want := range map[Act]string{
		LogReading:     "technician line_lead laboratory manager device",
		LogFilling:     "technician line_lead manager",
		LogFix:         "technician line_lead manager",
		StartLine:      "line_lead manager",
		LogLineStop:    "technician line_lead manager", // anybody at the line may stop it
		SignPart:       "technician line_lead laboratory manager",
		SignPlan:       "manager",
		SignReview:     "manager",
		AcceptTime:     "manager",
		ImportReadings: "manager",
		ManagePeople:   "administrator",
		ManageDevices:  "administrator",
		ReadRecords:    "technician line_lead laboratory manager auditor administrator",
		ExportRecords:  "manager auditor",
		"no.such.act":  "",
	} {
		var got []string
		for _, r := range append(Roles(), DeviceRole, "", "owner") {
			if May(r, act, nil) {
				got = append(got, r)
			}
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s: %v, want %s", act, got, want)
		}
	}
	for _, a := range Acts() {
		if May(Auditor, a, nil) && a != ReadRecords && a != ExportRecords {
			t.Errorf("an auditor may %s", a)
		}
	}
}

func TestNarrowing(t *testing.T) {
	n := Narrowing{LogReading: {Technician, Auditor}, StartLine: {}, SignPlan: {Technician}}
	for _, c := range []struct {
		role Role
		act  Act
		want bool
	}{
		{Technician, LogReading, true},
		{LineLead, LogReading, false},
		{Auditor, LogReading, false},
		{Manager, StartLine, false},
		{Manager, SignReview, true},
		{Manager, SignPlan, true}, // or no plan could ever be signed again
		{Technician, SignPlan, false},
	} {
		if got := May(c.role, c.act, n); got != c.want {
			t.Errorf("%s %s: %v, want %v", c.role, c.act, got, c.want)
		}
	}
	if r, ok := MayAny([]Role{Auditor, LineLead, Technician}, LogReading, n); !ok || r != Technician {
		t.Errorf("first role is %q, %v", r, ok)
	}
	if r, ok := MayAny(nil, LogReading, nil); ok || r != "" {
		t.Errorf("no role may read: %q", r)
	}
	got := Narrowing{LogReading: {Technician, Auditor, "owner"}, "dance": {Manager}, SignPlan: {Manager}}.Problems()
	want := []string{`"dance"`, "plan.sign: a plan cannot narrow", "auditor may never", `no role "owner"`}
	if len(got) != len(want) {
		t.Fatalf("problems %q", got)
	}
	for i := range want {
		if !strings.Contains(got[i], want[i]) {
			t.Errorf("problem %d: %q, want %q", i, got[i], want[i])
		}
	}
	if p := (Narrowing{LogReading: {Technician}, StartLine: nil}).Problems(); p != nil {
		t.Errorf("a right narrowing has problems %q", p)
	}
}

func TestPlanNeverWidens(t *testing.T) {
	roles := append(Roles(), DeviceRole, "owner", "")
	acts := append(Acts(), "dance", "")
	rapid.Check(t, func(t *rapid.T) {
		n := Narrowing(rapid.MapOf(rapid.SampledFrom(acts), rapid.SliceOf(rapid.SampledFrom(roles))).Draw(t, "plan"))
		for _, r := range roles {
			for _, a := range acts {
				free, bound := May(r, a, nil), May(r, a, n)
				if bound && !free {
					t.Fatalf("%s may %s only by the plan", r, a)
				}
				if named, ok := n[a]; ok && !slices.Contains(open, a) && bound && !slices.Contains(named, r) {
					t.Fatalf("%s may %s though the plan does not list it", r, a)
				}
			}
		}
	})
}
