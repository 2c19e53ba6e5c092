package verify

import (
	"strings"
	"testing"
)

// TestReportIsSafeToPrint puts what an archive of a stranger can hold into
// every list.
func TestReportIsSafeToPrint(t *testing.T) {
	const bad = "x\x1b[2J\u202e"
	r := &Report{Path: bad, MadeBy: bad, Faults: []Fault{{File: bad, What: bad}}, NotCompared: []string{bad},
		Differences: []Difference{{File: bad, Quantity: bad, Stored: bad, Recomputed: bad}}, LeftOut: []LeftOut{{Path: bad, Use: bad, SHA256: bad}}}
	r.Note("%s", bad)
	var w strings.Builder
	if err := r.Write(&w, true); err != nil || strings.ContainsAny(w.String(), "\x1b\u202e") || strings.Count(w.String(), "x ") < 8 {
		t.Errorf("%q, %v", w.String(), err)
	}
}
