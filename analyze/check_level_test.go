package analyze

import (
	"evenhand/analyze/result"
	"strings"
	"testing"
)

// TestNoLoopback asks that the advice without a loopback recording says how to get
// one: no command of the program records.
func TestNoLoopback(t *testing.T) {
	var a answers
	(&Measured{Result: &result.Result{}}).askReampLevel(&a)
	if len(a.out) != 1 || a.out[0].Outcome != result.NotMeasured {
		t.Fatalf("%+v", a.out)
	}
	if why := a.out[0].Reason; !strings.Contains(why, "record the reamp output back through the DI box") || strings.Contains(why, "command") {
		t.Error(why)
	}
}
