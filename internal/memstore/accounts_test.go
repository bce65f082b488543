package memstore_test

import (
	"testing"

	"linewarden/internal/access"
	"linewarden/internal/access/accesstest"
	"linewarden/internal/memstore"
)

func TestAccounts(t *testing.T) {
	accesstest.Accounts(t, func(*testing.T) access.Accounts { return memstore.NewAccounts() }, nil)
}
