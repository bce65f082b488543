package mongostore

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"

	"go.mongodb.org/mongo-driver/v2/mongo"

	"linewarden/internal/record"
)

// Whatever leaves it open whether a commit was written must be in doubt; what the server refused must not be.
func TestDoubt(t *testing.T) {
	duplicate := mongo.WriteException{WriteErrors: mongo.WriteErrors{{Code: 11000}}}
	for _, c := range []struct {
		name     string
		err      error
		doubtful bool
		refused  bool
	}{
		{"connection broke", mongo.CommandError{Labels: []string{"NetworkError"}}, true, false},
		{"time ran out", fmt.Errorf("insert: %w", context.DeadlineExceeded), true, false},
		{"the caller left", context.Canceled, true, false},
		{"the server's time ran out", mongo.CommandError{Code: 50}, true, false},
		{"stepped down", mongo.CommandError{Code: 189}, true, false},
		{"not the primary", mongo.CommandError{Code: 10107, Labels: []string{"RetryableWriteError"}}, true, false},
		{"the majority is silent", mongo.WriteException{WriteConcernError: &mongo.WriteConcernError{Code: 64}}, true, false},
		{"duplicate, and the majority is silent", mongo.WriteException{WriteErrors: duplicate.WriteErrors, WriteConcernError: &mongo.WriteConcernError{Code: 64}}, true, false},
		{"stepped down after the write", mongo.WriteException{WriteConcernError: &mongo.WriteConcernError{Code: 11602}}, true, false},
		{"duplicate", duplicate, false, true},
		{"no leave", mongo.CommandError{Code: 13}, false, true},
		{"document refused", mongo.WriteException{WriteErrors: mongo.WriteErrors{{Code: 121}}}, false, true},
		{"something else", errors.New("boom"), false, false},
	} {
		if doubtful(c.err) != c.doubtful || refused(c.err) != c.refused {
			t.Errorf("%s: doubtful %t, refused %t", c.name, doubtful(c.err), refused(c.err))
		}
	}
}

func TestOnlyDuplicates(t *testing.T) {
	double := mongo.BulkWriteError{WriteError: mongo.WriteError{Code: 11000}}
	other := mongo.BulkWriteError{WriteError: mongo.WriteError{Code: 10334}}
	for _, c := range []struct {
		name string
		err  error
		want bool
	}{
		{"duplicates", mongo.BulkWriteException{WriteErrors: []mongo.BulkWriteError{double, double}}, true},
		{"one of them is something else", mongo.BulkWriteException{WriteErrors: []mongo.BulkWriteError{double, other}}, false},
		{"the majority is silent", mongo.BulkWriteException{WriteErrors: []mongo.BulkWriteError{double}, WriteConcernError: &mongo.WriteConcernError{}}, false},
		{"none", mongo.BulkWriteException{}, false},
		{"another error", context.DeadlineExceeded, false},
	} {
		if got := onlyDuplicates(c.err); got != c.want {
			t.Errorf("%s: %t", c.name, got)
		}
	}
}

func TestKeysAreInTheOrderOfTheirNumbers(t *testing.T) {
	var keys []string
	for _, n := range []int64{0, 1, 9, 10, 99, 100, 12345678, maxNumber} {
		keys = append(keys, key("north", n))
	}
	if !slices.IsSorted(keys) {
		t.Errorf("keys are not sorted: %q", keys)
	}
	for _, k := range keys {
		if k < "north/" || k >= "north/:" {
			t.Errorf("key %q leaves the range of its site", k)
		}
	}
}

func TestCheckInside(t *testing.T) {
	a, b, c := record.UUID{1}, record.UUID{2}, record.UUID{3}
	for _, tc := range []struct {
		name string
		in   []record.Lookup
		ok   bool
	}{
		{"different", []record.Lookup{{ID: a, Command: b}, {ID: b, Command: c}}, true},
		{"one command of two records", []record.Lookup{{ID: a, Command: c}, {ID: b, Command: c}}, true},
		{"without a command", []record.Lookup{{ID: a}, {ID: b}}, true},
		{"id twice", []record.Lookup{{ID: a, Command: b}, {ID: a, Command: c}}, false},
		{"command in two parts", []record.Lookup{{ID: a, Command: c}, {ID: b, Command: b}, {ID: c, Command: c}}, false},
	} {
		if err := checkInside(tc.in); (err == nil) != tc.ok || err != nil && !errors.Is(err, record.ErrDuplicateID) {
			t.Errorf("%s: %v", tc.name, err)
		}
	}
}
