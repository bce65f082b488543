package app

import (
	"context"
	"crypto/sha256"
	"encoding/base64"
	"fmt"
	"time"

	"github.com/google/uuid"

	"linewarden/haccp"
	"linewarden/haccp/plan"
	"linewarden/internal/app/staff"
	"linewarden/internal/plant"
)

// Console is who holds the data folder.
func Console() haccp.Actor { return staff.Console }

// PlanSigning is a plan that is to be put in force.
type PlanSigning struct {
	Plan   *plan.Plan // checked
	Source []byte     // the file as it was read
	By     haccp.Actor
	Reason string
	From   time.Time // zero: now
	Now    time.Time
}

// SignPlan puts a plan in force and gives its version. A plan that is in force already word for word is
// not signed again; again is true then.
func SignPlan(ctx context.Context, site *plant.Site, s PlanSigning) (version int, again bool, err error) {
	head := site.Head()
	last, _, err := site.Find(ctx, plant.Query{Kind: haccp.KindPlanSigned, Descending: true, Limit: 1})
	if err != nil {
		return 0, false, err
	}
	if len(last) == 1 {
		if b, ok := last[0].Body.(*haccp.PlanSigned); ok && b.Source == string(s.Source) {
			return b.Version, true, nil
		}
	}
	id, _ := site.Name()
	from := "at once"
	if !s.From.IsZero() {
		from = "from " + s.From.UTC().Format(time.RFC3339)
	}
	sign := haccp.Signature{
		Head:     haccp.Head{Root: base64.StdEncoding.EncodeToString(head.Root[:]), Size: head.Size},
		Language: "en", Meaning: haccp.MeaningPlan,
		Statement: fmt.Sprintf("I have read this plan of site %s (SHA-256 of the file: %x). I approve it, to be in force %s.",
			id, sha256.Sum256(s.Source), from),
	}
	cmd := &haccp.Command{ID: uuid.NewString(), Kind: haccp.AskSignPlan, At: s.Now.UTC(), AtKnown: haccp.AtServer, By: s.By,
		Ask: &haccp.SignPlan{From: s.From, Plan: s.Plan, Reason: s.Reason, Source: string(s.Source), Signature: sign}}
	res, err := site.Do(ctx, plant.Request{Command: cmd})
	if err != nil {
		return 0, false, err
	}
	for _, e := range res.Events {
		if b, ok := e.Body.(*haccp.PlanSigned); ok {
			return b.Version, false, nil
		}
	}
	return 0, false, fmt.Errorf("sign the plan: the site recorded nothing")
}
