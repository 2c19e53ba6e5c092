// Package guitar renders a second material for tests: 60 s of sampled electric
// guitar from a General MIDI synthesizer, and the same playing through plugin
// amplifiers, cabinets and pedals. Only tests import this package.
//
// The chains are listed in testdata/guitar/chains.txt, whose README says what is
// needed. Each recording is rendered when a test first asks for it, and kept in
// testdata/guitar/audio under a name that holds a hash of everything it depends
// on. Bytes differ between versions of the synthesizer and of the plugins; tests
// ask for properties and never compare hashes.
package guitar

import (
	"bytes"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/examples/oracle"
)

// Rate is the sampling rate of every recording.
const Rate = 48000 // Hz

// Chain is one line of chains.txt.
type Chain struct {
	Name string
	Kind string // clean, crunch, high gain, fuzz, octave or time-based
	// Graph is what ffmpeg does with the recording.
	Graph string
}

// Chains returns all chains in the order of the file. It needs no programs.
func Chains(t testing.TB) []Chain {
	t.Helper()
	text, err := os.ReadFile(filepath.Join(folder(t), "chains.txt"))
	if err != nil {
		t.Fatal(err)
	}
	var out []Chain
	for line := range strings.Lines(string(text)) {
		line = strings.TrimSpace(line)
		if line == "" || line[0] == '#' {
			continue
		}
		name, rest, ok := strings.Cut(line, "|")
		kind, graph, ok2 := strings.Cut(rest, "|")
		if !ok || !ok2 {
			t.Fatalf("chains.txt: %q has no name, kind and graph", line)
		}
		out = append(out, Chain{strings.TrimSpace(name), strings.TrimSpace(kind), strings.TrimSpace(graph)})
	}
	return out
}

// Dry returns the dry recording: mono, Rate, with peaks near −6 dBFS and the noise
// of an input at −88 dBFS, rounded to 24 bits.
func Dry(t testing.TB) []float64 { return Pass(t, 0) }

// Pass returns the n-th pass of the playing by the same hands: each note moved by a
// few milliseconds and a few steps of velocity. Pass 0 is the dry recording.
func Pass(t testing.TB, n int) []float64 {
	t.Helper()
	score := midi(n)
	return kept(t, fmt.Sprintf("pass-%d", n), append(score, stamp(t)...), func(dir string) []float64 {
		in, out := filepath.Join(dir, "score.mid"), filepath.Join(dir, "synth.wav")
		if err := os.WriteFile(in, score, 0o644); err != nil {
			t.Fatal(err)
		}
		run(t, synthesizer(t), "-ni", "-q", "-R", "0", "-C", "0", "-r", fmt.Sprint(Rate), "-g", "0.5", "-T", "wav", "-O", "float", "-F", out, soundFont(t), in)
		x := read(t, out)
		x = append(x, make([]float64, frames)...)[:frames]
		peak := 0.0
		for _, v := range x {
			peak = max(peak, math.Abs(v))
		}
		if peak == 0 {
			t.Fatal("the synthesizer rendered silence")
		}
		g := unit.ToAmplitude(-6.2) / peak
		for i := range x {
			x[i] *= g
		}
		hiss(x, -88, 'd', uint64(n))
		return x
	})
}

// Take returns the dry recording as the chain of that name gives it out. Each
// chain hears noise of its own, −100 dBFS in the converters before and behind it,
// and a second of it before the recording begins.
func Take(t testing.TB, chain string) []float64 { t.Helper(); return Played(t, chain, 0, 0) }

// Repeat returns another take of the same chain: the same recording was sent, and
// the noise in front of it and in it was another.
func Repeat(t testing.TB, chain string) []float64 { t.Helper(); return Played(t, chain, 0, 1) }

// Played returns how a chain gives out a pass of the playing, the n-th time that
// it is sent.
func Played(t testing.TB, chain string, pass, n int) []float64 {
	t.Helper()
	recipe := append(midi(pass), stamp(t)...)
	c := chainOf(t, chain)
	return kept(t, fmt.Sprintf("%s-%d-%d", chain, pass, n), fmt.Append(recipe, c.Graph, n), func(dir string) []float64 {
		return c.send(t, dir, Pass(t, pass), pass, n)
	})
}

// Through returns how a chain gives out a recording of the same length as the dry
// one. It is rendered each time.
func Through(t testing.TB, chain string, x []float64) []float64 {
	t.Helper()
	return chainOf(t, chain).send(t, t.TempDir(), x, 0, 2)
}

// chainOf returns the chain of that name.
func chainOf(t testing.TB, name string) Chain {
	t.Helper()
	for _, k := range Chains(t) {
		if k.Name == name {
			return k
		}
	}
	t.Fatalf("chains.txt has no chain %q", name)
	return Chain{}
}

// send plays a recording through the chain, with the noise of its n-th time.
func (c Chain) send(t testing.TB, dir string, x []float64, pass, n int) []float64 {
	t.Helper()
	sent := append(make([]float64, Rate), x...)
	sent = append(sent, make([]float64, Rate/10)...) // for plugins that give out late
	hiss(sent, -100, uint64(pass)<<32|uint64(n), seedOf(c.Name))
	in, out := filepath.Join(dir, "sent.wav"), filepath.Join(dir, "played.wav")
	write(t, in, wavio.Spec{Bits: 32, Float: true}, sent)
	run(t, player(t), "-hide_banner", "-loglevel", "error", "-i", in, "-filter_complex", "[0:a]"+c.Graph+"[out]", "-map", "[out]", "-ac", "1", "-c:a", "pcm_f32le", out)
	y := read(t, out)
	if len(y) < Rate+frames {
		t.Fatalf("%s gave out %d frames of %d", c.Name, len(y), Rate+frames)
	}
	y = y[Rate:][:frames]
	hiss(y, -100, 1<<63|uint64(pass)<<32|uint64(n), seedOf(c.Name))
	return y
}

const frames = int(Length) * Rate

func seedOf(name string) uint64 {
	h := sha256.Sum256([]byte(name))
	return uint64(h[0])<<16 | uint64(h[1])<<8 | uint64(h[2])
}

// hiss adds white noise.
func hiss(x []float64, rms unit.DBFS, a, b uint64) {
	rng := rand.New(rand.NewPCG(a, b))
	g := unit.ToAmplitude(float64(rms))
	for i := range x {
		x[i] += g * rng.NormFloat64()
	}
}

// synthesizer, player and soundFont find what the rendering needs, or skip the
// test; see oracle.Path.
func synthesizer(t testing.TB) string { t.Helper(); return oracle.Path(t, "fluidsynth") }
func player(t testing.TB) string      { t.Helper(); return oracle.Path(t, "ffmpeg") }
func soundFont(t testing.TB) string {
	t.Helper()
	return oracle.File(t, "/usr/share/sounds/sf2/FluidR3_GM.sf2")
}

// plugins is the folder of the LADSPA plugins.
func plugins(t testing.TB) string {
	t.Helper()
	for _, p := range []string{"caps.so", "sc4m_1916.so", "tap_echo.so"} { // one of each package
		oracle.File(t, "/usr/lib/ladspa/"+p)
	}
	return "/usr/lib/ladspa"
}

// stamp says which versions of everything are installed, as far as sizes and times
// of the files show it.
func stamp(t testing.TB) []byte {
	t.Helper()
	var b []byte
	for _, path := range []string{synthesizer(t), player(t), soundFont(t), plugins(t) + "/caps.so", plugins(t) + "/sc4m_1916.so", plugins(t) + "/tap_echo.so"} {
		st, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		b = fmt.Append(b, st.Size(), st.ModTime().Unix(), " ")
	}
	return b
}

// rendering holds a lock for each path, so that a process renders nothing twice.
var rendering sync.Map

// recipeVersion is counted up when this package renders the same recipe otherwise.
const recipeVersion = 1

// kept returns the recording of that name, which is rendered unless it is there. A
// file appears whole or not at all, so that two processes may ask at once.
func kept(t testing.TB, name string, recipe []byte, render func(dir string) []float64) []float64 {
	t.Helper()
	hash := sha256.Sum256(fmt.Append(recipe, recipeVersion))
	path := filepath.Join(folder(t), "audio", fmt.Sprintf("%s-%x.wav", name, hash[:6]))
	lock, _ := rendering.LoadOrStore(path, new(sync.Mutex))
	lock.(*sync.Mutex).Lock()
	defer lock.(*sync.Mutex).Unlock()
	if _, err := os.Stat(path); err == nil {
		return read(t, path)
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	temp, err := os.MkdirTemp(filepath.Dir(path), "tmp-")
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(temp)
	x := render(temp)
	whole := filepath.Join(temp, "whole.wav")
	write(t, whole, wavio.Spec{Bits: 24}, x)
	if err := os.Rename(whole, path); err != nil {
		t.Fatal(err)
	}
	// Of another recipe than today's nothing is kept.
	same, _ := filepath.Glob(filepath.Join(filepath.Dir(path), name+"-????????????.wav"))
	for _, old := range same {
		if old != path {
			os.Remove(old)
		}
	}
	return read(t, path)
}

// folder is testdata/guitar.
func folder(t testing.TB) string {
	t.Helper()
	dir, err := os.Getwd()
	if err != nil {
		t.Fatal(err)
	}
	for ; ; dir = filepath.Dir(dir) {
		if _, err := os.Stat(filepath.Join(dir, "go.mod")); err == nil {
			return filepath.Join(dir, "testdata", "guitar")
		}
		if dir == filepath.Dir(dir) {
			t.Fatal("no folder above holds go.mod")
		}
	}
}

func run(t testing.TB, program string, args ...string) {
	t.Helper()
	cmd := exec.Command(program, args...)
	cmd.Env = append(os.Environ(), "LADSPA_PATH="+plugins(t))
	var said bytes.Buffer
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s: %v\n%s", filepath.Base(program), err, said.String())
	}
}

// read returns the mean of all channels.
func read(t testing.TB, path string) []float64 {
	t.Helper()
	r, err := wavio.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	block := make([][]float64, r.Info().Channels)
	for c := range block {
		block[c] = make([]float64, 1<<14)
	}
	out := make([]float64, 0, r.Info().Frames)
	for {
		n, err := r.Read(block)
		for i := range n {
			sum := 0.0
			for _, x := range block {
				sum += x[i]
			}
			out = append(out, sum/float64(len(block)))
		}
		if err == io.EOF {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

func write(t testing.TB, path string, spec wavio.Spec, x []float64) {
	t.Helper()
	spec.SampleRate, spec.Channels = Rate, 1
	w, err := wavio.Create(path, spec)
	if err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(w.Write([][]float64{x}), w.Close()); err != nil {
		t.Fatal(err)
	}
	if n := w.Clipped(); n > 0 {
		t.Fatalf("%s: %d samples are over full scale", filepath.Base(path), n)
	}
}
