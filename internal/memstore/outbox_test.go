package memstore_test

import (
	"testing"

	"linewarden/alerts"
	"linewarden/alerts/alertstest"
	"linewarden/internal/memstore"
)

func TestOutbox(t *testing.T) {
	alertstest.TestOutbox(t, func(*testing.T) (alerts.Outbox, func() alerts.Outbox) { return memstore.NewOutbox(), nil })
}
