package wavio

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"maps"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/go-audio/audio"
	"github.com/go-audio/wav"

	"evenhand/examples/oracle"
)

func run(t *testing.T, name string, args ...string) []byte {
	t.Helper()
	cmd := exec.Command(name, args...)
	var stderr strings.Builder
	cmd.Stderr = &stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf("%s %q: %v\n%s", name, args, err, stderr.String())
	}
	return out
}

// ffmpegSamples decodes files to 64-bit floats with ffmpeg, all in one run:
// starting it takes longer than decoding.
func ffmpegSamples(t *testing.T, ffmpeg string, paths []string, channels []int) [][][]float64 {
	t.Helper()
	dir := t.TempDir()
	args := []string{"-v", "error"}
	for _, p := range paths {
		args = append(args, "-i", p)
	}
	for i := range paths {
		args = append(args, "-map", fmt.Sprint(i), "-f", "f64le", "-c:a", "pcm_f64le", filepath.Join(dir, fmt.Sprint(i)))
	}
	run(t, ffmpeg, args...)
	all := make([][][]float64, len(paths))
	for i, n := range channels {
		raw, err := os.ReadFile(filepath.Join(dir, fmt.Sprint(i)))
		if err != nil {
			t.Fatal(err)
		}
		all[i] = make([][]float64, n)
		for k := 0; k+8 <= len(raw); k += 8 {
			c := k / 8 % n
			all[i][c] = append(all[i][c], math.Float64frombits(binary.LittleEndian.Uint64(raw[k:])))
		}
	}
	return all
}

// TestReadsWhatOthersWrite: files of ffmpeg and sox, sample by sample against
// ffmpeg's own decoder.
func TestReadsWhatOthersWrite(t *testing.T) {
	ffmpeg, sox := oracle.Path(t, "ffmpeg"), oracle.Path(t, "sox")
	dir := t.TempDir()
	source := filepath.Join(dir, "source.wav")
	write(t, source, Spec{SampleRate: 48000, Channels: 2, Bits: 64, Float: true}, scaled(steps(Spec{Channels: 2, Bits: 64, Float: true}, 4001)))
	path := func(n string) string { return filepath.Join(dir, n+".wav") }
	made := map[string]string{}                   // file → expected encoding
	args := []string{"-v", "error", "-i", source} // ffmpeg writes all of its files in one run
	for codec, enc := range map[string]string{"pcm_u8": "8-bit integer", "pcm_s16le": "16-bit integer", "pcm_s24le": "24-bit integer",
		"pcm_s32le": "32-bit integer", "pcm_f32le": "32-bit float", "pcm_f64le": "64-bit float"} {
		for _, ch := range []string{"1", "2", "6"} {
			if ch != "2" && codec != "pcm_s24le" && codec != "pcm_f32le" {
				continue
			}
			p := path("ffmpeg " + codec + ch)
			args = append(args, "-ac", ch, "-c:a", codec, p)
			made[p] = enc
		}
		if codec == "pcm_u8" || codec == "pcm_s32le" {
			continue
		}
		p := path("rf64 " + codec)
		args = append(args, "-rf64", "always", "-write_bext", "1", "-metadata", "description=a riff", "-c:a", codec, p)
		made[p] = enc
		p = path("pipe " + codec)
		if err := os.WriteFile(p, run(t, ffmpeg, "-v", "error", "-i", source, "-c:a", codec, "-f", "wav", "-"), 0o644); err != nil {
			t.Fatal(err)
		}
		made[p] = enc
	}
	run(t, ffmpeg, args...)
	for _, e := range [][]string{{"unsigned-integer", "8", "8-bit integer"}, {"signed-integer", "16", "16-bit integer"}, {"signed-integer", "24", "24-bit integer"},
		{"signed-integer", "32", "32-bit integer"}, {"floating-point", "32", "32-bit float"}, {"floating-point", "64", "64-bit float"}} {
		p := path("sox " + e[0] + e[1])
		run(t, sox, "-D", source, "-e", e[0], "-b", e[1], "-c", "1", p)
		made[p] = e[2]
	}
	p := path("sox pipe")
	raw := run(t, sox, "-D", source, "-e", "signed-integer", "-b", "16", "-t", "raw", "-")
	cmd := exec.Command(sox, "-t", "raw", "-r", "48000", "-e", "signed-integer", "-b", "16", "-c", "2", "-", "-t", "wav", "-")
	cmd.Stdin = bytes.NewReader(raw)
	out, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(p, out, 0o644); err != nil {
		t.Fatal(err)
	}
	made[p] = "16-bit integer"
	paths := slices.Sorted(maps.Keys(made))
	var channels []int
	var ours [][][]float64
	for _, p := range paths {
		r, err := Open(p)
		if err != nil {
			t.Fatal(err)
		}
		defer r.Close()
		info := r.Info()
		base := filepath.Base(p)
		if info.Encoding != made[p] || info.Frames != 4001 {
			t.Errorf("%s: encoding %q, want %q; %d frames, want 4001", base, info.Encoding, made[p], info.Frames)
		}
		if rf := strings.HasPrefix(base, "rf64"); rf != (info.Container == "RF64") || rf != (info.Bext != nil && info.Bext.Description == "a riff") {
			t.Errorf("%s: container %q, bext %+v", base, info.Container, info.Bext)
		}
		if pipe := strings.Contains(base, "pipe"); pipe != (len(info.Warnings) == 1) {
			t.Errorf("%s: warnings %q", base, info.Warnings)
		}
		x, err := readAll(r, 512)
		if err != nil {
			t.Fatal(err)
		}
		ours, channels = append(ours, x), append(channels, info.Channels)
	}
	for i, theirs := range ffmpegSamples(t, ffmpeg, paths, channels) {
		t.Run(filepath.Base(paths[i]), func(t *testing.T) { equal(t, ours[i], theirs) })
	}
}

// scaled brings samples within full scale, so that no converter clips.
func scaled(x [][]float64) [][]float64 {
	for _, ch := range x {
		for i := range ch {
			ch[i] = math.Tanh(ch[i])
		}
	}
	return x
}

// TestOthersReadWhatWeWrite: every depth, and 24 bits in every number of channels, decoded by ffmpeg and sox.
func TestOthersReadWhatWeWrite(t *testing.T) {
	ffmpeg, sox := oracle.Path(t, "ffmpeg"), oracle.Path(t, "sox")
	dir := t.TempDir()
	var paths, names []string
	var channels []int
	var ours [][][]float64
	for i, s := range formats() {
		if s.Channels != 2 && s.Bits != 24 {
			continue
		}
		path := filepath.Join(dir, fmt.Sprint(i, ".wav"))
		s.Bext = &Bext{Description: "d"}
		s.Cues = []Cue{{ID: 1, Frame: 3, Label: "here"}}
		x := steps(s, 501)
		if s.Float {
			for _, ch := range x {
				for i := range ch {
					ch[i] = float64(float32(ch[i] / 16))
				}
			}
		}
		write(t, path, s, x)
		paths, names, channels, ours = append(paths, path), append(names, name(s)), append(channels, s.Channels), append(ours, x)
	}
	for i, theirs := range ffmpegSamples(t, ffmpeg, paths, channels) {
		t.Run(names[i], func(t *testing.T) { equal(t, theirs, ours[i]) })
	}
	counts := strings.Fields(string(run(t, sox, append([]string{"--i", "-s"}, paths...)...)))
	if len(counts) != len(paths) {
		t.Fatalf("sox reports on %d files of %d", len(counts), len(paths))
	}
	for i, frames := range counts {
		if frames != "501" {
			t.Errorf("%s: sox sees %s frames, want 501", names[i], frames)
		}
	}
}

// encodeWithLibrary writes a mono file with the library's encoder and returns
// what it holds.
func encodeWithLibrary(t *testing.T, path string, bits int) []float64 {
	t.Helper()
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	e := wav.NewEncoder(f, 48000, bits, 1, 1)
	buf := &audio.IntBuffer{Format: &audio.Format{NumChannels: 1, SampleRate: 48000}, SourceBitDepth: bits}
	var want []float64
	for i := range 1001 { // odd: the encoder forgets the padding byte
		v := (i*7919)%(1<<(bits-1)) - 1<<(bits-2)
		want = append(want, math.Ldexp(float64(v), 1-bits))
		if bits == 8 {
			v += 128
		}
		buf.Data = append(buf.Data, v)
	}
	if err := e.Write(buf); err != nil {
		t.Fatal(err)
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	return want
}
