package report

import (
	"bytes"
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"evenhand/analyze/result"
	"evenhand/report/console"
)

const summaryWant = `Four fuzz circuits, one baritone riff
take          loudness true peak   gain      lag    noise
                  LUFS      dBTP     dB  samples  dBFS(A)
Leaning          −21.4      −3.9   +2.2   +37.25    −59.0
Splitting        −14.6       1.8   −4.6   +40.35    −53.5
Lanternfish      −18.9      −3.6   −0.3   +43.45    gated
Quarry           −16.2      −2.0   −3.0  +46.55?    −58.1
Leaning again    −21.3      −8.2   +2.1   +49.65    −58.9
No fuzz          −27.8     −15.8   +8.6   +52.75    −69.8
? uncertain place next to the other takes: Quarry
matched to −19.2 LUFS, limited by Leaning
Not fair: only the fuzz differs (1 other control moved).
21 checks: 1 failed, 1 caution, 1 not measured, 18 passed
evenhand check shows what to do about each
`

func TestSummary(t *testing.T) {
	var out bytes.Buffer
	if err := console.Summary(&out, fixture(), 80); err != nil {
		t.Fatal(err)
	}
	if out.String() != summaryWant {
		t.Errorf("got\n%s", out.String())
	}
}

// TestSummaryFitsAScreen asks for at most 20 lines, of however many takes and
// findings.
func TestSummaryFitsAScreen(t *testing.T) {
	res := variants()["crowded"]
	name := strings.Repeat("long ", 8)
	for i := range 40 {
		res.Takes = append(res.Takes, res.Takes[0])
		res.Takes[len(res.Takes)-1].Name = fmt.Sprint(name, i)
		res.Takes[len(res.Takes)-1].Alignment.BesideBy = ""
		res.Checks = append(res.Checks, result.Check{ID: fmt.Sprint(i % 9), Name: "Reamp response", Subject: fmt.Sprint(name, i), Outcome: result.Failed, Value: "6 dB"})
	}
	var out bytes.Buffer
	if err := console.Summary(&out, res, 80); err != nil {
		t.Fatal(err)
	}
	if n := strings.Count(out.String(), "\n"); n > 20 || !strings.Contains(out.String(), "Not fair: ") || !strings.Contains(out.String(), " failed, ") {
		t.Errorf("%d lines:\n%s", n, out.String())
	}
}

func TestSummaryFitsAnyWidth(t *testing.T) {
	for name, res := range variants() {
		for _, width := range []int{0, 10, 40, 60, 80, 200} {
			var out bytes.Buffer
			if err := console.Summary(&out, res, width); err != nil {
				t.Fatal(err)
			}
			limit := max(40, width)
			if width == 0 {
				limit = 80
			}
			for _, l := range strings.Split(out.String(), "\n") {
				if n := utf8.RuneCountInString(l); n > limit {
					t.Errorf("%s at %d: a line of %d columns: %s", name, width, n, l)
				}
			}
		}
	}
}
