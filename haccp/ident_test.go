package haccp_test

import (
	"testing"

	"linewarden/haccp"
	"linewarden/internal/record"
)

// Package record fixes the ids of records; haccp must give the same without knowing it.
func TestRecordIDIsThatOfTheLog(t *testing.T) {
	const command = "0191d2c4-7b1e-7c3a-9f00-5d2f6a1b3c4d"
	id, err := record.ParseUUID(command)
	if err != nil {
		t.Fatal(err)
	}
	for n := range 5 {
		if want, got := record.RecordID(id, n).String(), haccp.RecordID(command, n); got != want {
			t.Errorf("record %d: %s, want %s", n, got, want)
		}
	}
}
