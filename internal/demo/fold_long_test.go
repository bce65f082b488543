//go:build long

package demo_test

import (
	"math"
	"testing"
)

// TestLongFold follows the state restored at every position of the demo's log to the end.
func TestLongFold(t *testing.T) { foldsAgree(t, 1, math.MaxInt) }
