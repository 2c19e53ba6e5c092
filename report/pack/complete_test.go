package pack

import (
	"bytes"
	"crypto/sha256"
	"crypto/sha512"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"unicode/utf8"
)

// TestCompleteBag checks a written bag as a validator would, with nothing of
// this package but Write: complete and valid, and the rules for tag files.
//
// Source: RFC 8493 (October 2018), 2.1.1 to 2.1.3, 2.2.1, 2.2.2, 2.4, 3.
func TestCompleteBag(t *testing.T) {
	dir := both(t)[1]
	files := map[string][]byte{}
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		if !e.Type().IsRegular() {
			t.Errorf("%s is no regular file", path)
		}
		rel, _ := filepath.Rel(dir, path)
		files[filepath.ToSlash(rel)], err = os.ReadFile(path)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if got := string(files["bagit.txt"]); got != "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n" {
		t.Errorf("bagit.txt is %q", got)
	}
	payload, oxum := 0, 0
	for name, b := range files {
		if strings.HasPrefix(name, "data/") {
			payload++
			oxum += len(b)
		} else if !utf8.Valid(b) || bytes.HasPrefix(b, []byte("\xEF\xBB\xBF")) {
			t.Errorf("%s is not UTF-8 without a byte order mark", name)
		}
	}
	if payload == 0 {
		t.Fatal("the bag has no payload")
	}
	if want := fmt.Sprintf("\nPayload-Oxum: %d.%d\n", oxum, payload); !strings.Contains("\n"+string(files["bag-info.txt"]), want) {
		t.Errorf("bag-info.txt has no line%s", want)
	}
	for line := range strings.Lines(string(files["bag-info.txt"])) {
		if !regexp.MustCompile(`^([^:\s][^:]*: \S.*|[ \t]+\S.*)\n$`).MatchString(line) {
			t.Errorf("bag-info.txt: %q is neither a label with a value nor a line that goes on", line)
		}
	}
	sums := map[string]func([]byte) string{
		"sha256": func(b []byte) string { return fmt.Sprintf("%x", sha256.Sum256(b)) },
		"sha512": func(b []byte) string { return fmt.Sprintf("%x", sha512.Sum512(b)) },
	}
	decode := strings.NewReplacer("%0A", "\n", "%0D", "\r", "%25", "%")
	listed := func(list string, sum func([]byte) string) []string {
		text, ok := files[list]
		if !ok {
			t.Fatalf("there is no %s", list)
		}
		var names []string
		for line := range strings.Lines(string(text)) {
			m := regexp.MustCompile(`^([0-9a-f]+)[ \t]+(\S.*)\n$`).FindStringSubmatch(line)
			if m == nil {
				t.Fatalf("%s: %q", list, line)
			}
			name := decode.Replace(m[2])
			b, ok := files[name]
			if !ok || sum(b) != m[1] {
				t.Errorf("%s: %s is not there or has another digest", list, name)
			}
			if slices.Contains(names, name) {
				t.Errorf("%s lists %s twice", list, name)
			}
			names = append(names, name)
		}
		return names
	}
	for algorithm, sum := range sums {
		names := listed("manifest-"+algorithm+".txt", sum)
		if len(names) != payload || slices.ContainsFunc(names, func(n string) bool { return !strings.HasPrefix(n, "data/") }) {
			t.Errorf("manifest-%s.txt lists %q, the payload has %d files", algorithm, names, payload)
		}
		// Every tag file but the tag manifests, and nothing of the payload.
		tags := listed("tagmanifest-"+algorithm+".txt", sum)
		for name := range files {
			want := !strings.HasPrefix(name, "data/") && !strings.HasPrefix(name, "tagmanifest-")
			if slices.Contains(tags, name) != want {
				t.Errorf("tagmanifest-%s.txt: %s listed: %v", algorithm, name, !want)
			}
		}
	}
}
