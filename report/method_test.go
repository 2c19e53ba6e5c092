package report

import (
	"html"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze"
)

// TestNewRules asks that the method names the rules that are newer than the
// report which was published before, and none where there was none.
func TestNewRules(t *testing.T) {
	if got := newRulesWords([]analyze.Rule{{Says: "One."}, {Says: "Two."}}); !strings.HasSuffix(got, " One. Two.") {
		t.Error(got)
	}
	for _, format := range []int{0, 1} {
		res := fixture()
		res.EarlierFormat = format
		page := read(t, filepath.Join(write(t, res), "index.html"))
		for _, r := range analyze.RulesAfter(1, res) {
			if strings.Contains(page, html.EscapeString(r.Says)) != (format == 1) {
				t.Errorf("earlier format %d: %q", format, r.Says)
			}
		}
	}
}
