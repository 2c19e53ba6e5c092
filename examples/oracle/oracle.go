// Package oracle finds the programs and files that tests check against. Only tests import
// it. The programs are those of the packages in .ci/packages.
package oracle

import (
	"os"
	"os/exec"
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
