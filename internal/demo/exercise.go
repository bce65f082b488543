package demo

import (
	"time"

	"linewarden/haccp"
	"linewarden/haccp/genealogy"
	"linewarden/haccp/lot/recall"
)

// exercise holds one exercise in tracing some days before the end, from a box that was shipped. The stock of the lot was not
// counted, so that the share shows what that costs.
func (w *writer) exercise() {
	begin := w.inHours(w.now.Add(-3 * 24 * time.Hour))
	if begin.Before(w.from.Add(5 * 24 * time.Hour)) {
		return
	}
	by := w.as(boss, haccp.KnownPassword)
	w.later(begin, by, haccp.AskExerciseStart, func(p *player) (any, error) {
		for _, l := range p.site.View().Lots() {
			if boxes := l.Boxes(); l.State() == haccp.LotShippedAs && len(boxes) > 0 {
				return &recall.Started{Reason: "Planned, twice a year.", Subject: recall.Subject{Kind: recall.FromBox, Code: boxes[0].Prefix, Number: boxes[0].From + 2}}, nil
			}
		}
		return nil, nil
	})
	end := after(begin, 47)
	w.later(end, by, haccp.AskExerciseFinish, func(p *player) (any, error) {
		s := p.site.View()
		for _, x := range s.Exercises() {
			t := genealogy.Of(s, x.Subject, genealogy.Both, haccp.Facts{}, end)
			return &haccp.ExerciseFinished{Finished: recall.Finished{Exercise: x.ID, Result: t.Result(),
				Conclusion: "Source, materials and consignee were named within the time. The consignee answered by telephone: all boxes are in its store."},
				Signature: p.sign(haccp.MeaningExercise, "I have held this exercise in tracing and sign what it found.")}, nil
		}
		return nil, nil
	})
}
