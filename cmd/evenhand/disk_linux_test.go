package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"evenhand/analyze/disk/disktest"
)

// TestDiskThatIsFull builds onto a file system that has no room for the
// report.
func TestDiskThatIsFull(t *testing.T) {
	root := shortComparison(t)
	dir := filepath.Join(root, "small")
	if err := os.Mkdir(dir, 0o777); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size=400k"); err != nil {
		t.Skipf("no file system can be mounted here: %v", err)
	}
	defer syscall.Unmount(dir, 0)
	out := filepath.Join(dir, "out")
	done(t, "settings", "two.yaml", "-o", out+"-settings")
	before := disktest.Read(t, dir)
	for _, args := range [][]string{{"build", "two.yaml", "-o", out}, {"pack", "two.yaml", "-o", out + ".zip"}, {"pack", "two.yaml", "-o", out}, {"cut", "two.yaml", "-o", out, "--every", "1s"}} {
		var stdout, stderr bytes.Buffer
		status := run(context.Background(), args, &stdout, &stderr)
		if said := stderr.String(); status != exitOther || !strings.Contains(said, "the disk is full") || strings.Contains(said, ".draft-") || strings.Contains(said, "\x1b") {
			t.Errorf("%v: status %d\n%s", args, status, said)
		}
		if after := disktest.Read(t, dir); len(difference(before, after)) > 0 {
			t.Errorf("%v: %v", args, difference(before, after))
		}
	}
}
