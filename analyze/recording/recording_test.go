package recording

import (
	"bytes"
	"context"
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
	"strings"
	"testing"

	"evenhand/analyze/flacio"
	"evenhand/analyze/mistake"
	"evenhand/analyze/wavio"
	"evenhand/examples/oracle"
)

// writeFLAC writes channels of noise under a slow tone.
func writeFLAC(t testing.TB, path string, spec flacio.Spec, frames int) {
	t.Helper()
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([][]int32, spec.Channels)
	for c := range x {
		x[c] = make([]int32, frames)
		for i := range x[c] {
			x[c][i] = int32(math.Ldexp(0.5*math.Sin(float64(i)/30)+0.01*rng.NormFloat64(), spec.Bits-1))
		}
	}
	writeInts(t, path, spec, x)
}

func writeInts(t testing.TB, path string, spec flacio.Spec, x [][]int32) {
	t.Helper()
	e, err := flacio.Create(path, spec)
	if err == nil {
		err = errors.Join(e.Write(x), e.Close())
	}
	if err != nil {
		t.Fatal(err)
	}
}

// unpackTo returns a function that names one file in a folder of its own.
func unpackTo(t testing.TB) func() (string, error) {
	path := filepath.Join(t.TempDir(), "unpacked.wav")
	return func() (string, error) { return path, nil }
}

func samples(t testing.TB, path string) (x [][]float64, info wavio.Info) {
	t.Helper()
	r, err := wavio.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	info = r.Info()
	x = make([][]float64, info.Channels)
	for c := range x {
		x[c] = make([]float64, info.Frames)
	}
	if n, err := r.Read(x); err != nil || int64(n) != info.Frames {
		t.Fatal(n, err)
	}
	return x, info
}

// TestTwins: the flac program makes a FLAC file of a WAVE file; both hold the same
// samples and are described alike but for what only WAVE states.
func TestTwins(t *testing.T) {
	tool := oracle.Path(t, "flac")
	for _, spec := range []wavio.Spec{
		{SampleRate: 48000, Channels: 1, Bits: 16}, {SampleRate: 44100, Channels: 2, Bits: 24}, {SampleRate: 8000, Channels: 1, Bits: 24},
		{SampleRate: 192000, Channels: 2, Bits: 16}, {SampleRate: 384000, Channels: 1, Bits: 24}, {SampleRate: 96000, Channels: 6, Bits: 24},
		{SampleRate: 24000, Channels: 8, Bits: 16},
	} {
		dir := t.TempDir()
		wav, flac := filepath.Join(dir, "a.wav"), filepath.Join(dir, "a.flac")
		rng := rand.New(rand.NewPCG(3, uint64(spec.SampleRate)))
		x := make([][]float64, spec.Channels)
		for c := range x {
			for range 20011 {
				x[c] = append(x[c], rng.Float64()*2-1)
			}
		}
		spec.Bext = &wavio.Bext{Description: "of the WAVE file alone"}
		w, err := wavio.Create(wav, spec)
		if err == nil {
			err = errors.Join(w.Write(x), w.Close())
		}
		if err != nil {
			t.Fatal(err)
		}
		if out, err := exec.Command(tool, "-s", "--lax", "--channel-map=none", "-o", flac, wav).CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, out)
		}
		info, read, err := Open(context.Background(), flac, unpackTo(t))
		if err != nil {
			t.Fatal(err)
		}
		want, twin := samples(t, wav)
		got, unpacked := samples(t, read)
		for c := range want {
			for i := range want[c] {
				if got[c][i] != want[c][i] {
					t.Fatalf("%+v: channel %d, frame %d: %v, want %v", spec, c, i, got[c][i], want[c][i])
				}
			}
		}
		if unpacked.Bits != twin.Bits || twin.Bext == nil {
			t.Errorf("%+v", unpacked)
		}
		twin.Path, twin.Container, twin.ChannelMask, twin.Bext = flac, Container, 0, nil
		if fmt.Sprintf("%+v", info) != fmt.Sprintf("%+v", twin) {
			t.Errorf("described as\n%+v, want\n%+v", info, twin)
		}
		if header, err := Inspect(flac); err != nil || fmt.Sprintf("%+v", header) != fmt.Sprintf("%+v", info) {
			t.Errorf("header: %+v, %v", header, err)
		}
	}
}

// setFrames makes a header state another number of frames, 0 for none. Source: RFC
// 9639, section 8.2 (from memory).
func setFrames(b []byte, frames uint64) []byte {
	b = bytes.Clone(b)
	binary.BigEndian.PutUint64(b[18:], binary.BigEndian.Uint64(b[18:])&^(1<<36-1)|frames)
	return b
}

// TestDamage: each kind of damage is one plain sentence, whose fault is the file's.
func TestDamage(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "take.flac")
	writeFLAC(t, path, flacio.Spec{SampleRate: 48000, Channels: 2, Bits: 24}, 30000)
	good, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	flip := func(i int, v byte) []byte { b := bytes.Clone(good); b[i] ^= v; return b }
	for name, x := range map[string]struct {
		bytes []byte
		kind  error
		want  string
	}{
		"truncated":          {good[:len(good)/2], flacio.ErrCorrupt, "the file ends within the block that begins at frame 12288 (0:00.3); copy or export it again"},
		"truncated header":   {good[:30], flacio.ErrCorrupt, "its header cannot be read as that of a FLAC file; copy or export it again"},
		"audio gone":         {good[:42], flacio.ErrCorrupt, "found 0 frames; the header states 30000; copy or export the file again"},
		"flipped bit":        {flip(len(good)/2, 4), flacio.ErrCorrupt, "the block that begins at frame 12288 (0:00.3) is damaged; copy or export it again"},
		"MD5":                {flip(30, 1), flacio.ErrCorrupt, "the samples have the MD5 sum "},
		"fewer frames":       {setFrames(good, 29999), flacio.ErrCorrupt, "there are more frames than the 29999 that the header states"},
		"more frames":        {setFrames(good, 30001), flacio.ErrCorrupt, "found 30000 frames; the header states 30001; copy or export the file again"},
		"a day":              {setFrames(good, 86400*48000), wavio.ErrUnsupported, "allowed: 100 times the size of the file, or 1024 MiB; save it as WAV"},
		"no audio":           {append(setFrames(good, 0)[:26], make([]byte, 16)...), wavio.ErrEmpty, "the file holds no audio; export it again"},
		"20 bits":            {flip(21, 0x40), flacio.ErrUnsupported, "found 20-bit samples; allowed: 16 or 24; export with one of these depths"},
		"rate":               {flip(18, 0x80), wavio.ErrUnsupported, "allowed: 8000 to 384000 Hz; export at the rate of the session"},
		"something appended": {append(bytes.Clone(good), "more of it"...), flacio.ErrCorrupt, "the block that begins at frame 30000 (0:00.6) is damaged; copy or export it again"},
	} {
		if err := os.WriteFile(path, x.bytes, 0o666); err != nil {
			t.Fatal(err)
		}
		_, _, err := Open(context.Background(), path, unpackTo(t))
		if err == nil || !errors.Is(err, x.kind) || !errors.Is(err, mistake.Err) || !strings.HasPrefix(err.Error(), path+": ") || !strings.Contains(err.Error(), x.want) {
			t.Errorf("%s: %v, want %v: %s", name, err, x.kind, x.want)
		}
		if strings.Contains(fmt.Sprint(err), "frame.") || strings.Contains(fmt.Sprint(err), "\n") {
			t.Errorf("%s: not a plain sentence: %v", name, err)
		}
	}
	if _, err := Inspect(filepath.Join(dir, "none.flac")); !errors.Is(err, fs.ErrNotExist) {
		t.Error(err)
	}
	if _, err := Inspect(dir); !errors.Is(err, wavio.ErrNotWAV) {
		t.Error(err)
	}
}

// TestLengthLeftOpen: a header that leaves the length open, as of a stream, is no
// claim; the length is what there is.
func TestLengthLeftOpen(t *testing.T) {
	path := filepath.Join(t.TempDir(), "take.flac")
	writeFLAC(t, path, flacio.Spec{SampleRate: 48000, Channels: 1, Bits: 16}, 5000)
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	b = setFrames(b, 0)
	clear(b[26:42]) // no MD5 sum either
	if err := os.WriteFile(path, b, 0o666); err != nil {
		t.Fatal(err)
	}
	header, err := Inspect(path)
	info, _, err2 := Open(context.Background(), path, unpackTo(t))
	if err != nil || err2 != nil || header.Frames != 5000 || info.Frames != 5000 {
		t.Errorf("%+v, %v; %+v, %v", header, err, info, err2)
	}
}

// TestDaysOfSilence: what a small file may unpack to is bounded also where the
// header states nothing.
func TestDaysOfSilence(t *testing.T) {
	info := wavio.Info{Path: "a.flac", SampleRate: 48000, Channels: 2, Bits: 24}
	for _, x := range []struct {
		frames, size int64
		ok           bool
	}{{plainBytes / 6, 100, true}, {plainBytes/6 + 1, 100, false}, {100 * plainBytes / 6, plainBytes, true}, {100*plainBytes/6 + 1, plainBytes, false}} {
		if err := tooLong(info, x.frames, x.size); (err == nil) != x.ok {
			t.Errorf("%+v: %v", x, err)
		}
	}
	path := filepath.Join(t.TempDir(), "silence.flac")
	writeInts(t, path, flacio.Spec{SampleRate: 48000, Channels: 1, Bits: 16}, [][]int32{make([]int32, 40*BlockFrames)})
	b, err := os.ReadFile(path)
	if err == nil {
		err = os.WriteFile(path, setFrames(b, 0), 0o666)
	}
	if err != nil {
		t.Fatal(err)
	}
	d, info, err := open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	const deep = plainBytes / (8 * BlockFrames) // bytes of a sample, so that 8 blocks fill the room
	d.info.Bits = 8 * deep
	frames, err := readThrough(context.Background(), d, info, func([][]float64) error { return nil })
	if !errors.Is(err, wavio.ErrUnsupported) || frames != 8*BlockFrames {
		t.Errorf("stopped after %d frames of %d bytes, %v", frames, len(b), err)
	}
	// The same of two files that are compared.
	var in [2]BlockReader
	for k := range in {
		r, _, err := stream(path)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		r.(*limited).info.Bits = 8 * deep
		in[k] = r
	}
	if equal, err := same(t.Context(), in, 1); equal || !errors.Is(err, wavio.ErrUnsupported) {
		t.Errorf("compared: %v, %v", equal, err)
	}
}

func TestStops(t *testing.T) {
	path := filepath.Join(t.TempDir(), "take.flac")
	writeFLAC(t, path, flacio.Spec{SampleRate: 48000, Channels: 1, Bits: 16}, 50000)
	ctx, stop := context.WithCancel(context.Background())
	stop()
	if _, _, err := Open(ctx, path, unpackTo(t)); !errors.Is(err, context.Canceled) {
		t.Error(err)
	}
	if same, err := SameSamples(ctx, path, path); same || !errors.Is(err, context.Canceled) {
		t.Error(same, err)
	}
	full := errors.New("no room")
	if _, _, err := Open(context.Background(), path, func() (string, error) { return "", full }); !errors.Is(err, full) {
		t.Error(err)
	}
}

// FuzzOpen: whatever follows the mark of a FLAC file, an error that is the file's
// fault, or as many samples as the description says, all within full scale.
func FuzzOpen(f *testing.F) {
	path := filepath.Join(f.TempDir(), "a.flac")
	for _, spec := range []flacio.Spec{{SampleRate: 48000, Channels: 1, Bits: 16}, {SampleRate: 44100, Channels: 2, Bits: 24}, {SampleRate: 8001, Channels: 3, Bits: 16}} {
		writeFLAC(f, path, spec, 200)
		b, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
		f.Add(setFrames(b, 0))
		f.Add(b[:len(b)-7])
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		path := filepath.Join(t.TempDir(), "f.flac")
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		info, read, err := Open(context.Background(), path, unpackTo(t))
		if err != nil {
			if !errors.Is(err, mistake.Err) || read != "" || info.Frames != 0 {
				t.Fatalf("%T %v, %q, %+v", err, err, read, info)
			}
			return
		}
		r, err := wavio.Open(read)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		if got := r.Info(); got.Frames != info.Frames || got.Channels != info.Channels || got.SampleRate != info.SampleRate || got.Bits != info.Bits {
			t.Fatalf("described as %+v, reads as %+v", info, got)
		}
		block := make([][]float64, info.Channels)
		for c := range block {
			block[c] = make([]float64, 1000)
		}
		for {
			n, err := r.Read(block)
			for _, x := range block {
				for _, v := range x[:n] {
					if !(v >= -1 && v < 1) {
						t.Fatalf("sample %v", v)
					}
				}
			}
			if err == io.EOF {
				return
			}
			if err != nil {
				t.Fatal(err)
			}
		}
	})
}

// TestSameSamples: what the files are does not matter, every sample does.
func TestSameSamples(t *testing.T) {
	dir := t.TempDir()
	path := func(name string) string { return filepath.Join(dir, name) }
	const frames = BlockFrames + 5000 // more than one block
	spec := flacio.Spec{SampleRate: 48000, Channels: 2, Bits: 16}
	writeFLAC(t, path("a.flac"), spec, frames)
	if _, _, err := Open(t.Context(), path("a.flac"), func() (string, error) { return path("a.wav"), nil }); err != nil {
		t.Fatal(err)
	}
	x, info := samples(t, path("a.wav"))
	put := func(name string, spec wavio.Spec, x [][]float64) {
		t.Helper()
		w, err := wavio.Create(path(name), spec)
		if err == nil {
			err = errors.Join(w.Write(x), w.Close())
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	plain := wavio.Spec{SampleRate: info.SampleRate, Channels: 2, Bits: 16}
	put("deep.wav", wavio.Spec{SampleRate: info.SampleRate, Channels: 2, Bits: 24}, x)
	put("rate.wav", wavio.Spec{SampleRate: 44100, Channels: 2, Bits: 16}, x)
	put("mono.wav", wavio.Spec{SampleRate: info.SampleRate, Channels: 1, Bits: 16}, x[:1])
	put("short.wav", plain, [][]float64{x[0][:frames-1], x[1][:frames-1]})
	x[1][frames-1] += math.Ldexp(1, -15)
	put("last.wav", plain, x)
	for name, want := range map[string]bool{"a.wav": true, "deep.wav": true, "a.flac": true, "rate.wav": false, "mono.wav": false, "short.wav": false, "last.wav": false} {
		for _, pair := range [][2]string{{"a.flac", name}, {name, "a.flac"}} {
			if same, err := SameSamples(t.Context(), path(pair[0]), path(pair[1])); err != nil || same != want {
				t.Errorf("%v: %v, %v; want %v", pair, same, err, want)
			}
		}
	}
	if _, err := SameSamples(t.Context(), path("a.wav"), path("missing.wav")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a missing file: %v", err)
	}
}
