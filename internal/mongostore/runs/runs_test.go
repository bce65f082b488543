package runs

import (
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"linewarden/internal/record"
)

// What is read back from the documents of a run is what was put into it, in order of (at, seq), and two who put the
// same records have the same documents.
func TestDocs(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number, size := rapid.Int64Range(0, 5).Draw(t, "number"), rapid.Int64Range(1, 60).Draw(t, "size")
		one, two := New(number, size), New(number, size)
		want := map[string][]Entry{}
		kinds := map[int64]string{}
		first := number*size + 1 - rapid.Int64Range(0, min(number*size, 9)).Draw(t, "commit begins before")
		for i := range size {
			seq := number*size + 1 + i
			if rapid.Bool().Draw(t, "new commit") {
				first = seq
			}
			k := record.Lookup{Seq: seq, ID: testID(int(seq)), Command: testID(int(1000 + seq/3)), Kind: rapid.SampledFrom([]string{"reading", "note", "kind/odd"}).Draw(t, "kind"),
				At: time.UnixMilli(rapid.Int64Range(-5, 40).Draw(t, "at")), About: rapid.SliceOfNDistinct(rapid.SampledFrom([]string{"a", "b", "c"}), 0, 3, rapid.ID[string]).Draw(t, "about")}
			one.Put(&k, first)
			two.Put(&k, first)
			kinds[seq] = k.Kind
			for _, key := range append([]string{KindKey(k.Kind)}, about(k.About)...) {
				want[key] = append(want[key], Entry{Moment{k.At.UnixMilli(), seq}, first})
			}
			if one.First(seq) != first || one.Record(k.ID) != first || one.Command(k.Command) == 0 {
				t.Fatalf("record %d is of the commit that begins with %d, not %d", seq, one.First(seq), first)
			}
		}
		docs, end := one.Docs("north")
		again, endAgain := two.Docs("north")
		if !reflect.DeepEqual(docs, again) || !reflect.DeepEqual(end, endAgain) {
			t.Fatal("the same records give other documents")
		}
		if len(docs) != len(want) || end.Run != number || len(end.Commands)%16 != 0 {
			t.Fatalf("%d documents, want %d; end %+v", len(docs), len(want), end)
		}
		for _, d := range docs {
			slices.SortFunc(want[d.Key], func(a, b Entry) int { return a.Compare(b.Moment) })
			n, err := d.Len()
			if err != nil || n != len(want[d.Key]) || d.First != want[d.Key][0].At || d.Last != want[d.Key][n-1].At {
				t.Fatalf("%s: %d entries from %d to %d, want %v: %v", d.ID, n, d.First, d.Last, want[d.Key], err)
			}
			for i, w := range want[d.Key] {
				e, kind, err := d.At(i, number*size)
				if err != nil || e != w || len(d.Kinds) > 0 && kind != kinds[e.Seq] {
					t.Fatalf("%s: entry %d is %+v of kind %q, want %+v: %v", d.ID, i, e, kind, w, err)
				}
			}
		}
	})
}

func about(all []string) []string {
	keys := make([]string, len(all))
	for i, a := range all {
		keys[i] = AboutKey(a)
	}
	return keys
}

func BenchmarkPut(b *testing.B) {
	r := New(0, MaxSize)
	k := record.Lookup{Kind: "reading", About: []string{"place:bath-1", "check:bath-test", "line:1", "person:x"}}
	for b.Loop() {
		if r.Len() == MaxSize {
			r = New(0, MaxSize)
		}
		k.Seq = r.Len() + 1
		k.ID, k.At = testID(rand.IntN(1<<30)), time.UnixMilli(k.Seq)
		k.Command = k.ID
		r.Put(&k, k.Seq)
	}
}
