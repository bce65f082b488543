package config_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"linewarden/internal/config"
)

func TestCheckBackup(t *testing.T) {
	data, other := t.TempDir(), t.TempDir()
	file := filepath.Join(data, "records.db")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	day := config.Duration(24 * time.Hour)
	for _, tc := range []struct {
		b    config.Backup
		want string // "": nothing wrong
	}{
		{config.Backup{Keep: 14}, ""},
		{config.Backup{Folder: other, Every: day, Keep: 1}, ""},
		{config.Backup{Folder: "backups", Every: day, Keep: 14}, ""},
		{config.Backup{Folder: filepath.Join(other, "not", "mounted"), Every: day, Keep: 14}, ""},
		{config.Backup{Every: day, Keep: 14}, "backup.folder: name the folder"},
		{config.Backup{Folder: other, Keep: 14}, "backup.every: say how often"},
		{config.Backup{Folder: other, Every: config.Duration(time.Minute), Keep: 14}, "backup.every: 1m0s is too often"},
		{config.Backup{Folder: other, Every: day}, "backup.keep: 0 is not"},
		{config.Backup{Folder: "../backups", Every: day, Keep: 14}, "leads out of the data folder"},
		{config.Backup{Folder: ".", Every: day, Keep: 14}, "is the data folder itself"},
		{config.Backup{Folder: data, Every: day, Keep: 14}, "is the data folder itself"},
		{config.Backup{Folder: file, Every: day, Keep: 14}, "is a file or lies in one"},
		{config.Backup{Folder: "records.db/backups", Every: day, Keep: 14}, "is a file or lies in one"},
	} {
		c := config.Default()
		c.Data, c.Backup = data, tc.b
		err := c.Check()
		if tc.want == "" && err != nil || tc.want != "" && (err == nil || !strings.Contains(err.Error(), tc.want)) {
			t.Errorf("%+v: %v, want %q", tc.b, err, tc.want)
		}
	}
	c := config.Default()
	c.MongoDB, c.SigningKey, c.Backup = "mongodb://localhost", "key", config.Backup{Folder: "backups", Every: day, Keep: 14}
	if err := c.Check(); err == nil || !strings.Contains(err.Error(), "is no absolute path") {
		t.Errorf("a database, and a folder in no data folder: %v", err)
	}
	if left, err := os.ReadDir(other); err != nil || len(left) > 0 {
		t.Errorf("the check left %v, %v", left, err)
	}
}

// An account that cannot write there is told at the start.
func TestCheckBackupFolderThatIsReadOnly(t *testing.T) {
	if os.Geteuid() == 0 {
		t.Skip("root may write everywhere")
	}
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o500); err != nil { //nolint:gosec // a folder wants its x bit
		t.Fatal(err)
	}
	c := config.Default()
	c.Data, c.Backup = t.TempDir(), config.Backup{Folder: dir, Every: config.Duration(24 * time.Hour), Keep: 14}
	if err := c.Check(); err == nil || !strings.Contains(err.Error(), "cannot be written to") {
		t.Errorf("%v", err)
	}
}
