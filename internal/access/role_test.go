package access

import (
	"strings"
	"testing"
)

func TestWhoMayDoWhat(t *testing.T) {
	for act, want := range map[Act]string{
		ReadRecords:   "technician line_lead laboratory manager auditor administrator",
		ExportRecords: "manager auditor",
		ManagePeople:  "administrator",
		ManageDevices: "administrator",
		"no.such.act": "",
	} {
		var got []string
		for _, r := range append(Roles(), DeviceRole, "", "owner") {
			if May(r, act) {
				got = append(got, r)
			}
		}
		if strings.Join(got, " ") != want {
			t.Errorf("%s: %v, want %s", act, got, want)
		}
	}
}

func TestMayAnyNamesTheFirst(t *testing.T) {
	if r, ok := MayAny([]Role{Technician, Auditor, Manager}, ExportRecords); !ok || r != Auditor {
		t.Errorf("first role is %q, %v", r, ok)
	}
	if r, ok := MayAny(nil, ReadRecords); ok || r != "" {
		t.Errorf("no role may read: %q", r)
	}
}
