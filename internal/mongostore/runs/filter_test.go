package runs

import (
	"crypto/sha256"
	"encoding/binary"
	"testing"

	"linewarden/internal/record"
)

// testID gives ids as devices make them in one second: they differ in few bits of their first half.
func testID(n int) record.UUID {
	var id record.UUID
	binary.BigEndian.PutUint64(id[:8], 0x0197b6c05c5e7000|uint64(n>>16))
	sum := sha256.Sum256(binary.BigEndian.AppendUint64(nil, uint64(n)))
	copy(id[8:], sum[:8])
	return id
}

func TestFilterForgetsNoID(t *testing.T) {
	const many = 4 * filterFirst
	f := Filter{complete: true}
	for n := range many {
		f.Add(testID(n))
	}
	for n := range many {
		if f.News(testID(n)) {
			t.Fatalf("id %d was added and is news", n)
		}
	}
	wrong := 0
	for n := range many {
		if !f.News(testID(many + n)) {
			wrong++
		}
	}
	// (1 - e^(-k n/m))^k with k = 7 and m/n = 20 is 0.0002 for a full part; three parts are asked.
	if rate := float64(wrong) / many; rate > 0.001 {
		t.Errorf("%d of %d new ids are taken for old ones", wrong, many)
	}
}

func TestFilterKnowsNothingBeforeItIsComplete(t *testing.T) {
	var f Filter
	if f.News(testID(1)) {
		t.Error("an id is news to a filter that is not complete")
	}
}

func BenchmarkFilter(b *testing.B) {
	f := Filter{complete: true}
	for n := range 1 << 20 {
		f.Add(testID(n))
	}
	id := testID(1 << 21)
	for b.Loop() {
		f.News(id)
	}
}
