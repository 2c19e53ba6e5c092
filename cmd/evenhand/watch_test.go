package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// TestLanding follows a file through what recorders, editors and people do to it. Each
// step says how much later it is looked at, and what is seen then.
func TestLanding(t *testing.T) {
	audio := t.TempDir()
	if err := recordTo(audio); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(filepath.Join(audio, "short", "one.wav"))
	if err != nil {
		t.Fatal(err)
	}
	open := append([]byte{}, whole...) // whose header is written last
	head := bytes.Index(whole, []byte("data")) + 8
	copy(open[head-4:head], []byte{0, 0, 0, 0})
	zeros := append(append([]byte{}, whole[:head]...), make([]byte, len(whole)-head)...) // preallocated
	const least = unit.Seconds(3.8)
	half := len(whole) / 2 / 2 * 2

	type step struct {
		after time.Duration
		write []byte // nil: nothing; empty: removed
		want  landingState
	}
	const moment = 100 * time.Millisecond
	for name, steps := range map[string][]step{
		"written at once": {{0, whole, coming}, {landedAfter - moment, nil, coming}, {moment, nil, landed}},
		"grows in bursts": {{0, whole[:half], coming}, {landedAfter, whole[:half+1000], coming}, {landedAfter, whole, coming}, {landedAfter, nil, landed}},
		"stays short": {{0, whole[:half], coming}, {landedAfter, nil, coming}, {shortAfter - landedAfter - moment, nil, coming}, {moment, nil, short},
			{time.Hour, whole, coming}, {landedAfter, nil, landed}},
		"its header is written last": {{0, open, coming}, {landedAfter, nil, coming}, {moment, whole, coming}, {landedAfter, nil, landed}},
		"preallocated":               {{0, zeros, coming}, {moment, whole, coming}, {landedAfter - moment, nil, coming}, {moment, nil, landed}},
		"replaced":                   {{0, whole, coming}, {landedAfter, nil, landed}, {time.Minute, zeros, coming}, {landedAfter, nil, landed}},
		"removed":                    {{0, whole, coming}, {landedAfter, nil, landed}, {time.Minute, []byte{}, absent}, {time.Minute, whole, coming}},
		"is no recording":            {{0, []byte("ID3 not a recording"), coming}, {landedAfter, nil, coming}, {shortAfter, nil, short}},
	} {
		path := filepath.Join(t.TempDir(), "take.wav")
		l := landing{path: path}
		now := time.Now()
		for i, s := range steps {
			now = now.Add(s.after)
			if s.write != nil && len(s.write) == 0 {
				if err := os.Remove(path); err != nil {
					t.Fatal(err)
				}
			} else if s.write != nil {
				if err := os.WriteFile(path, s.write, 0o666); err != nil {
					t.Fatal(err)
				}
				if err := os.Chtimes(path, now, now); err != nil {
					t.Fatal(err)
				}
			}
			state, _, again := l.look(now, least)
			if state != s.want {
				t.Errorf("%s, step %d: state %d, want %d", name, i+1, state, s.want)
			}
			if (state == coming) == again.IsZero() {
				t.Errorf("%s, step %d: state %d is looked at again at %v", name, i+1, state, again)
			}
			if state == landed {
				l.told = landed
			}
		}
	}

	// What was there before, and what is renamed into place, has landed at once.
	path := filepath.Join(t.TempDir(), "take.wav")
	if err := os.WriteFile(path+".part", whole, 0o666); err != nil {
		t.Fatal(err)
	}
	now := time.Now()
	if err := os.Chtimes(path+".part", now, now.Add(-time.Minute)); err != nil {
		t.Fatal(err)
	}
	l := landing{path: path}
	if state, _, _ := l.look(now, least); state != absent {
		t.Errorf("before it is renamed: %d", state)
	}
	if err := os.Rename(path+".part", path); err != nil {
		t.Fatal(err)
	}
	if state, _, _ := l.look(now, least); state != landed {
		t.Errorf("renamed into place: %d", state)
	}
}

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
		next := func() (v verdictLines) {
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
		outcome := func(v verdictLines, id string) (o result.Outcome) {
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
		if !strings.EqualFold(v.Take, "one") || v.State != "landed" || outcome(v, "same-performance") != result.Passed || outcome(v, "clipping") != result.Passed || len(v.Text) > mostLines {
			t.Errorf("%s: %s, %q", v.Take, v.State, v.Text)
		}
		put("three.wav", "two.wav", 1)
		if v := next(); !strings.EqualFold(v.Take, "two") || v.State != "landed" {
			t.Errorf("%s: %s, %q", v.Take, v.State, v.Text)
		}
		// Recorded again, by mistake the same recording as before.
		put("one.wav", "two.wav", 1)
		if v := next(); !strings.EqualFold(v.Take, "two") || v.State != "landed" {
			t.Errorf("%s: %s, %q", v.Take, v.State, v.Text)
		}
		begun := time.Now()
		if err := cmd.Process.Signal(os.Interrupt); err != nil {
			t.Fatal(err)
		}
		for range lines {
		}
		if err := cmd.Wait(); err != nil {
			t.Errorf("exit: %v after %v, %s", err, time.Since(begun), errs.String())
		}
		left, err := os.ReadDir(dir)
		if err != nil || len(left) != 4 && !folder || folder && len(left) != 3 {
			t.Errorf("in the folder: %v, %v", left, err)
		}
	}
}
