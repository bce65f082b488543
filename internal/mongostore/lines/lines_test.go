package lines

import (
	"errors"
	"slices"
	"testing"

	"go.mongodb.org/mongo-driver/v2/bson"
	"pgregory.net/rapid"

	"linewarden/internal/record"
)

type document struct {
	Records Records `bson:"records"`
}

func TestLinesComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := rapid.SliceOfN(rapid.StringMatching(`[^\n]+`), 1, 20).Draw(t, "records")
		data, err := bson.Marshal(document{Records: want})
		if err != nil {
			t.Fatal(err)
		}
		var got document
		if err := bson.Unmarshal(data, &got); err != nil || !slices.Equal(got.Records, want) {
			t.Fatalf("%q came back as %q (%v)", want, got.Records, err)
		}
	})
}

func TestLinesRefuse(t *testing.T) {
	for _, bad := range []Records{{"a", ""}, {"a\nb"}, {""}} {
		if _, err := bson.Marshal(document{Records: bad}); !errors.Is(err, record.ErrInvalid) {
			t.Errorf("%q: %v", bad, err)
		}
	}
	data, err := bson.Marshal(bson.D{{Key: "records", Value: bson.A{"a", "b"}}})
	if err != nil {
		t.Fatal(err)
	}
	var d document
	if err := bson.Unmarshal(data, &d); !errors.Is(err, record.ErrTampered) {
		t.Errorf("an array of strings: %v", err)
	}
}
