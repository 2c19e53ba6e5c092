package report

import (
	"strings"
	"testing"
)

// TestHeldWords asks that a chain of the one slot under test is not blamed for
// holding nothing else equal.
func TestHeldWords(t *testing.T) {
	res := fixture()
	for _, s := range res.Settings.Slots {
		if s.Slot == res.Comparison.Slot {
			res.Settings.Slots = append(res.Settings.Slots[:0:0], s)
			break
		}
	}
	if len(res.Settings.Slots) != 1 {
		t.Fatal("the fixture has no slot under test")
	}
	if got := (&builder{res: res}).heldWords(); !strings.HasPrefix(got, "The manifest names no other part of the chain.") {
		t.Error(got)
	}
}
