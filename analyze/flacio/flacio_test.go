package flacio

import (
	"bytes"
	"crypto/md5"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"evenhand/examples/oracle"
)

// guitar makes a decaying, driven chord with some noise, different in each channel.
func guitar(channels, n, bits int, seed uint64) [][]int32 {
	rng := rand.New(rand.NewPCG(seed, 1))
	out := make([][]int32, channels)
	full := math.Ldexp(1, bits-1)
	noise := make([]float64, n)
	for i := range noise {
		noise[i] = rng.NormFloat64() * 1e-4
	}
	for c := range out {
		out[c] = make([]int32, n)
		for i := range n {
			t := float64(i) / 48000
			v := 0.0
			for k, f := range []float64{61.7, 92.5, 123.5, 185, 247, 493.9, 987.8} {
				v += math.Sin(2*math.Pi*f*t+float64(c*k)*0.1) / float64(k+1)
			}
			v = 0.8*math.Tanh(4*v*math.Exp(-math.Mod(t, 2))) + noise[i] + 1e-4*rng.NormFloat64()
			out[c][i] = int32(math.Round(v * (full - 1)))
		}
	}
	return out
}

// each calls f for all the signals that a codec could stumble over.
func each(t *testing.T, f func(t *testing.T, spec Spec, x [][]int32)) {
	rng := rand.New(rand.NewPCG(7, 7))
	for _, bits := range []int{16, 24} {
		top, bottom := int32(1)<<(bits-1)-1, int32(-1)<<(bits-1)
		fill := func(channels, n int, f func(c, i int) int32) [][]int32 {
			x := make([][]int32, channels)
			for c := range x {
				x[c] = make([]int32, n)
				for i := range x[c] {
					x[c][i] = f(c, i)
				}
			}
			return x
		}
		noise := func(c, i int) int32 { return int32(rng.Int64N(1<<bits)) + bottom }
		square := func(c, i int) int32 {
			if (i/50+c)%2 == 0 {
				return top
			}
			return bottom
		}
		cases := map[string][][]int32{
			"guitar":         guitar(2, 30011, bits, 1),
			"guitar mono":    guitar(1, 9000, bits, 2),
			"silence":        fill(2, 5000, func(c, i int) int32 { return 0 }),
			"constant":       fill(2, 4096, func(c, i int) int32 { return bottom + int32(c) }),
			"square":         fill(1, 12288, square),
			"counter square": fill(2, 4500, square), // the side channel needs every bit it has
			"same square":    fill(2, 4500, func(c, i int) int32 { return square(0, i) }),
			"noise":          fill(2, 9001, noise),
			"alternating":    fill(2, 4097, func(c, i int) int32 { return []int32{top, bottom}[(i+c)%2] }),
			"impulse":        fill(1, 8192, func(c, i int) int32 { return []int32{0, top}[btoi(i == 5000)] }),
			"one frame":      fill(2, 1, noise),
			"two frames":     fill(1, 2, noise),
			"15 frames":      fill(1, 15, noise),
			"31 frames":      fill(1, 31, noise),
			"33 frames":      fill(2, 33, noise),
			"block less one": fill(2, 4095, noise),
			"block and one":  fill(1, 4097, noise),
			"low bits zero":  fill(2, 5000, func(c, i int) int32 { return int32(i*i%199-99) << 6 }),
			"ramp":           fill(1, 6000, func(c, i int) int32 { return int32(i) }),
			"three":          fill(3, 5000, noise),
			"eight":          guitar(8, 4200, bits, 3),
			"one silent":     fill(2, 5000, func(c, i int) int32 { return int32(c) * int32(i%97) }),
		}
		for name, x := range cases {
			t.Run(fmt.Sprintf("%s/%d", name, bits), func(t *testing.T) {
				f(t, Spec{SampleRate: 48000, Channels: len(x), Bits: bits}, x)
			})
		}
	}
}

func btoi(b bool) int {
	if b {
		return 1
	}
	return 0
}

func encode(t testing.TB, path string, spec Spec, x [][]int32, step int) {
	t.Helper()
	e, err := Create(path, spec)
	if err != nil {
		t.Fatal(err)
	}
	part := make([][]int32, len(x))
	for at := 0; at < len(x[0]); at += step {
		for c := range x {
			part[c] = x[c][at:min(at+step, len(x[c]))]
		}
		if err := e.Write(part); err != nil {
			t.Fatal(err)
		}
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
}

// decode returns the samples as integers again.
func decode(path string, step int) (x [][]int32, info Info, err error) {
	d, err := Open(path)
	if err != nil {
		return nil, info, err
	}
	defer d.Close()
	info = d.Info()
	x = make([][]int32, info.Channels)
	buf := make([][]float64, info.Channels)
	for c := range buf {
		buf[c] = make([]float64, step)
	}
	for {
		n, err := d.Read(buf)
		for c := range x {
			for _, v := range buf[c][:n] {
				x[c] = append(x[c], int32(math.Ldexp(v, info.Bits-1)))
			}
		}
		if err == io.EOF {
			return x, info, nil
		}
		if err != nil {
			return x, info, err
		}
	}
}

func same(t *testing.T, got, want [][]int32) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d channels, want %d", len(got), len(want))
	}
	for c := range want {
		if len(got[c]) != len(want[c]) {
			t.Fatalf("channel %d has %d frames, want %d", c, len(got[c]), len(want[c]))
		}
		for i := range want[c] {
			if got[c][i] != want[c][i] {
				t.Fatalf("channel %d frame %d is %d, want %d", c, i, got[c][i], want[c][i])
			}
		}
	}
}

func TestRoundTrip(t *testing.T) {
	each(t, func(t *testing.T, spec Spec, x [][]int32) {
		path := filepath.Join(t.TempDir(), "a.flac")
		encode(t, path, spec, x, 1000)
		got, info, err := decode(path, 777)
		if err != nil {
			t.Fatal(err)
		}
		if want := (Info{spec.SampleRate, spec.Channels, spec.Bits, int64(len(x[0]))}); info != want {
			t.Fatalf("info %+v, want %+v", info, want)
		}
		same(t, got, x)
	})
}

// interleave packs samples as FLAC's MD5 sum and raw audio have them.
func interleave(x [][]int32, bits int) []byte {
	var b []byte
	for i := range x[0] {
		for c := range x {
			v := x[c][i]
			b = append(b, byte(v), byte(v>>8))
			if bits == 24 {
				b = append(b, byte(v>>16))
			}
		}
	}
	return b
}

// TestReference lets the flac program test each file and decode it.
func TestReference(t *testing.T) {
	tool := oracle.Path(t, "flac")
	each(t, func(t *testing.T, spec Spec, x [][]int32) {
		path := filepath.Join(t.TempDir(), "a.flac")
		encode(t, path, spec, x, 4096)
		if out, err := exec.Command(tool, "-t", "--warnings-as-errors", path).CombinedOutput(); err != nil {
			t.Fatalf("flac -t: %v\n%s", err, out)
		}
		out, err := exec.Command(tool, "-d", "-c", "-s", "--force-raw-format", "--endian=little", "--sign=signed", path).Output()
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(out, interleave(x, spec.Bits)) {
			t.Fatal("flac decodes other samples")
		}
	})
}

// TestFFmpeg lets ffmpeg's independent decoder do the same.
func TestFFmpeg(t *testing.T) {
	tool := oracle.Path(t, "ffmpeg")
	for _, bits := range []int{16, 24} {
		for _, channels := range []int{1, 2} {
			x := guitar(channels, 20000, bits, 5)
			path := filepath.Join(t.TempDir(), "a.flac")
			encode(t, path, Spec{44100, channels, bits}, x, 5000)
			format := fmt.Sprintf("s%dle", bits)
			out, err := exec.Command(tool, "-v", "error", "-i", path, "-f", format, "-c:a", "pcm_"+format, "-").Output()
			if err != nil {
				t.Fatal(err)
			}
			if !bytes.Equal(out, interleave(x, bits)) {
				t.Fatalf("%d bits, %d channels: ffmpeg decodes other samples", bits, channels)
			}
		}
	}
}

// TestForeign decodes what the flac program writes, at several efforts.
func TestForeign(t *testing.T) {
	tool := oracle.Path(t, "flac")
	for _, bits := range []int{16, 24} {
		for _, effort := range []string{"-0", "-5", "-8"} {
			x := guitar(2, 20000, bits, 6)
			dir := t.TempDir()
			raw, path := filepath.Join(dir, "a.raw"), filepath.Join(dir, "a.flac")
			if err := os.WriteFile(raw, interleave(x, bits), 0o644); err != nil {
				t.Fatal(err)
			}
			if out, err := exec.Command(tool, "-s", effort, "--force-raw-format", "--endian=little", "--sign=signed", "--channels=2",
				fmt.Sprintf("--bps=%d", bits), "--sample-rate=48000", "-o", path, raw).CombinedOutput(); err != nil {
				t.Fatalf("%v\n%s", err, out)
			}
			got, _, err := decode(path, 4096)
			if err != nil {
				t.Fatal(err)
			}
			same(t, got, x)
		}
	}
}

// TestRates: rates that a block header cannot hold are written all the same.
func TestRates(t *testing.T) {
	tool := oracle.Path(t, "flac")
	x := guitar(1, 5000, 16, 1)
	for _, rate := range []int{8000, 11025, 24000, 44100, 48000, 88200, 96000, 176400, 192000, 352800, 384000, 65537, 100001} {
		path := filepath.Join(t.TempDir(), "a.flac")
		encode(t, path, Spec{rate, 1, 16}, x, 5000)
		if out, err := exec.Command(tool, "-t", "-s", path).CombinedOutput(); err != nil {
			t.Errorf("%d Hz: flac -t: %v\n%s", rate, err, out)
		}
		got, info, err := decode(path, 5000)
		if err != nil || info.SampleRate != rate {
			t.Fatalf("%d Hz: %v, %+v", rate, err, info)
		}
		same(t, got, x)
	}
}

// TestManyBlocks: block numbers of more than one byte.
func TestManyBlocks(t *testing.T) {
	tool := oracle.Path(t, "flac")
	path := filepath.Join(t.TempDir(), "a.flac")
	x := [][]int32{make([]int32, 2100*blockSize)}
	encode(t, path, Spec{48000, 1, 16}, x, 1<<20)
	if out, err := exec.Command(tool, "-t", "-s", path).CombinedOutput(); err != nil {
		t.Fatalf("flac -t: %v\n%s", err, out)
	}
}

// TestHeader reads the stream header byte by byte. Source: RFC 9639, section
// 8.2 (from memory): the last block does not count for the block sizes.
func TestHeader(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.flac")
	x := guitar(2, 5001, 24, 1)
	encode(t, path, Spec{48000, 2, 24}, x, 5001)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if string(b[:4]) != "fLaC" || b[4] != 0x80 || binary.BigEndian.Uint32(b[4:])&0xFFFFFF != 34 {
		t.Fatalf("header % X", b[:8])
	}
	if least, most := binary.BigEndian.Uint16(b[8:]), binary.BigEndian.Uint16(b[10:]); least != blockSize || most != blockSize {
		t.Errorf("block sizes %d to %d, want %d", least, most, blockSize)
	}
	least, most := int(b[12])<<16|int(b[13])<<8|int(b[14]), int(b[15])<<16|int(b[16])<<8|int(b[17])
	if least+most != len(b)-42 { // two blocks
		t.Errorf("coded block sizes %d and %d do not add up to %d", least, most, len(b)-42)
	}
	rest := binary.BigEndian.Uint64(b[18:])
	if want := uint64(48000)<<44 | 1<<41 | 23<<36 | 5001; rest != want {
		t.Errorf("rate, channels, bits, frames: %X, want %X", rest, want)
	}
	if sum := md5.Sum(interleave(x, 24)); !bytes.Equal(sum[:], b[26:42]) {
		t.Error("MD5 sum differs")
	}
}

// TestSameBytes: neither the run nor the way blocks are cut matters.
func TestSameBytes(t *testing.T) {
	x := guitar(2, 30000, 24, 9)
	var first []byte
	for _, step := range []int{30000, 4096, 1, 30000} {
		path := filepath.Join(t.TempDir(), "a.flac")
		encode(t, path, Spec{48000, 2, 24}, x, step)
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = b
		} else if !bytes.Equal(b, first) {
			t.Errorf("blocks of %d frames give other bytes", step)
		}
	}
}

// TestBytesOfOld: the files are those that the encoder of the mewkiz/flac library
// v1.0.14 wrote with the same choices, so that published hashes and cached files
// stay good. Source: SHA-256 of what it wrote.
func TestBytesOfOld(t *testing.T) {
	all, state := sha256.New(), uint32(1)
	draw := func() int32 { state = state*1664525 + 1013904223; return int32(state) }
	for _, bits := range []int{16, 24} {
		for _, rate := range []int{1, 22050, 24000, 44100, 48000, 65536, 65537, 176400, 192000, 255000, 655350} {
			for channels := 1; channels <= 3; channels++ {
				x := make([][]int32, channels)
				var common int32 // a slow walk, different only a little in each channel
				n := 4097 + rate%300
				for i := range n {
					common += draw() >> (40 - bits)
					common -= common >> 5
					for c := range x {
						x[c] = append(x[c], max(-1<<(bits-1), min(common+draw()>>(47-bits)*int32(c), 1<<(bits-1)-1))&^int32(i/3000*15))
					}
				}
				path := filepath.Join(t.TempDir(), "a.flac")
				encode(t, path, Spec{rate, channels, bits}, x, 4096)
				b, err := os.ReadFile(path)
				if err != nil {
					t.Fatal(err)
				}
				all.Write(b)
				got, info, err := decode(path, 4096)
				if err != nil || info.SampleRate != rate {
					t.Fatalf("%d Hz: %+v, %v", rate, info, err)
				}
				same(t, got, x)
			}
		}
	}
	const want = "33903fc290deabdcd14b37386b7aaeb313b774d78c4cef8c34e0c33aeb1a42f0"
	if got := fmt.Sprintf("%x", all.Sum(nil)); got != want && runtime.GOARCH == "amd64" {
		t.Errorf("all files: SHA-256 %s, want %s", got, want)
	}
}

// TestSize: within 5 % of the reference encoder at its default effort.
func TestSize(t *testing.T) {
	tool := oracle.Path(t, "flac")
	for _, bits := range []int{16, 24} {
		x := guitar(2, 10*48000, bits, 4)
		dir := t.TempDir()
		path, ref := filepath.Join(dir, "a.flac"), filepath.Join(dir, "b.flac")
		encode(t, path, Spec{48000, 2, bits}, x, 4096)
		if out, err := exec.Command(tool, "-s", "-5", "--no-padding", "-o", ref, path).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		a, _ := os.Stat(path)
		b, _ := os.Stat(ref)
		ratio := float64(a.Size()) / float64(b.Size())
		t.Logf("%d bits: %d bytes, flac -5 %d, ratio %.4f, of raw %.3f", bits, a.Size(), b.Size(), ratio, float64(a.Size())/float64(10*48000*2*bits/8))
		if ratio > 1.05 {
			t.Errorf("%d bits: %.1f %% larger than flac -5", bits, (ratio-1)*100)
		}
	}
}

func TestDamage(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.flac")
	x := guitar(2, 9000, 16, 1)
	encode(t, path, Spec{48000, 2, 16}, x, 9000)
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	change := func(i int, v byte) []byte { b := bytes.Clone(good); b[i] ^= v; return b }
	for name, b := range map[string][]byte{
		"MD5":              change(30, 1),
		"number of frames": change(25, 1),
		"audio":            change(len(good)/2, 1),
		"cut":              good[:len(good)-100],
		"last block gone":  good[:42],
		"magic":            change(0, 1),
		"8-bit":            change(20, 0x00), // replaced below
		"empty":            {},
	} {
		if name == "8-bit" { // bits-1 = 7 across bytes 20 and 21
			b = bytes.Clone(good)
			v := binary.BigEndian.Uint64(b[18:])&^(31<<36) | 7<<36
			binary.BigEndian.PutUint64(b[18:], v)
		}
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		_, _, err := decode(path, 4096)
		var e *Error
		want := ErrCorrupt
		if name == "8-bit" {
			want = ErrUnsupported
		}
		if !errors.As(err, &e) || !errors.Is(err, want) || e.Path != path {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestMoreThanStated: decoding ends where there are more frames than the header
// says, and not at the end of what may be a very long file.
func TestMoreThanStated(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.flac")
	encode(t, path, Spec{48000, 1, 16}, [][]int32{make([]int32, 50*blockSize)}, blockSize)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	v := binary.BigEndian.Uint64(b[18:])&^(1<<36-1) | blockSize
	binary.BigEndian.PutUint64(b[18:], v)
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	d, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	dst := [][]float64{make([]float64, 60*blockSize)}
	n, err := d.Read(dst)
	if err == nil {
		_, err = d.Read(dst)
	}
	if n != blockSize || !errors.Is(err, ErrCorrupt) || !strings.Contains(err.Error(), "more frames than the 4096") {
		t.Errorf("%d frames, %v", n, err)
	}
}

func TestRefusals(t *testing.T) {
	dir := t.TempDir()
	for _, s := range []Spec{{48000, 0, 16}, {48000, 9, 16}, {48000, 1, 8}, {48000, 1, 32}, {0, 1, 16}, {700000, 1, 16}} {
		path := filepath.Join(dir, "no.flac")
		if _, err := Create(path, s); !errors.Is(err, ErrUnsupported) {
			t.Errorf("%+v: %v", s, err)
		}
		if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%+v left a file", s)
		}
	}
	e, err := Create(filepath.Join(dir, "a.flac"), Spec{48000, 2, 16})
	if err != nil {
		t.Fatal(err)
	}
	for _, block := range [][][]int32{{{1}}, {{1}, {1, 2}}, {{1}, {32768}}, {{-32769}, {0}}} {
		if err := e.Write(block); !errors.Is(err, ErrUse) {
			t.Errorf("%v: %v", block, err)
		}
	}
	if err := e.Close(); !errors.Is(err, ErrUse) {
		t.Errorf("file without audio: %v", err)
	}
	if err := e.Write([][]int32{{1}, {1}}); !errors.Is(err, ErrUse) {
		t.Errorf("write after close: %v", err)
	}
	if _, err := Open(dir); !errors.Is(err, ErrCorrupt) {
		t.Errorf("folder: %v", err)
	}
	if _, err := Open(filepath.Join(dir, "none")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("missing: %v", err)
	}
}
