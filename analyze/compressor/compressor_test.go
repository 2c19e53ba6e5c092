package compressor_test

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"evenhand/analyze/align"
	"evenhand/analyze/compressor"
	"evenhand/analyze/drive"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/touch"
	"evenhand/examples/guitar"
	"evenhand/examples/studio"
)

const rate = guitar.Rate

// built is a compressor of known settings.
type built struct {
	ratio, threshold, knee float64
	attack, release        float64 // s
	peak                   bool
	decay                  float64 // s
	vague                  bool    // other detectors fit about as well, with other times
}

// run sends x through the compressor, sample by sample.
//
// Source: D. Giannoulis, M. Massberg and J. D. Reiss, J. Audio Eng. Soc. 60(6), 2012: gain
// computer with a quadratic knee, branching smoothing of the gain in dB (from memory).
func (c built) run(x []float64) []float64 {
	part := func(seconds float64) float64 { return 1 - math.Exp(-1/(seconds*rate)) }
	a, r, d := part(c.attack), part(c.release), part(c.decay)
	y := make([]float64, len(x))
	level, gain := 0.0, 0.0
	for i, v := range x {
		db := 0.0
		if c.peak {
			level = math.Max(math.Abs(v), level*(1-d))
			db = 20 * math.Log10(level+1e-9)
		} else {
			level += d * (v*v - level)
			db = 10 * math.Log10(level+1e-18)
		}
		over := db - c.threshold
		switch {
		case 2*over < -c.knee:
			over = 0
		case 2*over <= c.knee && c.knee > 0:
			over = (over + c.knee/2) * (over + c.knee/2) / (2 * c.knee)
		}
		want := over * (1/c.ratio - 1)
		if want < gain {
			gain += a * (want - gain)
		} else {
			gain += r * (want - gain)
		}
		y[i] = v * math.Pow(10, gain/20)
	}
	return y
}

// cabinet sends x through the response of the studio's first microphone.
func cabinet(t testing.TB, x []float64) []float64 {
	t.Helper()
	session, err := studio.Open("four-fuzzes")
	if err != nil {
		t.Fatal(err)
	}
	const n = 1 << 13
	fft, in := dsp.NewFFT(n), make([]float64, n)
	copy(in, studio.Cabinet(rate, session.IR[0]))
	h := fft.Forward(nil, in)
	y := make([]float64, len(x)+n)
	for at := 0; at < len(x); at += n / 2 {
		clear(in)
		copy(in, x[at:min(len(x), at+n/2)])
		c := fft.Forward(nil, in)
		for k := range c {
			c[k] *= h[k]
		}
		for k, v := range fft.Inverse(in, c) {
			y[at+k] += v
		}
	}
	return y[:len(x)]
}

// noisy adds white noise 60 dB below x.
func noisy(x []float64) []float64 {
	power := 0.0
	for _, v := range x {
		power += v * v
	}
	g, r := 1e-3*math.Sqrt(power/float64(len(x))), rand.New(rand.NewPCG(3, 4))
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v + g*r.NormFloat64()
	}
	return y
}

// measure looks for the compressor in a take on six blocks of 4 s, with the noise of the
// last second.
func measure(t testing.TB, dry, take []float64) compressor.Result {
	t.Helper()
	r, _ := measureDrive(t, dry, take)
	return r
}

// measureDrive also returns the drive, with the gains of the compressor where one is found.
func measureDrive(t testing.TB, dry, take []float64) (compressor.Result, drive.Result) {
	t.Helper()
	blocks, pauses := stretches(dry)
	read := func(x []float64) *touch.Take {
		r, err := touch.Read(align.NewMemory(rate, x), 0, blocks, pauses)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	slope, fit, err := touch.Measure(read(dry), read(take))
	if err != nil {
		t.Fatal(err)
	}
	if fit == nil {
		return compressor.Result{None: true}, drive.Result{}
	}
	d := driveOf(t, dry, take, drive.Gains{Seconds: touch.FrameSeconds, Blocks: fit.Gains})
	if !compressor.Looked(slope, d) {
		return compressor.Result{None: true}, d
	}
	r, gains := compressor.Measure(fit)
	if gains != nil {
		d = driveOf(t, dry, take, gains...)
	}
	return r, d
}

// driveOf measures the drive with gains that are known.
func driveOf(t testing.TB, dry, take []float64, gains ...drive.Gains) drive.Result {
	t.Helper()
	blocks, pauses := stretches(dry)
	d, err := drive.Measure(drive.Signal{Source: align.NewMemory(rate, dry)}, drive.Signal{Source: align.NewMemory(rate, take)}, blocks, pauses, gains, nil)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

// stretches returns six blocks of 4 s, and half of the last second as a pause.
func stretches(dry []float64) (blocks, pauses []touch.Stretch) {
	for k := range int64(6) {
		blocks = append(blocks, touch.Stretch{First: k * int64(len(dry)/6/rate) * rate, Frames: 4 * rate})
	}
	return blocks, []touch.Stretch{{First: int64(len(dry) - rate), Frames: rate / 2}}
}

// TestBuilt: compressors of known settings, behind a cabinet and with noise 60 dB below the
// take: slope ± 0.03, attack ± 2 ms, release ± 6 %, or no times at all, threshold ± 1 dB, knee ± 2 dB or none,
// drive under 0.2 %. The limits are those of the method as it was tried on other material;
// common practice, no source.
func TestBuilt(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	dry := guitar.Dry(t)
	for _, c := range []built{
		{2, -32, 0, 0.005, 0.080, false, 0.003, false},
		{2, -60, 0, 0.020, 0.200, false, 0.030, false}, // all that is played is above the threshold
		{4, -32, 6, 0.020, 0.200, false, 0.010, false},
		{4, -60, 6, 0.050, 0.500, true, 0.010, true},
		{4, -26, 6, 0.005, 0.500, false, 0.005, false}, // a detector between those tried at first
		{10, -24, 0, 0.005, 0.080, true, 0.010, false},
		{10, -26, 6, 0.050, 0.200, true, 0.030, false},
	} {
		got, d := measureDrive(t, dry, noisy(cabinet(t, c.run(dry))))
		t.Logf("%+v: %+v, drive %.2f %%", c, got, float64(d.Drive))
		if !(d.Drive < 0.2) {
			t.Errorf("%+v: drive %.2f %%", c, float64(d.Drive))
		}
		far := func(r compressor.Range, want, allow float64) bool {
			return !(math.Abs(r.Value-want) <= allow) || !(r.Low <= r.Value && r.Value <= r.High)
		}
		if got.None || got.Reason.Found != "" || far(got.Slope, 1/c.ratio, 0.03) || !c.vague && (far(got.Attack, c.attack, 0.002) || far(got.Release, c.release, 0.06*c.release)) ||
			c.vague && !(math.IsNaN(got.Attack.Value) && math.IsNaN(got.Release.Value)) {
			t.Errorf("%+v is found as %+v", c, got)
		}
		if all := c.threshold < -50; all != math.IsNaN(got.Threshold.Value) || !all && far(got.Threshold, c.threshold, 1) {
			t.Errorf("%+v: threshold %+v", c, got.Threshold)
		}
		if k := float64(got.Knee); math.Abs(k-c.knee) > 2 {
			t.Errorf("%+v: knee %v", c, got.Knee)
		}
	}
}

// TestDriveOfCurve: a curve before or behind a compressor has the drive that it has without
// one, within 30 %: what the gain does does not count, what the curve does is left. Without
// the gain of the compressor the first two read four times as much. The limit is that of some
// forty such chains; common practice, no source.
func TestDriveOfCurve(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	dry := guitar.Dry(t)
	square := func(k float64) float64 { return k + 0.02*k*k }
	soft := func(k float64) float64 { return math.Tanh(0.2*k) / 0.2 }
	fast, slow := built{4, -32, 6, 0.005, 0.080, true, 0.010, false}, built{4, -30, 6, 0.030, 0.300, false, 0.010, false}
	for _, c := range []struct {
		name   string
		curve  func(float64) float64 // of the rms
		before bool
		built
	}{
		{"square behind fast", square, false, fast},
		{"square before fast", square, true, fast},
		{"soft before slow", soft, true, slow},
	} {
		bend := func(x []float64) []float64 {
			rms, y := math.Sqrt(dsp.MeanSquare(x)), make([]float64, len(x))
			for i, v := range x {
				y[i] = c.curve(v/rms) * rms
			}
			return y
		}
		level := c.run(dry) // the dry recording with the gain that the compressor has
		take := bend(level)
		if c.before {
			bent := bend(dry)
			take = c.run(bent)
			for i, v := range take {
				if level[i] = 0; v != 0 {
					level[i] = dry[i] * v / bent[i]
				}
			}
		}
		take = noisy(cabinet(t, take))
		alone := driveOf(t, level, take).Drive
		found, got := measureDrive(t, dry, take)
		t.Logf("%s: drive %.2f %%, alone %.2f %%; %+v", c.name, float64(got.Drive), float64(alone), found)
		if found.Reason.Found != "" || !(math.Abs(float64(got.Drive/alone-1)) <= 0.3) {
			t.Errorf("%s: drive %.2f %%, alone %.2f %%; %+v", c.name, float64(got.Drive), float64(alone), found)
		}
	}
}

// TestPlugin: a compressor of another program's making, whose settings are in chains.txt,
// behind a cabinet. Its detector is between rms and peak, and follows the amplitude.
func TestPlugin(t *testing.T) {
	got := measure(t, guitar.Dry(t), guitar.Take(t, "compressor"))
	t.Logf("%+v", got)
	if !(math.Abs(got.Slope.Value-1/6.0) <= 0.03) || !(math.Abs(got.Threshold.Value+28) <= 2) {
		t.Errorf("6:1 above -28 dBFS is found as %+v", got)
	}
}

// TestOthers: of neither amplifiers, fuzzes nor anything else of both materials a compressor
// is found.
func TestOthers(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	dry := guitar.Dry(t)
	for _, name := range strings.Fields("clean-1 clean-2 tremolo crunch-1 crunch-2 lead high-gain gate fuzz-1 fuzz-2 octave-up reverb chorus") {
		got := measure(t, dry, guitar.Take(t, name))
		t.Logf("%-11s none %v %v", name, got.None, got.Reason)
		if !got.None && got.Reason.Found == "" {
			t.Errorf("%s is a compressor: %+v", name, got)
		}
		if name == "clean-2" && !got.None {
			t.Errorf("%s: %+v", name, got)
		}
	}
	// A soft curve, from one that hardly distorts on.
	for _, drive := range []float64{1, 2, 4, 8} {
		y := make([]float64, len(dry))
		for i, v := range dry {
			y[i] = v / math.Sqrt(1+drive*drive*v*v)
		}
		got := measure(t, dry, cabinet(t, y))
		t.Logf("soft, %v: %+v", drive, got)
		if !got.None && got.Reason.Found == "" {
			t.Errorf("a curve driven by %v is a compressor: %+v", drive, got)
		}
	}
	session, err := studio.Open("four-fuzzes")
	if err != nil {
		t.Fatal(err)
	}
	if dry, err = session.Dry(); err != nil {
		t.Fatal(err)
	}
	for _, take := range session.Takes[:5] {
		c := take.Chain
		c.Lag, c.Extra = 100, 0
		// Nothing is looked for in the demo: it takes no time.
		if got := measure(t, dry, studio.Render(dry, c)[0]); !got.None {
			t.Errorf("%s: %+v", take.Name, got)
		}
	}
}
