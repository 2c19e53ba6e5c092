package report

import (
	"html"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"evenhand/examples/gap"
	"evenhand/report/console"
)

// TestNoSentenceHasAGap: no page of any result and no summary has a dash in the place of
// a figure within a sentence, or a reason that is empty.
func TestNoSentenceHasAGap(t *testing.T) {
	hidden := regexp.MustCompile(`(?s)<script.*?</script>|<style.*?</style>|<svg.*?</svg>`)
	block := regexp.MustCompile(`</?(?:p|li|td|th|dt|dd|h[1-6]|caption|summary|figcaption|tr|div|option|label|button|ul|ol|dl|table)\b[^>]*>`)
	tag := regexp.MustCompile(`<[^>]*>`)
	for name, res := range variants() {
		if name == "hostile" {
			continue // its names have them
		}
		dir := write(t, res)
		var terminal strings.Builder
		if err := console.Summary(&terminal, res, 80); err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(terminal.String(), "\n")
		for _, page := range []string{indexName, detailsName, frameName} {
			text, err := os.ReadFile(filepath.Join(dir, page))
			if err != nil {
				t.Fatal(err)
			}
			for _, part := range block.Split(hidden.ReplaceAllString(string(text), ""), -1) {
				lines = append(lines, strings.Join(strings.Fields(html.UnescapeString(tag.ReplaceAllString(part, ""))), " "))
			}
		}
		for _, line := range lines {
			if at := gap.In(line); at != "" {
				t.Errorf("%s: %q in %q", name, at, line)
			}
		}
	}
}
