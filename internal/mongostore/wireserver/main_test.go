package main

import (
	"path/filepath"
	"strings"
	"testing"
)

func TestServeWantsAFolder(t *testing.T) {
	err := serve("127.0.0.1:0", filepath.Join(t.TempDir(), "none"))
	if err == nil || !strings.Contains(err.Error(), "is no folder") {
		t.Errorf("got %v", err)
	}
}
