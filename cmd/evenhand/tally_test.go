package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/listening"
	"evenhand/analyze/result"
	"evenhand/report"
	"evenhand/report/console"
	"evenhand/report/folder"
)

// takesReport writes the report of a comparison of n takes whose audio is
// invented, and its manifest.
func takesReport(tb testing.TB, n int) (manifest, dir, id string) {
	tb.Helper()
	tmp := tb.TempDir()
	manifest, dir = filepath.Join(tmp, "comparison.yaml"), filepath.Join(tmp, "report")
	var text strings.Builder
	text.WriteString("title: Many circuits\nvaries: fuzz\nchain:\n  - slot: fuzz\ntakes:\n")
	res := &result.Result{Format: result.Format, Comparison: result.Comparison{Title: "Many circuits"}}
	d, err := folder.Begin(dir, folder.Report)
	if err != nil {
		tb.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(d.Dir, "audio"), 0o777); err != nil {
		tb.Fatal(err)
	}
	for i := range n {
		name, path := fmt.Sprintf("Circuit %d", i+1), fmt.Sprintf("audio/circuit-%d.flac", i+1)
		fmt.Fprintf(&text, "  - name: %s\n    file: circuit-%d.wav\n    fuzz: {device: %[1]s}\n", name, i+1)
		res.Takes = append(res.Takes, result.Take{Name: name, Slug: fmt.Sprintf("circuit-%d", i+1), Published: &result.Published{Path: path, SHA256: fmt.Sprintf("%x", sha256.Sum256([]byte(path)))}})
		for _, f := range []string{filepath.Join(tmp, fmt.Sprintf("circuit-%d.wav", i+1)), filepath.Join(d.Dir, path)} {
			if err := os.WriteFile(f, []byte(path), 0o666); err != nil {
				tb.Fatal(err)
			}
		}
	}
	if err := os.WriteFile(manifest, []byte(text.String()), 0o666); err != nil {
		tb.Fatal(err)
	}
	if err := report.Write(d.Dir, res, report.Options{}); err != nil {
		tb.Fatal(err)
	}
	if err := d.Commit(); err != nil {
		tb.Fatal(err)
	}
	return manifest, dir, res.AudioID()
}

// Sixteen takes with long names, 120 pairs: the tables keep the width.
func TestTallyTableWidth(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	names := make([]listening.Take, listening.MaxTakes)
	for i := range names {
		names[i].Name = fmt.Sprintf("A long name of a circuit with its year %d\x1b[31m", i)
	}
	id := strings.Repeat("ab", 32)
	var text strings.Builder
	for range 2000 {
		for _, a := range readerAnswers(rng, id, len(names)) {
			code, err := listening.Encode(a)
			if err != nil {
				t.Fatal(err)
			}
			fmt.Fprintln(&text, code)
		}
	}
	r, err := listening.Tally(listening.Find(strings.NewReader(text.String())), names, id)
	if err != nil {
		t.Fatal(err)
	}
	for _, width := range []int{80, 120} {
		var out bytes.Buffer
		if err := console.Tally(&out, "Sixteen\ncircuits", r, width); err != nil {
			t.Fatal(err)
		}
		for i, line := range strings.Split(out.String(), "\n") {
			if n := len([]rune(line)); n > width || strings.ContainsRune(line, 0x1b) {
				t.Errorf("width %d: line %d has %d characters: %q", width, i+1, n, line)
			}
		}
		if n := strings.Count(out.String(), " / "); n < 240 {
			t.Errorf("width %d: %d pairs are shown", width, n)
		}
	}
}

// BenchmarkTally runs the whole command: codes in comments, found, fitted and
// added to a report.
func BenchmarkTally(b *testing.B) {
	const codes = 100_000
	manifest, dir, id := takesReport(b, 8)
	rng := rand.New(rand.NewPCG(9, 9))
	var text bytes.Buffer
	for n := 0; n < codes; {
		for _, a := range readerAnswers(rng, id, 8) {
			code, err := listening.Encode(a)
			if err != nil {
				b.Fatal(err)
			}
			if n++; n <= codes {
				fmt.Fprintf(&text, "\"%d\",\"what a riff, I liked the second one: %s\"\n", n, code)
			}
		}
	}
	comments := filepath.Join(b.TempDir(), "comments.csv")
	if err := os.WriteFile(comments, text.Bytes(), 0o666); err != nil {
		b.Fatal(err)
	}
	b.Run(fmt.Sprintf("codes=%d", codes), func(b *testing.B) {
		b.SetBytes(int64(text.Len()))
		for b.Loop() {
			var out, stderr bytes.Buffer
			if status := run(context.Background(), []string{"tally", manifest, comments, "--report", dir}, &out, &stderr); status != exitDone {
				b.Fatal(status, stderr.String())
			}
			if want := fmt.Sprintf("%d answer codes found, %[1]d counted", codes); !strings.Contains(out.String(), want) {
				b.Fatal(out.String())
			}
		}
		b.ReportMetric(float64(codes*b.N)/b.Elapsed().Seconds(), "codes/s")
	})
}
