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
		dir := write(t, res)
		pages = append(pages, filepath.Join(dir, indexName), filepath.Join(dir, detailsName))
	}
	_, played := playedReport(t) // with a player
	oracle.ValidHTML(t, append(pages, filepath.Join(played, indexName))...)
}
