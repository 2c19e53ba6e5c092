package flacio

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"testing"
)

// FuzzDecode: whatever the bytes, decoding ends with an error or with the
// number of frames that the header says.
func FuzzDecode(f *testing.F) {
	dir := f.TempDir()
	for i, bits := range []int{16, 24} {
		for j, x := range [][][]int32{guitar(2, 200, bits, 1), guitar(1, 5000, bits, 2), {make([]int32, 50)}} {
			path := filepath.Join(dir, fmt.Sprint(i, j))
			encode(f, path, Spec{48000, len(x), bits}, x, 4096)
			b, err := os.ReadFile(path)
			if err != nil {
				f.Fatal(err)
			}
			f.Add(b)
		}
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		path := filepath.Join(t.TempDir(), "f.flac")
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		x, info, err := decode(path, 4096)
		if e := (*Error)(nil); err != nil && !errors.As(err, &e) {
			t.Fatalf("%T: %v", err, err)
		}
		if err == nil && info.Frames != 0 && int64(len(x[0])) != info.Frames {
			t.Fatalf("%d frames without an error, header says %d", len(x[0]), info.Frames)
		}
	})
}

func BenchmarkEncode(b *testing.B) {
	for _, bits := range []int{16, 24} {
		for _, channels := range []int{1, 2} {
			b.Run(fmt.Sprintf("bits=%d/ch=%d", bits, channels), func(b *testing.B) {
				const seconds = 10
				x := guitar(channels, seconds*48000, bits, 1)
				path := filepath.Join(b.TempDir(), "a.flac")
				for b.Loop() {
					encode(b, path, Spec{48000, channels, bits}, x, 4096)
				}
				b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
			})
		}
	}
}

func BenchmarkDecode(b *testing.B) {
	const seconds = 10
	path := filepath.Join(b.TempDir(), "a.flac")
	encode(b, path, Spec{48000, 2, 24}, guitar(2, seconds*48000, 24, 1), 4096)
	buf := [][]float64{make([]float64, 4096), make([]float64, 4096)}
	for b.Loop() {
		d, err := Open(path)
		if err != nil {
			b.Fatal(err)
		}
		for err == nil {
			_, err = d.Read(buf)
		}
		if err != io.EOF {
			b.Fatal(err)
		}
		d.Close()
	}
	b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}

func BenchmarkChoose(b *testing.B) {
	const seconds = 10
	x := guitar(2, seconds*48000, 24, 1)
	e, err := Create(filepath.Join(b.TempDir(), "a.flac"), Spec{48000, 2, 24})
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		for at := 0; at+blockSize <= len(x[0]); at += blockSize {
			for c, sub := range e.frame.Subframes {
				sub.Samples, sub.NSamples = x[c][at:at+blockSize], blockSize
			}
			e.search.choose(&e.frame, 24)
		}
	}
	b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}
