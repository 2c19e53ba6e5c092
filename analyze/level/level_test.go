package level

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/align"
	"evenhand/analyze/unit"
	"evenhand/examples/studio"
)

const rate = 48000

// dryRiff is 9 s of an invented performance with pauses.
func dryRiff(t testing.TB) []float64 {
	t.Helper()
	x, err := studio.Performance(rate, 7, studio.Score{
		Parts: []studio.Part{
			{Name: "Riff", Start: 1.2, Tempo: 130, Step: 0.5, Notes: "60m 60m 63 60m 65 63 60m 62 60m 60m 63 60m"},
			{Name: "Chords", Start: 5.5, Tempo: 100, Step: 2, Notes: "60+52+42 63+55+45", Ring: true},
		},
		Length: 9.5,
	})
	if err != nil {
		t.Fatal(err)
	}
	return x
}

// loop is what a loop does to a recording.
type loop struct {
	gain       float64 // dB
	lag        int
	inverted   bool
	low, high  float64 // corners of one-pole filters in Hz; 0: none
	noise, hum float64 // rms dBFS; 0: none
	limit      float64 // soft limit at this amplitude; 0: none
}

func (l loop) run(x []float64) []float64 {
	out := make([]float64, len(x)+max(0, l.lag))
	for i := range out {
		if j := i - l.lag; j >= 0 && j < len(x) {
			out[i] = x[j]
		}
	}
	g := unit.ToAmplitude(l.gain)
	if l.inverted {
		g = -g
	}
	var hp, lp float64
	rng := rand.New(rand.NewPCG(1, 2))
	for i, v := range out {
		v *= g
		if l.limit > 0 {
			v = l.limit * math.Tanh(v/l.limit)
		}
		if l.low > 0 {
			hp += (1 - math.Exp(-2*math.Pi*l.low/rate)) * (v - hp)
			v -= hp
		}
		if l.high > 0 {
			lp += (1 - math.Exp(-2*math.Pi*l.high/rate)) * (v - lp)
			v = lp
		}
		if l.noise != 0 {
			v += unit.ToAmplitude(l.noise) * rng.NormFloat64()
		}
		if l.hum != 0 {
			v += unit.ToAmplitude(l.hum) * math.Sqrt2 * math.Sin(2*math.Pi*50*float64(i)/rate)
		}
		out[i] = v
	}
	return out
}

func compare(t testing.TB, dry, loop []float64) Result {
	t.Helper()
	r, err := Compare(align.NewMemory(rate, dry), align.NewMemory(rate, loop))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// TestLevel sets a loop's level and asks for it back within 0.05 dB, whatever
// lag, polarity, hum and hiss come with it.
func TestLevel(t *testing.T) {
	dry := dryRiff(t)
	for _, l := range []loop{
		{gain: 0, lag: 0, noise: -90},
		{gain: 0.05, lag: 64},
		{gain: -0.2, lag: 1000},
		{gain: 1.3, lag: -300, inverted: true},
		{gain: -6, lag: 2400, noise: -80},
		{gain: 3, lag: 17, noise: -60, hum: -70, inverted: true},
		{gain: -1.3, lag: 5, noise: -90, hum: -50},
	} {
		t.Run(fmt.Sprintf("%+v", l), func(t *testing.T) {
			r := compare(t, dry, l.run(dry))
			if !r.Certain {
				t.Fatal(r.Reason)
			}
			if d := math.Abs(float64(r.Broadband) - l.gain); d > 0.02 {
				t.Errorf("broadband %v dB", float64(r.Broadband))
			}
			if d := math.Abs(float64(r.Lag) - float64(l.lag)); d > 0.05 {
				t.Errorf("lag %v", r.Lag)
			}
			if want := map[bool]int{true: -1, false: 1}[l.inverted]; r.Polarity != want {
				t.Errorf("polarity %d, want %d", r.Polarity, want)
			}
			for _, o := range r.Octaves {
				if f := float64(o.Band.Centre); o.Measured && f > 100 && f < 3000 && math.Abs(float64(o.Level)-l.gain) > 0.1 {
					t.Errorf("octave %s: %v", o.Band.Label, float64(o.Level))
				}
			}
		})
	}
}

// TestNoise asks for the noise that a loop adds in the pauses.
func TestNoise(t *testing.T) {
	dry := dryRiff(t)
	for _, l := range []loop{
		{gain: -0.4, lag: 64, noise: -94},
		{gain: -0.4, lag: 64, noise: -94, low: 20},
		{gain: 0.3, lag: 100, noise: -80},
		{gain: 0, lag: 3, noise: -60},
	} {
		r := compare(t, dry, l.run(dry))
		// White noise to half the rate; 20 kHz of 24 are in the band.
		want := l.noise + 10*math.Log10(20.0/24)
		if d := math.Abs(float64(r.Noise) - want); !(d < 0.7) {
			t.Errorf("%+v: noise %v, want %.1f (%s)", l, r.Noise, want, r.NoiseReason)
		}
	}
	// The dry recording hums at the same mains, at −75 dBFS; what the loop adds
	// counts. Near that level the sum depends on the phases of the two.
	for _, hum := range []float64{-43, -60} {
		r := compare(t, dry, loop{gain: -0.4, lag: 64, noise: -94, hum: hum}.run(dry))
		if d := math.Abs(float64(r.Noise) - hum); !(d < 1) || math.Abs(float64(r.Level)+0.4) > 0.05 {
			t.Errorf("hum of %v: noise %v, level %v", hum, r.Noise, float64(r.Level))
		}
	}
}

// TestNoisyLoop asks what is said of a loop that inverts, hums or hisses, and that a
// good one, or one whose noise is less than the dry recording's own, is left alone.
func TestNoisyLoop(t *testing.T) {
	dry := dryRiff(t)
	hissing := slices.Clone(dry)
	rng := rand.New(rand.NewPCG(4, 4))
	for i := range hissing {
		hissing[i] += unit.ToAmplitude(-55) * rng.NormFloat64()
	}
	for _, c := range []struct {
		name  string
		dry   []float64
		loop  loop
		noisy bool
		hum   unit.Hertz
		says  []string
	}{
		{"a good one", dry, loop{gain: 0.1, lag: 64, noise: -90}, false, 0, []string{"advice.leave"}},
		{"inverted", dry, loop{gain: 0.1, lag: 64, noise: -90, inverted: true}, false, 0, []string{"advice.fix", "advice.polarity"}},
		{"hum", dry, loop{gain: -0.1, lag: 64, noise: -95, hum: -55}, true, 50, []string{"advice.fix", "hum_hz:50.00 noise_dbfs:−5"}},
		{"hiss", dry, loop{lag: 64, noise: -58}, true, 0, []string{"advice.fix", "noise_dbfs:−5"}},
		{"less hiss than the dry recording has", hissing, loop{lag: 64, noise: -62}, false, 0, []string{"advice.leave"}},
		{"hot, inverted and noisy", dry, loop{gain: 2, lag: 64, noise: -50, inverted: true}, true, 0, []string{"advice.down", "advice.polarity", "noise_dbfs:−5"}},
	} {
		r := compare(t, c.dry, c.loop.run(c.dry))
		advice := fmt.Sprint(r.Advice(DefaultTolerance))
		if r.Noisy() != c.noisy || r.Hum != c.hum {
			t.Errorf("%s: noisy %v, hum %v; noise %v, %v below, own %v", c.name, r.Noisy(), r.Hum, r.Noise, r.NoiseBelow, r.NoiseOwn)
		}
		for _, want := range c.says {
			if !strings.Contains(advice, want) {
				t.Errorf("%s: no %q in\n%s", c.name, want, advice)
			}
		}
		if bad := c.noisy || c.loop.inverted; bad == strings.Contains(advice, "advice.leave") {
			t.Errorf("%s: %s", c.name, advice)
		}
	}
}

// TestResponse compares the octaves with the responses of one-pole filters:
// 1/√(1+(f₀/f)²) and its mirror, averaged over nothing, so the tolerance is
// that of an octave band around its centre.
func TestResponse(t *testing.T) {
	dry := dryRiff(t)
	r := compare(t, dry, loop{gain: 0, lag: 20, low: 60, high: 4000, noise: -100}.run(dry))
	if !(r.Low < -1.5 && r.Low > -4.5) || !strings.HasPrefix(r.LowBand, "63") {
		t.Errorf("low %v in %s, a one-pole corner at 60 Hz takes 3 dB there", r.Low, r.LowBand)
	}
	// The band's power lies near its lower edge, where this filter takes 4.4 dB;
	// at the centre it takes 6.6.
	if !(r.High < -4 && r.High > -6.6) || !strings.HasPrefix(r.HighBand, "8") {
		t.Errorf("high %v in %s, a one-pole corner at 4 kHz takes 4.4 to 6.6 dB there", r.High, r.HighBand)
	}
	advice := fmt.Sprint(r.Advice(DefaultTolerance))
	for _, want := range []string{"advice.lows", "advice.highs"} {
		if !strings.Contains(advice, want) {
			t.Errorf("advice without %q:\n%s", want, advice)
		}
	}
	flat := compare(t, dry, loop{gain: 0, lag: 20, noise: -100}.run(dry))
	if math.Abs(float64(flat.Tilt)) > 0.05 || math.Abs(float64(flat.Low)) > 0.1 || math.Abs(float64(flat.High)) > 0.1 {
		t.Errorf("a flat loop has tilt %v, ends %v and %v", flat.Tilt, flat.Low, flat.High)
	}
	tilted := compare(t, dry, loop{gain: 0, lag: 20, high: 700, noise: -100}.run(dry))
	if tilted.Tilt > -1 {
		t.Errorf("a loop with a corner at 700 Hz has tilt %v", tilted.Tilt)
	}
}

// TestAdvice asks for what to turn, by how much, and what the error does.
func TestAdvice(t *testing.T) {
	dry := dryRiff(t)
	for _, c := range []struct {
		gain float64
		want string
	}{
		{1.3, "advice.down 1.3, advice.harder 1.3"},
		{-1.3, "advice.up 1.3, advice.less 1.3"},
		{0.2004, "advice.down 0.2004, advice.harder 0.2004"},
		{0.1, "advice.leave –"},
	} {
		var got []string
		for _, a := range compare(t, dry, loop{gain: c.gain, lag: 9}.run(dry)).Advice(DefaultTolerance) {
			by, decimals := math.NaN(), 0
			if v, ok := a.With["by_db"].(unit.Number); ok {
				by, decimals = float64(v), int(a.With["decimals"].(unit.Number))
			}
			got = append(got, a.Found+" "+unit.Format(by, decimals))
		}
		if strings.Join(got, ", ") != c.want {
			t.Errorf("%+.1f dB: %q, want %q", c.gain, got, c.want)
		}
	}
	// Where the level may lie on the other side of nothing, none is named.
	for _, off := range []unit.DB{0.3, -0.3} {
		r := Result{Certain: true, Level: off, LevelError: 1.1}
		if got := fmt.Sprint(r.Advice(DefaultTolerance)); strings.Contains(got, "advice.up") || strings.Contains(got, "advice.down") || !strings.Contains(got, "advice.filter-first") {
			t.Errorf("%v dB ± 1.1 dB: %q", float64(off), got)
		}
		r.LevelError = 0.25
		if got := fmt.Sprint(r.Advice(DefaultTolerance)); !strings.HasPrefix(got, map[bool]string{true: "[{advice.up", false: "[{advice.down"}[off < 0]) {
			t.Errorf("%v dB ± 0.25 dB: %q", float64(off), got)
		}
	}
}

// TestUnevenLoop asks what is said of loops that lose treble or lows from a
// bright recording, whose filters are digital: the level is that of the passband
// within 0.05 dB, with the broadband figure beside it, and no limiter is claimed.
func TestUnevenLoop(t *testing.T) {
	bright := dries(t)["bright"]
	for _, l := range []loop{
		{gain: 0.7, lag: 30, high: 9000, noise: -100},
		{gain: 0.7, lag: 30, low: 10, noise: -100},
		{gain: 0, lag: 30, high: 3000, noise: -100},
	} {
		r := compare(t, bright, l.run(bright))
		if !r.Certain || math.Abs(float64(r.Level)-l.gain) > 0.05 || r.LevelBands != "250 Hz to 1 kHz" {
			t.Errorf("%+v: certain %v, level %v in %s", l, r.Certain, float64(r.Level), r.LevelBands)
		}
		text := fmt.Sprint(r.Warnings)
		if strings.Contains(text, "loop.limits") && !strings.Contains(text, "uneven:true") {
			t.Errorf("%+v: no limiter is there: %s", l, text)
		}
		if uneven := math.Abs(float64(r.Broadband-r.Level)) > 0.1; uneven != (strings.Contains(text, "{loop.shape") || strings.Contains(text, "{loop.uneven")) || uneven != (l.high > 0) {
			t.Errorf("%+v: broadband %v, level %v, warnings %q", l, float64(r.Broadband), float64(r.Level), text)
		}
	}
}

// TestCopy asks that the dry recording itself is told from a loop.
func TestCopy(t *testing.T) {
	dry := dryRiff(t)
	for name, l := range map[string]struct {
		loop
		copy bool
	}{
		"the samples": {loop{}, true}, "moved": {loop{lag: 480}, true}, "a loop's noise": {loop{noise: -96}, false},
		"hundredths of a dB": {loop{gain: 0.02}, false},
	} {
		r := compare(t, dry, l.run(dry))
		if r.Copy != l.copy || r.Certain == l.copy || l.copy && r.Reason.Found == "" {
			t.Errorf("%s: copy %v, certain %v, %q", name, r.Copy, r.Certain, r.Reason)
		}
	}
	sixteen := make([]float64, len(dry))
	for i, v := range dry {
		sixteen[i] = math.Round(v*32768) / 32768
	}
	if r := compare(t, dry, sixteen); !r.Copy {
		t.Error("a conversion to 16 bits was taken for a loop")
	}
}

// TestNothingInCommon asks that no level is claimed where none can be.
func TestNothingInCommon(t *testing.T) {
	dry := dryRiff(t)
	noise := make([]float64, len(dry))
	rng := rand.New(rand.NewPCG(3, 4))
	for i := range noise {
		noise[i] = 0.1 * rng.NormFloat64()
	}
	other, err := studio.Performance(rate, 99, studio.Score{Length: 9.5, Parts: []studio.Part{
		{Name: "Riff", Start: 1.21, Tempo: 130, Step: 0.5, Notes: "60m 60m 63 60m 65 63 60m 62 60m 60m 63 60m"},
		{Name: "Chords", Start: 5.5, Tempo: 100, Step: 2, Notes: "60+52+42 63+55+45", Ring: true},
	}})
	if err != nil {
		t.Fatal(err)
	}
	for name, x := range map[string][]float64{
		"noise": noise, "silence": make([]float64, len(dry)), "another pass": other,
		"half a second": dry[60000:84000], "nothing": {},
	} {
		r := compare(t, dry, x)
		if (name == "silence") != (r.Silent == "loopback") {
			t.Errorf("%s: silent is %q", name, r.Silent)
		}
		if r.Certain || r.Reason.Found == "" || !math.IsNaN(float64(r.Broadband)) {
			t.Errorf("%s: certain %v, level %v, reason %q", name, r.Certain, r.Broadband, r.Reason)
		}
		if a := r.Advice(DefaultTolerance); len(a) != 1 || a[0].Found != "advice.record" && a[0].Found != "advice.name-dry" {
			t.Errorf("%s: advice %q", name, a)
		}
	}
}

// TestShorter compares a loopback of a part of the performance.
func TestShorter(t *testing.T) {
	dry := dryRiff(t)
	r := compare(t, dry, loop{gain: -0.7, lag: 100}.run(dry)[:5*rate])
	if !r.Certain || math.Abs(float64(r.Broadband)+0.7) > 0.05 {
		t.Errorf("certain %v (%s), level %v", r.Certain, r.Reason, float64(r.Broadband))
	}
	if r.Shared > 5 || r.Shared < 4.9 {
		t.Errorf("shared %v", r.Shared)
	}
}

// TestDrift plays the loopback by a clock that runs slower by some ppm.
func TestDrift(t *testing.T) {
	dry := dryRiff(t)
	for _, ppm := range []float64{50, -120} {
		r := compare(t, dry, loop{gain: 0.5, noise: -80}.run(studio.Slowed(dry, ppm)))
		if !r.Certain || math.Abs(float64(r.Broadband)-0.5) > 0.05 || math.Abs(float64(r.Drift)-ppm) > 3 {
			t.Errorf("%v ppm: certain %v (%s), level %v, drift %v", ppm, r.Certain, r.Reason, float64(r.Broadband), r.Drift)
		}
		if !strings.Contains(fmt.Sprint(r.Warnings), "loop.clock") {
			t.Errorf("%v ppm: %q", ppm, r.Warnings)
		}
	}
}

// TestWarnings asks for what spoils a loopback.
func TestWarnings(t *testing.T) {
	dry := dryRiff(t)
	loud := make([]float64, len(dry))
	for i, v := range dry {
		loud[i] = max(-1, min(1, 8*v))
	}
	if r := compare(t, loud, loop{lag: 4, gain: -1}.run(loud)); !strings.Contains(fmt.Sprint(r.Warnings), "loop.full-dry") {
		t.Errorf("clipped dry: %q", r.Warnings)
	}
	peak := 0.0
	for _, v := range dry {
		peak = max(peak, math.Abs(v))
	}
	if r := compare(t, dry, loop{lag: 4, limit: peak / 2}.run(dry)); !strings.Contains(fmt.Sprint(r.Warnings), "loop.limits") {
		t.Errorf("limited loop: %q, peak %v, level %v", r.Warnings, r.Peak, r.Broadband)
	}
	if r := compare(t, dry, loop{lag: 4, gain: 0.3}.run(dry)); len(r.Warnings) > 0 {
		t.Errorf("clean loop: %q", r.Warnings)
	}
}

func TestRates(t *testing.T) {
	_, err := Compare(align.NewMemory(48000, make([]float64, 48000)), align.NewMemory(44100, make([]float64, 48000)))
	if !errors.Is(err, ErrRate) {
		t.Error(err)
	}
}

func BenchmarkCompare(b *testing.B) {
	dry := dryRiff(b)
	var minute []float64
	for len(minute) < 60*rate {
		minute = append(minute, dry...)
	}
	x := loop{gain: 1, lag: 100, noise: -90}.run(minute)
	for b.Loop() {
		compare(b, minute, x)
	}
	b.ReportMetric(float64(len(minute))/rate*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}
