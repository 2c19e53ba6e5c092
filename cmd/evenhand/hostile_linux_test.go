package main

import (
	"bytes"
	"errors"
	"image"
	"image/png"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"evenhand/analyze/result"
	"evenhand/report/folder"
)

// mostHostile is the memory that no foreign file may make the program take, in KiB.
const mostHostile = 300 << 10

// TestResultsThatFillTheMemory: results that are short as text and long in memory
// are refused before they are.
func TestResultsThatFillTheMemory(t *testing.T) {
	if raceDetector {
		t.Skip("the race detector takes memory of its own")
	}
	manifest, dir, _ := takesReport(t, 2)
	codes := comments(t, dir)
	for name, text := range map[string]string{
		"empty takes": `{"format":1,"takes":[` + strings.Repeat(`{},`, 5_000_000) + `{}]}`,
		"numbers":     `{"format":1,"takes":[{"measures":[{"third_octave_db":[` + strings.Repeat(`0,`, 7_000_000) + `0]}]}]}`,
		"one text":    `{"format":1,"tool":{"name":"` + strings.Repeat("a", 15_000_000) + `"}}`,
		"texts":       `{"format":1,"warnings":[` + strings.Repeat(`{"where":"`+strings.Repeat("a", 1_000_000)+`"},`, 35) + `{}]}`,
	} {
		rewrite(t, dir, func([]byte) []byte { return []byte(text) })
		for _, args := range [][]string{{"tally", manifest, codes, "--report", dir}, {"verify", dir}} {
			out, err := exec.Command("peak", args...).CombinedOutput()
			if e := (*exec.ExitError)(nil); !errors.As(err, &e) && err != nil || errors.As(err, &e) && e.ExitCode() == exitOther {
				t.Errorf("%s: %v: %v\n%.500s", name, args, err, out)
			}
			lines := strings.Fields(string(out))
			if kib, err := strconv.Atoi(lines[len(lines)-1]); err != nil || kib > mostHostile {
				t.Errorf("%s: %v: %d KiB, %v", name, args[0], kib, err)
			}
		}
	}
}

// TestPipesInReports: a pipe in a report's folder is not waited for.
func TestPipesInReports(t *testing.T) {
	for _, name := range []string{result.FileName, folder.Sums, "index.html", "audio/circuit-1.flac"} {
		manifest, dir, _ := takesReport(t, 2)
		codes := comments(t, dir)
		pipe := filepath.Join(dir, filepath.FromSlash(name))
		if err := errors.Join(syscall.Unlink(pipe), syscall.Mkfifo(pipe, 0o600)); err != nil {
			t.Skip(err)
		}
		for _, args := range [][]string{{"verify", dir}, {"tally", manifest, codes, "--report", dir}, {"build", manifest, "-o", dir}, {"pack", manifest, "-o", dir + ".zip", "--report", dir}} {
			ended := make(chan string)
			go func() {
				status, said := outcome(args...)
				if status == exitDone {
					said = "status 0: " + said
				} else {
					said = ""
				}
				ended <- said
			}()
			select {
			case said := <-ended:
				if said != "" {
					t.Errorf("%s: %v: %s", name, args, said)
				}
			case <-time.After(time.Minute):
				t.Fatalf("%s: %v waits", name, args)
			}
		}
	}
}

// TestPicturesInMemory: a picture as large as it may be, of the kind that takes the
// most for its size.
func TestPicturesInMemory(t *testing.T) {
	if raceDetector {
		t.Skip("the race detector takes memory of its own")
	}
	dir := t.TempDir()
	const side = 5100 // 8 bytes each: 198 MiB
	var deep bytes.Buffer
	if err := png.Encode(&deep, image.NewNRGBA64(image.Rect(0, 0, side, side))); err != nil {
		t.Fatal(err)
	}
	for name, b := range map[string][]byte{"deep.png": deep.Bytes()} {
		text := "title: T\nvaries: fuzz\nchain: [{slot: fuzz, device: A, photo: {file: " + name + ", alt: x}}]\ntakes:\n  - {name: One, file: one.wav, fuzz: One}\n  - {name: Two, file: two.wav, fuzz: Two}\n"
		for file, b := range map[string][]byte{name: b, "m.yaml": []byte(text), "one.wav": []byte("1"), "two.wav": []byte("2")} {
			if err := os.WriteFile(filepath.Join(dir, file), b, 0o666); err != nil {
				t.Fatal(err)
			}
		}
		out, err := exec.Command("peak", "settings", filepath.Join(dir, "m.yaml"), "-o", filepath.Join(dir, "out")).CombinedOutput()
		if err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
		lines := strings.Fields(string(out))
		kib, err := strconv.Atoi(lines[len(lines)-1])
		if err != nil || kib > mostHostile {
			t.Errorf("%s: %d KiB, %v", name, kib, err)
		}
		t.Logf("%s: %d bytes, %d MiB", name, len(b), kib>>10)
	}
}
