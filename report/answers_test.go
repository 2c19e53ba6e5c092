package report

import (
	"regexp"
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/report/fair"
	"evenhand/report/view"
)

// part renders one part of the page.
func part(t *testing.T, name string, data any) string {
	t.Helper()
	r, err := view.NewRenderer("")
	if err != nil {
		t.Fatal(err)
	}
	out, err := r.Render(name, data)
	if err != nil {
		t.Fatal(err)
	}
	return string(out)
}

// answersOf renders answers as the page does, without markup.
func answersOf(t *testing.T, ks ...result.Check) []string {
	t.Helper()
	res := &result.Result{Takes: []result.Take{{Name: "A"}, {Name: "B"}, {Name: "C"}}, Checks: ks}
	lines := []string{}
	for _, m := range regexp.MustCompile(`(?s)<li>(.*?)</li>`).FindAllStringSubmatch(part(t, "checks", fair.ChecksOf(res)), -1) {
		lines = append(lines, strings.TrimSpace(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(m[1], "")))
	}
	return lines
}

func TestAnswersAreToldOnce(t *testing.T) {
	k := func(subject, value, reason string) result.Check {
		return result.Check{ID: "x", Name: "X", Group: "sound", Subject: subject, Outcome: result.Passed, Value: value, Reason: reason}
	}
	for name, c := range map[string]struct {
		in   []result.Check
		want []string
	}{
		"all alike": {[]result.Check{k("A", "48000 Hz", "keeps pace"), k("B", "48000 Hz", "keeps pace"), k("C", "48000 Hz", "keeps pace")},
			[]string{"every take 48000 Hz: keeps pace"}},
		"with a file beside": {[]result.Check{k("dry recording", "none", "no gap"), k("A", "none", "no gap"), k("B", "none", "no gap"), k("C", "none", "no gap")},
			[]string{"dry recording and every take none: no gap"}},
		"other figures": {[]result.Check{k("A", "0.2 ms", "165 of 165 notes, within 0.2 ms; odds above 10 to 1"), k("B", "0.3 ms", "163 of 165 notes, within 0.3 ms; odds above 10 to 1"), k("C", "0.2 ms", "165 of 165 notes, within 0.2 ms; odds above 10 to 1")},
			[]string{"A and C 0.2 ms: 165 of 165 notes, within 0.2 ms; odds above 10 to 1; likewise B 0.3 ms (163, 0.3 ms)"}},
		"a figure with its sign and unit": {[]result.Check{k("A", "", "hum of −62.8 dBFS at 0:21.7"), k("B", "", "hum of −72.6 dBFS at 0:21.7")},
			[]string{"A: hum of −62.8 dBFS at 0:21.7; likewise B (−72.6 dBFS)"}},
		"too many figures": {[]result.Check{k("A", "", "1 2 3 4"), k("B", "", "5 6 7 8")}, []string{"A: 1 2 3 4", "B: 5 6 7 8"}},
		"other words":      {[]result.Check{k("A", "", "1 sample is left"), k("B", "", "2 samples are left")}, []string{"A: 1 sample is left", "B: 2 samples are left"}},
	} {
		if got := answersOf(t, c.in...); strings.Join(got, "|") != strings.Join(c.want, "|") {
			t.Errorf("%s:\n got %q\nwant %q", name, got, c.want)
		}
	}
	// What to do and the outcome are never told for another.
	a, b := k("A", "1 dB", "too hot"), k("B", "2 dB", "too hot")
	b.Outcome, b.Do = result.Caution, "turn it down by 2 dB"
	if got := answersOf(t, a, b); len(got) != 2 || got[0] != "passed A 1 dB: too hot" || got[1] != "caution B 2 dB: too hot To do: turn it down by 2 dB" {
		t.Errorf("%q", got)
	}
}
