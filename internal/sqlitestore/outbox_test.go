package sqlitestore_test

import (
	"os"
	"path/filepath"
	"testing"

	"linewarden/alerts"
	"linewarden/alerts/alertstest"
	"linewarden/internal/sqlitestore"
)

func TestOutbox(t *testing.T) {
	alertstest.TestOutbox(t, func(t *testing.T) (alerts.Outbox, func() alerts.Outbox) {
		dir := t.TempDir()
		open := func() alerts.Outbox {
			box, err := sqlitestore.OpenOutbox(dir)
			if err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() {
				if err := box.Close(); err != nil {
					t.Error(err)
				}
			})
			return box
		}
		box := open()
		if info, err := os.Stat(filepath.Join(dir, "outbox.db")); err != nil || info.Mode().Perm() != 0o600 {
			t.Fatalf("outbox.db: %v %v", info, err)
		}
		return box, open
	})
}
