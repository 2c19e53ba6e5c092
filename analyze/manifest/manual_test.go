package manifest

import (
	"strings"
	"testing"
	"unicode/utf8"
)

// The manual is the package comment: every example line of it, with the
// headings, in 80 columns.
func TestManual(t *testing.T) {
	manual := Manual(80)
	if !strings.HasPrefix(manual, "# The file\n") || strings.Contains(manual, "Package manifest") || strings.Contains(manual, "package manifest") {
		t.Errorf("the manual begins with %.100q", manual)
	}
	lines := map[string]bool{}
	for _, l := range strings.Split(manual, "\n") {
		lines[l] = true
		if n := utf8.RuneCountInString(l); n > 80 {
			t.Errorf("%d characters: %s", n, l)
		}
	}
	code := 0
	for _, l := range strings.Split(docSource, "\n") {
		if l, ok := strings.CutPrefix(l, "//\t"); ok {
			if code++; !lines["    "+l] {
				t.Errorf("the manual lacks %q", l)
			}
		} else if l, ok := strings.CutPrefix(l, "// # "); ok && !lines["# "+l] {
			t.Errorf("the manual lacks the heading %q", l)
		}
	}
	if code < 80 {
		t.Errorf("%d lines of examples", code)
	}
}
