package wavio

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/unit"
)

// wave puts chunks into a container.
func wave(container string, chunks ...[]byte) []byte {
	b := append([]byte(container+"\x00\x00\x00\x00WAVE"), bytes.Join(chunks, nil)...)
	binary.LittleEndian.PutUint32(b[4:], uint32(len(b)-8))
	return b
}

func chunk(id string, body []byte) []byte { return appendChunk(nil, id, body) }

// sized is a chunk that declares another size than it has, without padding.
func sized(id string, size uint32, body []byte) []byte {
	return append(binary.LittleEndian.AppendUint32([]byte(id), size), body...)
}

// format is a fmt chunk of 16 bytes; slot is the bytes of one sample.
func format(tag uint16, channels, rate, bits, slot int) []byte {
	le := binary.LittleEndian
	b := le.AppendUint16(nil, tag)
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(rate*channels*slot))
	b = le.AppendUint16(b, uint16(channels*slot))
	b = le.AppendUint16(b, uint16(bits))
	return chunk("fmt ", b)
}

// extensible is a fmt chunk of 40 bytes.
func extensible(tag uint16, channels, rate, bits, slot, valid int, mask uint32) []byte {
	le := binary.LittleEndian
	b := slices.Clone(format(tagExtensible, channels, rate, bits, slot)[8:])
	b = le.AppendUint16(b, 22)
	b = le.AppendUint16(b, uint16(valid))
	b = le.AppendUint32(b, mask)
	b = le.AppendUint16(b, tag)
	return chunk("fmt ", append(b, subformatTail...))
}

func open(b []byte) (*Reader, error) { return NewReader(bytes.NewReader(b), int64(len(b)), "test.wav") }

// readAll returns all samples, read in blocks of step frames.
func readAll(r *Reader, step int) ([][]float64, error) {
	out, buf := make([][]float64, r.Info().Channels), make([][]float64, r.Info().Channels)
	for c := range buf {
		buf[c] = make([]float64, step)
	}
	for {
		n, err := r.Read(buf)
		for c := range out {
			out[c] = append(out[c], buf[c][:n]...)
		}
		if err == io.EOF {
			return out, nil
		}
		if err != nil {
			return out, err
		}
	}
}

// mustRead opens and reads b and returns its samples and its Info.
func mustRead(t *testing.T, b []byte) ([][]float64, Info) {
	t.Helper()
	r, err := open(b)
	if err != nil {
		t.Fatal(err)
	}
	x, err := readAll(r, 100)
	if err != nil {
		t.Fatal(err)
	}
	if int64(len(x[0])) != r.Info().Frames {
		t.Fatalf("read %d frames, Info says %d", len(x[0]), r.Info().Frames)
	}
	return x, r.Info()
}

func equal(t *testing.T, got, want [][]float64) {
	t.Helper()
	if len(got) != len(want) {
		t.Fatalf("%d channels, want %d", len(got), len(want))
	}
	for c := range want {
		if len(got[c]) != len(want[c]) {
			t.Fatalf("channel %d has %d frames, want %d", c, len(got[c]), len(want[c]))
		}
		for i, v := range want[c] {
			if got[c][i] != v {
				t.Fatalf("channel %d frame %d is %v, want %v", c, i, got[c][i], v)
			}
		}
	}
}

// TestVectors: complete small files, built from the published layouts and
// read with ffprobe as well. Full scale is 2^(bits-1).
func TestVectors(t *testing.T) {
	for _, v := range []struct {
		name, hex, encoding string
		want                [][]float64
	}{
		{"16-bit mono", "524946462c00000057415645666d7420100000000100010080bb000000770100020010006461746108000000000000400080ff7f",
			"16-bit integer", [][]float64{{0, 0.5, -1, 0.999969482421875}}},
		{"24-bit extensible stereo", "524946464800000057415645666d742028000000feff02000077010000ca08000600180016001800030000000100000000001000800000aa00389b71646174610c000000000000000040000080ffff7f",
			"24-bit integer", [][]float64{{0, -1}, {0.5, 8388607.0 / 8388608}}},
		{"32-bit float mono", "524946464200000057415645666d7420120000000300010044ac000010b102000400200000006661637404000000040000006461746110000000000000000000003f000080bf0000a03f",
			"32-bit float", [][]float64{{0, 0.5, -1, 1.25}}},
	} {
		b, err := hex.DecodeString(v.hex)
		if err != nil {
			t.Fatal(err)
		}
		x, info := mustRead(t, b)
		equal(t, x, v.want)
		if info.Encoding != v.encoding || len(info.Warnings) != 0 {
			t.Errorf("%s: %+v", v.name, info)
		}
	}
}

// formats are all that can be written.
func formats() []Spec {
	var list []Spec
	for _, ch := range []int{1, 2, 3, 32} {
		for _, bits := range []int{8, 16, 24, 32} {
			list = append(list, Spec{SampleRate: 48000, Channels: ch, Bits: bits})
		}
		for _, bits := range []int{32, 64} {
			list = append(list, Spec{SampleRate: 44100, Channels: ch, Bits: bits, Float: true})
		}
	}
	return list
}

// steps makes samples that the format holds exactly, among them its extremes.
func steps(s Spec, n int) [][]float64 {
	rng := rand.New(rand.NewPCG(uint64(s.Bits), uint64(s.Channels)))
	x := make([][]float64, s.Channels)
	full := math.Ldexp(1, s.Bits-1)
	for c := range x {
		for i := range n {
			var v float64
			switch {
			case s.Float && s.Bits == 32:
				v = float64(float32(rng.NormFloat64() * 2))
			case s.Float:
				v = rng.NormFloat64() * 2
			case i == 0:
				v = -1
			case i == 1:
				v = (full - 1) / full
			default:
				v = float64(rng.Int64N(int64(2*full))-int64(full)) / full
			}
			x[c] = append(x[c], v)
		}
	}
	return x
}

func write(t testing.TB, path string, s Spec, x [][]float64) {
	t.Helper()
	w, err := Create(path, s)
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(x); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if w.Clipped() != 0 {
		t.Fatalf("%d samples clipped", w.Clipped())
	}
}

func name(s Spec) string { return fmt.Sprintf("%s/%d", encodingName(s.Bits, s.Float), s.Channels) }

func TestRoundTrip(t *testing.T) {
	for _, s := range formats() {
		t.Run(name(s), func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "a.wav")
			x := steps(s, 1001) // odd, so that 8- and 24-bit mono need a padding byte
			write(t, path, s, x)
			r, err := Open(path)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			info := r.Info()
			if info.SampleRate != s.SampleRate || info.Channels != s.Channels || info.Bits != s.Bits || info.Float != s.Float ||
				info.Frames != 1001 || info.Container != "RIFF" || info.Path != path || len(info.Warnings) != 0 {
				t.Errorf("%+v", info)
			}
			if want := unit.Seconds(1001 / float64(s.SampleRate)); info.Duration() != want {
				t.Errorf("duration %v, want %v", float64(info.Duration()), float64(want))
			}
			r.window = 5000 // several windows of the library's decoder
			got, err := readAll(r, 99)
			if err != nil {
				t.Fatal(err)
			}
			equal(t, got, x)
			if st, _ := os.Stat(path); st.Size()%2 != 0 {
				t.Error("the file is not padded to an even length")
			}
		})
	}
}

func TestSeek(t *testing.T) {
	for _, s := range []Spec{{SampleRate: 48000, Channels: 2, Bits: 24}, {SampleRate: 48000, Channels: 2, Bits: 32, Float: true}} {
		path := filepath.Join(t.TempDir(), "a.wav")
		x := steps(s, 30000)
		write(t, path, s, x)
		r, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		buf := [][]float64{make([]float64, 300), make([]float64, 300)}
		for _, at := range []int{0, 29999, 1, 12345, 12645, 12645, 29700, 29701, 0} {
			if err := r.Seek(int64(at)); err != nil {
				t.Fatal(err)
			}
			n, err := r.Read(buf)
			if want := min(300, 30000-at); err != nil || n != want {
				t.Fatalf("at %d: %d frames, %v; want %d", at, n, err, want)
			}
			equal(t, [][]float64{buf[0][:n], buf[1][:n]}, [][]float64{x[0][at : at+n], x[1][at : at+n]})
		}
		if err := r.Seek(30000); err != nil {
			t.Error(err)
		}
		if n, err := r.Read(buf); n != 0 || err != io.EOF {
			t.Errorf("at the end: %d, %v", n, err)
		}
		for _, at := range []int64{-1, 30001} {
			if err := r.Seek(at); !errors.Is(err, ErrUse) {
				t.Errorf("seek to %d: %v", at, err)
			}
		}
		if _, err := r.Read(buf[:1]); !errors.Is(err, ErrUse) {
			t.Errorf("one channel: %v", err)
		}
		if _, err := r.Read([][]float64{buf[0], buf[1][:5]}); !errors.Is(err, ErrUse) {
			t.Errorf("unequal channels: %v", err)
		}
	}
}

// TestWriteRounds: nearest step, halves to even, saturation counted.
func TestWriteRounds(t *testing.T) {
	path := filepath.Join(t.TempDir(), "a.wav")
	w, err := Create(path, Spec{SampleRate: 48000, Channels: 1, Bits: 16})
	if err != nil {
		t.Fatal(err)
	}
	const lsb = 1.0 / 32768
	in := []float64{0.4 * lsb, 0.5 * lsb, 1.5 * lsb, -1.6 * lsb, 1 - lsb, 1, 7, -1, -1.00001, -3}
	want := []float64{0, 0, 2 * lsb, -2 * lsb, 1 - lsb, 1 - lsb, 1 - lsb, -1, -1, -1}
	if err := w.Write([][]float64{in}); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	if w.Clipped() != 3 { // 1, 7 and -3; -1.00001 rounds to -1
		t.Errorf("%d clipped, want 3", w.Clipped())
	}
	r, err := Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	got, err := readAll(r, 100)
	if err != nil {
		t.Fatal(err)
	}
	equal(t, got, [][]float64{want})
}

func TestNotFinite(t *testing.T) {
	le := binary.LittleEndian
	for _, bits := range []int{32, 64} {
		for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
			var data []byte
			for i := range 50 {
				v := []float64{0.5, -0.5}
				if i == 20 {
					v[1] = bad
				}
				for _, f := range v {
					if bits == 32 {
						data = le.AppendUint32(data, math.Float32bits(float32(f)))
					} else {
						data = le.AppendUint64(data, math.Float64bits(f))
					}
				}
			}
			b := wave("RIFF", format(tagFloat, 2, 48000, bits, bits/8), chunk("data", data))
			r, err := open(b)
			if err != nil {
				t.Fatal(err)
			}
			buf := [][]float64{make([]float64, 50), make([]float64, 50)}
			for _, want := range []int{20, 0} { // and again: it does not read past it
				n, err := r.Read(buf)
				var e *Error
				if n != want || !errors.Is(err, ErrNotFinite) || !errors.As(err, &e) || e.Frame != 20 || e.Channel != 1 ||
					e.Offset != int64(44+20*2*bits/8+bits/8) || e.Path != "test.wav" {
					t.Fatalf("%d bits, %v: %d frames, %+v", bits, bad, n, err)
				}
			}
			if err := r.Seek(21); err != nil {
				t.Fatal(err)
			}
			if n, err := r.Read(buf); n != 29 || err != nil {
				t.Errorf("after the bad frame: %d, %v", n, err)
			}
		}
	}
	for _, s := range []Spec{{SampleRate: 48000, Channels: 2, Bits: 16}, {SampleRate: 48000, Channels: 2, Bits: 32, Float: true}} {
		w, err := Create(filepath.Join(t.TempDir(), "a.wav"), s)
		if err != nil {
			t.Fatal(err)
		}
		err = w.Write([][]float64{{0, 0}, {0, math.NaN()}})
		if e, ok := errors.AsType[*Error](err); !ok || !errors.Is(err, ErrNotFinite) || e.Frame != 1 || e.Channel != 1 {
			t.Errorf("writing NaN: %v", err)
		}
		if err := w.Close(); !errors.Is(err, ErrNotFinite) {
			t.Errorf("closing after a failure: %v", err)
		}
	}
}

func TestSpecs(t *testing.T) {
	dir := t.TempDir()
	for _, s := range []Spec{{48000, 0, 16, false, nil, nil}, {48000, 33, 16, false, nil, nil}, {7999, 1, 16, false, nil, nil},
		{400000, 1, 16, false, nil, nil}, {48000, 1, 12, false, nil, nil}, {48000, 1, 16, true, nil, nil},
		{48000, 1, 16, false, nil, []Cue{{ID: 1}, {ID: 1}}}, {48000, 1, 16, false, nil, []Cue{{Frame: -1}}}} {
		path := filepath.Join(dir, "no.wav")
		if _, err := Create(path, s); !errors.Is(err, ErrUnsupported) {
			t.Errorf("%+v: %v", s, err)
		}
		if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%+v left a file", s)
		}
	}
}

func TestNoRegularFile(t *testing.T) {
	dir := t.TempDir()
	if _, err := Open(dir); !errors.Is(err, ErrNotWAV) || !strings.Contains(err.Error(), "found a folder") {
		t.Errorf("folder: %v", err)
	}
	missing := filepath.Join(dir, "none.wav")
	if _, err := Inspect(missing); !errors.Is(err, fs.ErrNotExist) || strings.Count(err.Error(), missing) != 1 {
		t.Errorf("missing: %v", err)
	}
	t.Run("unreadable", func(t *testing.T) {
		if os.Geteuid() == 0 {
			t.Skip("the superuser may read every file, so a refused one cannot be made")
		}
		secret := filepath.Join(dir, "secret.wav")
		if err := os.WriteFile(secret, []byte("x"), 0); err != nil {
			t.Fatal(err)
		}
		if _, err := Open(secret); !errors.Is(err, fs.ErrPermission) {
			t.Errorf("%v", err)
		}
	})
}
