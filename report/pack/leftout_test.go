package pack

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/mistake"
)

// TestReadLeftOut: a list of what is withheld that cannot be used is refused with its line
// and what was found there.
func TestReadLeftOut(t *testing.T) {
	dir := t.TempDir()
	if files, err := ReadLeftOut(dir); files != nil || err != nil {
		t.Errorf("without a list: %v, %v", files, err)
	}
	if err := os.Mkdir(filepath.Join(dir, "data"), 0o777); err != nil {
		t.Fatal(err)
	}
	const head = "path,use,sha256,bytes\n"
	sum := strings.Repeat("ab", 32)
	for text, want := range map[string]string{
		head:                                     "",
		head + "data/a.wav,take," + sum + ",9\n": "",
		"":                                       `data/left-out.csv: it is empty; its first line must be "path,use,sha256,bytes"`,
		head + "data/a,take\n":                   "data/left-out.csv: it cannot be read: record on line 2: wrong number of fields",
		head + "a.wav,take," + sum + ",9\n":      `data/left-out.csv:2: found "a.wav,take,` + sum + `,9"; it must be a path below data/, a use, a SHA-256 and a number of bytes`,
		head + "data/../a,take," + sum + ",9\n":  `found "data/../a,take,`,
		head + "data/a,take,ab,9\n":              `found "data/a,take,ab,9"`,
		head + "data/a,take," + sum + ",-1\n":    `,-1"; it must be`,
		head + "data/a.wav,take," + sum + ",9\n" + "b,b,b,\x1b": `data/left-out.csv:3: found "b,b,b,\x1b"`,
	} {
		if err := os.WriteFile(filepath.Join(dir, "data", "left-out.csv"), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		files, err := ReadLeftOut(dir)
		switch {
		case want == "" && (err != nil || len(files) != strings.Count(text, "\n")-1):
			t.Errorf("%q: %v, %v", text, files, err)
		case want != "" && (!errors.Is(err, mistake.Err) || !strings.Contains(err.Error(), want)):
			t.Errorf("%q: %v, want %s", text, err, want)
		}
	}
}
