package analyze

import (
	"evenhand/analyze/result"
	"testing"

	"evenhand/analyze/manifest"
)

// TestUndisclosed asks that payment rests on the author's word only where there
// is one.
func TestUndisclosed(t *testing.T) {
	for disclosure, want := range map[string]result.Standing{"": result.NotExcluded, "Nobody paid.": result.AuthorsWord} {
		s := &Measured{Manifest: &manifest.Comparison{}, Result: &result.Result{Comparison: result.Comparison{Disclosure: disclosure}}}
		for _, x := range s.accusations(true) {
			if x.text == "somebody paid for the outcome" && x.best != want {
				t.Errorf("disclosure %q: %s, want %s", disclosure, x.best, want)
			}
		}
	}
}
