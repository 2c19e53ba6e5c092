package verify

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/report/pack"
)

// TestBagOfSomethingElse: the bag of anything but a comparison is refused with what its
// bag-info.txt has; of two faults there the first is named each time.
func TestBagOfSomethingElse(t *testing.T) {
	for info, want := range map[string]string{
		"": pack.LabelManifest + ` in its bag-info.txt is "" and must be a path below data/`,
		pack.LabelManifest + ": data/m.yaml\n" + pack.LabelReport + ": report\n": pack.LabelReport + ` in its bag-info.txt is "report" and must be a path below data/`,
		pack.LabelManifest + ": data/../m.yaml\n":                                pack.LabelManifest + ` in its bag-info.txt is "data/../m.yaml"`,
	} {
		dir := t.TempDir()
		for name, text := range map[string]string{"bagit.txt": "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n", "manifest-sha256.txt": "", "bag-info.txt": info} {
			if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
				t.Fatal(err)
			}
		}
		if err := os.Mkdir(filepath.Join(dir, "data"), 0o777); err != nil {
			t.Fatal(err)
		}
		for range 8 {
			if _, err := Run(context.Background(), dir, RunOptions{}); !errors.Is(err, mistake.Err) || !strings.Contains(err.Error(), want) {
				t.Fatalf("%q: %v, want %s", info, err, want)
			}
		}
	}
}

// TestFileOf: what the results say is that of a file only where the file is its whole
// subject.
func TestFileOf(t *testing.T) {
	c := &manifest.Comparison{About: &manifest.File{Path: "notes.md"}}
	for place, want := range map[string]string{
		"comparison.about":           "notes.md",
		"checks[ir-rate, b.wav]":     "b.wav",
		"checks[ir-rate, a, b.wav]":  "a, b.wav",
		"checks[clicks, b.wav]":      "",
		"checks[ir-rate].text":       "",
		"takes[b.wav].file":          "",
		"takes[ir-rate, b.wav].name": "",
	} {
		if got := fileOf(place, c); got != want {
			t.Errorf("%s: %q, want %q", place, got, want)
		}
	}
	if got := fileOf("comparison.about", &manifest.Comparison{}); got != "" {
		t.Errorf("without notes: %q", got)
	}
}
