package flacio

import (
	"bytes"
	"crypto/md5"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
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

// FuzzEncode: whatever the samples, the library decodes what was encoded, with
// the MD5 sum of the samples in the header; and the same again in other portions
// gives the same bytes. Each byte of data makes one sample or a run of them.
func FuzzEncode(f *testing.F) {
	all := make([]byte, 256)
	for i := range all {
		all[i] = byte(i)
	}
	f.Add(all, false, false, uint16(4096), uint64(1))
	f.Add(all, true, true, uint16(5000), uint64(2))
	f.Add([]byte{0}, true, false, uint16(9000), uint64(3))           // silence
	f.Add([]byte{1, 2}, true, true, uint16(4097), uint64(4))         // full scale, one channel against the other
	f.Add([]byte{3, 67, 131}, false, true, uint16(31), uint64(5))    // too short to predict
	f.Add([]byte{5, 5, 5, 2, 64}, true, true, uint16(2), uint64(6))  // two frames
	f.Add([]byte{255, 254}, false, false, uint16(12288), uint64(65)) // unused low bits
	f.Fuzz(func(t *testing.T, data []byte, deep, stereo bool, frames uint16, seed uint64) {
		n := int(frames) % (3*blockSize + 2)
		if len(data) == 0 || n == 0 {
			return
		}
		spec := Spec{SampleRate: 1 + int(seed%MaxRate), Channels: 1, Bits: 16}
		if deep {
			spec.Bits = 24
		}
		if stereo {
			spec.Channels = 2
		}
		rng := rand.New(rand.NewPCG(seed, 1))
		x := make([][]int32, spec.Channels)
		for c := range x {
			x[c] = make([]int32, 0, n)
			last := int32(0)
			for i := c; len(x[c]) < n; i++ {
				last = fuzzedSample(data[i%len(data)], last, spec.Bits, rng)
				for range 1 + int(data[i%len(data)]>>6)*i%9 {
					x[c] = append(x[c], last)
				}
			}
			x[c] = x[c][:n]
		}
		path := filepath.Join(t.TempDir(), "f.flac")
		encode(t, path, spec, x, 4096)
		first, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		got, info, err := decode(path, 1000)
		if err != nil {
			t.Fatal(err)
		}
		if want := (Info{spec.SampleRate, spec.Channels, spec.Bits, int64(n)}); info != want {
			t.Fatalf("info %+v, want %+v", info, want)
		}
		same(t, got, x)
		if sum := md5.Sum(interleave(x, spec.Bits)); !bytes.Equal(sum[:], first[26:42]) {
			t.Fatal("MD5 sum differs")
		}
		encode(t, path, spec, x, 1+int(seed%777))
		if again, err := os.ReadFile(path); err != nil || !bytes.Equal(first, again) {
			t.Fatalf("other portions give other bytes (%v)", err)
		}
	})
}

// fuzzedSample makes a sample of what a byte asks for: silence, an end of the
// scale, noise, a step from the last sample, or a number with unused low bits.
func fuzzedSample(b byte, last int32, bits int, rng *rand.Rand) int32 {
	top := int32(1)<<(bits-1) - 1
	switch b % 8 {
	case 0:
		return 0
	case 1:
		return top
	case 2:
		return -top - 1
	case 3, 4:
		return int32(rng.Int64N(1<<bits)) - top - 1
	case 5, 6:
		return min(max(last+int32(b)-128, -top-1), top)
	}
	return int32(int8(b)) << (bits - 8)
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

// BenchmarkBlock: coding alone, without a file and the MD5 sum.
func BenchmarkBlock(b *testing.B) {
	const seconds = 10
	x := guitar(2, seconds*48000, 24, 1)
	var a analysis
	var coded []byte
	part := make([][]int32, 2)
	for b.Loop() {
		for at := 0; at+blockSize <= len(x[0]); at += blockSize {
			part[0], part[1] = x[0][at:at+blockSize], x[1][at:at+blockSize]
			coded = a.block(coded, Spec{48000, 2, 24}, part, int64(at/blockSize))
		}
	}
	b.ReportMetric(seconds*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}
