package report

import (
	"path/filepath"
	"testing"

	"evenhand/examples/oracle"
)

// Every page is valid HTML, also with an address.
func TestPageIsValidHTML(t *testing.T) {
	if testing.Short() || raced {
		t.Skip("the plain suite runs this")
	}
	pages := []string{}
	all := variants()
	all["published"] = fixture()
	all["published"].Comparison.URL = "https://example.org/fuzzes/"
	for _, res := range all {
		pages = append(pages, filepath.Join(write(t, res), "index.html"))
	}
	_, played := playedReport(t) // with a player
	oracle.ValidHTML(t, append(pages, filepath.Join(played, "index.html"))...)
}
