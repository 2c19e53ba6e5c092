package analyze

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"

	"evenhand/analyze/activity"
	"evenhand/analyze/fairness"
	"evenhand/analyze/resample"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/examples/campaign"
	"evenhand/examples/studio"
)

// material makes a fair comparison to put faults into.
type material struct {
	name string
	make func(t testing.TB) *scene
	// pass is the dry recording of another pass.
	pass func(seed uint64) ([]float64, error)
	// take is the second take made from a dry recording.
	take func(dry []float64) [][]float64
}

// materials are the riff and the single notes of TestFair; bursts of noise
// through the same chains; and a passage of the demo through its circuits and
// both its microphones.
func materials() []material {
	guitar := func(t testing.TB) *scene {
		s := newScene(t)
		s.early, s.pauses = 1.6*sceneRate, [][2]float64{{0.1, 1.15}, {4.1, 5.15}, {8.3, 9.4}}
		return s
	}
	second := func(dry []float64) [][]float64 { return rendered(dry, 1) }
	return []material{
		{"guitar", guitar, func(seed uint64) ([]float64, error) { return studio.Performance(sceneRate, seed, sceneScore()) }, second},
		{"noise", noiseScene, func(seed uint64) ([]float64, error) { return bursts(seed), nil }, second},
		{"demo", demoScene, func(seed uint64) ([]float64, error) {
			s, err := studio.Open("four-fuzzes")
			if err != nil {
				return nil, err
			}
			return studio.Performance(s.Rate, seed, demoScore(s))
		}, func(dry []float64) [][]float64 {
			s, _ := studio.Open("four-fuzzes")
			return demoTake(s, 1, dry)
		}},
	}
}

// sceneMics describes the two channels of a take.
const sceneMics = "    mics: {left: {name: A}, right: {name: B}}\n"

func demoScore(s studio.Session) studio.Score {
	return studio.Score{Parts: s.Score.Parts[:1], Length: 11.6}
}

func demoTake(s studio.Session, k int, dry []float64) [][]float64 {
	c := s.Takes[k].Chain
	c.Extra = 4000
	out := studio.Render(dry, c)
	for i := range out {
		out[i] = scaled(out[i], -4)
	}
	return out
}

// bursts are a performance of noise: strokes that begin at once and die away,
// unevenly spaced, each pass with the unevenness of a hand (triangular, ±8 ms).
func bursts(seed uint64) []float64 {
	var at []int
	score, hand := rand.New(rand.NewPCG(5, 5)), rand.New(rand.NewPCG(seed, 6))
	for t := 1.2; t < 8.3; t += 0.19 + 0.12*score.Float64() {
		if t < 4.0 || t > 5.2 {
			at = append(at, int((t+0.008*(hand.Float64()+hand.Float64()-1))*sceneRate))
		}
	}
	x := make([]float64, int(9.4*sceneRate))
	rng := rand.New(rand.NewPCG(seed, 7))
	low, high, envelope := 0.0, 0.0, 0.0
	for i := range x {
		if len(at) > 0 && i == at[0] {
			envelope, at = 0.7+0.3*rng.Float64(), at[1:]
		}
		envelope *= math.Exp(-1 / (0.09 * sceneRate))
		low += 0.35 * (rng.NormFloat64() - low)
		high += 0.02 * (low - high)
		x[i] = 0.16*envelope*(low-high) + 1e-4*rng.NormFloat64()
	}
	return x
}

var noisy = sync.OnceValue(func() recordings {
	dry := bursts(1)
	out := recordings{"dry": {dry}, "loop": {scaled(dry, 0.05)}}
	for i, name := range []string{"one", "two", "again"} {
		out[name] = rendered(dry, i)
		// The last stroke may be loud.
		out[name][0] = scaled(out[name][0], -8-unit.FromAmplitude(peakOf(out[name][0])))
	}
	return out
})

var demo = sync.OnceValues(func() (recordings, error) {
	s, err := studio.Open("four-fuzzes")
	if err != nil {
		return nil, err
	}
	dry, err := studio.Performance(s.Rate, s.Seed, demoScore(s))
	if err != nil {
		return nil, err
	}
	out := recordings{"dry": {dry}, "loop": {scaled(dry, 0.05)}}
	for name, k := range map[string]int{"one": 0, "two": 1, "again": 5} {
		out[name] = demoTake(s, k, dry)
	}
	return out, nil
})

func sceneOf(base recordings, text string) *scene {
	s := &scene{files: recordings{}, rates: map[string]int{}, specs: map[string]wavio.Spec{}, manifest: text}
	for name, channels := range base {
		for _, x := range channels {
			s.files[name] = append(s.files[name], slices.Clone(x))
		}
	}
	return s
}

func noiseScene(testing.TB) *scene {
	s := sceneOf(noisy(), sceneManifest)
	s.early, s.pauses = 1.6*sceneRate, [][2]float64{{0.1, 1.15}, {4.1, 5.15}, {8.7, 9.4}}
	s.sounding = s.loudAfter("two", 6*sceneRate)
	s.early = s.loudAfter("two", 1.6*sceneRate)
	return s
}

// loudAfter is a frame within the loudest sound of the half second from frame
// from on.
func (s *scene) loudAfter(name string, from int) int {
	x, best := s.files[name][0], from
	for i := from; i < from+sceneRate/2; i++ {
		if math.Abs(x[i]) > math.Abs(x[best]) {
			best = i
		}
	}
	return best
}

func demoScene(t testing.TB) *scene {
	base, err := demo()
	if err != nil {
		t.Fatal(err)
	}
	text := strings.Replace(sceneManifest, "{name: Riff, from: 1.1, to: 4.3}", "{name: Riff, from: 0.9, to: 5.5}", 1)
	text = strings.Replace(text, "{name: Notes, from: 5.1, to: 8.6}", "{name: Notes, from: 5.5, to: 10.6}", 1)
	for _, name := range []string{"one", "two", "again"} {
		text = strings.Replace(text, "    file: "+name+".wav\n", "    file: "+name+".wav\n"+sceneMics, 1)
	}
	s := sceneOf(base, text)
	s.pauses = [][2]float64{{0.1, 0.95}, {10.2, 11.6}}
	s.sounding, s.early = s.loudAfter("one", 6*sceneRate), s.loudAfter("one", 1.6*sceneRate)
	return s
}

func scaledBy(x []float64, g float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = g * v
	}
	return y
}

// delayed is x later by d frames, between frames by a windowed sinc.
func delayed(x []float64, d float64) []float64 {
	whole := int(math.Floor(d))
	return append(make([]float64, whole), playedFrom(x, d-float64(whole))...)
}

func playedFrom(x []float64, d float64) []float64 {
	const half = 16
	y := make([]float64, len(x))
	var taps [2 * half]float64
	for j := range taps {
		u := float64(half-1-j) + 1 - d
		if taps[j] = 1; u != 0 {
			taps[j] = math.Sin(math.Pi*u) / (math.Pi * u) * (0.5 + 0.5*math.Cos(math.Pi*u/(half+1)))
		}
	}
	for i := range y {
		for j, t := range taps {
			if k := i + j - half; k >= 0 && k < len(x) {
				y[i] += t * x[k]
			}
		}
	}
	return y
}

// gate lowers the pauses of a file by some dB, 0.35 s after they begin.
func (s *scene) gate(name string, db float64) {
	for _, p := range s.pauses {
		s.each(name, func(x []float64) []float64 {
			for i := int((p[0] + 0.35) * sceneRate); i < min(len(x), int(p[1]*sceneRate)); i++ {
				x[i] *= unit.ToAmplitude(-db)
			}
			return x
		})
	}
}

// hum adds the mains' 50 Hz of some dBFS, and four harmonics, to a file.
func (s *scene) hum(name string, level float64) {
	s.each(name, func(x []float64) []float64 {
		for i := range x {
			for k := 1.0; k < 6; k++ {
				x[i] += unit.ToAmplitude(level) / k * math.Sin(2*math.Pi*50*k*float64(i)/sceneRate)
			}
		}
		return x
	})
}

// floorStep raises the last pause of a file.
func (s *scene) floorStep(name string, db float64) {
	last := s.pauses[len(s.pauses)-1]
	s.each(name, func(x []float64) []float64 {
		for i := int(last[0] * sceneRate); i < len(x); i++ {
			x[i] *= unit.ToAmplitude(db)
		}
		return x
	})
}

// clip drives a file's peaks over full scale and changes its level afterwards.
func (s *scene) clip(name string, over, then float64) {
	peak := 0.0
	for _, x := range s.files[name] {
		peak = max(peak, peakOf(x))
	}
	s.each(name, func(x []float64) []float64 {
		for i, v := range x {
			x[i] = unit.ToAmplitude(then) * max(-1, min(1, unit.ToAmplitude(over)*v/peak))
		}
		return x
	})
}

// highPassed is x without the lows: second order, Butterworth.
func highPassed(x []float64, hz float64) []float64 {
	w := 2 * math.Pi * hz / sceneRate
	c, al := math.Cos(w), math.Sin(w)/math.Sqrt2
	y := make([]float64, len(x))
	var x1, x2, y1, y2 float64
	for i, v := range x {
		u := ((1+c)/2*(v-2*x1+x2) + 2*c*y1 - (1-al)*y2) / (1 + al)
		x2, x1, y2, y1 = x1, v, y1, u
		y[i] = u
	}
	return y
}

// twoMics gives every take a second microphone, the right one later by some
// frames; in the second take by another number.
func (s *scene) twoMics(later, moved float64) {
	for _, name := range []string{"one", "two", "again"} {
		d := later
		if name == "two" {
			d = moved
		}
		x := s.files[name][0]
		s.files[name] = [][]float64{x, scaled(delayed(x, d)[:len(x)], -3)}
		if !strings.Contains(s.manifest, "file: "+name+".wav\n"+sceneMics) {
			s.manifest = strings.Replace(s.manifest, "    file: "+name+".wav\n", "    file: "+name+".wav\n"+sceneMics, 1)
		}
	}
}

// response puts an impulse response into the chain and, where other has a name,
// another one into the second take.
func (s *scene) response(rate int, other string) {
	s.files["ir"], s.rates["ir"] = [][]float64{{0.5, 0.2, 0.1}}, rate
	s.manifest = strings.Replace(s.manifest, "takes:\n", "  - {slot: cabinet, device: Open back, file: ir.wav}\ntakes:\n", 1)
	if other != "" {
		s.files[other] = [][]float64{{0.5, 0.2, 0.2}}
		s.manifest = strings.Replace(s.manifest, "    fuzz: {device: Two,", "    cabinet: {device: Open back, file: "+other+".wav}\n    fuzz: {device: Two,", 1)
	}
}

// resampled is x, of one sampling rate, at another.
func resampled(t testing.TB, x []float64, from, to int) (y []float64) {
	conv, err := resample.New(from, to, 1)
	if err != nil {
		t.Fatal(err)
	}
	keep := func(b [][]float64) error { y = append(y, b[0]...); return nil }
	if err := errors.Join(conv.Write([][]float64{x}, keep), conv.Finish(keep)); err != nil {
		t.Fatal(err)
	}
	return y
}

// mislabel makes of a file what was recorded at another rate and says 48 kHz.
func (s *scene) mislabel(t testing.TB, name string, rate int) {
	s.each(name, func(x []float64) []float64 { return resampled(t, x, sceneRate, rate) })
}

// thereAndBack converts a file to another rate and back.
func (s *scene) thereAndBack(t testing.TB, name string, rate int) {
	s.each(name, func(x []float64) []float64 {
		return resampled(t, resampled(t, x, sceneRate, rate), rate, sceneRate)
	})
}

// lastSound is the frame at which the dry recording falls silent.
func (s *scene) lastSound(t testing.TB) int {
	d := activity.NewDetector(sceneRate, 1, activity.DefaultParams())
	if err := d.Write(s.files["dry"]); err != nil {
		t.Fatal(err)
	}
	p := d.Finish().Playing
	return int(p[len(p)-1].End())
}

// each applies f to all channels of a file.
func (s *scene) each(name string, f func(x []float64) []float64) {
	for i, x := range s.files[name] {
		s.files[name][i] = f(x)
	}
}

// detection is a fault of the least strength that is found in every material.
type detection struct {
	id    string
	fault string // as the table in testdata/detection.md says it
	cheat func(s *scene)
	want  wanted
	not   string // the material in which it is not findable
}

func detections(t testing.TB) []detection {
	nan := math.NaN()
	const ms = sceneRate / 1000.0
	return []detection{
		{fairness.IDPerformance, "another pass by the same hands to the same click, 20 notes", nil, wanted{fairness.IDPerformance, "Two", result.Failed, nan, 0, ""}, ""},
		{fairness.IDPolarity, "a take inverted", func(s *scene) { s.each("again", func(x []float64) []float64 { return scaledBy(x, -1) }) },
			wanted{fairness.IDPolarity, "Again", result.Caution, nan, 0, "inverted"}, ""},
		{fairness.IDDrift, "4 ppm between a take and its repeat, 10 s", func(s *scene) {
			s.each("again", func(x []float64) []float64 { return studio.Slowed(x, 4) })
		}, wanted{fairness.IDDrift, "Again", result.Failed, 4, 0.5, ""}, ""},
		{fairness.IDRateLabel, "44.1 kHz labelled 48 kHz", func(s *scene) { s.mislabel(t, "two", 44100) }, wanted{fairness.IDRateLabel, "Two", result.Failed, 44100.0 / 48000, 1e-4, "0.9188 times"}, ""},
		{fairness.IDMatchRoom, "a click that keeps the match below −23 LUFS", func(s *scene) {
			s.each("two", func(x []float64) []float64 { return scaled(x, -26) })
			s.files["two"][0][s.sounding] = 0.9
		}, wanted{fairness.IDMatchRoom, "", result.Caution, nan, 0, "LUFS"}, ""},
		{fairness.IDSlips, "1 sample lost in a repeat", func(s *scene) {
			s.each("again", func(x []float64) []float64 { return slices.Delete(x, s.sounding, s.sounding+1) })
		}, wanted{fairness.IDSlips, "Again", result.Failed, 1, 0.05, "1.0 samples lost"}, ""},
		{fairness.IDSlips, "48 samples lost in another take", func(s *scene) {
			s.each("two", func(x []float64) []float64 { return slices.Delete(x, s.sounding, s.sounding+48) })
		}, wanted{fairness.IDSlips, "Two", result.Failed, 48, 12, "lost"}, ""},
		{fairness.IDSteady, "a fader 1 dB lower for 2 s of a repeat", func(s *scene) {
			s.each("again", func(x []float64) []float64 {
				for i := int(5.4 * sceneRate); i < int(7.4*sceneRate); i++ {
					x[i] *= unit.ToAmplitude(-1)
				}
				return x
			})
		}, wanted{fairness.IDSteady, "Again", result.Caution, -1, 0.1, "−1.0 dB"}, ""},
		{fairness.IDGate, "pauses lowered by 12 dB after 0.35 s", func(s *scene) { s.gate("two", 12) }, wanted{fairness.IDGate, "Two", result.Failed, nan, 0, "gated"}, ""},
		{fairness.IDNoiseSteps, "the floor higher by 4 dB from the middle on", func(s *scene) { s.floorStep("two", 4) }, wanted{fairness.IDNoiseSteps, "Two", result.Caution, 4, 0.7, ""}, ""},
		{fairness.IDHum, "hum of −40 dBFS in one take", func(s *scene) { s.hum("two", -40) }, wanted{fairness.IDHum, "Two", result.Caution, nan, 0, ""}, ""},
		{fairness.IDIRRate, "an impulse response of 44.1 kHz", func(s *scene) {
			s.response(44100, "")
		}, wanted{fairness.IDIRRate, "ir.wav", result.Caution, nan, 0, "44100 Hz"}, ""},
		{fairness.IDOneChange, "another impulse response under the same name of the device", func(s *scene) {
			s.response(sceneRate, "other")
		}, wanted{fairness.IDOneChange, "cabinet", result.Failed, nan, 0, ""}, ""},
		{fairness.IDReampLevel, "0.25 dB hotter", func(s *scene) { s.files["loop"][0] = scaled(s.files["loop"][0], 0.2) }, wanted{fairness.IDReampLevel, "", result.Caution, 0.25, 0.005, "+0.25 dB"}, ""},
		{fairness.IDReampTone, "1.5 dB less at 63 Hz", func(s *scene) { s.files["loop"][0] = highPassed(s.files["loop"][0], 50) }, wanted{fairness.IDReampTone, "", result.Caution, nan, 0, "−"}, "noise"},
		{fairness.IDReampTurn, "a loop that inverts", func(s *scene) { s.files["loop"][0] = scaledBy(s.files["loop"][0], -1) }, wanted{fairness.IDReampTurn, "", result.Caution, nan, 0, "inverted"}, ""},
		{fairness.IDReampNoise, "hum of −60 dBFS in the loop", func(s *scene) { s.hum("loop", -63) }, wanted{fairness.IDReampNoise, "", result.Caution, nan, 0, "dB"}, ""},
		{fairness.IDMicDelay, "a microphone moved by 1 cm", func(s *scene) {
			s.twoMics(24, 24+1.4)
		}, wanted{fairness.IDMicDelay, "Two", result.Caution, 1.4 / ms, 0.003, ""}, ""},
		{fairness.IDMicPolarity, "one microphone inverted", func(s *scene) {
			s.twoMics(24, 24)
			s.files["two"][1] = scaledBy(s.files["two"][1], -1)
		}, wanted{fairness.IDMicPolarity, "Two", result.Caution, nan, 0, "opposite"}, ""},
		{fairness.IDDry, "3 samples at full scale", func(s *scene) {
			for i := range 3 {
				s.files["dry"][0][s.sounding+i] = 1
			}
		}, wanted{fairness.IDDry, "", result.Caution, nan, 0, "clipped"}, ""},
		{fairness.IDSameFile, "the same bytes", func(s *scene) { s.files["two"] = s.files["one"] }, wanted{fairness.IDSameFile, "One and Two", result.Failed, nan, 0, "same bytes"}, ""},
		{fairness.IDNearCopy, "a copy, 3 dB quieter, inverted, 20 frames later", func(s *scene) {
			s.files["two"] = nil
			for _, x := range s.files["one"] {
				s.files["two"] = append(s.files["two"], append(make([]float64, 20), scaledBy(scaled(x, -3), -1)...))
			}
		}, wanted{fairness.IDNearCopy, "One and Two", result.Failed, nan, 0, ""}, ""},
		{fairness.IDPath, "the dry recording itself, 4 dB quieter, inverted, 30 frames later, with noise of −70 dBFS", func(s *scene) {
			x := passed(s.files["dry"][0], -4, 30, -70)
			for c := range s.files["two"] {
				s.files["two"][c] = x
			}
		}, wanted{fairness.IDPath, "Two", result.Failed, nan, 0, ""}, ""},
		{fairness.IDFormat, "16 instead of 24 bits", func(s *scene) { s.specs["two"] = wavio.Spec{Bits: 16} }, wanted{fairness.IDFormat, "Two", result.Caution, nan, 0, "16-bit"}, ""},
		{fairness.IDFormat, "16 bits in a file of 24", func(s *scene) {
			s.each("two", func(x []float64) []float64 { return rounded(x, 16, 0) })
		}, wanted{fairness.IDFormat, "Two", result.Caution, nan, 0, "16 bits in a file of 24-bit integer"}, ""},
		{fairness.IDNearCopy, "a repeat that is a copy rounded to 16 bits with dither", func(s *scene) {
			s.files["again"] = nil
			for c, x := range s.files["one"] {
				s.files["again"] = append(s.files["again"], rounded(x, 16, uint64(3+c)))
			}
		}, wanted{fairness.IDNearCopy, "One and Again", result.Caution, nan, 0, ""}, ""},
		{fairness.IDChannels, "a right channel 3 samples late", func(s *scene) {
			s.files["two"] = [][]float64{s.files["two"][0], passed(s.files["two"][0], 0, 3, -80)[:len(s.files["two"][0])]}
			s.manifest = strings.Replace(s.manifest, "    file: two.wav\n"+sceneMics, "    file: two.wav\n", 1)
		}, wanted{fairness.IDChannels, "Two", result.Caution, 3 / ms, 0.002, "+3.0"}, ""},
		{fairness.IDBandEdge, "44.1 kHz and back", func(s *scene) { s.thereAndBack(t, "two", 44100) }, wanted{fairness.IDBandEdge, "Two", result.Caution, nan, 0, "near 21."}, ""},
		{fairness.IDLengths, "0.1 s of the last sound missing", func(s *scene) {
			s.each("two", func(x []float64) []float64 { return x[:s.lastSound(t)+lagOf(s, "two")-int(0.1*sceneRate)] })
		}, wanted{fairness.IDLengths, "Two", result.Caution, 0.1, 0.06, ""}, ""},
		{fairness.IDSections, "a section that a take does not reach", func(s *scene) {
			s.each("two", func(x []float64) []float64 { return x[:int(5*sceneRate)] })
		}, wanted{fairness.IDSections, "Two", result.Failed, nan, 0, "Notes missing"}, ""},
		{fairness.IDHeadroom, "a peak of −5.9 dBFS", func(s *scene) {
			peak := 0.0
			for _, x := range s.files["two"] {
				peak = max(peak, peakOf(x))
			}
			s.each("two", func(x []float64) []float64 { return scaled(x, -5.95-unit.FromAmplitude(peak)) })
		}, wanted{fairness.IDHeadroom, "Two", result.Caution, -5.95, 0.02, ""}, ""},
		{fairness.IDClipping, "peaks 1 dB over full scale", func(s *scene) { s.clip("two", 1, 0) }, wanted{fairness.IDClipping, "Two", result.Failed, nan, 0, "place"}, ""},
		{fairness.IDClipping, "peaks 3 dB over, then lowered by 8 dB", func(s *scene) { s.clip("two", 3, -8) }, wanted{fairness.IDClipping, "Two", result.Caution, nan, 0, "place"}, ""},
		{fairness.IDOver, "1 sample of +0.1 dBFS in floating point", func(s *scene) {
			s.specs["two"] = wavio.Spec{Bits: 32, Float: true}
			s.files["two"][0][s.sounding] = unit.ToAmplitude(0.1)
		}, wanted{fairness.IDOver, "Two", result.Caution, 1, 0, "1 sample"}, ""},
		{fairness.IDClicks, "1 sample of −40 dBFS in a saturated riff", func(s *scene) { s.files["one"][0][s.sounding] += unit.ToAmplitude(-40) }, wanted{fairness.IDClicks, "One", result.Caution, 1, 0, "1 click"}, "noise"},
		{fairness.IDClicks, "of −20 dBFS in noise", func(s *scene) { s.files["one"][0][s.sounding] += unit.ToAmplitude(-20) }, wanted{fairness.IDClicks, "One", result.Caution, 1, 0, "1 click"}, ""},
		{fairness.IDClicks, "3 samples of −40 dBFS in a pause", func(s *scene) {
			at := int((s.pauses[0][0] + s.pauses[0][1]) / 2 * sceneRate)
			for i := range 3 {
				s.files["one"][0][at+i] += unit.ToAmplitude(-40)
			}
		}, wanted{fairness.IDClicks, "One", result.Caution, 1, 0, "1 click"}, ""},
		{fairness.IDDropouts, "64 samples of silence", func(s *scene) { clear(s.files["one"][0][s.sounding : s.sounding+64]) }, wanted{fairness.IDDropouts, "One", result.Failed, 1, 0, ""}, ""},
		{fairness.IDCut, "the end cut off within a sound", func(s *scene) { s.each("one", func(x []float64) []float64 { return x[:s.sounding] }) }, wanted{fairness.IDCut, "One", result.Caution, nan, 0, "end cut"}, ""},
		{fairness.IDCut, "the beginning cut off within a sound", func(s *scene) { s.each("one", func(x []float64) []float64 { return x[s.early:] }) }, wanted{fairness.IDCut, "One", result.Caution, nan, 0, "beginning cut"}, ""},
		{fairness.IDCut, "a fade of 0.25 s at the end", func(s *scene) {
			s.each("one", func(x []float64) []float64 {
				n := sceneRate / 4
				for i := range n {
					x[len(x)-1-i] *= (float64(i) + 0.5) / float64(n)
				}
				return x
			})
		}, wanted{fairness.IDCut, "One", result.Caution, nan, 0, "fades out"}, ""},
		{fairness.IDDC, "−59 dBFS", func(s *scene) {
			s.each("one", func(x []float64) []float64 {
				for i := range x {
					x[i] += unit.ToAmplitude(-59)
				}
				return x
			})
		}, wanted{fairness.IDDC, "One", result.Caution, -59, 0.3, ""}, ""},
		{fairness.IDDualMono, "a second channel that is the first, 6 dB quieter", func(s *scene) {
			s.files["two"] = [][]float64{s.files["two"][0], scaled(s.files["two"][0], -6)}
		}, wanted{fairness.IDDualMono, "Two", result.Caution, nan, 0, "copy"}, "demo"},
		{fairness.IDSilent, "nothing above −80 dBFS in one channel", func(s *scene) {
			s.files["two"] = [][]float64{s.files["two"][0], make([]float64, len(s.files["two"][0]))}
		}, wanted{fairness.IDSilent, "Two", result.Failed, nan, 0, "silent"}, ""},
	}
}

// passed is what a path without a device makes of a recording: another level, the
// other polarity, some frames of delay and noise.
func passed(x []float64, db float64, later int, noise float64) []float64 {
	rng := rand.New(rand.NewPCG(8, 8))
	y := append(make([]float64, later), scaledBy(scaled(x, db), -1)...)
	for i := range y {
		y[i] += unit.ToAmplitude(noise) * rng.NormFloat64()
	}
	return y
}

// rounded is x in so many bits, with the dither of a triangular density; seed 0: with
// none.
func rounded(x []float64, bits int, seed uint64) []float64 {
	rng := rand.New(rand.NewPCG(seed, 4))
	step := math.Ldexp(1, 1-bits)
	y := make([]float64, len(x))
	for i, v := range x {
		if seed > 0 {
			v += step * (rng.Float64() - rng.Float64())
		}
		y[i] = step * math.Round(v/step)
	}
	return y
}

// lagOf is about how much later a take is than the dry recording.
func lagOf(s *scene, name string) int {
	if len(s.files[name]) == 2 {
		return map[string]int{"one": 317, "two": 131, "again": 317}[name]
	}
	return map[string]int{"one": 104, "two": -9, "again": 81}[name]
}

// TestDetection puts every fault, at the least strength that the documentation
// claims, into guitar; and into noise and a passage of the demo those that
// TestStrengths does not put there.
func TestDetection(t *testing.T) {
	if underRace {
		t.Skip("a hundred comparisons are slow under the race detector; TestFair runs the same code with it")
	}
	all := materials()
	graded := map[string]bool{}
	for _, part := range [][]grade{damages(t), shortened(t), mistimed(t, all[0]), noisyPauses(), moved()} {
		for _, g := range part {
			graded[g.id] = true
		}
	}
	for _, x := range whole() {
		// Not the copy that is moved, and not where it is guitar's alone.
		graded[x.id] = graded[x.id] || x.id != fairness.IDNearCopy && x.id != fairness.IDIRRate
	}
	for _, m := range all {
		for _, d := range detections(t) {
			if d.not == m.name || m.name != "guitar" && graded[d.id] {
				continue
			}
			t.Run(m.name+"/"+d.id+", "+d.fault, func(t *testing.T) {
				if m.name != all[0].name {
					campaign.Long(t)
				}
				t.Parallel()
				s := m.make(t)
				if d.cheat == nil {
					dry, err := m.pass(8)
					if err != nil {
						t.Fatal(err)
					}
					s.files["two"] = m.take(dry)
				} else {
					d.cheat(s)
				}
				text := fmt.Sprint(d.want)
				if !strings.Contains(text, "Again") {
					s.manifest = strings.Replace(s.manifest, sceneAgain, "", 1)
					s.manifest = strings.Replace(s.manifest, strings.Replace(sceneAgain, "again.wav\n", "again.wav\n"+sceneMics, 1), "", 1)
				}
				if !strings.HasPrefix(d.id, "reamp-") {
					s.manifest = strings.Replace(s.manifest, "  loopback: loop.wav\n", "", 1)
				}
				assert(t, s.check(t), d.want)
			})
		}
	}
}
