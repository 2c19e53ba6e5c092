package studio

import (
	"math"
	"math/cmplx"
	"testing"

	"evenhand/analyze/unit"
	"evenhand/examples/campaign"
)

// bare is a chain without any filter or curve that matters: a tone far below
// the amplifier's saturation, and a cabinet that passes all.
func bare(lag unit.Samples, inverted bool) Chain {
	return Chain{Rate: 48000, Mics: [][]float64{{1}}, Lag: lag, Inverted: inverted, Silent: true}
}

// TestLagAndPolarityAreExact: a tone through a chain without filters comes out
// with the phase of the stated lag, whole and broken, positive and negative,
// with and without a circuit's oversampling.
func TestLagAndPolarityAreExact(t *testing.T) {
	campaign.Serial(t)
	const rate, hz = 48000.0, 997.0
	dry := make([]float64, 24000)
	for i := range dry {
		dry[i] = 1e-4 * math.Cos(2*math.Pi*hz*float64(i)/rate)
	}
	nothing := Circuit{Curve: "straight"}
	for _, lag := range []unit.Samples{0, 64, 312.4, 313.1, 127, -58.25, 204.75, 96} {
		for _, inverted := range []bool{false, true} {
			for _, circuit := range []*Circuit{nil, &nothing} {
				c := bare(lag, inverted)
				c.Circuit = circuit
				got := Render(dry, c)[0]
				first, n := 4000, 16000
				a := demodulate(got[first:first+n], hz, rate) / 1e-4
				want := cmplx.Rect(1, 2*math.Pi*hz/rate*(float64(first)-float64(lag)))
				if inverted {
					want = -want
				}
				// 2e-4 rad at 997 Hz is 0.0015 frames.
				if d := cmplx.Abs(a - want); d > 2e-4 {
					t.Errorf("lag %v, inverted %v, circuit %v: off by %.2g", lag, inverted, circuit != nil, d)
				}
			}
		}
	}
}

// TestSessions renders whole sessions and checks what a recording engineer
// would: levels, no direct current, pauses that hold the noise that Truths
// states, and nothing but noise and level between a take and its repeat.
func TestSessions(t *testing.T) {
	if raceDetector {
		t.Skip("ten times slower there; TestSameBytes has all that runs at the same time")
	}
	for _, name := range Scenarios() {
		s, err := Open(name)
		if err != nil {
			t.Fatal(err)
		}
		dry, err := s.Dry()
		if err != nil {
			t.Fatal(err)
		}
		truths := s.Truths()
		levels := map[string][]unit.DBFS{}
		for i, take := range s.Takes {
			out := Render(dry, take.Chain)
			if len(out[0]) != take.Chain.Frames(dry) {
				t.Errorf("%s: %d frames, want %d", take.Name, len(out[0]), take.Chain.Frames(dry))
			}
			loudest := 0.0
			for ch, x := range out {
				peak, sum := 0.0, 0.0
				for _, v := range x {
					peak = max(peak, math.Abs(v))
					sum += v
				}
				loudest = max(loudest, peak)
				if mean := unit.FromAmplitude(sum / float64(len(x))); mean > -100 {
					t.Errorf("%s, channel %d: mean at %.1f dBFS", take.Name, ch+1, mean)
				}
				levels[take.Name] = append(levels[take.Name], level(x))
				if crest := unit.FromAmplitude(peak) - float64(level(x)); crest < 9 || crest > 23 {
					t.Errorf("%s, channel %d: crest factor %.1f dB", take.Name, ch+1, crest)
				}
				truth := truths[i].Noise[ch]
				want := unit.FromPower(unit.ToPower(float64(truth.Hum)) + unit.ToPower(float64(truth.Hiss)))
				for _, pause := range pauses(s.Score) {
					a, b := int((pause[0]+0.8)*float64(s.Rate)), int((pause[1]-0.05)*float64(s.Rate))
					if got := float64(level(x[a:b])); math.Abs(got-want) > 1 {
						t.Errorf("%s, channel %d: %.2f dBFS in the pause at %.1f s, want %.2f", take.Name, ch+1, got, pause[0], want)
					}
				}
				if want > -45 {
					t.Errorf("%s, channel %d: noise at %.1f dBFS", take.Name, ch+1, want)
				}
			}
			if p := unit.FromAmplitude(loudest); p < -10 || p > -2.5 {
				t.Errorf("%s peaks at %.2f dBFS", take.Name, p)
			}
		}
		for _, truth := range truths {
			if truth.RepeatOf == "" {
				continue
			}
			for ch := range levels[truth.Name] {
				d := levels[truth.Name][ch] - levels[truth.RepeatOf][ch]
				if math.Abs(float64(d)-0.05) > 0.01 {
					t.Errorf("%s lies %.3f dB above %s, want 0.05", truth.Name, float64(d), truth.RepeatOf)
				}
			}
		}
	}
}

// TestTakesDiffer: the takes of the demo give the match something to do.
func TestTakesDiffer(t *testing.T) {
	campaign.Serial(t)
	s := fourFuzzes()
	short := make([]float64, 2*s.Rate)
	strings, err := Strings(s.Rate, s.Seed, one("60+52+42", 2))
	if err != nil {
		t.Fatal(err)
	}
	copy(short, strings)
	quiet, loud := math.Inf(1), math.Inf(-1)
	for _, take := range s.Takes {
		l := float64(level(Render(short, take.Chain)[0]))
		quiet, loud = min(quiet, l), max(loud, l)
	}
	if loud-quiet < 6 || loud-quiet > 16 {
		t.Errorf("levels spread over %.1f dB", loud-quiet)
	}
}

func TestTruths(t *testing.T) {
	campaign.Serial(t)
	truths := fourFuzzes().Truths()
	for i, want := range []struct {
		name     string
		lag      unit.Samples
		inverted bool
		repeat   string
	}{
		{"Leaning", 312.4, false, ""}, {"Splitting", 127, true, ""}, {"Folding", -58.25, false, ""},
		{"Sagging", 204.75, false, ""}, {"Bypass", 96, false, ""}, {"Leaning again", 313.1, false, "Leaning"},
	} {
		got := truths[i]
		if got.Name != want.name || got.Lag != want.lag || got.Inverted != want.inverted || got.RepeatOf != want.repeat {
			t.Errorf("take %d: %+v, want %+v", i, got, want)
		}
	}
	// The adapter of Folding hums more than the pickup, the bypassed chain
	// adds next to nothing.
	if n := truths[2].Noise[0]; n.Added < n.CarriedIn+3 || n.Hum < n.Hiss {
		t.Errorf("Folding: %+v", n)
	}
	if n := truths[4].Noise[0]; n.Added > n.CarriedIn-6 {
		t.Errorf("bypass: %+v", n)
	}
}

// TestSplit: hum and hiss of known levels are told apart.
func TestSplit(t *testing.T) {
	x := make([]float64, 120000)
	newHum(48000, mainsHz, rectified()).add(x, unit.ToAmplitude(-70))
	newHiss(5, 5).add(x, unit.ToAmplitude(-64))
	hum, rest := split(x, 48000/mainsHz)
	// The estimate of hum 6 dB under the hiss has a standard error near
	// 0.05 dB with 125 periods of 960 frames.
	if math.Abs(float64(hum)+70) > 0.25 || math.Abs(float64(rest)+64) > 0.1 {
		t.Errorf("hum %.2f, rest %.2f dBFS; want −70 and −64", float64(hum), float64(rest))
	}
}

func TestLoopback(t *testing.T) {
	l := fourFuzzes().Loopback
	const hz, rate = 997.0, 48000
	dry := make([]float64, rate)
	for i := range dry {
		dry[i] = 0.5 * math.Cos(2*math.Pi*hz*float64(i)/rate)
	}
	x := l.render(dry, rate, 1)
	if len(x) != len(dry)+l.Lag {
		t.Fatalf("%d frames", len(x))
	}
	a := demodulate(x[l.Lag+rate/2:l.Lag+rate], hz, rate)
	if g := unit.FromAmplitude(cmplx.Abs(a) / 0.5); math.Abs(g+0.4) > 0.01 {
		t.Errorf("gain %.3f dB, want −0.4", g)
	}
}

func TestOpenNamesTheScenarios(t *testing.T) {
	if _, err := Open("drums"); err == nil {
		t.Fatal("an unknown scenario was opened")
	}
}
