package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// A video without ffmpeg is refused with a sentence before anything is measured, and
// nothing is left behind.
func TestVideoWithoutFFmpeg(t *testing.T) {
	dir := t.TempDir()
	manifest := "title: Two\nvaries: fuzz\nchain:\n  - slot: fuzz\ntakes:\n  - {name: One, file: one.wav, fuzz: {device: One}}\n  - {name: Two, file: two.wav, fuzz: {device: Two}}\n"
	for name, text := range map[string]string{"two.yaml": manifest, "one.wav": "never read", "two.wav": "never read"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	t.Setenv("PATH", t.TempDir())
	var stdout, stderr bytes.Buffer
	out := filepath.Join(dir, "video")
	status := run(t.Context(), []string{"cut", filepath.Join(dir, "two.yaml"), "-o", out, "--turns", "--video"}, &stdout, &stderr)
	if status != 2 || !strings.Contains(stderr.String(), "a video needs ffmpeg, and no program of this name is on the PATH; install it, or leave the video out") {
		t.Errorf("status %d: %s", status, stderr.String())
	}
	if _, err := os.Stat(out); !os.IsNotExist(err) {
		t.Errorf("something was written: %v", err)
	}
}
