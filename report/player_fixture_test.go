package report

import (
	"context"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"

	"evenhand/analyze"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/wavio"
	"evenhand/examples/campaign"
)

// playedTake is an invented take of plucked notes through a clipping stage.
type playedTake struct {
	name  string
	drive float64
	level float64
	delay int
	sign  float64
	mics  bool // recorded with two microphones
}

var playedTakes = []playedTake{
	{"Leaning", 1, 0.30, 40, 1, false},
	{"Splitting", 6, 0.12, 90, 1, true},
	{"Quarry", 20, 0.20, 10, -1, false},
	{"Leaning again", 1, 0.31, 70, 1, false},
}

const playedRate = 48000

// pluck is the dry performance: decaying notes in two sections with a pause.
func pluck(seconds int) []float64 {
	r := rand.New(rand.NewPCG(7, 7))
	out := make([]float64, seconds*playedRate)
	period, at, gain := 0, 0, 0.0
	var string [2048]float64
	for i := range out {
		t := float64(i) / playedRate
		quiet := t < 0.6 || t > float64(seconds)/2-1 && t < float64(seconds)/2+0.6 || t > float64(seconds)-1
		if i%(playedRate*37/100) == 0 && !quiet {
			period, at, gain = 200+r.IntN(500), 0, 0.5+0.4*r.Float64()
			for k := range period {
				string[k] = gain * (2*r.Float64() - 1)
			}
		}
		if period == 0 {
			continue
		}
		next := (at + 1) % period
		decay := 0.4985
		if quiet {
			decay = 0.45
		}
		v := string[at]
		string[at] = decay * (v + string[next])
		at = next
		out[i] = v
	}
	return out
}

func writeWAV(t *testing.T, path string, channels ...[]float64) {
	t.Helper()
	w, err := wavio.Create(path, wavio.Spec{SampleRate: playedRate, Channels: len(channels), Bits: 24})
	if err != nil {
		t.Fatal(err)
	}
	if err := w.Write(channels); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
}

// played is the report that the tests of the player share; making it takes a
// while.
var played struct {
	sync.Once
	res *result.Result
	dir string
}

func TestMain(m *testing.M) {
	code := m.Run()
	if played.dir != "" {
		os.RemoveAll(played.dir)
	}
	os.Exit(code)
}

// playedReport returns the result and the folder of a report with real audio;
// neither may be changed.
func playedReport(t *testing.T) (*result.Result, string) {
	t.Helper()
	campaign.Serial(t) // scripts of the command build reports under the race detector
	played.Do(func() {
		dir, err := os.MkdirTemp("", "evenhand-player-")
		if err != nil {
			t.Fatal(err)
		}
		played.dir = dir
		played.res = makePlayed(t, dir, playedTakes, false)
	})
	if played.res == nil {
		t.Fatal("the report could not be made; see the first test that failed")
	}
	return played.res, played.dir
}

// makePlayed measures, publishes and reports a small comparison, of which every take may
// have two channels.
func makePlayed(t *testing.T, dir string, takes []playedTake, stereo bool) *result.Result {
	t.Helper()
	const seconds = 26
	src := t.TempDir()
	dry := pluck(seconds)
	writeWAV(t, filepath.Join(src, "dry.wav"), dry)
	var y strings.Builder
	// Chromium divides positive 16-bit samples by 32767 and not by 32768, so that only
	// copies of 24 bits can be compared with it bit by bit.
	fmt.Fprintf(&y, `title: Three circuits
varies: fuzz
copies: 24 bit
reference: Leaning
performance:
  dry: dry.wav
  sections:
    - {name: Low riff, from: "0:00.5", to: "0:12.5"}
    - {name: Open chords, from: "0:13.5", to: "0:25.5"}
chain:
  - slot: fuzz
takes:
`)
	for i, p := range takes {
		r := rand.New(rand.NewPCG(9, uint64(i)))
		wet, second := make([]float64, len(dry)), make([]float64, len(dry))
		low := 0.0
		for k := p.delay; k < len(dry); k++ {
			v := p.sign*p.level*math.Tanh(p.drive*dry[k-p.delay]) + 1e-4*r.NormFloat64()
			low += 0.15 * (v - low)
			wet[k], second[k] = v, 1.4*low
		}
		file := fmt.Sprintf("take%d.wav", i)
		channels := [][]float64{wet}
		if p.mics || stereo {
			channels = append(channels, second)
		}
		writeWAV(t, filepath.Join(src, file), channels...)
		fmt.Fprintf(&y, "  - name: %s\n    file: %s\n    fuzz: {device: %s}\n", p.name, file, strings.TrimSuffix(p.name, " again"))
		if p.mics {
			y.WriteString("    mics:\n      left: {name: \"Dynamic, cap edge\", blend: 0 dB}\n      right: {name: \"Ribbon, 5 cm off axis\", blend: -4 dB}\n")
		}
		if strings.HasSuffix(p.name, " again") {
			y.WriteString("    repeat_of: Leaning\n")
		}
	}
	path := filepath.Join(src, "three.yaml")
	if err := os.WriteFile(path, []byte(y.String()), 0o644); err != nil {
		t.Fatal(err)
	}
	c, err := manifest.Load(path, nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx := context.Background()
	s, err := analyze.Measure(ctx, c, analyze.Options{Version: "test"})
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Publish(ctx, dir, analyze.PublishOptions{Pieces: true}); err != nil {
		t.Fatal(err)
	}
	s.Check()
	if err := Write(dir, s.Result, Options{}); err != nil {
		t.Fatal(err)
	}
	return s.Result
}

// askedFor names what a request asks for: of a published file the piece, such as
// "splitting.1", and the path of anything else.
func askedFor(d *playerData, r *http.Request) string {
	for _, t := range d.Takes {
		files := []playerPieces{t.playerPieces}
		if t.Blend != nil {
			files = append(files, t.Blend.playerPieces)
		}
		for _, f := range files {
			for k := range f.Sizes {
				name, from, n := f.part(k)
				if r.URL.Path == "/"+name && r.Header.Get("Range") == fmt.Sprintf("bytes=%d-%d", from, from+n-1) {
					return strings.TrimSuffix(filepath.Base(f.script(k)), scriptSuffix)
				}
			}
		}
	}
	return r.URL.Path
}
