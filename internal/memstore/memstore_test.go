package memstore_test

import (
	"testing"

	"linewarden/internal/memstore"
	"linewarden/internal/record/recordtest"
)

func TestContract(t *testing.T) {
	recordtest.TestLog(t, func(*testing.T) func(string) recordtest.Store {
		s := memstore.New()
		return func(site string) recordtest.Store { return s.Site(site) }
	})
}
