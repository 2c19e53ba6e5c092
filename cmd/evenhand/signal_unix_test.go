//go:build unix

package main

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"evenhand/analyze/result"
)

// mostWait is how soon an interrupted command must have ended.
const mostWait = time.Second

// TestInterrupted sends real processes SIGINT and SIGTERM while they wait for
// something or work: each ends within a second with status 3, and the output that
// was there is as it was.
func TestInterrupted(t *testing.T) {
	root := shortComparison(t)
	work := filepath.Join(root, "work")
	pipe := filepath.Join(root, "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Skip(err)
	}
	// A pipe that is open and says nothing.
	quiet := filepath.Join(root, "quiet")
	if err := syscall.Mkfifo(quiet, 0o600); err != nil {
		t.Fatal(err)
	}
	writer, err := os.OpenFile(quiet, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer writer.Close()
	if err := os.CopyFS("large", os.DirFS("out")); err != nil {
		t.Fatal(err)
	}
	rewrite(t, "large", func([]byte) []byte {
		return []byte(`{"format":1,"x":[` + strings.Repeat("0,", 20_000_000) + `0]}`)
	})
	for _, x := range []struct {
		name  string
		after time.Duration // after the start
		args  []string
	}{
		{"a pipe that nobody opens", 300 * time.Millisecond, []string{"tally", "two.yaml", pipe, "--report", "out"}},
		{"a pipe that says nothing", 300 * time.Millisecond, []string{"tally", "two.yaml", quiet, "--report", "out"}},
		{"standard input", 300 * time.Millisecond, []string{"tally", "two.yaml", "-", "--report", "out"}},
		{"large JSON", 300 * time.Millisecond, []string{"verify", "large"}},
		{"measuring", 200 * time.Millisecond, []string{"build", "two.yaml", "-o", "out", "--no-cache"}},
		{"copying from the store", 300 * time.Millisecond, []string{"build", "two.yaml", "-o", "out"}},
		{"packing", 300 * time.Millisecond, []string{"pack", "two.yaml", "-o", "bag.zip"}},
		{"verifying", 100 * time.Millisecond, []string{"verify", "bag.zip"}},
		{"playing", 300 * time.Millisecond, []string{"demo", "demo"}},
		{"cutting", 200 * time.Millisecond, []string{"cut", "two.yaml", "-o", "video", "--every", "1s"}},
		{"serving", 300 * time.Millisecond, []string{"serve", "out"}},
		{"previewing", 300 * time.Millisecond, []string{"serve", "two.yaml", "--no-cache"}},
		{"watching", 300 * time.Millisecond, []string{"watch", "two.yaml", "--no-cache"}},
	} {
		for _, signal := range []os.Signal{os.Interrupt, syscall.SIGTERM} {
			cmd := exec.CommandContext(context.Background(), "evenhand", x.args...)
			var stderr bytes.Buffer
			cmd.Stderr = &stderr
			stdin, err := cmd.StdinPipe() // open, and nothing comes
			if err != nil {
				t.Fatal(err)
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			time.Sleep(x.after)
			sent := time.Now()
			if err := cmd.Process.Signal(signal); err != nil && !errors.Is(err, os.ErrProcessDone) {
				t.Fatal(err)
			}
			err = cmd.Wait()
			took := time.Since(sent)
			stdin.Close()
			if took > mostWait {
				t.Errorf("%s: %v: it ended after %v\n%s", x.name, signal, took, stderr.String())
			}
			if left, err := filepath.Glob(filepath.Join(root, "tmp", "evenhand-*")); err != nil || left != nil {
				t.Errorf("%s: %v: left behind: %v, %v", x.name, signal, left, err)
			}
			// A quick machine may have done it by then.
			if status := cmd.ProcessState.ExitCode(); status < 0 || status == exitOther && !strings.Contains(stderr.String(), "interrupted") {
				t.Errorf("%s: %v: %v\n%s", x.name, signal, err, stderr.String())
			}
		}
	}
	after, err := os.ReadFile(filepath.Join(work, "out", result.FileName))
	if err != nil || !bytes.Contains(after, []byte(`"audience"`)) {
		t.Errorf("the report is gone or has lost its answers: %v", err)
	}
	// The next run removes what was begun.
	done(t, "build", "two.yaml", "-o", "out")
	done(t, "verify", "out")
	for _, dir := range []string{work, filepath.Join(root, "tmp")} {
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			if strings.HasPrefix(e.Name(), ".out.") || strings.HasPrefix(e.Name(), "evenhand-") {
				t.Errorf("left: %s", filepath.Join(dir, e.Name()))
			}
		}
	}
}
