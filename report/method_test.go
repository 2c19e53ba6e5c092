package report

import (
	"archive/zip"
	"html"
	"math"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/result"
)

// TestNewRules asks that the method names the rules that are newer than the
// report which was published before, and none where there was none.
func TestNewRules(t *testing.T) {
	if got := newRulesWords([]result.Rule{{Says: "One."}, {Says: "Two."}}); !strings.HasSuffix(got, " One. Two.") {
		t.Error(got)
	}
	for _, format := range []int{0, 1} {
		res := fixture()
		res.EarlierFormat = format
		page := read(t, filepath.Join(write(t, res), detailsName))
		for _, r := range result.RulesAfter(1, res) {
			if strings.Contains(page, html.EscapeString(r.Says)) != (format == 1) {
				t.Errorf("earlier format %d: %q", format, r.Says)
			}
		}
	}
}

// TestLeastThatCounts asks that the least difference which is printed and drawn is
// the one by which bands were resolved, in every band of a measured comparison.
func TestLeastThatCounts(t *testing.T) {
	z, err := zip.OpenReader("../testdata/published/comparison.zip")
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	f, err := z.Open("two-fuzz-circuits-one-baritone-riff/data/report/" + result.FileName)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	res, err := result.Read(f)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, d := range res.Spectrum.Differences {
		for k, least := range counts(d.Third) {
			by := math.Abs(float64(d.Third.Difference[k]))
			if math.IsNaN(least) || math.IsNaN(by) {
				continue
			}
			n++
			if by > least != d.Third.Resolved[k] {
				t.Errorf("%s, %s, band %d: %.3f dB, counts from %.3f, resolved %v", d.Span, d.Take, k, by, least, d.Third.Resolved[k])
			}
		}
	}
	if n < 100 {
		t.Errorf("only %d bands", n)
	}
}

// TestTimelineOfATakeCalledDry asks that the page tells the dry recording from a take
// of that name, and the reference from a take that is called as the median is.
func TestTimelineOfATakeCalledDry(t *testing.T) {
	for _, c := range []struct {
		is    result.TimelineSource
		files []result.File
		want  string
	}{
		{result.SourceDry, nil, "the dry recording"},
		{result.SourceTake, nil, "the take dry"},
		{"", []result.File{{Use: "take"}, {Use: "dry"}}, "the dry recording"},
		{"", []result.File{{Use: "take"}}, "the take dry"},
	} {
		b := builder{res: &result.Result{Files: c.files, Timeline: result.Timeline{SourceIs: c.is, Source: "dry"}}}
		if got := b.timelineSource(); got != c.want {
			t.Errorf("%q, %v: %s, want %s", c.is, c.files, got, c.want)
		}
	}
	b := builder{res: &result.Result{Takes: []result.Take{{Name: "median of all"}}, Spectrum: result.Spectrum{Against: "median of all"}}}
	if got := b.againstWords(); got != "the median of all" {
		t.Error(got)
	}
}
