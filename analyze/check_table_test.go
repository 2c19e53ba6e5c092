package analyze

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/result"
)

// table reads the table of what the checks detect: its cells by check.
func table(t *testing.T) map[string][]string {
	t.Helper()
	text, err := os.ReadFile("testdata/detection.md")
	if err != nil {
		t.Fatal(err)
	}
	_, text2, ok := strings.Cut(string(text), "| check | smallest fault")
	if !ok {
		t.Fatal("testdata/detection.md has no table of checks")
	}
	text2, _, _ = strings.Cut(text2, "\n\n")
	rows := map[string][]string{}
	for _, line := range strings.Split(text2, "\n")[2:] {
		cells := strings.Split(strings.Trim(line, "| "), " | ")
		if len(cells) != 4 || rows[cells[0]] != nil {
			t.Fatalf("a row of the table is damaged or there twice: %s", line)
		}
		rows[cells[0]] = cells
	}
	return rows
}

// TestTable holds the documented table against the catalogue, the faults that
// TestDetection puts in, and the tests it names.
func TestTable(t *testing.T) {
	rows := table(t)
	for _, q := range fairness.Topics() {
		// These are about what the manifest says alone, or allow something.
		if q.Group != result.GroupSafety && q.ID != fairness.IDAllowed && rows[q.ID] == nil {
			t.Errorf("%s is not in the table", q.ID)
		}
	}
	for _, d := range detections(t) {
		if r := rows[d.id]; r == nil || !strings.Contains(r[1], d.fault) {
			t.Errorf("%s: the table says %q, tested is %q", d.id, r, d.fault)
		}
	}
	names := map[string]bool{}
	declared := regexp.MustCompile(`(?m)^func (Test\w+)\(`)
	err := filepath.WalkDir(".", func(path string, e fs.DirEntry, err error) error {
		if err != nil || !strings.HasSuffix(path, "_test.go") {
			return err
		}
		b, err := os.ReadFile(path)
		for _, m := range declared.FindAllSubmatch(b, -1) {
			names[string(m[1])] = true
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	for id, r := range rows {
		for _, name := range strings.Split(r[3], ", ") {
			if !names[name] {
				t.Errorf("%s: there is no %s", id, name)
			}
		}
	}
}

// alarms is how the table counts what a check answered about clean material.
func alarms(answers map[result.Outcome]int, wrong int) string {
	text := fmt.Sprintf("%d of %d", wrong, answers[result.Passed]+answers[result.Caution]+answers[result.Failed])
	if n := answers[result.NotMeasured]; n > 0 {
		text += fmt.Sprintf(", %d not measured", n)
	}
	return text
}
