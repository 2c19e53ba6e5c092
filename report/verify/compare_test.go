package verify

import (
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"evenhand/report/folder"
)

func tree(t *testing.T, s string) any {
	t.Helper()
	v, err := Decode([]byte(s))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// TestEachUnitHasATolerance asks that no unit of package unit, whose ending is that of its
// figures' names, is compared as a bare number; result's TestFigures holds the names to it.
func TestEachUnitHasATolerance(t *testing.T) {
	for ending, unit := range map[string]string{"_lufs": "LU", "_lu": "LU", "_dbfs": "dB", "_dbtp": "dB", "_db": "dB", "_hz": "Hz", "_s": "s", "_samples": "samples", "_ppm": "ppm"} {
		if got := toleranceOf(Tolerances(), "some"+ending); got.Unit != unit {
			t.Errorf("%s: %v", ending, got)
		}
	}
}

func TestCompare(t *testing.T) {
	for _, tt := range []struct {
		name, stored, recomputed string
		opts                     Options
		want                     []string // differences, then "–" and places not compared
	}{
		{"same", `{"a":[1,2,{"b":null}],"c":"x"}`, `{"a":[1,2,{"b":null}],"c":"x"}`, Options{}, nil},
		{"loudness within", `{"integrated_lufs":-18.3}`, `{"integrated_lufs":-18.3049}`, Options{}, nil},
		{"loudness beyond", `{"integrated_lufs":-18.3}`, `{"integrated_lufs":-18.3051}`, Options{},
			[]string{"r: integrated_lufs: stored -18.3, recomputed -18.3051, tolerance ±0.005 LU"}},
		{"band levels", `{"third_octave_db":[-10,-20,-30]}`, `{"third_octave_db":[-10.004,-20,-30.1]}`, Options{},
			[]string{"r: third_octave_db[2]: stored -30, recomputed -30.1, tolerance ±0.005 dB"}},
		{"frequency", `{"centroid_hz":1000,"mains_hz":50}`, `{"centroid_hz":1000.101,"mains_hz":50.02}`, Options{},
			[]string{"r: mains_hz: stored 50, recomputed 50.02, tolerance ±0.002 Hz and 0.01 % of the value"}},
		{"count", `{"frames":1000000}`, `{"frames":1000001}`, Options{}, []string{"r: frames: stored 1000000, recomputed 1000001"}},
		{"large count", `{"bytes":9007199254740992}`, `{"bytes":9007199254740994}`, Options{}, []string{"r: bytes: stored 9007199254740992, recomputed 9007199254740994"}},
		{"coherence", `{"coherence":0.98765}`, `{"coherence":0.98771}`, Options{}, nil},
		{"tilt before level", `{"tilt_db_per_octave":-3}`, `{"tilt_db_per_octave":-3.01}`, Options{},
			[]string{"r: tilt_db_per_octave: stored -3, recomputed -3.01, tolerance ±0.005 dB"}},
		{"silence", `{"a_dbfs":"-inf","b_dbfs":"-inf","c_dbfs":-151}`, `{"a_dbfs":"-inf","b_dbfs":-170,"c_dbfs":-160}`, Options{}, nil},
		{"silence and sound", `{"a_dbfs":"-inf"}`, `{"a_dbfs":-90}`, Options{}, []string{`r: a_dbfs: stored "-inf", recomputed -90, tolerance ±0.005 dB`}},
		{"not measured", `{"a_db":null}`, `{"a_db":0}`, Options{}, []string{"r: a_db: stored null, recomputed 0"}},
		{"truth", `{"resolved":[true,false]}`, `{"resolved":[true,true]}`, Options{}, []string{"r: resolved[1]: stored false, recomputed true"}},
		{"kind", `{"a":{"b":1}}`, `{"a":[1]}`, Options{}, []string{`r: a: stored {"b":1}, recomputed [1]`}},
		{"length", `{"a":[1]}`, `{"a":[1,2]}`, Options{}, []string{`r: a: stored "1 entries", recomputed "2 entries"`}},
		{"last digit of a sentence", `{"reason":"−3.2 dB at 61.7 Hz"}`, `{"reason":"−3.3 dB at 61.7 Hz"}`, Options{}, nil},
		{"two digits of a sentence", `{"reason":"−3.2 dB"}`, `{"reason":"−3.4 dB"}`, Options{}, []string{`r: reason: stored "−3.2 dB", recomputed "−3.4 dB"`}},
		{"count in a sentence", `{"reason":"3 takes"}`, `{"reason":"4 takes"}`, Options{}, []string{`r: reason: stored "3 takes", recomputed "4 takes"`}},
		{"sign in a sentence", `{"reason":"−0.1 dB"}`, `{"reason":"+0.1 dB"}`, Options{}, []string{`r: reason: stored "−0.1 dB", recomputed "+0.1 dB"`}},
		{"names are exact", `{"name":"Take 1.0"}`, `{"name":"Take 1.1"}`, Options{}, []string{`r: name: stored "Take 1.0", recomputed "Take 1.1"`}},
		{"by name, in any order", `{"takes":[{"name":"A","gain_db":1},{"name":"B","gain_db":2}]}`, `{"takes":[{"name":"B","gain_db":2},{"name":"A","gain_db":1.5}]}`, Options{},
			[]string{"r: takes[A].gain_db: stored 1, recomputed 1.5, tolerance ±0.005 dB"}},
		{"one less", `{"takes":[{"name":"A","x":1},{"name":"B","x":2}]}`, `{"takes":[{"name":"A","x":1}]}`, Options{},
			[]string{`r: takes[B]: stored {"name":"B","x":2}, recomputed nothing`}},
		{"one more", `{"takes":[{"name":"A","x":1}]}`, `{"takes":[{"name":"A","x":1},{"name":"B","x":2}]}`, Options{},
			[]string{`r: takes[B]: stored nothing, recomputed {"name":"B","x":2}`}},
		{"same names", `{"takes":[{"name":"A","x":1},{"name":"A","x":2}]}`, `{"takes":[{"name":"A","x":1},{"name":"A","x":3}]}`, Options{},
			[]string{"r: takes[1].x: stored 2, recomputed 3"}},
		{"a part", `{"takes":[{"name":"A","x":1,"y":2},{"name":"B","x":2}],"z":1}`, `{"takes":[{"name":"A","x":3}]}`, Options{Part: true},
			[]string{"r: takes[A].x: stored 1, recomputed 3"}},
		{"a part, but its lists whole", `{"third_octave_db":[1,2]}`, `{"third_octave_db":[1]}`, Options{Part: true}, []string{`r: third_octave_db: stored "2 entries", recomputed "1 entries"`}},
		{"a part has no more", `{"takes":[]}`, `{"takes":[{"name":"A"}]}`, Options{Part: true}, []string{`r: takes[A]: stored nothing, recomputed {"name":"A"}`}},
		{"words of an earlier version", `{"reason":"","why":"in words","of":["a 1","b"],"n_db":1}`, `{"why":{"found":"b"},"of":[{"found":"a","with":{"n_db":2}},{"found":"b"}],"n_db":1}`, Options{OtherVersion: true}, nil},
		{"words and an object", `{"why":"in words"}`, `{"why":{"n_db":1}}`, Options{OtherVersion: true}, []string{`r: why: stored "in words", recomputed {"n_db":1}`}},
		{"another version", `{"old_db":1,"reason":"in other words","outcome":"holds","n_db":1}`, `{"new_db":1,"reason":"quite so","outcome":"fails","n_db":2}`, Options{OtherVersion: true},
			[]string{"r: n_db: stored 1, recomputed 2, tolerance ±0.005 dB", `r: outcome: stored "holds", recomputed "fails"`, "–new_db", "–old_db"}},
		{"skipped", `{"a":{"b":1,"c":1},"d":1}`, `{"a":{"b":2,"c":2},"e":1}`, Options{Skip: func(p string) bool { return p == "a.b" || p == "d" || p == "e" }},
			[]string{"r: a.c: stored 1, recomputed 2"}},
	} {
		tt.opts.File = "r"
		c := Compare(tree(t, tt.stored), tree(t, tt.recomputed), tt.opts)
		var got []string
		for _, d := range c.Differences {
			got = append(got, d.String())
		}
		for _, p := range c.NotCompared {
			got = append(got, "–"+p)
		}
		if !reflect.DeepEqual(got, tt.want) {
			t.Errorf("%s: got\n%s\nwant\n%s", tt.name, strings.Join(got, "\n"), strings.Join(tt.want, "\n"))
		}
	}
	if c := Compare(tree(t, `{"a":[1,2],"b":{"c":null}}`), tree(t, `{"a":[1,2],"b":{"c":null}}`), Options{}); c.Compared != 3 {
		t.Errorf("%d values were compared, want 3", c.Compared)
	}
}

func TestFolder(t *testing.T) {
	base := t.TempDir()
	dir := filepath.Join(base, "report")
	d, err := folder.Begin(dir, folder.Report)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"index.html", "results.json", "style.css"} {
		if err := os.WriteFile(filepath.Join(d.Dir, name), []byte(name), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Commit(); err != nil {
		t.Fatal(err)
	}
	faults, files, size, err := Folder(t.Context(), dir)
	if err != nil || len(faults) > 0 || files != 3 || size != 10+12+9 {
		t.Fatalf("%v, %d files, %d bytes, %v", faults, files, size, err)
	}
	for _, err := range []error{
		os.WriteFile(filepath.Join(dir, "index.html"), []byte("index.htm!"), 0o666),
		os.Remove(filepath.Join(dir, "style.css")),
		os.WriteFile(filepath.Join(dir, "new.txt"), nil, 0o666),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	if faults, _, _, err = Folder(t.Context(), dir); err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range faults {
		got = append(got, f.String())
	}
	want := []string{
		"index.html: its content is not what was published: its SHA-256 is not that in checksums.sha256",
		"new.txt: it is not listed in checksums.sha256: it was put there later",
		"style.css: missing: it is listed in checksums.sha256",
	}
	if !reflect.DeepEqual(got, want) {
		t.Errorf("got\n%s", strings.Join(got, "\n"))
	}
	// A path that leads out of the folder is not followed.
	if err := os.WriteFile(filepath.Join(dir, folder.Sums), []byte(strings.Repeat("0", 64)+"  ../../etc/passwd\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, _, _, err := Folder(t.Context(), dir); err == nil || !strings.Contains(err.Error(), "a path in the folder") {
		t.Error(err)
	}
}
