package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/report"
	"evenhand/report/folder"
	"evenhand/report/pack"
)

// outcome runs a command and returns its status and all that it says.
func outcome(args ...string) (status int, said string) {
	var out bytes.Buffer
	status = run(context.Background(), args, &out, &out)
	return status, out.String()
}

// rewrite changes the results of a report and signs its list again.
func rewrite(t testing.TB, dir string, change func(b []byte) []byte) {
	t.Helper()
	name := filepath.Join(dir, result.FileName)
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(os.WriteFile(name, change(b), 0o666), sign(dir)); err != nil {
		t.Fatal(err)
	}
}

// comments writes answers to a report into a file.
func comments(t testing.TB, dir string) string {
	t.Helper()
	var codes bytes.Buffer
	if err := answersTo(&codes, dir, 2, 1); err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "comments.txt")
	if err := os.WriteFile(name, codes.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	return name
}

// TestResultsThatLeadOut: no path in results.json makes tally, verify, build or
// pack read or write outside the report.
func TestResultsThatLeadOut(t *testing.T) {
	manifest, dir, _ := takesReport(t, 2)
	codes := comments(t, dir)
	top := filepath.Dir(dir)
	secret := filepath.Join(top, "secret.flac")
	if err := os.WriteFile(secret, []byte("secret text"), 0o666); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(filepath.Join(dir, result.FileName))
	if err != nil {
		t.Fatal(err)
	}
	for name, change := range map[string]func(*result.Take){
		"piece above":    func(t *result.Take) { t.Published.Pieces = []result.Piece{{Path: "../secret.1.flac"}} },
		"piece at once":  func(t *result.Take) { t.Published.Pieces = []result.Piece{{Path: "audio/../../secret.1.flac"}} },
		"piece absolute": func(t *result.Take) { t.Published.Pieces = []result.Piece{{Path: "/tmp/x.1.flac"}} },
		"piece elsewhere": func(t *result.Take) {
			t.Published.Pieces = []result.Piece{{Path: "listen.1.flac"}}
		},
		"blend": func(t *result.Take) {
			t.Published.Blend = &result.BlendPlan{Pieces: []result.Piece{{Path: "../a.flac"}}}
		},
		"file":      func(t *result.Take) { t.Published.Path = "../secret.flac" },
		"backslash": func(t *result.Take) { t.Published.Path = `audio\..\..\secret.flac` },
		"slug":      func(t *result.Take) { t.Slug = "../x" },
	} {
		rewrite(t, dir, func([]byte) []byte {
			res, err := result.Read(bytes.NewReader(before))
			if err != nil {
				t.Fatal(err)
			}
			change(&res.Takes[0])
			var out bytes.Buffer
			enc := json.NewEncoder(&out)
			enc.SetEscapeHTML(false)
			enc.SetIndent("", " ")
			if err := enc.Encode(res); err != nil {
				t.Fatal(err)
			}
			return out.Bytes()
		})
		for _, args := range [][]string{{"tally", manifest, codes, "--report", dir}, {"verify", dir}} {
			status, said := outcome(args...)
			if status != exitUsage && (status != exitFailed || args[0] != "verify") || strings.Contains(said, "secret text") {
				t.Errorf("%s: %v: status %d\n%s", name, args, status, said)
			}
		}
	}
	entries, err := os.ReadDir(top)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if strings.Contains(e.Name(), "secret") && e.Name() != "secret.flac" || strings.HasSuffix(e.Name(), ".js") {
			t.Errorf("written: %s", e.Name())
		}
	}
}

// TestLinksInReports: a link in a report is not followed, into a page least of all.
func TestLinksInReports(t *testing.T) {
	manifest, dir, _ := takesReport(t, 2)
	codes := comments(t, dir)
	secret := filepath.Join(filepath.Dir(dir), "secret")
	if err := os.WriteFile(secret, []byte("secret text"), 0o666); err != nil {
		t.Fatal(err)
	}
	css := filepath.Join(dir, "style.css")
	if err := errors.Join(os.Remove(css), os.Symlink(secret, css), sign(dir)); err != nil {
		t.Skip(err)
	}
	status, said := outcome("verify", dir)
	if status != exitFailed || !strings.Contains(said, "is a link") {
		t.Errorf("verify: status %d\n%s", status, said)
	}
	if status, said := outcome("tally", manifest, codes, "--report", dir); status != exitUsage {
		t.Errorf("tally: status %d\n%s", status, said)
	}
	s := startServer(t, dir)
	if res, body := get(t, s.url+"style.css", nil); res.StatusCode != 404 {
		t.Errorf("serve: status %d, %s", res.StatusCode, body)
	}
	// Nor is a file that the report does not list served.
	if err := os.WriteFile(filepath.Join(dir, "mine.txt"), []byte("secret text"), 0o666); err != nil {
		t.Fatal(err)
	}
	if res, body := get(t, s.url+"mine.txt", nil); res.StatusCode != 404 {
		t.Errorf("serve: status %d, %s", res.StatusCode, body)
	}
	if res, _ := get(t, s.url+folder.Sums, nil); res.StatusCode != 200 {
		t.Errorf("serve: status %d", res.StatusCode)
	}
}

// TestArchiveThatLeadsOut: an archive's manifest that names files elsewhere is
// found out, and nothing of them is shown.
func TestArchiveThatLeadsOut(t *testing.T) {
	root := shortComparison(t)
	work := filepath.Join(root, "work")
	const secret = "a line that nobody should see"
	if err := os.WriteFile(filepath.Join(root, "secret.md"), []byte(secret), 0o666); err != nil {
		t.Fatal(err)
	}
	manifest := filepath.Join(work, "bag", "data", "session", "two.yaml")
	good, err := os.ReadFile(manifest)
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range map[string]string{
		"notes above":    "about: ../../../../secret.md\n" + string(good),
		"notes absolute": "about: " + filepath.Join(root, "secret.md") + "\n" + string(good),
		"device":         "about: /dev/zero\n" + string(good),
		"recording":      strings.Replace(string(good), "one.wav", "../../../one.wav", 1),
	} {
		if err := os.WriteFile(manifest, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		status, said := outcome("verify", "bag", "--all")
		if status != exitFailed || strings.Contains(said, secret) || !strings.Contains(said, "not in the archive") {
			t.Errorf("%s: status %d\n%s", name, status, said)
		}
	}
}

// TestNamesThatActOnATerminal: no message carries a control character that came
// with a name.
func TestNamesThatActOnATerminal(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("no such names")
	}
	dir := t.TempDir()
	t.Chdir(dir)
	evil := "a\x1b]0;evil\x07\u202e\x9b31m.wav"
	if err := writeWAV(evil, 48000, make([]float64, 48000)); err != nil {
		t.Skip(err)
	}
	for _, args := range [][]string{
		{"new", ".", "-o", "m.yaml"}, {"new", ".", "-o", "m\x1b.yaml"}, {"check", evil}, {"build", evil, "-o", "out\x1b"}, {"verify", evil}, {"settings", "m\x1b.yaml", "-o", "s\x1b"},
		{"tally", "m.yaml", evil}, {"demo", "d\x1b", "--scenario", "\x1b"}, {"serve", evil}, {"\x1b[2J"}, {"build", "--\x1b"}, {"help", "\x1b"}, {"reamp-level", "m.yaml", evil},
	} {
		if _, said := outcome(args...); strings.ContainsAny(said, "\x1b\x07\u202e\x00") || strings.Contains(said, "\x9b") || !strings.Contains(said, "\n") {
			t.Errorf("%q: %q", args, said)
		}
	}
}

// TestHelpThatNobodyGets: what could not be written is told by the status.
func TestHelpThatNobodyGets(t *testing.T) {
	full, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip(err)
	}
	defer full.Close()
	for _, args := range [][]string{{"help", "manifest"}, {"--help"}, {"build", "--help"}, {"--version"}, {"schema"}} {
		var stderr bytes.Buffer
		if status := run(context.Background(), args, full, &stderr); status != exitOther || !strings.Contains(stderr.String(), "the disk is full") {
			t.Errorf("%v: status %d, %s", args, status, stderr.String())
		}
	}
}

// FuzzResultsSlow: whatever results.json says, tally and verify end with a status and
// write nowhere but into the report.
func FuzzResultsSlow(f *testing.F) {
	manifest, dir, _ := takesReport(f, 2)
	codes := comments(f, dir)
	good, err := os.ReadFile(filepath.Join(dir, result.FileName))
	if err != nil {
		f.Fatal(err)
	}
	res, err := report.Read(dir)
	if err != nil {
		f.Fatal(err)
	}
	short, err := json.Marshal(res)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add(short)
	f.Add([]byte(`{"format":1,"takes":[{"name":"Circuit 1","published":{"path":"audio/circuit-1.flac"}},{"name":"Circuit 2","published":{"path":"../x"}}]}`))
	f.Add([]byte(`{"format":99}`))
	list, err := os.ReadFile(filepath.Join(dir, folder.Sums))
	if err != nil {
		f.Fatal(err)
	}
	top := filepath.Dir(dir)
	entries, err := os.ReadDir(top)
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		// Verify does not stop at hashes that are wrong; tally does not look at them.
		if err := errors.Join(os.WriteFile(filepath.Join(dir, result.FileName), b, 0o666), os.WriteFile(filepath.Join(dir, folder.Sums), list, 0o666)); err != nil {
			t.Fatal(err)
		}
		for _, args := range [][]string{{"verify", dir}, {"tally", manifest, codes, "--report", dir}} {
			status, said := outcome(args...)
			if status < exitDone || status > exitOther || status == exitOther && !strings.Contains(said, "evenhand:") {
				t.Fatalf("%v: status %d\n%s", args, status, said)
			}
		}
		if now, _ := os.ReadDir(top); len(now) != len(entries) {
			t.Fatalf("%v, it was %v", now, entries)
		}
	})
}

// FuzzArchiveSlow: whatever the texts in an unpacked archive say, verify ends with
// a status, shows no file from elsewhere and leaves nothing.
func FuzzArchiveSlow(f *testing.F) {
	top := f.TempDir()
	const secret = "a line that nobody should see"
	put := func(tb testing.TB, name string, b []byte) {
		tb.Helper()
		full := filepath.Join(top, filepath.FromSlash(name))
		if err := errors.Join(os.MkdirAll(filepath.Dir(full), 0o777), os.WriteFile(full, b, 0o666)); err != nil {
			tb.Fatal(err)
		}
	}
	put(f, "secret.md", []byte(secret))
	put(f, "tmp/x", nil)
	put(f, "bag/bagit.txt", []byte("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"))
	put(f, "bag/manifest-sha256.txt", nil)
	put(f, "bag/data/report/"+folder.Sums, nil)
	f.Setenv("TMPDIR", filepath.Join(top, "tmp"))
	const manifest = "title: T\nvaries: fuzz\nchain: [{slot: fuzz}]\ntakes:\n  - {name: One, file: one.wav, fuzz: One}\n  - {name: Two, file: two.wav, fuzz: Two}\n"
	const results = `{"format":1,"takes":[{"name":"One","file":"one.wav","published":{"path":"audio/one.flac"}}],"files":[{"path":"../../../secret.md","use":"notes"}],"timeline":{"spans":[{"name":"all","frames":9}]}}`
	const info = pack.LabelManifest + ": data/session/m.yaml\n" + pack.LabelReport + ": data/report\n"
	const left = "path,use,sha256,bytes\n"
	f.Add([]byte(info), []byte(manifest), []byte(results), []byte(left))
	f.Add([]byte(info), []byte("about: ../../../secret.md\n"+manifest), []byte(results), []byte(left+"data/../../secret.md,notes,"+strings.Repeat("ab", 32)+",30\n"))
	f.Fuzz(func(t *testing.T, info, manifest, results, left []byte) {
		put(t, "bag/bag-info.txt", info)
		put(t, "bag/data/session/m.yaml", manifest)
		put(t, "bag/data/report/"+result.FileName, results)
		put(t, "bag/data/left-out.csv", left)
		status, said := outcome("verify", filepath.Join(top, "bag"), "--all")
		if status < exitDone || status > exitOther || strings.Contains(said, secret) {
			t.Fatalf("status %d\n%s", status, said)
		}
		if entries, err := os.ReadDir(filepath.Join(top, "tmp")); err != nil || len(entries) != 1 {
			t.Fatalf("left %v, %v", entries, err)
		}
	})
}
