package main

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/examples/campaign"
	"evenhand/examples/studio"
)

// TestFreshVerifies makes comparisons of three takes of 6 s at random, builds
// each and asks that verify finds nothing wrong with the untouched report; a
// quarter are packed as well, and the archives verified.
func TestFreshVerifies(t *testing.T) {
	if raceDetector {
		t.Skip("slow; its concurrent code runs in scripts")
	}
	t.Setenv("XDG_CACHE_HOME", t.TempDir())
	for _, i := range campaign.Share(t, 100, 3) {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			dir := t.TempDir()
			manifest, about := freshComparison(t, dir, i)
			made := filepath.Join(dir, "report")
			builds(t, about, "build", manifest, "-o", made)
			paths := []string{made}
			if (i+i/20)%4 == 0 { // one of the sample's three
				archive := filepath.Join(dir, "archive.zip")
				builds(t, about, "pack", manifest, "-o", archive)
				paths = append(paths, archive)
			}
			for _, path := range paths {
				var out, said strings.Builder
				if status := run(t.Context(), []string{"verify", path}, &out, &said); status != exitDone {
					t.Errorf("%s: verify %s: status %d\n%s%s", about, filepath.Base(path), status, &out, &said)
				}
			}
		})
	}
}

// builds runs a command that builds a report, whose checks may fail.
func builds(t *testing.T, about string, args ...string) {
	t.Helper()
	var out, said strings.Builder
	if status := run(t.Context(), args, &out, &said); status != exitDone && status != exitFailed {
		t.Fatalf("%s: %s: status %d\n%s", about, args[0], status, &said)
	}
}

// freshSeed is the seed of the comparisons of TestFreshVerifies.
const freshSeed = 20260418

// freshComparison writes comparison i of TestFreshVerifies and returns its
// manifest and what it is made of.
func freshComparison(t *testing.T, dir string, i int) (manifest, about string) {
	t.Helper()
	rng := rand.New(rand.NewPCG(freshSeed, uint64(i)))
	rate := []int{44100, 48000, 88200, 96000}[rng.IntN(4)]
	bits := []int{16, 24}[rng.IntN(2)]
	kinds := []string{"mono", "stereo", "microphones"}
	kind := kinds[rng.IntN(3)]
	mixed := rng.IntN(4) == 0
	dry, err := studio.Performance(rate, rng.Uint64(), freshScore(rng))
	if err != nil {
		t.Fatal(err)
	}
	put := func(name string, x ...[]float64) {
		w, err := wavio.Create(filepath.Join(dir, name), wavio.Spec{SampleRate: rate, Channels: len(x), Bits: bits})
		if err == nil {
			err = errors.Join(w.Write(x), w.Close())
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	var text strings.Builder
	fmt.Fprint(&text, "title: At random\nvaries: fuzz\nchain: [{slot: fuzz}]\n")
	with := []string{}
	if rng.IntN(5) > 0 {
		with = append(with, "dry")
		put("dry.wav", dry)
		fmt.Fprint(&text, "performance:\n  dry: dry.wav\n")
		if rng.IntN(2) == 0 {
			with = append(with, "sections")
			fmt.Fprintf(&text, "  sections:\n    - {name: First, from: 0.9, to: 3}\n    - {name: Second, from: 3.2, to: 5.4}\n")
		}
	}
	if rng.IntN(2) == 0 {
		with = append(with, "reference")
		fmt.Fprint(&text, "reference: B\n")
	}
	if rng.IntN(3) == 0 {
		with = append(with, "target")
		fmt.Fprintf(&text, "match: {target: %d LUFS}\n", -40+rng.IntN(8))
	}
	repeat := ""
	if rng.IntN(3) > 0 {
		repeat = []string{"A", "B"}[rng.IntN(2)]
		with = append(with, "a repeat of "+repeat)
	}
	fmt.Fprint(&text, "takes:\n")
	circuits := studio.Circuits()
	var chains [3]studio.Chain
	var of [3]string
	for k, name := range []string{"A", "B", "C"} {
		of[k] = kind
		if mixed {
			of[k] = kinds[rng.IntN(3)]
		}
		chain := studio.Chain{Rate: rate, Amp: studio.Amp{Drive: unit.DB(rng.IntN(12)), Hiss: unit.DBFS(-95 + rng.IntN(15))}, Mics: [][]float64{studio.Cabinet(rate, studio.Microphone{Name: "close"})}}
		if c := rng.IntN(len(circuits) + 1); c < len(circuits) {
			chain.Circuit = &circuits[c]
		}
		if of[k] != "mono" {
			chain.Mics = append(chain.Mics, studio.Cabinet(rate, studio.Microphone{Name: "far", Delay: 0.0002 * rng.Float64(), Filters: []studio.Filter{{Shape: studio.LowPass, Hz: 2500 + 2000*rng.Float64(), Q: 0.7}}}))
		}
		if name == "C" && repeat != "" {
			k0 := int(repeat[0] - 'A')
			chain, of[k] = chains[k0], of[k0]
		}
		chain.Lag, chain.Gain = unit.Samples(400*rng.Float64()-100), unit.DB(-9-3*rng.Float64())
		chain.Floor, chain.Seed, chain.Extra = unit.DBFS(-100+rng.IntN(16)), rng.Uint64(), rng.IntN(6000)-2000
		chains[k] = chain
		put(name+".wav", studio.Render(dry, chain)...)
		fmt.Fprintf(&text, "  - name: %s\n    file: %[1]s.wav\n", name)
		switch {
		case name == "C" && repeat != "":
			fmt.Fprintf(&text, "    repeat_of: %s\n", repeat)
		default:
			fmt.Fprintf(&text, "    fuzz: %s\n", name)
		}
		if of[k] == "microphones" {
			fmt.Fprintf(&text, "    mics: {left: {name: Close}, right: {name: Far, blend: %d dB}}\n", -rng.IntN(9))
		}
	}
	manifest = filepath.Join(dir, "comparison.yaml")
	if err := os.WriteFile(manifest, []byte(text.String()), 0o666); err != nil {
		t.Fatal(err)
	}
	return manifest, fmt.Sprintf("%d Hz, %d bits, %v, with %s", rate, bits, of, strings.Join(with, ", "))
}

// freshScore is a performance of 6 s: two parts with a pause before, between and
// behind.
func freshScore(rng *rand.Rand) studio.Score {
	notes := func(n int) string {
		out := make([]string, n)
		for i := range out {
			switch k := rng.IntN(10); {
			case k == 0 && i > 0:
				out[i] = "."
			case k < 3:
				out[i] = []string{"60+52+42", "63+55+45", "50+42+32+20"}[rng.IntN(3)]
			default:
				out[i] = fmt.Sprintf("%d%d", 1+rng.IntN(6), rng.IntN(10))
				if rng.IntN(3) == 0 {
					out[i] += "m"
				}
			}
		}
		return strings.Join(out, " ")
	}
	n := 4 + rng.IntN(4)
	return studio.Score{Length: 6, Parts: []studio.Part{
		{Name: "First", Start: 1, Tempo: 60 * float64(n) / 3.4, Step: 0.5, Notes: notes(n)},
		{Name: "Second", Start: 3.5, Tempo: 60 * float64(n) / 3.2, Step: 0.5, Notes: notes(n), Ring: rng.IntN(2) == 0},
	}}
}
