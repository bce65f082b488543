package app_test

import (
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"linewarden/alerts"
	"linewarden/internal/app"
	"linewarden/internal/config"
)

// Settings that ask for backups give the service a job for them, and are refused where it has none that could do it.
func TestBackupIsAJob(t *testing.T) {
	dir := founded(t)
	var got app.BackupSeries
	s := start(t, dir, func(c *config.Config, p *app.Parts) {
		c.Backup.Folder, c.Backup.Every, c.Backup.Keep = "backups", config.Duration(24*time.Hour), 3
		p.Backup = func(o app.BackupSeries) alerts.Backups {
			got = o
			return alerts.Backups{Last: func(context.Context) (time.Time, error) { return time.Time{}, nil }, Make: func(context.Context) error { return nil }}
		}
	})
	if got.Dir != filepath.Join(dir, "backups") || !got.MakeDir || got.Keep != 3 || got.From == nil || got.Site == "" {
		t.Errorf("%+v", got)
	}
	res := s.as(t, "tina").want("GET", "/api/v1/alerts", nil, 200)
	if !strings.Contains(text(res["service"]), "name:backup") {
		t.Errorf("the jobs do not name it: %v", res["service"])
	}
	stop(t, s)
	c := config.Default()
	c.Data, c.Listen = dir, "127.0.0.1:0"
	c.Backup.Folder, c.Backup.Every = "backups", config.Duration(24*time.Hour)
	if _, err := app.New(t.Context(), c, app.Parts{}); err == nil || !strings.Contains(err.Error(), "backup.every:") {
		t.Errorf("no job for it: %v", err)
	}
}
