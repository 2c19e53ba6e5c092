package wavio

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"testing"

	"github.com/go-audio/audio"
	"github.com/go-audio/wav"
)

// FuzzReader: an error of this package or a result, never both; no more
// frames than the bytes allow, and exactly those that Info promises; integers
// within full scale, floats finite; a seek finds what reading on finds.
func FuzzReader(f *testing.F) {
	raw, _ := ramp16(60)
	cues := appendCues(nil, []Cue{{1, 5, "a", 3}, {2, 9, "b", 0}})
	bext := chunk("bext", appendBext(nil, &Bext{Description: "d", Loudness: &BextLoudness{Integrated: -20}}))
	for _, b := range [][]byte{
		wave("RIFF", format(tagInteger, 1, 48000, 8, 1), chunk("data", raw[:61])),
		wave("RIFF", format(tagInteger, 2, 48000, 16, 2), chunk("data", raw), cues),
		wave("RIFF", extensible(tagInteger, 2, 48000, 24, 3, 20, 3), cues, chunk("data", raw)),
		wave("RIFF", format(tagInteger, 1, 48000, 24, 4), chunk("data", raw)),
		wave("RIFF", extensible(tagFloat, 1, 48000, 32, 4, 32, 0), chunk("data", make([]byte, 64))),
		wave("RIFF", format(tagFloat, 1, 48000, 64, 8), chunk("data", make([]byte, 64))),
		wave("RIFF", format(tagInteger, 1, 48000, 16, 2), sized("data", math.MaxUint32, raw)),
		wave("RIFF", bext, format(tagInteger, 1, 48000, 16, 2), sized("data", 0, raw)),
		wave("RF64", chunk("ds64", make([]byte, 28)), format(tagInteger, 1, 48000, 16, 2), sized("data", math.MaxUint32, raw)),
		[]byte("RIFF"), []byte("fLaC"), {},
	} {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		r, err := open(b)
		if err != nil {
			e, ok := errors.AsType[*Error](err)
			if !ok || r != nil || e.Offset > int64(len(b)) {
				t.Fatalf("%T %v, reader %v", err, err, r)
			}
			return
		}
		info := r.Info()
		if info.Frames < 1 || info.Frames*int64(r.layout.frameBytes()) > int64(len(b)) || info.Channels < 1 || info.Channels > MaxChannels {
			t.Fatalf("%+v from %d bytes", info, len(b))
		}
		x, err := readAll(r, 17)
		if err != nil && !errors.Is(err, ErrNotFinite) {
			t.Fatal(err)
		}
		n := int64(len(x[0]))
		if err == nil && n != info.Frames {
			t.Fatalf("%d frames, Info says %d", n, info.Frames)
		}
		for _, ch := range x {
			for _, v := range ch {
				if math.IsNaN(v) || math.IsInf(v, 0) || !info.Float && math.Abs(v) > 1 {
					t.Fatalf("sample %v", v)
				}
			}
		}
		if err := r.Seek(n / 2); err != nil {
			t.Fatal(err)
		}
		rest, _ := readAll(r, 1000)
		for c := range x {
			if got, want := fmt.Sprint(rest[c]), fmt.Sprint(x[c][n/2:]); got != want {
				t.Fatalf("after a seek to %d: %s, want %s", n/2, got, want)
			}
		}
	})
}

// TestBeyondFloats: a 64-bit sample whose square a measurement could not hold is
// refused by its place, like one that is infinite.
func TestBeyondFloats(t *testing.T) {
	for v, ok := range map[float64]bool{1e38: true, -math.MaxFloat32: true, 0x1p128: false, -1e300: false} {
		raw := make([]byte, 80)
		binary.LittleEndian.PutUint64(raw[16:], math.Float64bits(v))
		r, err := open(wave("RIFF", format(tagFloat, 1, 48000, 64, 8), chunk("data", raw)))
		if err != nil {
			t.Fatal(err)
		}
		_, err = readAll(r, 4)
		var e *Error
		if ok != (err == nil) || !ok && (!errors.Is(err, ErrNotFinite) || !errors.As(err, &e) || e.Frame != 2) {
			t.Errorf("%g: %v", v, err)
		}
	}
}

const benchSeconds = 20

func BenchmarkRead(b *testing.B) {
	for _, s := range formats() {
		if s.Channels != 2 {
			continue
		}
		b.Run(fmt.Sprintf("bits=%d/float=%v/ch=2", s.Bits, s.Float), func(b *testing.B) {
			path := filepath.Join(b.TempDir(), "a.wav")
			write(b, path, s, steps(s, benchSeconds*s.SampleRate))
			buf := [][]float64{make([]float64, 4096), make([]float64, 4096)}
			b.SetBytes(int64(benchSeconds * s.SampleRate * s.Bits / 8 * 2))
			for b.Loop() {
				r, err := Open(path)
				if err != nil {
					b.Fatal(err)
				}
				for err == nil {
					_, err = r.Read(buf)
				}
				if err != io.EOF {
					b.Fatal(err)
				}
				r.Close()
			}
			b.ReportMetric(benchSeconds*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
		})
	}
}

// BenchmarkReadPCMBuffer is the way through the library that Read does not
// take; compare with BenchmarkRead/bits=24.
func BenchmarkReadPCMBuffer(b *testing.B) {
	file := wave("RIFF", format(tagInteger, 2, 48000, 24, 3), chunk("data", make([]byte, benchSeconds*48000*6)))
	buf := &audio.IntBuffer{Data: make([]int, 8192)}
	left, right := make([]float64, 4096), make([]float64, 4096)
	for b.Loop() {
		d := wav.NewDecoder(bytes.NewReader(file))
		for {
			n, err := d.PCMBuffer(buf)
			if err != nil {
				b.Fatal(err)
			}
			if n == 0 {
				break
			}
			for i := range n / 2 {
				left[i], right[i] = float64(buf.Data[2*i])*0x1p-23, float64(buf.Data[2*i+1])*0x1p-23
			}
		}
	}
	b.ReportMetric(benchSeconds*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}

func BenchmarkWrite(b *testing.B) {
	for _, s := range formats() {
		if s.Channels != 2 {
			continue
		}
		b.Run(fmt.Sprintf("bits=%d/float=%v/ch=2", s.Bits, s.Float), func(b *testing.B) {
			path := filepath.Join(b.TempDir(), "a.wav")
			x := steps(s, benchSeconds*s.SampleRate)
			for b.Loop() {
				write(b, path, s, x)
			}
			b.ReportMetric(benchSeconds*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
		})
	}
}
