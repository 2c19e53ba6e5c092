package main

import (
	"archive/zip"
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/report/verify"
)

// earlier is what an earlier version published, in a folder of its own.
type earlier struct {
	archive  string // as it was packed
	bag      string // unpacked
	report   string // the published report within
	manifest string
	comments string // with answer codes
}

const earlierFiles = "../../testdata/published"

// publishedEarlier unpacks what an earlier version published. The impulse
// response that its archive leaves out is put back.
func publishedEarlier(t *testing.T) earlier {
	t.Helper()
	if raceDetector {
		t.Skip("slow; its concurrent code runs in scripts")
	}
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	dir := t.TempDir()
	archive := filepath.Join(earlierFiles, "comparison.zip")
	z, err := zip.OpenReader(archive)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	if err := os.CopyFS(dir, z); err != nil {
		t.Fatal(err)
	}
	bag := filepath.Join(dir, "two-fuzz-circuits-one-baritone-riff")
	session := filepath.Join(bag, "data", "session")
	ir, err := os.ReadFile(filepath.Join(earlierFiles, "cabinet.wav"))
	if err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(filepath.Join(session, "ir"), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(session, "ir", "cabinet.wav"), ir, 0o666); err != nil {
		t.Fatal(err)
	}
	return earlier{archive, bag, filepath.Join(bag, "data", "report"), filepath.Join(session, "comparison.yaml"), filepath.Join(earlierFiles, "comments.txt")}
}

// command runs the program, which must end with a status, and returns what it
// says.
func command(t *testing.T, want int, args ...string) (stdout, stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	if status := run(context.Background(), args, &out, &err); status != want {
		t.Fatalf("evenhand %s: status %d, want %d\n%s%s", strings.Join(args, " "), status, want, out.String(), err.String())
	}
	return out.String(), err.String()
}

// resultsIn reads the results of a report.
func resultsIn(t *testing.T, dir string) *result.Result {
	t.Helper()
	f, err := os.Open(filepath.Join(dir, result.FileName))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	res, err := result.Read(f)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// TestEarlierIsAccepted asks that verify finds nothing wrong with what an
// earlier version published: the report, whose audio is measured again, and the
// archive, from which everything is computed anew; it says how many figures
// follow an earlier rule, and still finds a figure that somebody changed.
func TestEarlierIsAccepted(t *testing.T) {
	e := publishedEarlier(t)
	res := resultsIn(t, e.report)
	rules := result.RulesAfter(res.Format, res)
	for path, least := range map[string]int{e.archive: 9000, e.bag: 9000, e.report: 3500} {
		out, _ := command(t, exitDone, "verify", path, "--json")
		var r verify.Report
		if err := json.Unmarshal([]byte(out), &r); err != nil {
			t.Fatal(err)
		}
		governed := 0
		for _, rule := range r.EarlierRules {
			governed += rule.Values
		}
		t.Logf("%s: %d values compared, %d by an earlier rule", filepath.Base(path), r.Compared, governed)
		if r.Published != 3 || r.Compared+governed < least || r.Compared < least/2 || len(rules) == 0 && governed > 0 {
			t.Errorf("%s: %d files measured, %d values compared and %d by %d earlier rules, of at least %d", path, r.Published, r.Compared, governed, len(rules), least)
		}
	}

	path := filepath.Join(e.report, result.FileName)
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	changed := bytes.Replace(text, []byte(`"rms_dbfs": -2`), []byte(`"rms_dbfs": -1`), 1)
	if bytes.Equal(changed, text) {
		t.Fatal("nothing was changed")
	}
	if err := os.WriteFile(path, changed, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := sign(e.report); err != nil {
		t.Fatal(err)
	}
	if out, _ := command(t, exitFailed, "verify", e.report); !strings.Contains(out, "rms_dbfs: stored -1") {
		t.Error(out)
	}
}

// TestEarlierAnswersCount asks that codes about a report of an earlier version
// are counted, from the report as it is and after it was built anew.
func TestEarlierAnswersCount(t *testing.T) {
	e := publishedEarlier(t)
	page := filepath.Join(e.report, "index.html")
	before, err := os.ReadFile(page)
	if err != nil {
		t.Fatal(err)
	}
	out, said := command(t, exitDone, "tally", e.manifest, e.comments, "--report", e.report)
	if !strings.Contains(out, "3 answer codes found, 3 counted, of 3 listeners") {
		t.Error(out)
	}
	// A page of the earlier version is not written again with figures that its
	// method does not describe.
	if after, err := os.ReadFile(page); err != nil || !bytes.Equal(after, before) || !strings.Contains(said, "build the report again with this version") {
		t.Errorf("the page changed or %v: %s", err, said)
	}
	command(t, exitFailed, "build", e.manifest, "-o", e.report)
	if out, _ = command(t, exitDone, "tally", e.manifest, e.comments, "--report", e.report); !strings.Contains(out, "3 answer codes found, 3 counted, of 3 listeners") {
		t.Error(out)
	}
	if res := resultsIn(t, e.report); res.Format != result.Format || res.Audience == nil || res.Audience.Readers != 3 {
		t.Errorf("format %d, %+v", res.Format, res.Audience)
	}
}

// TestEarlierRecord asks that a manifest can be begun from the settings record
// of an earlier version.
func TestEarlierRecord(t *testing.T) {
	e := publishedEarlier(t)
	next := filepath.Join(t.TempDir(), "next.yaml")
	command(t, exitDone, "new", "--from", filepath.Join(e.report, "record.json"), "-o", next)
	text, err := os.ReadFile(next)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"Studio valve amplifier", "Passive reamp box", "travel: 270", "1.5 kHz", "repeat_of: Sagging", "blend: \"-4 dB\""} {
		if !strings.Contains(string(text), want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if out, _ := command(t, exitDone, "settings", "--compare", e.report, next); !strings.Contains(out, "Unchanged: reamp, fuzz, amp, load, cabinet") {
		t.Error(out)
	}
}

// TestEarlierKeeps asks that a build onto the report of an earlier version
// changes no published byte: it keeps target, time, places and depth, and with
// them the listeners' answers; also where the manifest states no target.
func TestEarlierKeeps(t *testing.T) {
	e := publishedEarlier(t)
	was := resultsIn(t, e.report)
	text, err := os.ReadFile(e.manifest)
	if err != nil {
		t.Fatal(err)
	}
	open := filepath.Join(filepath.Dir(e.manifest), "open.yaml")
	without := strings.Replace(string(text), "target: -26 LUFS, ", "", 1)
	if without == string(text) {
		t.Fatal("the manifest states no target")
	}
	if err := os.WriteFile(open, []byte(without), 0o666); err != nil {
		t.Fatal(err)
	}
	for _, manifest := range []string{e.manifest, open} {
		copied := filepath.Join(t.TempDir(), "report")
		if err := os.CopyFS(copied, os.DirFS(e.report)); err != nil {
			t.Fatal(err)
		}
		command(t, exitFailed, "build", manifest, "-o", copied) // the microphones differ between takes
		is := resultsIn(t, copied)
		if is.Match.Target != was.Match.Target || is.AudioID() != was.AudioID() {
			t.Errorf("%s: target %v, was %v; audio %s, was %s", manifest, is.Match.Target, was.Match.Target, is.AudioID(), was.AudioID())
		}
		if is.Timeline.Spans[0] != was.Timeline.Spans[0] {
			t.Errorf("%s: time %+v, was %+v", manifest, is.Timeline.Spans[0], was.Timeline.Spans[0])
		}
		if is.EarlierFormat != 1 {
			t.Errorf("%s: earlier format %d", manifest, is.EarlierFormat)
		}
		if is.Audience == nil || is.Audience.Readers != was.Audience.Readers {
			t.Errorf("%s: answers %+v", manifest, is.Audience)
		}
		for i, x := range was.Takes {
			y := is.Takes[i]
			if y.Published.SHA256 != x.Published.SHA256 || y.Published.Encoding != x.Published.Encoding || y.Gain != x.Gain || y.Alignment.Applied != x.Alignment.Applied {
				t.Errorf("%s: %s: %+v at %v and %v, was %+v at %v and %v", manifest, x.Name, y.Published, y.Gain, y.Alignment.Applied, x.Published, x.Gain, x.Alignment.Applied)
			}
		}
	}
}
