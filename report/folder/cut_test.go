package folder

import (
	"bufio"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"evenhand/analyze/disk"
	"evenhand/analyze/disk/disktest"
)

// write makes a folder the way in which commands do; "" for no file makes none.
func write(dst string, files map[string]string) error {
	d, err := Begin(dst, Report)
	if err != nil {
		return err
	}
	defer d.Discard()
	for _, name := range slices.Sorted(maps.Keys(files)) {
		full := filepath.Join(d.Dir, filepath.FromSlash(name))
		if err := disk.MkdirAll(filepath.Dir(full), 0o777); err != nil {
			return err
		}
		if err := disk.WriteFile(full, []byte(files[name]), 0o666); err != nil {
			return err
		}
	}
	if err := d.Commit(); err != nil {
		return err
	}
	if d.Left != "" {
		return errors.New(d.Left)
	}
	return nil
}

func reportFiles(answers string) map[string]string {
	return map[string]string{"index.html": "page of " + answers, "results.json": `{"answers":"` + answers + `"}`, "audio/a.flac": strings.Repeat("sound", 50), "data/x.csv": "1"}
}

// whole returns the answers in a folder whose files are all as its list says;
// "none" when there is no folder.
func whole(dir string) (string, error) {
	if _, err := os.Lstat(dir); errors.Is(err, os.ErrNotExist) {
		return "none", nil
	}
	if err := mayLose(dir, Report); err != nil {
		return "", err
	}
	sums, err := ReadSums(dir)
	if err != nil || len(sums) != len(reportFiles("")) {
		return "", fmt.Errorf("%d files are listed, %v", len(sums), err)
	}
	b, err := os.ReadFile(filepath.Join(dir, "results.json"))
	return strings.TrimSuffix(strings.TrimPrefix(string(b), `{"answers":"`), `"}`), err
}

// TestPowerCut cuts the power after each operation of a run and looks at all that
// the disk may hold then: the earlier folder is whole, or the new one, and the
// next run says what it found and leaves nothing else.
func TestPowerCut(t *testing.T) {
	for _, exchange := range []bool{true, false} {
		for _, earlier := range []bool{true, false} {
			t.Run(fmt.Sprintf("exchange %v, earlier %v", exchange, earlier), func(t *testing.T) {
				root := t.TempDir()
				dst := filepath.Join(root, "out")
				if earlier {
					if err := write(dst, reportFiles("first")); err != nil {
						t.Fatal(err)
					}
				}
				before := disktest.Read(t, root)
				rec := &disktest.Recorder{Root: root, NoExchange: !exchange}
				restore := disk.Use(rec)
				err := write(dst, reportFiles("second"))
				restore()
				if err != nil {
					t.Fatal(err)
				}
				ops := rec.Ops()
				swapped := slices.ContainsFunc(ops, func(o disktest.Op) bool { return o.Kind == "exchange" })
				if _, err := os.Lstat("/proc/self"); err == nil && swapped != (exchange && earlier) {
					t.Errorf("exchanged %v", swapped)
				}
				after := disktest.Read(t, root)
				if got := disktest.Cut(before, root, ops, len(ops), disktest.Kept); !maps.Equal(got[0], after) {
					t.Fatalf("the model of the disk gives %v, the disk holds %v", slices.Sorted(maps.Keys(got[0])), slices.Sorted(maps.Keys(after)))
				}
				states, seen, outcomes := 0, map[string]bool{}, map[string]int{}
				for n := range len(ops) + 1 {
					for fate := range disktest.Fates {
						for _, s := range disktest.Cut(before, root, ops, n, fate) {
							key := fmt.Sprint(s)
							if seen[key] {
								continue
							}
							seen[key] = true
							states++
							where := fmt.Sprintf("after %d of %d (%v), fate %d", n, len(ops), ops[max(n-1, 0)], fate)
							outcomes[afterCut(t, s, earlier, where)]++
						}
					}
				}
				t.Logf("%d operations, %d states: %v", len(ops), states, outcomes)
				old := "none"
				if earlier {
					old = "first"
				}
				if outcomes[old] == 0 || outcomes["second"] == 0 || len(outcomes) != 2 {
					t.Errorf("outcomes %v", outcomes)
				}
			})
		}
	}
}

// afterCut lets the next run find a state and returns what is there then.
func afterCut(t *testing.T, s disktest.State, earlier bool, where string) string {
	t.Helper()
	root := filepath.Join(t.TempDir(), "disk")
	if err := os.Mkdir(root, 0o777); err != nil {
		t.Fatal(err)
	}
	s.Write(t, root)
	dst := filepath.Join(root, "out")
	missing := earlier && s["out/results.json"] == ""
	litter := slices.ContainsFunc(slices.Collect(maps.Keys(s)), func(p string) bool { return strings.HasPrefix(p, ".") })
	found, err := Recover(dst)
	if err != nil {
		t.Errorf("%s: %v", where, err)
	}
	if missing && !slices.ContainsFunc(found, func(f string) bool { return strings.Contains(f, "is back") }) || litter && len(found) == 0 || !litter && len(found) > 0 {
		t.Errorf("%s: the next run says %q", where, found)
	}
	got, err := whole(dst)
	if err != nil {
		t.Errorf("%s: %v", where, err)
	}
	if entries, _ := os.ReadDir(root); len(entries) > 1 || len(entries) == 1 && got == "none" {
		t.Errorf("%s: left: %v", where, entries)
	}
	return got
}

// TestNoRoom: whatever operation finds the disk full, the earlier folder stays and
// nothing is left.
func TestNoRoom(t *testing.T) {
	for _, exchange := range []bool{true, false} {
		root := t.TempDir()
		dst := filepath.Join(root, "out")
		if err := write(dst, reportFiles("first")); err != nil {
			t.Fatal(err)
		}
		failed := 0
		for at := 0; ; at++ {
			reached, committed := false, false
			rec := &disktest.Recorder{Root: root, NoExchange: !exchange, Fail: func(n int, op disktest.Op) error {
				if n == at && op.Grows() {
					reached = true
					return disktest.NoRoom
				}
				return nil
			}}
			restore := disk.Use(rec)
			err := write(dst, reportFiles("second"))
			restore()
			for _, o := range rec.Ops() {
				committed = committed || o.Kind == "exchange" || o.Kind == "rename" && o.To == dst
			}
			got, werr := whole(dst)
			if werr != nil || !reached && got != "second" || reached && !committed && (got != "first" || !disk.Full(err)) {
				t.Errorf("at operation %d: %q, %v; %v", at, got, werr, err)
			}
			entries, _ := os.ReadDir(root)
			if !committed && len(entries) != 1 {
				t.Errorf("at operation %d: left: %v", at, entries)
			}
			if reached {
				failed++
			}
			if at > rec.Count() {
				break
			}
			// Back to the earlier one.
			for _, e := range entries {
				os.RemoveAll(filepath.Join(root, e.Name()))
			}
			if err := write(dst, reportFiles("first")); err != nil {
				t.Fatal(err)
			}
		}
		if failed < 20 {
			t.Errorf("only %d operations failed", failed)
		}
	}
}

// killVariable makes this test binary a child that stops between the two steps.
const killVariable = "EVENHAND_TEST_STOP_BETWEEN_STEPS"

// TestKilledBetweenSteps kills a real process between the two renames of a system
// that cannot exchange folders.
func TestKilledBetweenSteps(t *testing.T) {
	if dst := os.Getenv(killVariable); dst != "" {
		rec := &disktest.Recorder{NoExchange: true, Fail: func(_ int, op disktest.Op) error {
			if op.Kind == "rename" && op.To == dst {
				fmt.Println("between")
				time.Sleep(time.Minute)
			}
			return nil
		}}
		rec.Start(t)
		t.Fatal(write(dst, reportFiles("second")))
	}
	root := t.TempDir()
	dst := filepath.Join(root, "out")
	if err := write(dst, reportFiles("first")); err != nil {
		t.Fatal(err)
	}
	child := exec.Command(os.Args[0], "-test.run", "^TestKilledBetweenSteps$")
	child.Env = append(os.Environ(), killVariable+"="+dst)
	out, err := child.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(out)
	for lines.Scan() && lines.Text() != "between" {
	}
	if got, err := whole(dst); got != "none" || err != nil {
		t.Errorf("between the steps: %q, %v", got, err)
	}
	// A run that is still going is left alone, where the system can tell.
	if found, err := Recover(dst); err != nil || len(found) > 0 {
		t.Errorf("beside a running program: %q, %v", found, err)
	}
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	child.Wait()
	if held, err := disk.Hold(root, "probe-"); err != nil || held.Remove() != nil {
		t.Fatal(err)
	}
	found, err := Recover(dst)
	if err != nil || len(found) != 2 || !strings.Contains(found[0], "is back") {
		t.Errorf("the next run says %q, %v", found, err)
	}
	if got, err := whole(dst); got != "first" || err != nil {
		t.Errorf("after the next run: %q, %v", got, err)
	}
	if entries, _ := os.ReadDir(root); len(entries) != 1 {
		t.Errorf("left: %v", entries)
	}
}

// TestAbandoned: what killed programs left goes, and nothing else does.
func TestAbandoned(t *testing.T) {
	parent := t.TempDir()
	dst := filepath.Join(parent, "out")
	names := func() string {
		entries, err := os.ReadDir(parent)
		if err != nil {
			t.Fatal(err)
		}
		var all []string
		for _, e := range entries {
			all = append(all, e.Name())
		}
		return strings.Join(all, " ")
	}
	put(t, parent, ".out.draft-1/new/half", "x")
	put(t, parent, ".out.draft-mine/text", "x")
	put(t, parent, ".output.draft-5/text", "x")
	put(t, parent, ".out.draft-6", "a file")
	put(t, parent, ".out.draft-7x/text", "x")
	// One that is in use.
	held, err := Hold(dst)
	if err != nil {
		t.Fatal(err)
	}
	busy := filepath.Base(held.Dir)
	if _, err := Recover(dst); err != nil {
		t.Fatal(err)
	}
	want := strings.Split(".out.draft-6 .out.draft-7x .out.draft-mine .output.draft-5 "+busy, " ")
	slices.Sort(want)
	if got := names(); got != strings.Join(want, " ") {
		t.Errorf("left: %s, want %s", got, want)
	}
	held.Release()
	if _, err := Recover(dst); err != nil || strings.Contains(names(), busy) {
		t.Errorf("left: %s, %v", names(), err)
	}
	// A folder that somebody saved a file into while it was replaced stays.
	files := reportFiles("first")
	put(t, parent, ".out.draft-9/new/late.txt", "precious")
	for name, text := range files {
		put(t, parent, ".out.draft-9/new/"+name, text)
	}
	if err := writeSums(filepath.Join(parent, ".out.draft-9", "new")); err != nil {
		t.Fatal(err)
	}
	sums := filepath.Join(parent, ".out.draft-9", "new", Sums)
	b, err := os.ReadFile(sums)
	if err != nil {
		t.Fatal(err)
	}
	var kept []string
	for _, line := range strings.SplitAfter(string(b), "\n") {
		if !strings.Contains(line, "late.txt") {
			kept = append(kept, line)
		}
	}
	if err := os.WriteFile(sums, []byte(strings.Join(kept, "")), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, err := Recover(dst); err != nil {
		t.Fatal(err)
	}
	if b, err := os.ReadFile(filepath.Join(parent, ".out.draft-9", "new", "late.txt")); string(b) != "precious" {
		t.Errorf("somebody's file: %v", err)
	}
}
