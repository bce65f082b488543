package reply

import (
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
)

// SiteInfo is the site and how its log stands.
type SiteInfo struct {
	Site        string       `json:"site"`
	Name        string       `json:"name"`
	Demo        bool         `json:"demo" doc:"An invented plant."`
	LogID       string       `json:"log_id"`
	Key         string       `json:"key" doc:"Key that checkpoints are checked with (C2SP signed note)."`
	Zone        string       `json:"zone"`
	PlanVersion int          `json:"plan_version" doc:"In force now; 0: none."`
	Head        haccp.Head   `json:"head"`
	Time        time.Time    `json:"time" doc:"The server's clock."`
	Day         string       `json:"production_day"`
	Counts      haccp.Counts `json:"counts"`
	Cautions    []string     `json:"cautions" doc:"To be shown where the work is done."`
}

// Plan is one signed plan version.
type Plan struct {
	Version int        `json:"version"`
	From    time.Time  `json:"from" doc:"It judges what happened at or after this time."`
	Plan    *plan.Plan `json:"plan"`
}

// PlanRef names a signed plan version.
type PlanRef struct {
	Version  int       `json:"version"`
	From     time.Time `json:"from"`
	InForce  bool      `json:"in_force"`
	Seq      int64     `json:"seq" doc:"Of its record, which holds signature and source."`
	SignedAt time.Time `json:"signed_at"`
	SignedBy string    `json:"signed_by"`
	Reason   string    `json:"reason"`
}

// Plans lists the plan versions.
type Plans struct {
	Plans []PlanRef `json:"plans"`
}
