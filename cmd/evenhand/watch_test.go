package main

import (
	"bufio"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"evenhand/analyze/result"
	"evenhand/report/watch"
)

// TestWatch records into the places that a manifest names, and into a folder.
func TestWatch(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("a process cannot be sent Ctrl-C alone there")
	}
	audio := t.TempDir()
	if err := recordTo(audio); err != nil {
		t.Fatal(err)
	}
	for _, folder := range []bool{false, true} {
		t.Run(fmt.Sprint("folder ", folder), func(t *testing.T) {
			t.Parallel() // it waits most of the time
			dir := t.TempDir()
			put := func(from, to string, part float64) {
				t.Helper()
				b, err := os.ReadFile(filepath.Join(audio, "short", from))
				if err != nil {
					t.Fatal(err)
				}
				if err := os.WriteFile(filepath.Join(dir, to), b[:int(part*float64(len(b)))/2*2], 0o666); err != nil {
					t.Fatal(err)
				}
			}
			put("dry.wav", "dry.wav", 1)
			path := dir
			if !folder {
				path = filepath.Join(dir, "m.yaml")
				edit(t, path, strings.ReplaceAll(previewed3, "audio/", ""))
			}
			cmd := exec.Command("evenhand", "watch", path, "--json")
			var errs strings.Builder
			cmd.Stderr = &errs
			out, err := cmd.StdoutPipe()
			if err != nil {
				t.Fatal(err)
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
			lines := make(chan string)
			go func() {
				defer close(lines)
				for s := bufio.NewScanner(out); s.Scan(); {
					lines <- s.Text()
				}
			}()
			next := func() (v watch.Lines) {
				t.Helper()
				select {
				case line := <-lines:
					if err := json.Unmarshal([]byte(line), &v); err != nil {
						t.Fatalf("%v: %q; %s", err, line, errs.String())
					}
				case <-time.After(60 * time.Second):
					t.Fatalf("nothing is said; %s", errs.String())
				}
				return v
			}
			outcome := func(v watch.Lines, id string) (o result.Outcome) {
				for _, c := range v.Checks {
					if c.ID == id {
						o = c.Outcome
					}
				}
				return o
			}
			put("one.wav", "one.wav", 0.5)
			time.Sleep(time.Second)
			put("one.wav", "one.wav", 1)
			v := next()
			if !strings.EqualFold(v.Take, "one") || v.State != "landed" || outcome(v, "same-performance") != result.Passed || outcome(v, "clipping") != result.Passed || len(v.Text) > 6 {
				t.Errorf("%s: %s, %q", v.Take, v.State, v.Text)
			}
			put("three.wav", "two.wav", 1)
			if v := next(); !strings.EqualFold(v.Take, "two") || v.State != "landed" || outcome(v, "same-file") != "" {
				t.Errorf("%s: %s, %q", v.Take, v.State, v.Text)
			}
			// Recorded again, by mistake the same recording as before: as the same file, and
			// as the same samples in another one.
			put("one.wav", "two.wav", 1)
			if v := next(); !strings.EqualFold(v.Take, "two") || v.State != "landed" || outcome(v, "same-file") != result.Failed || len(v.Text) > 6 ||
				!strings.Contains(strings.ToLower(strings.Join(v.Text, " ")), "duplicate files: one and two: same bytes") {
				t.Errorf("%s: %s, %q", v.Take, v.State, v.Text)
			}
			odd, err := os.ReadFile(filepath.Join(dir, "two.wav"))
			if err != nil {
				t.Fatal(err)
			}
			odd = append(odd, "note\x02\x00\x00\x00ab"...) // a chunk of RIFF that says nothing of the sound
			binary.LittleEndian.PutUint32(odd[4:], uint32(len(odd)-8))
			if err := os.WriteFile(filepath.Join(dir, "two.wav"), odd, 0o666); err != nil {
				t.Fatal(err)
			}
			if v := next(); outcome(v, "same-file") != "" || outcome(v, "near-copy") != result.Failed ||
				!strings.Contains(strings.ToLower(strings.Join(v.Text, " ")), "copies: one and two:") {
				t.Errorf("%s: %s, %q", v.Take, v.State, v.Text)
			}
			// A burst: all are told about, each as itself. One is being measured when the
			// command ends.
			put("two.wav", "two.wav", 1)
			put("three.wav", "one.wav", 1)
			told := map[string]bool{}
			for range 2 {
				v := next()
				if told[strings.ToLower(v.Take)] = true; v.State != "landed" || outcome(v, "same-file") != "" || outcome(v, "near-copy") != "" {
					t.Errorf("%s: %s, %q", v.Take, v.State, v.Text)
				}
			}
			if !told["one"] || !told["two"] {
				t.Errorf("told of %v", told)
			}
			put("one.wav", "one.wav", 1)
			time.Sleep(700 * time.Millisecond)
			if err := cmd.Process.Signal(os.Interrupt); err != nil {
				t.Fatal(err)
			}
			for range lines {
			}
			waitInterrupted(t, cmd, &errs, false) // a take is being measured
			left, err := os.ReadDir(dir)
			if err != nil || len(left) != 4 && !folder || folder && len(left) != 3 {
				t.Errorf("in the folder: %v, %v", left, err)
			}
		})
	}
}
