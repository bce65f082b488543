package haccp_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"linewarden/haccp"
	"linewarden/haccp/plan"
)

// A signature that covered a report stands when the report is changed later, and is marked; one that did not
// cover it is not (DESIGN, amending).
func TestSignatureIsMarkedWhenWhatItCoversChanges(t *testing.T) {
	w, d := breached(t)
	w.at(time.Minute)
	restored := w.partOf(mara, plan.ControlRestored, nil)
	if _, err := w.try(restored); err != nil {
		t.Fatal(err)
	}
	w.must(haccp.AskReview, mara, &haccp.Review{Reviewed: haccp.Reviewed{From: 1, To: w.state.Size, Signature: w.signature(haccp.MeaningReviewed)}})
	review := w.events[len(w.events)-1]
	w.at(time.Minute)
	w.must(haccp.KindReading, teo, bathTest("bath-2", "124", "6.80")) // covered by neither
	other := w.lastOf(haccp.KindReading)
	w.must(haccp.AskVoid, mara, &haccp.Void{Target: other, Reason: "wrong bath", Signature: w.signed(haccp.MeaningVoid)})
	if p := caseOf(w, d.Deviation).Part(plan.ControlRestored); p == nil || p.Changed != 0 {
		t.Fatalf("marked for a report that it does not cover: %+v", p)
	}
	retest := d.Retest.ID
	w.must(haccp.AskAmend, mara, &haccp.Amend{Target: retest, Reason: "misread", New: bathTest("bath-1", "126", "6.80"), Signature: w.signed(haccp.MeaningAmend)})
	amended := w.state.Size
	p := caseOf(w, d.Deviation).Part(plan.ControlRestored)
	if p == nil || p.Changed != amended {
		t.Fatalf("part %+v, want it to stand and be marked by record %d", p, amended)
	}
	if got := w.state.ChangedSince(review); got != amended {
		t.Errorf("the review is marked by %d, want %d", got, amended)
	}
	entry := w.state.LogEntry(caseOf(w, d.Deviation), w.now)
	if x := entry.Parts[0]; !x.Changed || x.ChangedBy != amended || entry.Restored == "" {
		t.Errorf("in the log: %+v, restored %q", x, entry.Restored)
	}
	b, err := w.state.Snapshot()
	if err != nil {
		t.Fatal(err)
	}
	again, err := haccp.Restore(b, time.LoadLocation)
	if err != nil {
		t.Fatal(err)
	}
	if again.ChangedSince(review) != amended {
		t.Error("the mark of the review is lost in a snapshot")
	}
}

// The signature that approved one amendment is marked by the next.
func TestApprovalIsMarkedByTheNextChange(t *testing.T) {
	sig := &haccp.Signature{}
	changes := []*haccp.Event{{Seq: 5, Body: &haccp.Amended{}}, {Seq: 7, Body: &haccp.Amended{Signature: sig}}, {Seq: 9, Body: &haccp.Voided{Signature: sig}}}
	for i, want := range []int64{0, 9, 0} {
		if got := haccp.SignedBefore(changes[i], changes); got != want {
			t.Errorf("change %d: marked by %d, want %d", i, got, want)
		}
	}
}

// A case that was forgotten and comes back from the log bears the same marks.
func TestFoldedCaseBearsTheMarks(t *testing.T) {
	w, d := breached(t)
	w.at(time.Minute)
	w.close()
	w.must(haccp.AskAmend, milo, &haccp.Amend{Target: d.Retest.ID, Reason: "misread", New: bathTest("bath-1", "126", "6.80"), Signature: w.signed(haccp.MeaningAmend)})
	amended := w.events[len(w.events)-1]
	folded := haccp.FoldCase(w.byKey["deviation:"+d.Deviation])
	reports := map[string]int64{}
	for _, x := range folded.Relied() {
		reports[x.Reading] = x.Seq
	}
	folded.Mark([]*haccp.Event{amended}, reports)
	held := caseOf(w, d.Deviation)
	if !slices.EqualFunc(folded.Parts, held.Parts, func(a, b haccp.SignedPart) bool { return a.Changed == b.Changed && a.Seq == b.Seq }) ||
		held.Part(plan.Closed).Changed != amended.Seq {
		t.Errorf("folded %+v, held %+v", folded.Parts, held.Parts)
	}
}

// Whoever logged one of the records does not review them (the same person monitors and reviews: refused).
func TestReviewerMayNotHaveLogged(t *testing.T) {
	w := running(t)
	w.must(haccp.KindReading, tina, bathTest("bath-1", "124", "6.80"))
	from := w.state.Size
	w.must(haccp.KindReading, mara, bathTest("bath-2", "124", "6.80"))
	w.must(haccp.KindReading, tina, bathTest("bath-2", "124", "6.80"))
	give := func(by haccp.Actor, from, to int64) error {
		_, err := w.try(w.command(haccp.AskReview, by, &haccp.Review{Reviewed: haccp.Reviewed{From: from, To: to, Signature: w.signature(haccp.MeaningReviewed)}}))
		return err
	}
	for _, x := range []struct {
		by       haccp.Actor
		from, to int64
		want     string
	}{
		{mara, 1, from + 2, "reviewer-logged"},
		{mara, from + 1, from + 1, "reviewer-logged"},
		{mara, from + 2, from + 2, ""},
		{mara, 1, from, ""},
		{milo, 1, from + 2, ""},
		{mara, 1, w.state.Size, "reviewer-logged"},
	} {
		if err := give(x.by, x.from, x.to); codeOfError(err) != x.want {
			t.Errorf("%s reviews %d to %d: %v, want %q", x.by.ID, x.from, x.to, err, x.want)
		}
	}
}

// A name that would not stand in one line as it is refused.
func TestPrintedNames(t *testing.T) {
	w := newWorld(t)
	for name, good := range map[string]bool{"Ana Peña": true, "Ngô Thị Ánh": true, "O'Neil-Ruiz, J.": true, "李 明": true,
		"Ana\nPeña": false, "Ana\r": false, "Ana\tPeña": false, "Ana\x00": false, "Ana\u2028Peña": false, "Ana\u202ePeña": false, "Ana\u0085": false, "Ana\xff": false} {
		c := w.command(haccp.AskPerson, console, &haccp.PersonChange{Change: "added", PersonBody: haccp.PersonBody{Person: "p" + strings.Repeat("x", w.n%50), Name: name, SignIn: "s" + strings.Repeat("y", w.n%50)}})
		_, err := w.try(c)
		if want := map[bool]string{true: "", false: "bad-name"}[good]; codeOfError(err) != want {
			t.Errorf("%q: %v, want %q", name, err, want)
		}
		w.n++
	}
}
