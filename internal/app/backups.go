package app

import (
	"errors"
	"log/slog"
	"os"
	"time"

	"linewarden/alerts"
)

// BackupSeries says which backups of a site the timetable keeps, and where.
type BackupSeries struct {
	From    *Folder
	Site    string
	Dir     string // folder in which every backup has a folder of its own
	MakeDir bool   // make that folder where it is missing; else it may be a disk that is not there
	Keep    int    // how many of the newest stay
	Program string
	Clock   func() time.Time
	Logger  *slog.Logger
}

// backups gives the job of the desk that keeps backups of a site; nil where the settings ask for none.
func (a *App) backups(h *house) (*alerts.Backups, error) {
	c := &a.cfg.Backup
	if c.Every == 0 {
		return nil, nil //nolint:nilnil // no job, and nothing wrong
	}
	from, ok := a.home.(*Folder)
	if !ok || a.parts.Backup == nil {
		return nil, errors.New("backup.every: this service cannot make backups by the clock: leave it out, or serve a data folder or database with linewarden serve")
	}
	dir, inData := c.In(a.cfg.Data)
	job := a.parts.Backup(BackupSeries{From: from, Site: h.id, Dir: dir, MakeDir: inData, Keep: c.Keep, Program: a.parts.Version, Clock: a.parts.Clock, Logger: a.logger})
	job.Every = c.Every.Std()
	if info, err := os.Stat(dir); !inData && (err != nil || !info.IsDir()) {
		a.logger.Warn("the folder for backups is not there; until it is, none is made", "folder", dir)
	}
	return &job, nil
}
