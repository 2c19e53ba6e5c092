package pack

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/examples/oracle"
	"evenhand/report/folder"
)

func sample(t testing.TB) Content {
	t.Helper()
	file := filepath.Join(t.TempDir(), "take.wav")
	if err := os.WriteFile(file, bytes.Repeat([]byte("samples "), 60), 0o666); err != nil {
		t.Fatal(err)
	}
	return Content{
		Base: "four-fuzzes", Agent: "evenhand test", Date: "2026-03-14",
		Info: []Field{{LabelDescription, "Four\nfuzzes"}, {LabelManifest, "data/session/m.yaml"}},
		Items: []Item{
			{Name: "session/m.yaml", Data: []byte("title: x\n")},
			{Name: "session/audio/100% Müller.wav", Source: file},
			{Name: "report/empty.csv"},
		},
	}
}

func write(t testing.TB, dst string, c Content) string {
	t.Helper()
	if err := Write(t.Context(), dst, c, nil); err != nil {
		t.Fatal(err)
	}
	return dst
}

func check(t testing.TB, path string) *Checked {
	t.Helper()
	b, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	res, err := b.Check(context.Background(), nil)
	if err != nil {
		t.Fatal(err)
	}
	return res
}

// both writes the same bag as a zip file and as a folder.
func both(t testing.TB) []string {
	dir := t.TempDir()
	c := sample(t)
	return []string{write(t, filepath.Join(dir, "a.zip"), c), write(t, filepath.Join(dir, "folder"), c)}
}

func TestRoundTrip(t *testing.T) {
	for _, path := range both(t) {
		res := check(t, path)
		if len(res.Faults)+len(res.Notes) > 0 || res.Files != 3 || res.Bytes != 9+480 || !slices.Equal(res.Algorithms, []string{"sha256", "sha512"}) {
			t.Errorf("%s: %+v", path, res)
		}
		b, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		out := t.TempDir()
		if err := b.Extract(t.Context(), "data/session/", out); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(filepath.Join(out, "audio", "100% Müller.wav"))
		if err != nil || string(got) != strings.Repeat("samples ", 60) {
			t.Errorf("%s: extracted %d bytes, %v", path, len(got), err)
		}
		if _, err := os.Stat(filepath.Join(out, "empty.csv")); !errors.Is(err, os.ErrNotExist) {
			t.Errorf("%s: extracted more than asked for", path)
		}
		if b.Info(LabelDate) != "2026-03-14" || b.Info(LabelDescription) != "Four fuzzes" || b.Info(LabelOxum) != "489.3" {
			t.Errorf("%s: bag-info.txt %v", path, b.info)
		}
		b.Close()
	}
}

// TestTagFiles pins what RFC 8493 prescribes to the letter: the two lines of
// bagit.txt (2.1.1), the form of manifests and the encoding of % in their paths
// (2.1.3). The digest of "title: x" and a line end is sha256sum's.
func TestTagFiles(t *testing.T) {
	dir := both(t)[1]
	for name, want := range map[string]string{
		"bagit.txt":    "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n",
		"bag-info.txt": "Bag-Software-Agent: evenhand test\nBagging-Date: 2026-03-14\nExternal-Description: Four fuzzes\nEvenhand-Manifest: data/session/m.yaml\nPayload-Oxum: 489.3\n",
	} {
		got, err := os.ReadFile(filepath.Join(dir, name))
		if err != nil || string(got) != want {
			t.Errorf("%s: %q, %v, want %q", name, got, err, want)
		}
	}
	got, err := os.ReadFile(filepath.Join(dir, "manifest-sha256.txt"))
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855  data/report/empty.csv\n", // FIPS 180-4, the empty message
		"  data/session/audio/100%25 Müller.wav\n",
	} {
		if !strings.Contains(string(got), want) {
			t.Errorf("no %q in\n%s", want, got)
		}
	}
	for _, p := range []string{"a%b", "a\nb\rc", "%0A", "%250D"} {
		d, err := parseDigests(formatDigests([]digest{{strings.Repeat("0", 64), p}}), 32)
		if strings.ContainsAny(p, "\r\n") {
			if err == nil || !strings.Contains(err.Error(), "control character") {
				t.Errorf("%q: %v", p, err)
			}
		} else if err != nil || d[0].path != p {
			t.Errorf("%q became %v, %v", p, d, err)
		}
	}
}

// TestSameBytes: the order in which files are given and the output's name
// change nothing.
func TestSameBytes(t *testing.T) {
	c := sample(t)
	dir := t.TempDir()
	a, err := os.ReadFile(write(t, filepath.Join(dir, "a.zip"), c))
	if err != nil {
		t.Fatal(err)
	}
	slices.Reverse(c.Items)
	b, err := os.ReadFile(write(t, filepath.Join(dir, "sub", "b.ZIP"), c))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(a, b) {
		t.Error("the bytes differ")
	}
}

// TestOtherPrograms reads the zip file with the standard library, and the bag
// with Info-ZIP's unzip and coreutils' sha256sum and sha512sum where installed.
// Neither Debian 12 nor npm carries a validator of bags after RFC 8493; what a
// validator would ask beyond hashes is in TestTagFiles and TestCompleteBag.
func TestOtherPrograms(t *testing.T) {
	paths := both(t)
	z, err := zip.OpenReader(paths[0])
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	if len(z.File) != 9 {
		t.Errorf("%d files", len(z.File))
	}
	for i, f := range z.File {
		if i > 0 && z.File[i-1].Name >= f.Name {
			t.Errorf("%s comes after %s", f.Name, z.File[i-1].Name)
		}
		if got := f.Modified.UTC().Format("2006-01-02 15:04:05"); got != "2026-03-14 00:00:00" || f.Mode() != 0o644 {
			t.Errorf("%s: %s %v", f.Name, got, f.Mode())
		}
		r, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if _, err := io.Copy(io.Discard, r); err != nil {
			t.Errorf("%s: %v", f.Name, err)
		}
	}
	run := func(dir, name string, args ...string) {
		path := oracle.Look(t, name)
		if path == "" {
			return
		}
		cmd := exec.Command(path, args...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Errorf("%s %v: %v\n%s", name, args, err, out)
		}
	}
	run(".", "unzip", "-tq", paths[0])
	for _, sum := range []string{"sha256", "sha512"} {
		// % is encoded in the lists, which checksum programs do not know.
		for _, kind := range []string{"manifest-", "tagmanifest-"} {
			list, err := os.ReadFile(filepath.Join(paths[1], kind+sum+".txt"))
			if err != nil {
				t.Fatal(err)
			}
			plain := filepath.Join(t.TempDir(), "list")
			if err := os.WriteFile(plain, bytes.ReplaceAll(list, []byte("%25"), []byte("%")), 0o666); err != nil {
				t.Fatal(err)
			}
			run(paths[1], sum+"sum", "-c", "--strict", "--quiet", plain)
		}
	}
}

// TestEveryByte flips bits of every byte of a zip file in turn: each must be
// refused or found, and the file that it belongs to named.
func TestEveryByte(t *testing.T) {
	path := both(t)[0]
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	z, err := zip.OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	// owner of each byte of content
	owner := map[int]string{}
	for _, f := range z.File {
		at, err := f.DataOffset()
		if err != nil {
			t.Fatal(err)
		}
		for i := range int(f.CompressedSize64) {
			owner[int(at)+i] = strings.TrimPrefix(f.Name, "four-fuzzes/")
		}
	}
	z.Close()
	f, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	put := func(b byte, at int) {
		if _, err := f.WriteAt([]byte{b}, int64(at)); err != nil {
			t.Fatal(err)
		}
	}
	for i := range good {
		put(good[i]^1<<(i%8), i)
		said := ""
		if b, err := Open(path); err != nil {
			said = err.Error()
		} else {
			res, err := b.Check(t.Context(), nil)
			if err != nil {
				said = err.Error()
			} else {
				said = fmt.Sprint(res.Faults)
			}
			b.Close()
		}
		if said == "[]" {
			t.Errorf("byte %d of %d (in %q) changed and nothing was said", i, len(good), owner[i])
		}
		if name := owner[i]; !strings.Contains(said, name) {
			t.Errorf("byte %d of %s changed, and what was said is %s", i, name, said)
		}
		put(good[i], i)
	}
	// Cut short and lengthened.
	for _, b := range [][]byte{good[:len(good)-1], good[:len(good)/2], append(bytes.Clone(good), 0), append([]byte{0}, good...)} {
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		var refused *RefusedError
		if _, err := Open(path); !errors.As(err, &refused) {
			t.Errorf("%d of %d bytes: %v", len(b), len(good), err)
		}
	}
}

// TestFolderFaults: what can happen to a bag in a folder.
func TestFolderFaults(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   func(dir string) error
		want string
	}{
		{"changed", func(d string) error { return os.WriteFile(d+"/data/session/m.yaml", []byte("title: y\n"), 0o666) },
			"data/session/m.yaml: its content is not what was packed (sha256 and sha512 differ)"},
		{"gone", func(d string) error { return os.Remove(d + "/data/session/m.yaml") },
			"data/session/m.yaml: missing: it is listed in manifest-sha256.txt"},
		{"new payload", func(d string) error { return os.WriteFile(d+"/data/x", nil, 0o666) },
			"data/x: not listed in manifest-sha256.txt"},
		{"new tag", func(d string) error { return os.WriteFile(d+"/read-me.txt", nil, 0o666) },
			"read-me.txt: no tag manifest lists it"},
		{"list edited", func(d string) error { return os.WriteFile(d+"/manifest-sha512.txt", nil, 0o666) },
			"manifest-sha512.txt: its content is not what was packed"},
		{"info edited", func(d string) error { return os.WriteFile(d+"/bag-info.txt", []byte("Payload-Oxum: 1.1\n"), 0o666) },
			"bag-info.txt: Payload-Oxum says 1.1, the payload has 489.3"},
	} {
		dir := both(t)[1]
		if err := tt.do(dir); err != nil {
			t.Fatal(err)
		}
		if got := fmt.Sprint(check(t, dir).Faults); !strings.Contains(got, tt.want) {
			t.Errorf("%s: %s", tt.name, got)
		}
	}
}

func TestFolderRefused(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   func(dir string) error
		want string
	}{
		{"link", func(d string) error { return os.Symlink("/etc/passwd", d+"/data/x") }, `"data/x": a link`},
		{"linked folder", func(d string) error { return os.Symlink("/etc", d+"/data/x") }, `"data/x": a link`},
		{"fetch", func(d string) error { return os.WriteFile(d+"/fetch.txt", nil, 0o666) }, "from the network"},
		{"version", func(d string) error {
			return os.WriteFile(d+"/bagit.txt", []byte("BagIt-Version: 2.0\nTag-File-Character-Encoding: UTF-8\n"), 0o666)
		}, `version "2.0"`},
		{"encoding", func(d string) error {
			return os.WriteFile(d+"/bagit.txt", []byte("BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-16\n"), 0o666)
		}, "UTF-8 is read"},
		{"three lines", func(d string) error { return os.WriteFile(d+"/bagit.txt", []byte(declaration+"x\n"), 0o666) }, "not the two lines"},
		{"byte order mark", func(d string) error {
			return os.WriteFile(d+"/bagit.txt", []byte("\xef\xbb\xbf"+declaration), 0o666)
		}, "byte order mark"},
		{"path outside in a list", func(d string) error {
			return os.WriteFile(d+"/manifest-sha256.txt", []byte(strings.Repeat("0", 64)+"  data/../../x\n"), 0o666)
		}, "leads out of the archive"},
		{"listed twice", func(d string) error {
			return os.WriteFile(d+"/manifest-sha256.txt", []byte(strings.Repeat(strings.Repeat("0", 64)+"  data/x\n", 2)), 0o666)
		}, "a second time"},
		{"short digest", func(d string) error { return os.WriteFile(d+"/manifest-sha256.txt", []byte("00  data/x\n"), 0o666) }, "64 hexadecimal digits"},
		{"tag in a payload list", func(d string) error {
			return os.WriteFile(d+"/manifest-sha256.txt", []byte(strings.Repeat("0", 64)+"  bagit.txt\n"), 0o666)
		}, "belongs in the other list"},
		{"no lists", func(d string) error {
			return errors.Join(os.Remove(d+"/manifest-sha256.txt"), os.Remove(d+"/manifest-sha512.txt"))
		}, "neither a manifest-sha256.txt"},
	} {
		dir := both(t)[1]
		if err := tt.do(dir); err != nil {
			t.Logf("%s: %v", tt.name, err)
			continue
		}
		b, err := Open(dir)
		if err == nil {
			_, err = b.Check(t.Context(), nil)
		}
		var refused *RefusedError
		if !errors.As(err, &refused) || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v", tt.name, err)
		}
	}
	if _, err := Open(t.TempDir()); !errors.Is(err, ErrNotBag) {
		t.Errorf("an empty folder: %v", err)
	}
}

// TestReplace: only a bag of ours that is as it was made is replaced.
func TestReplace(t *testing.T) {
	c := sample(t)
	for _, path := range both(t) {
		write(t, path, c) // again
		target := path
		if !strings.HasSuffix(path, ".zip") {
			target = filepath.Join(path, "data", "mine.txt")
		}
		f, err := os.OpenFile(target, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o666)
		if err != nil {
			t.Fatal(err)
		}
		f.WriteString("x")
		f.Close()
		before, _ := os.ReadFile(target)
		var not *folder.NotOursError
		if err := Write(t.Context(), path, c, nil); !errors.As(err, &not) {
			t.Errorf("%s: %v", path, err)
		}
		if after, _ := os.ReadFile(target); !bytes.Equal(before, after) {
			t.Errorf("%s was touched", path)
		}
	}
	dir := t.TempDir()
	foreign := sample(t)
	foreign.Agent = "another program"
	for _, tt := range []struct{ path, want string }{
		{write(t, dir+"/foreign.zip", foreign), "not made by evenhand"},
		{write(t, dir+"/foreign", foreign), "not made by evenhand"},
		{dir, "not made by evenhand"},
		{foreign.Items[1].Source, "ends in .zip"},
	} {
		var not *folder.NotOursError
		if err := Write(t.Context(), tt.path, c, nil); !errors.As(err, &not) || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v", tt.path, err)
		}
	}
	if left, _ := filepath.Glob(dir + "/.*"); len(left) > 0 {
		t.Errorf("left behind: %v", left)
	}
}

// TestNothingLeft: an error or an interruption leaves nothing behind.
func TestNothingLeft(t *testing.T) {
	dir := t.TempDir()
	c := sample(t)
	done, cancel := context.WithCancel(t.Context())
	cancel()
	if err := Write(done, dir+"/a.zip", c, nil); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	missing := sample(t)
	missing.Items[1].Source = dir + "/missing.wav"
	badName := sample(t)
	badName.Items = append(badName.Items, Item{Name: "session/AUX.wav"})
	twice := sample(t)
	twice.Items = append(twice.Items, Item{Name: "Session/m.yaml"})
	grows := sample(t)
	// The file changes between the hashing, of 489 bytes in all, and the copying.
	err := Write(t.Context(), dir+"/d.zip", grows, func(done, total int64) {
		if done == 489 {
			os.WriteFile(grows.Items[1].Source, bytes.Repeat([]byte("SAMPLES "), 60), 0o666)
		}
	})
	if err == nil || !strings.Contains(err.Error(), "changed while pack read it") {
		t.Error(err)
	}
	if err := Write(t.Context(), dir+"/b.zip", missing, nil); !errors.Is(err, os.ErrNotExist) {
		t.Error(err)
	}
	if err := Write(t.Context(), dir+"/c.zip", badName, nil); err == nil || !strings.Contains(err.Error(), "keeps for a device") {
		t.Error(err)
	}
	if err := Write(t.Context(), dir+"/e.zip", twice, nil); err == nil || !strings.Contains(err.Error(), "only in letter case") {
		t.Error(err)
	}
	if entries, _ := os.ReadDir(dir); len(entries) > 0 {
		t.Errorf("left behind: %v", entries)
	}
}

// TestLarge: sizes and places beyond 32 bits, in a file with a hole of 5 GiB,
// read back by the standard library and by readZip.
func TestLarge(t *testing.T) {
	const size = 5 << 30
	f, err := os.Create(filepath.Join(t.TempDir(), "large.zip"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	files := []stored{{name: "x/a.wav", size: size, crc: 1}, {name: "x/b.txt", size: 3, crc: 2}}
	head := localHeader(files[0], "")
	files[1].offset = uint64(len(head)) + size
	second := append(localHeader(files[1], ""), "abc"...)
	tail := directory(files, "", files[1].offset+uint64(len(second)))
	for at, b := range map[int64][]byte{0: head, int64(files[1].offset): second, int64(files[1].offset) + int64(len(second)): tail} {
		if _, err := f.WriteAt(b, at); err != nil {
			t.Skipf("no room for a file with a hole: %v", err)
		}
	}
	z, err := readZip(f)
	if err != nil {
		t.Fatal(err)
	}
	if faults, same, err := z.framing(""); len(faults) > 0 || !same || err != nil {
		t.Errorf("framing: %v %v %v", faults, same, err)
	}
	r, err := zip.NewReader(f, z.size)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range files {
		if e := z.entries[i]; e.name != want.name || e.size != want.size || e.offset != want.offset {
			t.Errorf("readZip: %+v, want %+v", e.stored, want)
		}
		at, err := r.File[i].DataOffset()
		if got := r.File[i]; err != nil || got.Name != want.name || got.UncompressedSize64 != want.size || at != z.entries[i].dataAt() {
			t.Errorf("the standard library: %+v %d %v, want %+v", got.FileHeader, at, err, want)
		}
	}
	// More files than 16 bits count.
	end := endOfDirectory(70_000, 10, 20)
	if len(end) != lenEnd64+lenLocator64+lenEnd || le.Uint16(end[len(end)-12:]) != math.MaxUint16 || le.Uint64(end[32:]) != 70_000 {
		t.Errorf("% x", end)
	}
}
