package main

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/disk"
	"evenhand/analyze/disk/disktest"
	"evenhand/examples/campaign"
	"evenhand/report/folder"
)

// shortComparison makes a comparison of two short takes in a folder of its own,
// with a report, in which there are answers, an archive as a file and one as a
// folder. Temporary files and the store are in folders beside it.
func shortComparison(t *testing.T) (root string) {
	t.Helper()
	if testing.Short() || raceDetector {
		t.Skip("plays a performance and builds it often")
	}
	root = t.TempDir()
	for name, sub := range map[string]string{"TMPDIR": "tmp", "TMP": "tmp", "XDG_CACHE_HOME": "store", "LocalAppData": "store", "HOME": "store"} {
		t.Setenv(name, filepath.Join(root, sub))
	}
	work := filepath.Join(root, "work")
	for _, dir := range []string{work, filepath.Join(root, "tmp")} {
		if err := os.MkdirAll(dir, 0o777); err != nil {
			t.Fatal(err)
		}
	}
	from := t.TempDir()
	if err := recordTo(from); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"dry.wav", "one.wav", "two.wav"} {
		b, err := os.ReadFile(filepath.Join(from, "short", name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(work, name), b, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	const text = `title: Two
varies: fuzz
performance:
  dry: dry.wav
chain:
  - slot: fuzz
takes:
  - name: One
    file: one.wav
    fuzz: {device: One}
  - name: Two
    file: two.wav
    fuzz: {device: Two}
`
	if err := os.WriteFile(filepath.Join(work, "two.yaml"), []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	t.Chdir(work)
	done(t, "build", "two.yaml", "-o", "out")
	var codes bytes.Buffer
	if err := answersTo(&codes, "out", 3, 1); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile("comments.txt", codes.Bytes(), 0o666); err != nil {
		t.Fatal(err)
	}
	done(t, "tally", "two.yaml", "comments.txt", "--report", "out")
	done(t, "pack", "two.yaml", "-o", "bag", "--report", "out")
	done(t, "pack", "two.yaml", "-o", "bag.zip", "--report", "out")
	done(t, "settings", "two.yaml", "-o", "settings")
	done(t, "cut", "two.yaml", "-o", "video", "--every", "1s")
	return root
}

// done runs a command that must do its job; a check may fail.
func done(t *testing.T, args ...string) (stderr string) {
	t.Helper()
	var out, err bytes.Buffer
	if status := run(context.Background(), args, &out, &err); status != exitDone && status != exitFailed {
		t.Fatalf("evenhand %s: status %d\n%s", strings.Join(args, " "), status, err.String())
	}
	return err.String()
}

// TestPowerCutInBuild: at whatever operation of a build the power is cut, the
// report is the earlier or the new one, whole, with the listeners' answers, and
// the next build says what it found.
func TestPowerCutInBuild(t *testing.T) {
	root := filepath.Join(shortComparison(t), "work")
	for _, exchange := range []bool{true, false} {
		args := []string{"build", "two.yaml", "-o", "out", "--web-only"}
		if !exchange {
			args = args[:4] // another report than the one that is there then
		}
		before := disktest.Read(t, root)
		rec := &disktest.Recorder{Root: root, NoExchange: !exchange}
		restore := disk.Use(rec)
		done(t, args...)
		restore()
		after := disktest.Read(t, root)
		ops := rec.Ops()
		swap := slices.IndexFunc(ops, func(o disktest.Op) bool {
			return o.Kind == "exchange" || o.Kind == "rename" && o.Name == filepath.Join(root, "out")
		})
		outcomes := map[string]int{}
		look := func(s disktest.State, where string) {
			switch {
			case in(s, "out") == "":
				if exchange || !strings.Contains(where, "rename") {
					t.Errorf("%s: there is no report", where)
				}
				outcomes["aside"]++
			case in(s, "out") == in(before, "out"):
				outcomes["earlier"]++
			case in(s, "out") == in(after, "out"):
				outcomes["new"]++
			default:
				t.Errorf("%s: neither the earlier nor the new report", where)
			}
		}
		moments := campaign.Share(t, len(ops)+1, 20)
		for n := max(swap-3, 0); n < min(swap+8, len(ops)); n++ {
			moments = append(moments, n)
		}
		for _, n := range moments {
			for fate := range disktest.Fates {
				look(disktest.After(before, root, ops, n, fate), fmt.Sprintf("after %v", ops[max(n-1, 0)]))
			}
		}
		for _, n := range []int{swap, swap + 1, swap + 2, swap + 3, (swap + len(ops)) / 2, len(ops)} {
			for _, s := range disktest.Cut(before, root, ops, n, disktest.Lost) {
				look(s, fmt.Sprintf("after %v, names lost, at a rename %v", ops[n-1], n <= swap+2))
			}
		}
		t.Logf("exchange %v: %d operations, %v", exchange, len(ops), outcomes)
		if outcomes["earlier"] < 50 || outcomes["new"] < 50 || exchange == (outcomes["aside"] > 0) {
			t.Errorf("outcomes %v", outcomes)
		}
		// The next build, after the moments that matter.
		for _, n := range []int{swap - 1, swap, swap + 1, swap + 2} {
			disk := filepath.Join(t.TempDir(), "disk")
			disktest.After(before, root, ops, n, disktest.Lost).Write(t, disk)
			t.Chdir(disk)
			said := done(t, args...)
			want := "an earlier run did not finish"
			if !exchange && n == swap+1 {
				want = "what was here before is back"
			}
			if !strings.Contains(said, want) {
				t.Errorf("after %v the next build says\n%s", ops[n-1], said)
			}
			if res := resultsIn(t, "out"); res.Audience == nil || res.Audience.Counted == 0 {
				t.Errorf("after %v: the answers are gone", ops[n-1])
			}
			for name := range disktest.Read(t, disk) {
				if strings.HasPrefix(name, ".") {
					t.Errorf("after %v: left: %s", ops[n-1], name)
				}
			}
			t.Chdir(root)
		}
	}
}

// in returns what is in a folder of a state, as one text.
func in(s disktest.State, dir string) string {
	var b strings.Builder
	for _, name := range slices.Sorted(maps.Keys(s)) {
		if rest, ok := strings.CutPrefix(name, dir+"/"); ok && rest != "" && !strings.HasSuffix(rest, "/") {
			fmt.Fprintf(&b, "%s\x00%s\x00", rest, s[name])
		}
	}
	return b.String()
}

// TestNoRoomAnywhere fills the disk at an operation of each command, from which on
// nothing more fits: the command says so in a plain sentence and ends with status
// 3, earlier output stays as it was, and nothing is left.
func TestNoRoomAnywhere(t *testing.T) {
	root := shortComparison(t)
	work := filepath.Join(root, "work")
	before := disktest.Read(t, work)
	failures := 0
	for _, args := range [][]string{
		{"build", "two.yaml", "-o", "out"},
		{"build", "two.yaml", "-o", "out", "--no-cache"},
		{"build", "two.yaml", "-o", "other"},
		{"tally", "two.yaml", "comments.txt", "--report", "out"},
		{"tally", "two.yaml", "comments.txt"},
		{"pack", "two.yaml", "-o", "bag"},
		{"pack", "two.yaml", "-o", "bag.zip"},
		{"settings", "two.yaml", "-o", "settings"},
		{"cut", "two.yaml", "-o", "video", "--every", "1s"},
		{"verify", "bag.zip"},
		{"verify", "out"},
		{"demo", "demo", "--scenario", "microphones"},
		{"new", ".", "-o", "new.yaml"},
	} {
		var ops int
		if args[0] == "demo" { // it would be played to the end
			ops = 30
		} else {
			rec := &disktest.Recorder{}
			restore := disk.Use(rec)
			done(t, args...)
			restore()
			ops = rec.Count()
			restoreState(t, before, work)
		}
		for _, at := range campaign.Share(t, ops, 3) {
			changed := false
			hit := ""
			rec := &disktest.Recorder{Root: work, Fail: func(n int, op disktest.Op) error {
				if n >= at && op.Grows() {
					if hit == "" {
						hit = op.String()
					}
					return disktest.NoRoom
				}
				// What makes new output visible.
				changed = changed || op.Kind == "exchange" || op.Kind == "rename" && slices.Contains([]string{"out", "other", "bag", "bag.zip", "settings", "video", "demo"}, filepath.Base(op.To))
				return nil
			}}
			restore := disk.Use(rec)
			var stdout, stderr bytes.Buffer
			status := run(context.Background(), args, &stdout, &stderr)
			restore()
			where := fmt.Sprintf("%s: full from operation %d of %d on (%s): status %d\n%s", strings.Join(args, " "), at, ops, hit, status, stderr.String())
			said := stderr.String()
			if strings.ContainsAny(said, "\x1b") || strings.Contains(said, ".draft-") && !changed || strings.Contains(said, ".go:") || strings.Contains(said, "goroutine") {
				t.Errorf("not plain: %s", where)
			}
			onlyStore := hit == "" || strings.Contains(hit, filepath.Join(root, "store"))
			if hit != "" && !changed && !onlyStore && (status != exitOther || strings.Count(said, "the disk is full") != 1) {
				t.Error(where)
			}
			if hit != "" && status == exitOther {
				failures++
			}
			if !changed {
				if now := disktest.Read(t, work); !maps.Equal(now, before) && !(status != exitOther && args[0] == "new") {
					t.Errorf("changed: %s\n%v", where, difference(before, now))
				}
			}
			if entries, _ := os.ReadDir(filepath.Join(root, "tmp")); len(entries) > 0 {
				t.Errorf("left %v: %s", entries, where)
			}
			restoreState(t, before, work)
		}
	}
	t.Logf("%d failures", failures)
	if failures < 30 {
		t.Errorf("only %d runs met the full disk", failures)
	}
}

func difference(a, b disktest.State) (out []string) {
	for name := range a {
		if _, ok := b[name]; !ok || a[name] != b[name] {
			out = append(out, "-"+name)
		}
	}
	for name := range b {
		if _, ok := a[name]; !ok {
			out = append(out, "+"+name)
		}
	}
	return out
}

// restoreState makes a folder what it was.
func restoreState(t *testing.T, s disktest.State, dir string) {
	t.Helper()
	if maps.Equal(disktest.Read(t, dir), s) {
		return
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		if err := os.RemoveAll(filepath.Join(dir, e.Name())); err != nil {
			t.Fatal(err)
		}
	}
	s.Write(t, dir)
}

// TestStoreWithoutRoom: a store that cannot be written to is no reason to fail.
func TestStoreWithoutRoom(t *testing.T) {
	root := shortComparison(t)
	store := filepath.Join(root, "store")
	if err := os.RemoveAll(store); err != nil {
		t.Fatal(err)
	}
	rec := &disktest.Recorder{Fail: func(_ int, op disktest.Op) error {
		if strings.HasPrefix(op.Name, store) && op.Grows() {
			return disktest.NoRoom
		}
		return nil
	}}
	defer disk.Use(rec)()
	if said := done(t, "build", "two.yaml", "-o", "out"); !strings.Contains(said, "not everything was kept for the next run") || strings.Contains(said, "\x1b") || strings.Contains(said, ".draft-") {
		t.Error(said)
	}
}

// TestTemporaryFoldersOfKilledRuns: the next run removes them, and no others.
func TestTemporaryFoldersOfKilledRuns(t *testing.T) {
	tmp := t.TempDir()
	for _, name := range []string{"TMPDIR", "TMP"} {
		t.Setenv(name, tmp)
	}
	for _, name := range []string{"evenhand-verify-12/decoded/x", "evenhand-pack-3/report/x", "evenhand-tally-4/x", "evenhand-withheld-5/x", "evenhand-verify-mine/x", "mine/x"} {
		full := filepath.Join(tmp, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(full), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(full, nil, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	busy, err := disk.Hold(tmp, "evenhand-verify-")
	if err != nil {
		t.Fatal(err)
	}
	defer busy.Remove()
	_, dir, _ := takesReport(t, 2)
	done(t, "verify", dir)
	var left []string
	entries, err := os.ReadDir(tmp)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		left = append(left, e.Name())
	}
	want := []string{filepath.Base(busy.Dir), "evenhand-verify-mine", "mine"}
	slices.Sort(want)
	if !slices.Equal(left, want) {
		t.Errorf("left %v, want %v", left, want)
	}
	if k, err := folder.KindOf(dir); k != folder.Report || err != nil {
		t.Error(k, err)
	}
}
