// Package oracle finds the programs and files that tests check against. Only tests import
// it. The programs are those of the packages in .ci/packages and those that .ci/run installs.
package oracle

import (
	"encoding/json"
	"os"
	"os/exec"
	"strings"
	"testing"
)

// Path returns the path of a program under the first of its names that is found.
// Without it the test is skipped, but fails where the environment says CI.
func Path(t testing.TB, names ...string) string {
	t.Helper()
	path := Look(t, names...)
	if path == "" {
		t.Skipf("%s is not installed", names[0])
	}
	return path
}

// File returns path when there is such a file. Without it the test is skipped, but
// fails where the environment says CI.
func File(t testing.TB, path string) string {
	t.Helper()
	if _, err := os.Stat(path); err != nil {
		if os.Getenv("CI") != "" {
			t.Fatal(err)
		}
		t.Skip(err)
	}
	return path
}

// Look is Path for a test that has something to say without the program as well:
// it returns "" then, and fails the test all the same where the environment says
// CI.
func Look(t testing.TB, names ...string) string {
	t.Helper()
	for _, n := range names {
		if path, err := exec.LookPath(n); err == nil {
			return path
		}
	}
	if os.Getenv("CI") != "" {
		t.Fatalf("%s is not installed", names[0])
	}
	return ""
}

// ValidHTML fails the test for each error that the Nu Html Checker, which checks pages
// against the HTML standard, finds in the pages with these paths.
func ValidHTML(t testing.TB, pages ...string) {
	t.Helper()
	vnu := exec.Command(Path(t, "vnu"), append([]string{"--errors-only", "--format", "json", "--exit-zero-always"}, pages...)...)
	var stdout, stderr strings.Builder
	vnu.Stdout, vnu.Stderr = &stdout, &stderr
	err := vnu.Run()
	var found struct {
		Messages []struct {
			Type, URL, Message, Extract string
			LastLine                    int
		}
	}
	if json.Unmarshal([]byte(stderr.String()), &found) != nil || err != nil {
		t.Fatalf("vnu: %v\n%s%s", err, stdout.String(), stderr.String())
	}
	for _, m := range found.Messages {
		t.Errorf("%s:%d: %s: %s: %s", m.URL, m.LastLine, m.Type, m.Message, m.Extract)
	}
}
